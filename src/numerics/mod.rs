//! The little numerics the geometry needs and no package gives with a covariance.

pub mod chi_squared;
pub mod least_squares;
pub mod normal;
