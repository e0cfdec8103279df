//! The camera over the carpet: one type, filled from marks on the carpet, a printed sheet, the carpet's own lines or the athlete's body.

pub mod body;
pub mod camera;
pub mod lines;
pub mod marks;
pub mod sheet;

pub use camera::FloorCamera;
