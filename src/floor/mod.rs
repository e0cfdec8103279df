//! The camera over the carpet: one type, filled from marks on the carpet or from the athlete's own body.

pub mod body;
pub mod camera;
pub mod marks;
pub mod sheet;

pub use camera::FloorCamera;
