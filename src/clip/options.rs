//! What a caller may choose when opening a recording.

use std::path::PathBuf;
use std::time::Duration;

/// How to open a recording; every default is visible in [`OpenOptions::default`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenOptions {
    /// Decoding threads, and as many for the colour conversion.
    pub threads: usize,
    /// Bytes of decoded frames that may wait for the caller; at least one frame waits, at most eight.
    pub queue_bytes: usize,
    /// The longest side accepted, px.
    pub max_side_px: usize,
    /// The most pixels a frame may have.
    pub max_pixels: usize,
    /// The shortest side accepted, px: below it there is nothing to see.
    pub min_side_px: usize,
    /// How long the decoder may deliver nothing before it is given up.
    pub stall_limit: Duration,
    /// Files up to this size are read through once more at the end to count their packets where the frames read differ from the container's own count.
    pub count_packets_below_bytes: u64,
    /// The decoding program.
    pub ffmpeg: PathBuf,
    /// The describing program.
    pub ffprobe: PathBuf,
}

impl Default for OpenOptions {
    fn default() -> Self {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        Self {
            threads: cores.min(4),
            queue_bytes: 32 << 20,
            max_side_px: 8192,
            max_pixels: 64 << 20,
            min_side_px: 16,
            stall_limit: Duration::from_secs(120),
            count_packets_below_bytes: 1 << 30,
            ffmpeg: PathBuf::from("ffmpeg"),
            ffprobe: PathBuf::from("ffprobe"),
        }
    }
}
