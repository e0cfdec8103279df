//! Looking for the printed sheet in a recording or photograph, before anything else is done with it.

use crate::clip;
use crate::error::Result;
use crate::floor::sheet::align::Grey;
use crate::floor::sheet::detect;
use crate::floor::sheet::fit::Print;
use crate::floor::sheet::placement::{self, Look, Sheet};
use crate::types::RgbImage;
use std::path::Path;

/// Frames looked at first, spread over the recording; where none shows a marker the rest is not looked at.
const FIRST_LOOKS: usize = 5;

/// Most frames looked at.
const MOST_LOOKS: usize = 40;

/// Shortest time between looks, seconds.
const APART_S: f64 = 0.4;

/// Looks for the sheet in a photograph.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn in_photograph(image: &RgbImage, print: Print) -> Result<Sheet> {
    let look = look(image, 0.0)?;
    Ok(Sheet::of([image.width, image.height], &[look], print))
}

/// Looks for the sheet in a recording of `duration_s`; frames that cannot be read are passed over (the reading proper will say so).
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn in_recording(path: &Path, image_size: [usize; 2], duration_s: Option<f64>, print: Print) -> Result<Sheet> {
    let duration_s = duration_s.unwrap_or(0.0).max(0.0);
    let mut looks: Vec<Look> = Vec::new();
    let at = |n: usize, k: usize| duration_s * (k as f64 + 0.5) / n as f64;
    for k in 0..FIRST_LOOKS {
        looks.extend(look_at(path, at(FIRST_LOOKS, k))?);
    }
    if looks.iter().any(|l| !l.found.is_empty()) {
        let n = ((duration_s / APART_S) as usize).min(MOST_LOOKS);
        for k in 0..n {
            looks.extend(look_at(path, at(n, k))?);
        }
        looks.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        looks.dedup_by(|a, b| a.time_s == b.time_s);
    }
    Ok(Sheet::of(image_size, &looks, print))
}

fn look_at(path: &Path, time_s: f64) -> Result<Option<Look>> {
    match clip::frame_at(path, time_s, &clip::OpenOptions::default()) {
        Ok(frame) => look(&frame.image, frame.time_s).map(Some),
        Err(_) => Ok(None),
    }
}

fn look(image: &RgbImage, time_s: f64) -> Result<Look> {
    let grey = Grey::of(image);
    let found = detect::markers(&grey)?;
    let (small, reduced) = placement::small(&grey);
    Ok(Look {
        time_s,
        found,
        small,
        reduced,
    })
}
