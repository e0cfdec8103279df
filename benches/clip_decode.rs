//! How fast a 1920 × 1080 recording is read, against the ffmpeg tool by itself. Run with `cargo bench --bench clip_decode`; `-- FILE` reads a file of your
//! own instead of the synthetic ones.

use shankline::clip::{Clip, OpenOptions};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

/// Frames of a synthetic recording.
const FRAMES: u32 = 150;

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let given: Vec<PathBuf> = std::env::args_os().skip(1).filter(|a| a != "--bench").map(PathBuf::from).collect();
    let files = if given.is_empty() {
        vec![
            make(folder.path(), "h264_8bit.mp4", "libx264", "-preset veryfast -b:v 17M -pix_fmt yuv420p -colorspace bt709"),
            make(
                folder.path(),
                "hevc_10bit_hlg.mp4",
                "libx265",
                "-preset ultrafast -b:v 17M -pix_fmt yuv420p10le -color_primaries bt2020 -color_trc arib-std-b67 -colorspace bt2020nc -x265-params log-level=error",
            ),
        ]
    } else {
        given
    };
    let options = OpenOptions::default();
    println!("{} decoding threads", options.threads);
    for file in files {
        let name = file.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let mut frames = 0u64;
        let mut first_s = 0.0;
        let ours = timed(|| {
            let started = Instant::now();
            let mut clip = Clip::open(&file, &options).expect("a readable recording");
            while clip.next_frame().expect("a readable recording").is_some() {
                if frames == 0 {
                    first_s = started.elapsed().as_secs_f64();
                }
                frames += 1;
            }
        });
        let decode = timed(|| ffmpeg(&file, options.threads, &["-f", "null", "-"]));
        let to_rgb = timed(|| ffmpeg(&file, options.threads, &["-pix_fmt", "rgb24", "-f", "rawvideo", "-y", "/dev/null"]));
        println!("{name}: {frames} frames; Clip's first after {first_s:.2} s");
        for (what, (wall_s, processor_s)) in [
            ("ffmpeg, decoding only", decode),
            ("ffmpeg to RGB (its default conversion, no pipe)", to_rgb),
            ("Clip", ours),
        ] {
            println!(
                "  {:6.1} frames/s, {:6.1} ms of processor time a frame: {what}",
                frames as f64 / wall_s,
                1e3 * processor_s / frames as f64
            );
        }
    }
}

/// Seconds of processor time that this process and its ended children have used.
fn processor_s() -> f64 {
    [libc::RUSAGE_SELF, libc::RUSAGE_CHILDREN]
        .into_iter()
        .map(|who| {
            // SAFETY: all-zero bytes are a valid `rusage`, and the call writes only into it.
            let usage = unsafe {
                let mut usage: libc::rusage = std::mem::zeroed();
                libc::getrusage(who, &mut usage);
                usage
            };
            let seconds = |t: libc::timeval| t.tv_sec as f64 + 1e-6 * t.tv_usec as f64;
            seconds(usage.ru_utime) + seconds(usage.ru_stime)
        })
        .sum()
}

/// Seconds that `work` takes: by the clock, and of processor time.
fn timed(work: impl FnOnce()) -> (f64, f64) {
    let (start, used) = (Instant::now(), processor_s());
    work();
    (start.elapsed().as_secs_f64(), processor_s() - used)
}

fn make(folder: &Path, name: &str, encoder: &str, settings: &str) -> PathBuf {
    let path = folder.join(name);
    let source = format!("testsrc2=s=1920x1080:r=30,noise=alls=12:allf=t,trim=end_frame={FRAMES}");
    let status = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-y", "-f", "lavfi", "-i", &source, "-c:v", encoder])
        .args(settings.split_whitespace())
        .arg(&path)
        .status()
        .expect("ffmpeg is installed");
    assert!(status.success());
    path
}

fn ffmpeg(file: &Path, threads: usize, output: &[&str]) {
    let status = Command::new("ffmpeg")
        .args(["-nostdin", "-v", "error", "-threads", &threads.to_string(), "-i"])
        .arg(file)
        .args(["-fps_mode", "passthrough"])
        .args(output)
        .status()
        .expect("ffmpeg is installed");
    assert!(status.success());
}
