//! A recording being read: frames one by one, and at the end what is to be said of the reading.

use super::decoder::{self, FrameSource, Process};
use super::decoder_log::DecoderLog;
use super::local_file::LocalFile;
use super::options::OpenOptions;
use super::probe::{ClipInfo, Probe};
use super::times::Times;
use crate::types::{Frame, RgbImage};
use crate::{Error, Result};
use crossbeam_channel::{Receiver, RecvTimeoutError};
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::process::ExitStatus;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::Arc;

/// How the reading of a recording went.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadSummary {
    /// Frames delivered.
    pub frames_read: u64,
    /// Frames the file should have; `None` where neither its container nor its packets tell.
    pub frames_expected: Option<u64>,
    /// Whether the end of the recording was reached, rather than the reading stopped before.
    pub reached_end: bool,
    /// What makes the frames or their times less trustworthy, a sentence each, with numbers.
    pub warnings: Vec<String>,
    /// What was guessed or is worth knowing, a sentence each.
    pub notes: Vec<String>,
}

/// A recording being decoded by another process.
///
/// ```no_run
/// use shankline::clip::{Clip, OpenOptions};
/// let mut clip = Clip::open("hold.mp4".as_ref(), &OpenOptions::default())?;
/// while let Some(frame) = clip.next_frame()? {
///     println!("{:.3} s: {} × {} px", frame.time_s, frame.image.width, frame.image.height);
/// }
/// for warning in clip.finish()?.warnings {
///     eprintln!("{warning}");
/// }
/// # Ok::<(), shankline::Error>(())
/// ```
pub struct Clip {
    probe: Probe,
    options: OpenOptions,
    process: Process,
    // `None` once the end was reached or the clip is being dropped; dropping it lets a waiting reader go.
    frames: Option<Receiver<Frame>>,
    reader: Option<std::thread::JoinHandle<Delivered>>,
    frames_read: u64,
    end: Option<End>,
}

/// What is known once the decoder has ended.
struct End {
    status: Option<ExitStatus>,
    log: DecoderLog,
    delivered: Delivered,
}

/// What the thread that reads frames knows at its end.
struct Delivered {
    times: Times,
    /// Times at which the picture's size or format changed, s.
    changes_s: Vec<f64>,
}

impl Clip {
    /// Looks at the recording at `path` and starts decoding it.
    ///
    /// # Errors
    /// [`Error::Input`] where the file is missing, unreadable, not a video, or too large or small; [`Error::Ours`] where ffmpeg is not installed.
    pub fn open(path: &Path, options: &OpenOptions) -> Result<Self> {
        let probe = Probe::of(LocalFile::look(path)?, options)?;
        let clock = Arc::new(AtomicU64::new(0f64.to_bits()));
        let (process, source) = decoder::start(&probe, options, None, Arc::clone(&clock))?;
        let frame_bytes = probe.info.width * probe.info.height * 3;
        let (sender, frames) = crossbeam_channel::bounded((options.queue_bytes / frame_bytes).clamp(1, 8));
        let times = Times::new(probe.time_base, probe.info.frame_rate_hz);
        let (width, height) = (probe.info.width, probe.info.height);
        let reader = std::thread::spawn(move || read_frames(source, times, (width, height), &clock, &sender));
        Ok(Self {
            probe,
            options: options.clone(),
            process,
            frames: Some(frames),
            reader: Some(reader),
            frames_read: 0,
            end: None,
        })
    }

    /// What is known of the recording.
    pub fn info(&self) -> &ClipInfo {
        &self.probe.info
    }

    /// The next frame in presentation order; `None` at the end. Times grow from frame to frame.
    ///
    /// # Errors
    /// [`Error::Input`] where not one frame can be decoded, or the decoder delivers nothing for [`OpenOptions::stall_limit`]; [`Error::Ours`] where ffmpeg
    /// lacks something this program needs.
    pub fn next_frame(&mut self) -> Result<Option<Frame>> {
        let Some(frames) = &self.frames else {
            return Ok(None);
        };
        match frames.recv_timeout(self.options.stall_limit) {
            Ok(frame) => {
                self.frames_read += 1;
                Ok(Some(frame))
            }
            Err(RecvTimeoutError::Timeout) => {
                self.process.kill();
                self.frames = None;
                Err(Error::input(format!(
                    "{}: the decoder delivered nothing for {:.0} s after frame {}: the file is damaged or the machine is overloaded.",
                    self.probe.file.shown,
                    self.options.stall_limit.as_secs_f64(),
                    self.frames_read
                )))
            }
            Err(RecvTimeoutError::Disconnected) => {
                self.frames = None;
                let delivered = self
                    .reader
                    .take()
                    .and_then(|thread| thread.join().ok())
                    .ok_or_else(|| Error::ours("The thread that reads frames stopped: please report this."))?;
                let (status, log) = self.process.wait();
                if self.frames_read == 0 {
                    return Err(no_frame(&self.probe.file.shown, &log));
                }
                self.end = Some(End { status, log, delivered });
                Ok(None)
            }
        }
    }

    /// Ends the reading and tells how it went. Where the end was not reached, only the frames delivered so far are counted and nothing is said of the rest.
    ///
    /// # Errors
    /// [`Error::Ours`] where ffprobe, which may be asked to count packets, has gone.
    pub fn finish(mut self) -> Result<ReadSummary> {
        let mut summary = ReadSummary {
            frames_read: self.frames_read,
            frames_expected: self.probe.info.frames_expected,
            reached_end: false,
            warnings: self.probe.info.warnings.clone(),
            notes: self.probe.info.notes.clone(),
        };
        if let Some(end) = self.end.take() {
            summary.reached_end = true;
            self.report(&end, &mut summary)?;
        }
        Ok(summary)
    }

    /// Adds to `summary` what the whole reading showed.
    fn report(&self, end: &End, summary: &mut ReadSummary) -> Result<()> {
        let End { status, log, delivered } = end;
        let times = &delivered.times;
        let read = self.frames_read;
        let mut cut_off = log.cut_off;
        let container = self.probe.container_frames;
        let mut packets = None;
        // VP8 files hold packets that are never shown, so there a packet is no frame.
        let countable = self.probe.info.codec != "vp8" && self.probe.file.size <= self.options.count_packets_below_bytes;
        if container != Some(read) && countable {
            if let Some((count, ended_early)) = self.probe.count_packets(&self.options)? {
                packets = Some(count);
                cut_off |= ended_early;
            }
        }
        let last_s = times.last_s().unwrap_or(0.0);
        let end_s = last_s + times.typical_step_s();
        // Containers without an index tell their length only as a duration; a missing second is more than rounding or a longer sound track.
        let short_of = self
            .probe
            .info
            .duration_s
            .filter(|duration| duration - end_s > (0.02 * duration).max(1.0));
        cut_off |= short_of.is_some() && container.is_none();
        summary.frames_expected = match (container, packets) {
            // The container counts frames that its own edit list does not show; what it plays are the packets.
            (Some(_), Some(packets)) if !cut_off => Some(packets),
            (Some(container), _) => Some(container),
            (None, _) if cut_off => summary.frames_expected,
            (None, packets) => packets,
        };

        let missing = summary.frames_expected.map_or(0, |expected| expected.saturating_sub(read));
        if cut_off {
            summary.warnings.push(format!(
                "The file is cut off: {read} of {} frames were read, up to {last_s:.3} s{}; copy it again from the phone or camera.",
                summary.frames_expected.map_or("an unknown number of".into(), |n| n.to_string()),
                self.probe.info.duration_s.map_or(String::new(), |d| format!(" of {d:.3} s")),
            ));
        } else if missing > 0 {
            summary.warnings.push(format!(
                "{missing} of {} frames in the file could not be decoded; {read} were read.",
                summary.frames_expected.unwrap_or(read + missing)
            ));
        }
        if log.is_damaged() {
            let (from, to) = (log.first_fault_s.unwrap_or(0.0), log.last_fault_s.unwrap_or(0.0));
            summary.warnings.push(format!(
                "The file is damaged from about {from:.1} s to {to:.1} s: the decoder met {} faults (first: {}), marked {} frames as corrupt and patched {}; do \
                 not trust what is measured there.",
                log.faults,
                log.messages.first().map_or("none named", String::as_str),
                log.corrupt_frames,
                log.patched_frames
            ));
        }
        if !status.is_some_and(|s| s.success()) {
            summary.warnings.push(format!(
                "The decoder stopped before its end ({}) after {read} frames, at {last_s:.3} s.",
                status.map_or("in an unknown way".into(), |s| s.to_string())
            ));
        }
        if let Some(first_s) = delivered.changes_s.first() {
            summary.warnings.push(format!(
                "The picture changes size or pixel format {} times within the file, first at {first_s:.3} s; all frames were brought to the first one's size.",
                delivered.changes_s.len()
            ));
        }
        summary.warnings.extend(times.gaps());
        if times.unknown > 0 {
            summary.warnings.push(format!(
                "The file gives no time for {} of {read} frames; they were placed at the nominal {:.3} frames a second.",
                times.unknown,
                self.probe.info.frame_rate_hz.unwrap_or(30.0)
            ));
        }
        if times.not_growing > 0 {
            summary.warnings.push(format!(
                "The times of {} of {read} frames go back or repeat; they were moved just behind the frame before.",
                times.not_growing
            ));
        }
        summary.notes.extend(times.variable_rate());
        Ok(())
    }
}

/// Why nothing was decoded.
pub(super) fn no_frame(shown: &str, log: &DecoderLog) -> Error {
    let first = log.messages.first().map_or("no message", String::as_str);
    if log
        .messages
        .iter()
        .any(|m| m.contains("No such filter") || m.contains("Option not found") || m.contains("Unrecognized option"))
    {
        Error::ours(format!(
            "The installed ffmpeg lacks something this program needs ({first}): install ffmpeg 5.1 or newer, built with zscale."
        ))
    } else {
        Error::input(format!(
            "Not one frame of {shown} can be decoded ({first}): it is damaged or empty; copy it again."
        ))
    }
}

/// Takes frames from the decoder until it or the caller ends.
fn read_frames(
    mut source: FrameSource,
    mut times: Times,
    (width, height): (usize, usize),
    clock: &AtomicU64,
    sender: &crossbeam_channel::Sender<Frame>,
) -> Delivered {
    let mut changes_s = Vec::new();
    while let Some(raw) = source.next() {
        let index = times.count();
        let time_s = times.next(raw.ticks);
        clock.store(time_s.to_bits(), Ordering::Relaxed);
        if raw.format_changed {
            changes_s.push(time_s);
        }
        let frame = Frame {
            index,
            time_s,
            image: RgbImage {
                width,
                height,
                data: raw.data,
            },
        };
        if sender.send(frame).is_err() {
            break;
        }
    }
    Delivered { times, changes_s }
}

impl Drop for Clip {
    fn drop(&mut self) {
        self.frames = None;
        self.process.kill();
        if let Some(reader) = self.reader.take() {
            let _ = reader.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::PathBuf;

    #[test]
    fn dropping_a_clip_ends_its_decoder() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.mp4");
        let made = std::process::Command::new("ffmpeg")
            .args(["-nostdin", "-v", "error", "-f", "lavfi", "-i", "testsrc2=s=320x240:d=60:r=30"])
            .args(["-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p"])
            .arg(&path)
            .status()
            .unwrap();
        assert!(made.success());
        let mut clip = Clip::open(&path, &OpenOptions::default()).unwrap();
        clip.next_frame().unwrap().unwrap();
        let process = PathBuf::from(format!("/proc/{}", clip.process.id()));
        assert!(process.exists());
        drop(clip);
        assert!(!process.exists());
    }
}
