//! Where a report's pictures come from.

use crate::types::RgbImage;
use std::borrow::Cow;

/// Hands out a report's pictures. Each is asked for once, in order, and let go before the next, so that memory does not grow with the number of holds.
pub trait Pictures {
    /// The upright frame named by the `best_frame` of the hold of this index, at the size of the recording; `None` where it cannot be read.
    fn hold(&self, hold: usize) -> Option<Cow<'_, RgbImage>>;
    /// The upright frame named by a moment of a repetition, both by index; `None` where it cannot be read.
    fn moment(&self, repetition: usize, moment: usize) -> Option<Cow<'_, RgbImage>>;
}

/// Pictures of holds alone, already in memory, one a hold.
impl Pictures for [Option<RgbImage>] {
    fn hold(&self, hold: usize) -> Option<Cow<'_, RgbImage>> {
        self.get(hold)?.as_ref().map(Cow::Borrowed)
    }

    fn moment(&self, _: usize, _: usize) -> Option<Cow<'_, RgbImage>> {
        None
    }
}
