//! Several views of one repetition made one call.
//!
//! - [`input`]: which recordings, and which stretches of them.
//! - [`motion`] and [`align`]: which time of one is which time of another, by the motion both show; [`sound`]: by what both heard.
//! - [`tie`]: how the views' carpet frames lie in one another, by the same marks or by the body's own points.
//! - [`run`]: each view's ordinary check, then one leg fitted to all views at the same instants, the pictures' own readings fused in, and the views held against one another.
//! - [`outcome`]: the answer's layout; [`pictures`]: the frames that its report shows.

pub mod align;
pub mod input;
pub mod motion;
pub mod outcome;
pub mod pictures;
pub mod run;
pub mod sound;
pub mod tie;

pub use input::Input;
pub use outcome::JoinedOutcome;
pub use run::{join, Joined};
