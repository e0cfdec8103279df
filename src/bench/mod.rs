//! How often the call is right, and whether the program knows when it cannot tell, measured on cases whose truth is known.
//!
//! Two sources give the same [`case::Case`]: [`keypoints`] projects measured poses of rendered bodies and adds pixel noise (no pictures, thousands of cases a minute, for
//! the geometry and its calibration), [`pictures`] reads what `examples/measure_stills.rs` measured on rendered stills (the whole program). [`table`] sums cases up by class of
//! view with the one statistics code of [`crate::statistics`]; [`markdown`], [`csv_file`] and [`plot`] write it down. [`joined`] sets two views beside one. Rendered bodies, not athletes.

pub mod canvas;
pub mod case;
pub mod csv_file;
pub mod joined;
pub mod keypoints;
pub mod markdown;
pub mod pictures;
pub mod plot;
pub mod poses;
pub mod table;
pub mod view;
