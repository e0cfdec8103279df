//! Rules as data: what is measured, tolerance, confidence to call, code and deduction, and where each number comes from.
//!
//! This folder knows numbers and a rule file, nothing of pixels.

pub mod judge;
pub mod movement;
pub mod profile;

pub use profile::RuleProfile;
