//! The little numerics the geometry needs and no package gives with a covariance, and the threads to run them on.

pub mod chi_squared;
pub mod least_squares;
pub mod median;
pub mod normal;
pub mod threads;

pub use median::median;
