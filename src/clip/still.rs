//! One frame of a recording, by its time.

use super::decoder;
use super::local_file::LocalFile;
use super::options::OpenOptions;
use super::probe::Probe;
use super::times::Times;
use crate::error::shown;
use crate::types::{Frame, RgbImage};
use crate::{Error, Result};
use std::path::Path;
use std::sync::atomic::AtomicU64;
use std::sync::Arc;

/// How long before the wanted time decoding starts, s: the container then goes back to the random access point before that.
const LEAD_S: f64 = 0.5;

/// The frame of the recording at `path` that is shown at `time_s`, seconds since its first frame: the last one whose time is not later (within a tenth of a
/// millisecond). After the last frame's time the last frame is returned, up to its usual duration.
///
/// The frame is the same, pixel for pixel, as [`super::Clip`] delivers; its `index` is 0 because frames before it are not counted.
///
/// # Errors
/// [`Error::Input`] as [`super::Clip::open`], and where the time lies outside the recording; [`Error::Ours`] where ffmpeg is missing.
pub fn frame_at(path: &Path, time_s: f64, options: &OpenOptions) -> Result<Frame> {
    if !(time_s.is_finite() && time_s >= 0.0) {
        return Err(Error::input(format!(
            "{time_s} s is no time in {}: give seconds from 0 on.",
            shown(path)
        )));
    }
    let probe = Probe::of(LocalFile::look(path)?, options)?;
    if let Some(first_ticks) = probe.first_ticks {
        // The option counts from the container's start, which may differ from the first frame's time.
        let from_start_s = Times::seconds(probe.time_base, first_ticks, 0) - probe.container_start_s + time_s - LEAD_S;
        if from_start_s > 2.0 * LEAD_S {
            if let Found::Yes(frame) = search(&probe, options, time_s, Some((from_start_s, first_ticks)))? {
                return Ok(frame);
            }
            // Some containers land after the wanted time, and some only find their first picture there; the slow way is sure.
        }
    }
    match search(&probe, options, time_s, None)? {
        Found::Yes(frame) => Ok(frame),
        Found::EndsBefore(end_s) => Err(Error::input(format!(
            "{} ends at {end_s:.3} s: give a time before that.",
            probe.file.shown
        ))),
    }
}

/// What a search gives.
enum Found {
    /// The frame.
    Yes(Frame),
    /// Not it; the recording ends at this time, s.
    EndsBefore(f64),
}

/// Decodes until the frame after the wanted one, from `seek` (container time in seconds, ticks of the first frame) or the beginning.
fn search(probe: &Probe, options: &OpenOptions, time_s: f64, seek: Option<(f64, i64)>) -> Result<Found> {
    let (mut process, mut source) = decoder::start(probe, options, seek.map(|s| s.0), Arc::new(AtomicU64::new(0)))?;
    // From the beginning the same rules as for a whole reading apply; after a jump only known ticks count.
    let mut times = Times::new(probe.time_base, probe.info.frame_rate_hz);
    let mut before: Option<(f64, Vec<u8>)> = None;
    let mut step_s = 1.0 / probe.info.frame_rate_hz.unwrap_or(30.0);
    while let Some(raw) = source.next() {
        let at_s = match (seek, raw.ticks) {
            (None, ticks) => times.next(ticks),
            (Some((_, first)), Some(ticks)) => Times::seconds(probe.time_base, ticks, first),
            (Some(_), None) => return Ok(Found::EndsBefore(0.0)),
        };
        if at_s > time_s + 1e-4 {
            process.kill();
            return Ok(match before {
                Some((time_s, data)) => Found::Yes(frame(probe, time_s, data)),
                None => Found::EndsBefore(0.0),
            });
        }
        if let Some((earlier, _)) = before {
            step_s = at_s - earlier;
        }
        before = Some((at_s, raw.data));
    }
    let (_, log) = process.wait();
    match before {
        None if seek.is_none() => Err(super::reading::no_frame(&probe.file.shown, &log)),
        Some((last_s, data)) if time_s < last_s + step_s + 1e-4 => Ok(Found::Yes(frame(probe, last_s, data))),
        last => Ok(Found::EndsBefore(last.map_or(0.0, |(last_s, _)| last_s + step_s))),
    }
}

/// Wraps the pixels.
fn frame(probe: &Probe, time_s: f64, data: Vec<u8>) -> Frame {
    Frame {
        index: 0,
        time_s,
        image: RgbImage {
            width: probe.info.width,
            height: probe.info.height,
            data,
        },
    }
}
