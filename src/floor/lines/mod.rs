//! The carpet's own boundary line: found in the picture, taken for sides of a carpet of known size, and turned into the camera over it, or refused with a word.
//!
//! [`mask`] leaves the athlete out, [`edges`] finds where stripes of two parallel edges may be, [`stripe`] measures each at sub-pixel accuracy, [`carpet`] says where a carpet's
//! sides are seen by a camera, [`fit`] finds the camera for stripes taken for sides, and [`choose`] weighs all such guesses against each other, against the athlete's body and
//! against their being nothing of the kind. A wrong floor is worse than none: without a clear winner there is a refusal, never a camera.

pub mod carpet;
pub mod choose;
pub mod edges;
pub mod fit;
pub mod mask;
pub mod stripe;

pub use carpet::CarpetSize;
pub use choose::{find, Looked, Refusal};
