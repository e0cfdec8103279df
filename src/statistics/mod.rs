//! Statistics of how often a call is right and whether stated uncertainties and probabilities hold. Every function takes plain numbers and knows nothing of legs.
//!
//! Checked against scikit-learn, statsmodels and NumPy by `tests/statistics_outside.rs`.

pub mod calibration;
pub mod ranking;
pub mod summary;
pub mod wilson;
