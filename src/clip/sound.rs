//! The sound track of a recording, for aligning recordings by what was heard.

use super::local_file::LocalFile;
use super::{tool, OpenOptions};
use crate::{Error, Result};
use std::path::Path;
use std::time::Duration;

/// Samples a second.
pub const SOUND_RATE_HZ: f64 = 8000.0;

/// The longest sound read, seconds.
const LONGEST_S: u64 = 600;

/// The first sound track mixed to one channel, [`SOUND_RATE_HZ`] samples a second from the recording's time zero on, at most ten minutes; `None` where there is no sound track
/// or it cannot be decoded.
///
/// # Errors
/// [`Error::Input`] where the file cannot be read, [`Error::Ours`] where ffmpeg is missing.
pub fn sound(path: &Path, options: &OpenOptions) -> Result<Option<Vec<f32>>> {
    let file = LocalFile::look(path)?;
    let mut command = tool::command(&options.ffmpeg);
    // The file's own times, as for its frames.
    command.args(["-v", "error", "-nostdin", "-copyts"]);
    tool::add_input(&mut command, &file);
    command
        .args(["-map", "0:a:0", "-vn", "-ac", "1"])
        // Silence is put in where the track begins later or has holes, so that a sample's number is its time.
        .args(["-af", &format!("aresample={SOUND_RATE_HZ}:async=1:first_pts=0")])
        .args(["-f", "f32le", "-"]);
    let most = LONGEST_S * SOUND_RATE_HZ as u64 * 4;
    let output = tool::run(&mut command, Duration::from_secs(120), most)?;
    if !output.status.is_some_and(|s| s.success()) || output.stdout.len() < 4 {
        return Ok(None);
    }
    let samples: Vec<f32> = output
        .stdout
        .chunks_exact(4)
        .map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]))
        .collect();
    if samples.iter().any(|s| !s.is_finite()) {
        return Err(Error::input(format!(
            "The sound of {} is damaged: copy the recording again.",
            file.shown
        )));
    }
    Ok(Some(samples))
}
