//! The views' pictures for the report: read from the recordings again, one at a time.

use crate::clip;
use crate::outcome::InputKind;
use crate::types::RgbImage;
use std::path::PathBuf;

/// Reads upright frames of the views' recordings again.
pub struct ViewPictures {
    views: Vec<(PathBuf, InputKind)>,
}

impl ViewPictures {
    pub(super) const fn new(views: Vec<(PathBuf, InputKind)>) -> Self {
        Self { views }
    }

    /// A view's frame at a time of its own clock, seconds; a photograph at any. `None` where it cannot be read.
    pub fn view(&self, view: usize, time_s: f64) -> Option<RgbImage> {
        let (path, kind) = self.views.get(view)?;
        match kind {
            InputKind::Photograph => clip::read_photograph(path).ok().map(|p| p.image),
            InputKind::Video => clip::frame_at(path, time_s, &clip::OpenOptions::default()).ok().map(|f| f.image),
        }
    }
}
