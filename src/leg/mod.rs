//! The kneeling lower leg in the carpet's frame, and its gaps.
//!
//! - [`shape`]: how a lower leg and foot go together (learned from the body model).
//! - [`fit`]: the leg in the carpet's frame from image points, a camera and the shape; gaps with covariance.
//! - [`fuse`]: joins the geometry's gaps and the picture's own reading.
//! - [`profile`]: gap profile, probabilities, and the smallest lift a view can show.
//! - [`combine`]: many frames of one hold.
//! - [`contradiction`]: whether two views' gaps can be of one leg.

pub mod combine;
pub mod contradiction;
pub mod fit;
pub mod fuse;
pub mod observe;
pub mod profile;
pub mod shape;
