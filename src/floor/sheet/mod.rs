//! The printed sheet: a page of square fiducial markers that lies on the carpet and is found by itself.
//!
//! [`artwork`] says what is on the page and [`page`] writes it, true to size. [`detect`] finds the markers in a picture (OpenCV's aruco), [`align`] measures their corners
//! by laying the drawn marker over the picture, [`fit`] makes the camera over the carpet from them, with what a sheet on a soft carpet leaves open, and [`placement`] tells
//! over a recording where the sheet lay still.

pub mod align;
pub mod artwork;
pub mod detect;
pub mod fit;
pub mod page;
pub mod placement;
