//! How well the tool and the judges, or several judges, agree.

mod compare;
mod labels;
mod link;
mod page;
mod report;
mod results;
mod tolerance;

pub use compare::{compare, Agreement, Disagreement, Estimate, Pairing, Table};
pub use labels::{Label, Labels, Verdict};
pub use report::{agree, AgainstJudges, AgreeOptions, AgreeReport, CheckReport, Share, ToleranceRow};
pub use results::{Measured, Results};
pub use tolerance::{suggest, with_tolerances, Labelled, Suggestion};

/// The comparison as a page for a person.
pub fn page_of(report: &AgreeReport) -> String {
    page::page(report)
}
