//! What happens before, in and after the hold: take-off, turn, landing, coming to rest, step, hop, shuffle, sway, added support, leaving.
//!
//! Pure functions of the track and the floor camera. Everything is timed in seconds of the recording; limits are in real seconds and metres on the carpet, so each
//! repetition's slow-motion factor comes first ([`flight`]). Nothing here changes the call on a stance.

pub mod body_path;
pub mod contacts;
pub mod cuts;
pub mod flight;
pub mod footwork;
pub mod repetition;
pub mod report;
pub mod series;
pub mod stretches;
pub mod support;
pub mod sway;
pub mod turn;

pub use repetition::{find, Asked, Floor};
