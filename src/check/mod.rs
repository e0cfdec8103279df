//! The whole check: a recording in, an [`Outcome`](crate::outcome::Outcome) out. Joins the steps, adds nothing of its own.

pub mod advice;
pub mod hold_report;
pub mod lines;
mod moving;
pub mod pictures;
mod repetitions;
pub mod run;
pub mod sheet;
pub mod size;

pub use lines::CarpetUse;
pub use run::{check_recording, CheckOptions, Checked, Eyes, LegChoice, Opened, SheetUse};
