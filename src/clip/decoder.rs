//! The decoding process: raw frames on one pipe, their times on another, complaints on a third.

use super::decoder_log::{DecoderLog, LogReader};
use super::options::OpenOptions;
use super::probe::Probe;
use super::tool;
use crate::{Error, Result};
use std::io::{BufRead, BufReader, Read};
use std::os::fd::{AsRawFd, FromRawFd, OwnedFd};
use std::os::unix::process::CommandExt;
use std::process::{Child, ChildStdout, ExitStatus, Stdio};
use std::sync::atomic::AtomicU64;
use std::sync::Arc;

/// Size asked for the frames' pipe, bytes: the most an ordinary user gets on Linux, so that decoder and reader wait less for each other.
const PIPE_BYTES: libc::c_int = 1 << 20;

/// The running process.
pub(super) struct Process {
    child: Child,
    log: LogReader,
}

/// The ends of its pipes that bring frames and times.
pub(super) struct FrameSource {
    pixels: ChildStdout,
    times: BufReader<std::fs::File>,
    frame_bytes: usize,
    any: bool,
}

/// A frame as it comes.
pub(super) struct RawFrame {
    /// Packed RGB.
    pub data: Vec<u8>,
    /// Presentation time in ticks of the stream's clock; `None` where the decoder does not know it.
    pub ticks: Option<i64>,
    /// Whether the decoder had to set its filters up anew for this frame, because the picture's size or format is another than before.
    pub format_changed: bool,
}

/// A pipe whose ends no other child inherits: (read, write).
fn pipe() -> std::io::Result<(OwnedFd, OwnedFd)> {
    let mut ends = [0; 2];
    // SAFETY: `ends` has room for the two descriptors that the call writes.
    if unsafe { libc::pipe2(ends.as_mut_ptr(), libc::O_CLOEXEC) } != 0 {
        return Err(std::io::Error::last_os_error());
    }
    // SAFETY: the call succeeded, so both descriptors are open and belong to nobody else.
    Ok(unsafe { (OwnedFd::from_raw_fd(ends[0]), OwnedFd::from_raw_fd(ends[1])) })
}

/// Starts decoding; from the last random access point before `seek_s` (container time, s) where one is given, else from the beginning.
///
/// # Errors
/// [`Error::Ours`] where ffmpeg is missing, or the system gives no pipe or temporary folder.
pub(super) fn start(probe: &Probe, options: &OpenOptions, seek_s: Option<f64>, clock: Arc<AtomicU64>) -> Result<(Process, FrameSource)> {
    let no_pipe = |e: std::io::Error| Error::ours(format!("The system gives no pipe to the decoder ({e}): close other programs."));
    let (times_read, times_write) = pipe().map_err(no_pipe)?;
    let times_fd = times_write.as_raw_fd();
    let threads = options.threads.max(1).to_string();

    let mut command = tool::command(&options.ffmpeg);
    // `level` marks each line with its kind and `repeat` keeps repeated lines, so that they can be counted.
    command.args(["-nostdin", "-hide_banner", "-nostats", "-loglevel", "repeat+level+info", "-copyts"]);
    command.args(["-filter_threads", &threads, "-threads", &threads]);
    command.args(["-max_pixels", &options.max_pixels.to_string(), "-noautorotate"]);
    if let Some(seek_s) = seek_s {
        command.args(["-noaccurate_seek", "-ss", &format!("{seek_s:.6}")]);
    }
    tool::add_input(&mut command, &probe.file);
    command.args(["-map", &format!("0:{}", probe.stream_index), "-an", "-sn", "-dn", "-vf"]);
    // The metadata filter prints the time of each frame that has metadata, so every frame gets some. It stands first, where ticks are the stream's own.
    command.arg(format!(
        r"metadata=mode=add:key=shankline:value=1,metadata=mode=print:key=shankline:file=pipe\\:{times_fd}:direct=1,{}{}format=rgb24",
        probe.colour.filters,
        probe.info.orientation.filters()
    ));
    command.args([
        "-fps_mode",
        "passthrough",
        "-c:v",
        "rawvideo",
        "-pix_fmt",
        "rgb24",
        "-f",
        "rawvideo",
        "pipe:1",
    ]);
    command.stdout(Stdio::piped()).stderr(Stdio::piped());

    // SAFETY: the closure runs between fork and exec and makes one async-signal-safe call on a descriptor that the parent keeps open until after spawning.
    unsafe {
        command.pre_exec(move || match libc::fcntl(times_fd, libc::F_SETFD, 0) {
            -1 => Err(std::io::Error::last_os_error()),
            _ => Ok(()),
        });
    }
    let mut child = tool::spawn(&mut command)?;
    drop(times_write);
    let (Some(pixels), Some(messages)) = (child.stdout.take(), child.stderr.take()) else {
        let _ = child.kill();
        let _ = child.wait();
        return Err(Error::ours("The decoder was started without pipes: please report this."));
    };
    // SAFETY: the descriptor is open. A refusal leaves the pipe as it is, which is only slower.
    unsafe { libc::fcntl(pixels.as_raw_fd(), libc::F_SETPIPE_SZ, PIPE_BYTES) };
    Ok((
        Process {
            child,
            log: LogReader::start(messages, clock),
        },
        FrameSource {
            pixels,
            times: BufReader::new(std::fs::File::from(times_read)),
            frame_bytes: probe.info.width * probe.info.height * 3,
            any: false,
        },
    ))
}

impl FrameSource {
    /// The next frame; `None` at the end, however it came.
    pub fn next(&mut self) -> Option<RawFrame> {
        // Straight into the frame's own memory, without filling it with zeros first.
        let mut data = Vec::with_capacity(self.frame_bytes);
        let read = self.pixels.by_ref().take(self.frame_bytes as u64).read_to_end(&mut data);
        if read.ok()? < self.frame_bytes {
            return None;
        }
        let (number, ticks) = self.next_time().unwrap_or_default();
        let format_changed = std::mem::replace(&mut self.any, true) && number == Some(0);
        Some(RawFrame {
            data,
            ticks,
            format_changed,
        })
    }

    /// The next frame's number since the filters were set up, and its time. Its line was written before the frame's pixels, and the pipe holds a thousand of
    /// them, so this neither waits nor blocks the decoder.
    fn next_time(&mut self) -> Option<(Option<u64>, Option<i64>)> {
        let mut line = String::new();
        loop {
            line.clear();
            if self.times.read_line(&mut line).ok()? == 0 {
                return None;
            }
            // A frame's line reads `frame:12   pts:6144    pts_time:0.4`; with an unknown time `pts:NOPTS`.
            if line.starts_with("frame:") {
                let part = |key: &str| line.split_whitespace().find_map(|part| part.strip_prefix(key));
                return Some((
                    part("frame:").and_then(|n| n.parse().ok()),
                    part("pts:").and_then(|n| n.parse().ok()),
                ));
            }
        }
    }
}

impl Process {
    /// Waits for the process to end by itself, and tells how, with what it complained of.
    pub fn wait(&mut self) -> (Option<ExitStatus>, DecoderLog) {
        let status = self.child.wait().ok();
        (status, self.log.finish())
    }

    /// The process's number.
    #[cfg(test)]
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Ends the process.
    pub fn kill(&mut self) {
        // An error means that it has already ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.kill();
    }
}
