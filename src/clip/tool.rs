//! Running ffmpeg and ffprobe: found or not, bounded in time and output.

use super::local_file::LocalFile;
use crate::{Error, Result};
use std::io::Read;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// Container formats that may be opened. Left out: everything that points to other files or addresses (play lists, concatenation scripts, session
/// descriptions), numbered picture series (a `%` in a path would be a pattern) and text that ffmpeg would draw. The sound formats are here so that a sound
/// file is called one.
const FORMATS: &str = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,mpegvideo,m4v,h264,hevc,av1,obu,ivf,flv,asf,ogg,mxf,nut,dv,yuv4mpegpipe,mp3,wav,flac,aac";

/// A command that asks nothing, writes no report file and colours nothing.
pub(super) fn command(program: &Path) -> Command {
    let mut command = Command::new(program);
    command.env_remove("FFREPORT").env("AV_LOG_FORCE_NOCOLOR", "1").stdin(Stdio::null());
    command
}

/// Adds the arguments that open `file` and nothing else.
pub(super) fn add_input(command: &mut Command, file: &LocalFile) {
    command
        .args(["-protocol_whitelist", "file", "-format_whitelist", FORMATS, "-i"])
        .arg(file.tool_argument());
}

/// Starts a command.
///
/// # Errors
/// [`Error::Ours`] where the program is not installed or cannot be started.
pub(super) fn spawn(command: &mut Command) -> Result<Child> {
    command.spawn().map_err(|e| {
        let program = command.get_program().to_string_lossy().into_owned();
        if e.kind() == std::io::ErrorKind::NotFound {
            Error::ours(format!(
                "The program {program}, which reads videos, is not installed: install the package ffmpeg (on Debian and Ubuntu: apt-get install ffmpeg)."
            ))
        } else {
            Error::ours(format!("The program {program}, which reads videos, cannot be started ({e})."))
        }
    })
}

/// What a finished command left.
pub(super) struct Output {
    /// How it ended; `None` where it was stopped for taking too long.
    pub status: Option<ExitStatus>,
    /// Standard output.
    pub stdout: Vec<u8>,
    /// Standard error, the first 64 KiB.
    pub stderr: String,
}

/// Runs a command to its end; stops it after `limit` and keeps the first `max_stdout` bytes it writes.
///
/// # Errors
/// As [`spawn`].
pub(super) fn run(command: &mut Command, limit: Duration, max_stdout: u64) -> Result<Output> {
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = spawn(command)?;
    let out = collect(child.stdout.take(), max_stdout);
    let err = collect(child.stderr.take(), 64 << 10);
    let end = Instant::now() + limit;
    let mut pause = Duration::from_millis(1);
    let status = loop {
        match child.try_wait() {
            Ok(Some(status)) => break Some(status),
            Ok(None) if Instant::now() < end => std::thread::sleep(pause),
            _ => {
                // Already gone is as good as killed.
                let _ = child.kill();
                let _ = child.wait();
                break None;
            }
        }
        pause = (pause * 2).min(Duration::from_millis(20));
    };
    Ok(Output {
        status,
        stdout: out.join().unwrap_or_default(),
        stderr: String::from_utf8_lossy(&err.join().unwrap_or_default()).into_owned(),
    })
}

/// Reads a pipe on a thread of its own: the first `limit` bytes are kept, the rest is read and dropped so that the tool is not held up.
fn collect(pipe: Option<impl Read + Send + 'static>, limit: u64) -> std::thread::JoinHandle<Vec<u8>> {
    std::thread::spawn(move || {
        let mut kept = Vec::new();
        if let Some(mut pipe) = pipe {
            let _ = pipe.by_ref().take(limit).read_to_end(&mut kept);
            let _ = std::io::copy(&mut pipe, &mut std::io::sink());
        }
        kept
    })
}
