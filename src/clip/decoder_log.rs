//! What the decoder complains of, counted.

use std::io::{BufRead, BufReader, Read};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// Lines longer than this are cut, bytes.
const LINE_BYTES: u64 = 4096;

/// Complaints so far.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct DecoderLog {
    /// Lines marked as errors.
    pub faults: u64,
    /// Frames the decoder marked as corrupt but delivered.
    pub corrupt_frames: u64,
    /// Frames whose missing parts the decoder patched from others.
    pub patched_frames: u64,
    /// Whether the container ended before its own index does.
    pub cut_off: bool,
    /// The first few distinct errors.
    pub messages: Vec<String>,
    /// Time of the frame delivered last when the first error came, s.
    pub first_fault_s: Option<f64>,
    /// The same for the last error, s.
    pub last_fault_s: Option<f64>,
}

/// Whether a line, marked with its kind, tells that the file ends too early (the MP4 and MOV reader's words and the Matroska reader's). A file's name can
/// hold the same words, so the mark and the end of the line count too.
pub(super) fn says_cut_off(line: &str) -> bool {
    let line = line.trim_end();
    (line.contains("[warning] ") || line.contains("[error] "))
        && (line.ends_with(": partial file")
            || line
                .rsplit_once("File ended prematurely at pos. ")
                .is_some_and(|(_, rest)| !rest.contains('/')))
}

impl DecoderLog {
    /// Takes one line, met when the frame at `now_s` had been delivered last.
    fn take(&mut self, line: &str, now_s: f64) {
        if says_cut_off(line) {
            self.cut_off = true;
            return;
        }
        let damage = if line.contains("[warning] ") && line.contains(": corrupt decoded frame in stream ") {
            self.corrupt_frames += 1;
            true
        } else if line.contains("[info] concealing ") && line.contains(" errors in ") {
            self.patched_frames += 1;
            true
        } else if let Some((_, text)) = ["[error] ", "[fatal] ", "[panic] "].iter().find_map(|mark| line.split_once(mark)) {
            self.faults += 1;
            let text = text.trim();
            if self.messages.len() < 3 && !self.messages.iter().any(|m| m == text) {
                self.messages.push(text.chars().filter(|c| !c.is_control()).take(200).collect());
            }
            true
        } else {
            false
        };
        if damage {
            self.first_fault_s.get_or_insert(now_s);
            self.last_fault_s = Some(now_s);
        }
    }

    /// Whether the decoder found damage.
    pub fn is_damaged(&self) -> bool {
        self.faults + self.corrupt_frames + self.patched_frames > 0
    }
}

/// Reads the decoder's messages on a thread of its own.
pub(super) struct LogReader {
    log: Arc<Mutex<DecoderLog>>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl LogReader {
    /// Starts reading `pipe`; `clock` holds the bits of the latest delivered frame's time, s.
    pub fn start(pipe: impl Read + Send + 'static, clock: Arc<AtomicU64>) -> Self {
        let log = Arc::new(Mutex::new(DecoderLog::default()));
        let shared = Arc::clone(&log);
        let thread = std::thread::spawn(move || {
            let mut reader = BufReader::new(pipe);
            let mut line = Vec::new();
            // An unreadable pipe ends the log; the frames tell the rest.
            while matches!(reader.by_ref().take(LINE_BYTES).read_until(b'\n', &mut line), Ok(n) if n > 0) {
                let now_s = f64::from_bits(clock.load(Ordering::Relaxed));
                shared
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .take(&String::from_utf8_lossy(&line), now_s);
                line.clear();
            }
        });
        Self { log, thread: Some(thread) }
    }

    /// Waits for the decoder's last message; call it once the decoder has ended.
    pub fn finish(&mut self) -> DecoderLog {
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        self.log.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_sorted_into_kinds() {
        // Lines as ffmpeg 5.1 writes them with `-loglevel repeat+level+info`.
        let mut log = DecoderLog::default();
        for (line, at) in [
            ("[info] Stream mapping:", 0.0),
            ("[h264 @ 0x55] [error] error while decoding MB 63 32, bytestream -7", 1.0),
            ("[h264 @ 0x55] [info] concealing 2890 DC, 2890 AC, 2890 MV errors in P frame", 1.0),
            ("[warning] file:a.mp4: corrupt decoded frame in stream 0", 1.5),
            ("[mov,mp4,m4a,3gp,3g2,mj2 @ 0x55] [warning] stream 0, offset 0x5: partial file", 2.0),
        ] {
            log.take(line, at);
        }
        assert_eq!((log.faults, log.patched_frames, log.corrupt_frames, log.cut_off), (1, 1, 1, true));
        assert_eq!((log.first_fault_s, log.last_fault_s), (Some(1.0), Some(1.5)));
        assert_eq!(log.messages, ["error while decoding MB 63 32, bytestream -7"]);
        assert!(!says_cut_off("[info] Input #0, matroska,webm, from 'file:my: partial file"));
        assert!(says_cut_off(
            "[matroska,webm @ 0x5] [error] File ended prematurely at pos. 1000 (0x3e8)\n"
        ));
    }
}
