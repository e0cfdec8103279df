//! Where to stand: the smallest lift that a camera at each place about the athlete can show, before anything is filmed.
//!
//! Simulated with the program's own steps: a measured stance of a rendered body ([`stances`]), its points as a camera at a place sees them with the errors that the networks state for such a
//! view ([`errors`]), floor, leg fit, picture and rules ([`simulate`]); a [`map`] of places, told in words ([`words`]) and drawn from above ([`picture`]).
//!
//! Directions: azimuth about the vertical, degrees, 0 beyond the kneeling foot in line with the shank, 90 square to it on the side that the foot's toes point to, ±180 beyond the
//! knee, −90 square to it on the side of the seat and the front foot. So it is the same for a left and a right kneeling leg; `view.azimuth_deg` of a call has the other sign for a
//! left one.

pub mod bench;
pub mod drawing;
pub mod errors;
pub mod map;
pub mod picture;
pub mod simulate;
pub mod stances;
pub mod words;
