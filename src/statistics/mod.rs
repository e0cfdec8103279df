//! Statistics of how often a call is right and whether stated uncertainties and probabilities hold. Every function takes plain numbers and knows nothing of legs.
//!
//! Checked against scikit-learn, statsmodels and NumPy by `tests/statistics_outside.rs`.

pub mod bootstrap;
pub mod calibration;
pub mod kappa;
pub mod ranking;
pub mod roc;
pub mod summary;
pub mod wilson;
