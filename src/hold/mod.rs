//! When the stance was still.
//!
//! Speeds are measured in the body's own scale, so that zoom and frame rate do not matter.

pub mod motion;
pub mod spans;

pub use spans::{find, Holds, Span};
