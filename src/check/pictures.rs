//! The pictures for the report: read from the recording again, one at a time.

use crate::clip;
use crate::outcome::Outcome;
use crate::report::Pictures;
use crate::types::RgbImage;
use std::borrow::Cow;
use std::path::PathBuf;

/// Reads the upright frames that an [`Outcome`] names from its recording again.
pub struct Reread {
    path: PathBuf,
    photograph: Option<RgbImage>,
    holds_s: Vec<f64>,
    moments_s: Vec<Vec<f64>>,
}

impl Reread {
    pub(super) fn new(path: PathBuf, photograph: Option<RgbImage>, outcome: &Outcome) -> Self {
        let moments_s = outcome.repetitions.iter().map(|r| r.moments.iter().map(|m| m.time_s).collect());
        Self {
            path,
            photograph,
            holds_s: outcome.holds.iter().map(|h| h.best_frame.time_s).collect(),
            moments_s: moments_s.collect(),
        }
    }

    fn at(&self, time_s: f64) -> Option<Cow<'_, RgbImage>> {
        let frame = clip::frame_at(&self.path, time_s, &clip::OpenOptions::default()).ok()?;
        Some(Cow::Owned(frame.image))
    }
}

impl Pictures for Reread {
    fn hold(&self, hold: usize) -> Option<Cow<'_, RgbImage>> {
        let time_s = *self.holds_s.get(hold)?;
        match &self.photograph {
            Some(photograph) => Some(Cow::Borrowed(photograph)),
            None => self.at(time_s),
        }
    }

    fn moment(&self, repetition: usize, moment: usize) -> Option<Cow<'_, RgbImage>> {
        self.at(*self.moments_s.get(repetition)?.get(moment)?)
    }
}
