//! The little numerics the geometry needs and no package gives with a covariance.

pub mod least_squares;
pub mod normal;
