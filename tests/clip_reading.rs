//! Reading recordings and photographs, checked against what ffmpeg 5.1's own tools say of the same file, against ISO/IEC 14496-12 (the display matrix),
//! the EXIF 2.3 standard (orientation), Recommendation ITU-R BT.709 (a known red) and OpenCV's picture reader.
//!
//! Every input is made here with ffmpeg's synthetic sources. An encoder the installed ffmpeg lacks skips its test with a message.

use shankline::clip::{frame_at, is_photograph, read_photograph, Clip, OpenOptions, ReadSummary};
use shankline::types::{Frame, RgbImage};
use shankline::Error;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A folder for one test's files.
struct Lab(tempfile::TempDir);

impl Lab {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Runs ffmpeg with `arguments` split at spaces; `@name` stands for a file of this folder.
    fn ffmpeg(&self, arguments: &str) -> Vec<u8> {
        let output = self.tool("ffmpeg", &format!("-nostdin -y -v error -threads 1 {arguments}"));
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        output.stdout
    }

    fn tool(&self, program: &str, arguments: &str) -> std::process::Output {
        let mut command = Command::new(program);
        for argument in arguments.split_whitespace() {
            match argument.strip_prefix('@') {
                Some(name) => command.arg(self.path(name)),
                None => command.arg(argument),
            };
        }
        command.output().unwrap()
    }

    /// Times of all frames by ffprobe's decoder, s since the first.
    fn ffprobe_times(&self, name: &str) -> Vec<f64> {
        let output = self.tool(
            "ffprobe",
            &format!("-v quiet -select_streams V:0 -show_entries frame=best_effort_timestamp_time -of default=nk=1:nw=1 @{name}"),
        );
        since_first(&output.stdout)
    }

    /// Presentation times of all packets that are not discarded, by ffprobe's demultiplexer, sorted, s since the first.
    fn packet_times(&self, name: &str) -> Vec<f64> {
        let output = self.tool(
            "ffprobe",
            &format!("-v quiet -select_streams V:0 -show_entries packet=pts_time,flags -of csv=p=0 @{name}"),
        );
        let kept: Vec<u8> = String::from_utf8(output.stdout)
            .unwrap()
            .lines()
            .filter(|line| !line.contains('D'))
            .flat_map(|line| format!("{}\n", line.split(',').next().unwrap()).into_bytes())
            .collect();
        since_first(&kept)
    }

    /// All frames as the ffmpeg tool itself turns them upright and into RGB (its own matrix handling, by the tags alone).
    fn ffmpeg_frames(&self, name: &str, filters: &str, frame_bytes: usize) -> Vec<Vec<u8>> {
        let output = self.tool(
            "ffmpeg",
            &format!("-nostdin -v quiet -threads 1 -i @{name} -map 0:V:0 -vf {filters}format=rgb24 -fps_mode passthrough -f rawvideo -"),
        );
        output.stdout.chunks_exact(frame_bytes).map(<[u8]>::to_vec).collect()
    }
}

/// One number a line, sorted, from the first on.
fn since_first(text: &[u8]) -> Vec<f64> {
    let mut times: Vec<f64> = String::from_utf8_lossy(text)
        .lines()
        .filter_map(|l| l.trim().parse().ok())
        .collect();
    times.sort_by(f64::total_cmp);
    let first = times[0];
    times.iter().map(|t| t - first).collect()
}

fn options() -> OpenOptions {
    OpenOptions {
        threads: 1,
        ..OpenOptions::default()
    }
}

fn read_all(path: &Path) -> (Vec<Frame>, ReadSummary) {
    let mut clip = Clip::open(path, &options()).unwrap();
    let mut frames = Vec::new();
    while let Some(frame) = clip.next_frame().unwrap() {
        assert_eq!(frame.index, frames.len() as u64);
        assert_eq!(frame.image.data.len(), frame.image.width * frame.image.height * 3);
        frames.push(frame);
    }
    assert!(clip.next_frame().unwrap().is_none());
    let summary = clip.finish().unwrap();
    assert_eq!(summary.frames_read, frames.len() as u64);
    assert!(summary.reached_end);
    (frames, summary)
}

fn assert_times(frames: &[Frame], expected: &[f64]) {
    assert_eq!(frames.len(), expected.len());
    for (frame, expected) in frames.iter().zip(expected) {
        // ffprobe prints microseconds, so two roundings.
        assert!(
            (frame.time_s - expected).abs() < 2e-6,
            "frame {}: {} s, not {expected} s",
            frame.index,
            frame.time_s
        );
    }
}

fn mean_difference(a: &[u8], b: &[u8]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter().zip(b).map(|(a, b)| f64::from(a.abs_diff(*b))).sum::<f64>() / a.len() as f64
}

fn pixel(image: &RgbImage, x: usize, y: usize) -> [u8; 3] {
    let at = 3 * (y * image.width + x);
    [image.data[at], image.data[at + 1], image.data[at + 2]]
}

fn assert_near(got: [u8; 3], want: [u8; 3], levels: u8) {
    assert!(
        got.iter().zip(want).all(|(g, w)| g.abs_diff(w) <= levels),
        "{got:?}, not {want:?} within {levels}"
    );
}

/// The message of an error that must be the input's fault: one sentence on one line.
fn refusal(result: shankline::Result<Clip>) -> String {
    match result {
        Err(Error::Input(sentence)) => {
            assert!(!sentence.contains('\n') && sentence.ends_with('.'), "{sentence}");
            sentence
        }
        Err(other) => panic!("{other:?}"),
        Ok(_) => panic!("opened"),
    }
}

fn has_encoder(name: &str) -> bool {
    let list = Command::new("ffmpeg").args(["-hide_banner", "-encoders"]).output().unwrap().stdout;
    let present = String::from_utf8_lossy(&list).split_whitespace().any(|word| word == name);
    if !present {
        eprintln!("skipped: the installed ffmpeg has no encoder {name}");
    }
    present
}

// ---- times

#[test]
fn frames_reordered_in_coding_keep_their_times() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:r=30000/1001:d=4 -c:v libx264 -bf 3 -pix_fmt yuv420p @b.mp4");
    let (frames, summary) = read_all(&lab.path("b.mp4"));
    assert_times(&frames, &lab.ffprobe_times("b.mp4"));
    assert_times(&frames, &lab.packet_times("b.mp4"));
    assert_eq!(summary.frames_expected, Some(frames.len() as u64));
    assert_eq!(summary.warnings, [] as [&str; 0]);
    // The k-th frame at 30000/1001 frames a second is at k × 1001/30000 s exactly.
    assert!((frames[100].time_s - 100.0 * 1001.0 / 30000.0).abs() < 1e-9);
}

#[test]
fn variable_rate_and_slow_motion_keep_their_times() {
    let lab = Lab::new();
    lab.ffmpeg(
        "-f lavfi -i testsrc2=s=160x120:r=60:d=2 -vf setpts=(N+floor(N/4)+if(gt(N\\,60)\\,(N-60)*7))/60/TB -fps_mode passthrough \
         -enc_time_base 1/90000 -video_track_timescale 90000 -c:v libx264 -bf 2 -pix_fmt yuv420p @v.mp4",
    );
    let (frames, summary) = read_all(&lab.path("v.mp4"));
    assert_times(&frames, &lab.ffprobe_times("v.mp4"));
    // The filter's own formula.
    for n in [0usize, 3, 4, 59, 61, 100, 119] {
        let late = if n > 60 { (n - 60) * 7 } else { 0 };
        assert!(
            (frames[n].time_s - (n + n / 4 + late) as f64 / 60.0).abs() < 1e-4,
            "{n}: {}",
            frames[n].time_s
        );
    }
    assert!(summary.notes.iter().any(|n| n.contains("rate varies")), "{:?}", summary.notes);
}

#[test]
fn an_edit_list_cuts_what_it_cuts() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:r=30:d=4 -c:v libx264 -bf 2 -g 60 -pix_fmt yuv420p @whole.mp4");
    // Copied from the middle of a group of pictures: the file holds frames from the random access point on and an edit list that hides the first ones.
    lab.ffmpeg("-ss 2.5 -i @whole.mp4 -c copy @cut.mp4");
    let (frames, summary) = read_all(&lab.path("cut.mp4"));
    assert_times(&frames, &lab.ffprobe_times("cut.mp4"));
    assert_times(&frames, &lab.packet_times("cut.mp4"));
    assert_eq!(frames.len(), 45);
    assert_eq!(summary.frames_expected, Some(45));
    assert_eq!(summary.warnings, [] as [&str; 0]);
}

#[test]
fn a_hole_in_the_times_is_told() {
    let lab = Lab::new();
    lab.ffmpeg(
        "-f lavfi -i testsrc2=s=160x120:r=30:d=4 -vf select=not(between(n\\,50\\,69)) -fps_mode passthrough -c:v libx264 -pix_fmt yuv420p @hole.mp4",
    );
    let (frames, summary) = read_all(&lab.path("hole.mp4"));
    assert_eq!(frames.len(), 100);
    assert!(
        summary.warnings.iter().any(|w| w.contains("Between 1.633 s and 2.333 s")),
        "{:?}",
        summary.warnings
    );
}

// ---- containers and codings

/// ffmpeg's other scaler at its most careful: it interpolates chroma as this program does through zscale (its default repeats chroma). What is left comes
/// from the two rounding and filtering at the saturated edges of the test picture.
const CAREFUL: &str = "scale=flags=bilinear+full_chroma_int+full_chroma_inp+accurate_rnd:in_v_chr_pos=128:in_h_chr_pos=0,";

#[test]
fn containers_and_codings_read_what_ffmpeg_reads() {
    let cases = [
        ("libx264", "h264.mkv", "-pix_fmt yuv420p -bf 2"),
        ("libx264", "h264.mov", "-pix_fmt yuv420p -bf 2"),
        ("libx264", "h264.ts", "-pix_fmt yuv420p -bf 2"),
        ("mpeg4", "mpeg4.avi", "-pix_fmt yuv420p -q:v 2"),
        ("mjpeg", "mjpeg.avi", "-pix_fmt yuvj422p -q:v 2"),
        (
            "libx265",
            "hevc10.mp4",
            "-pix_fmt yuv420p10le -tag:v hvc1 -x265-params log-level=error:pools=1",
        ),
        ("libvpx-vp9", "vp9.webm", "-pix_fmt yuv420p -b:v 1M -deadline realtime -cpu-used 8"),
        (
            "libvpx",
            "vp8.webm",
            "-pix_fmt yuv420p -b:v 1M -deadline realtime -cpu-used 8 -auto-alt-ref 0",
        ),
        ("libsvtav1", "av1.mp4", "-pix_fmt yuv420p -preset 12"),
        ("libaom-av1", "av1.mkv", "-pix_fmt yuv420p -cpu-used 8 -usage realtime"),
    ];
    let mut read = 0;
    for (encoder, name, settings) in cases {
        if !has_encoder(encoder) {
            continue;
        }
        let lab = Lab::new();
        lab.ffmpeg(&format!(
            "-f lavfi -i testsrc2=s=320x240:r=25:d=1.2 -f lavfi -i sine=d=1.2 -shortest -c:v {encoder} {settings} -colorspace smpte170m @{name}"
        ));
        let (frames, summary) = read_all(&lab.path(name));
        assert_times(&frames, &lab.ffprobe_times(name));
        // MJPEG's chroma lies between its pixels (JFIF 1.02), the others' at the left one.
        let careful = if encoder == "mjpeg" {
            CAREFUL.replace("h_chr_pos=0", "h_chr_pos=128")
        } else {
            CAREFUL.to_owned()
        };
        let reference = lab.ffmpeg_frames(name, &careful, 320 * 240 * 3);
        assert_eq!(frames.len(), reference.len(), "{name}");
        assert_eq!(frames.len(), 30, "{name}");
        for (frame, reference) in frames.iter().zip(&reference) {
            let difference = mean_difference(&frame.image.data, reference);
            assert!(difference < 1.5, "{name}, frame {}: {difference}", frame.index);
        }
        assert_eq!(summary.warnings, [] as [&str; 0], "{name}");
        // A WebM file counts no frames and VP8 may hide packets, so there nothing is known.
        assert_eq!(summary.frames_expected, (encoder != "libvpx").then_some(30), "{name}");
        read += 1;
    }
    assert!(read >= 5);
}

#[test]
fn the_first_real_video_stream_is_read() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i color=c=blue:s=64x64 -frames:v 1 @cover.png");
    lab.ffmpeg("-f lavfi -i color=c=red:s=160x120:r=25:d=1 -c:v libx264 -pix_fmt yuv420p @red.mp4");
    lab.ffmpeg("-i @cover.png -i @red.mp4 -map 0 -map 1 -map 1 -c copy -disposition:v:0 attached_pic @covered.mp4");
    let (frames, summary) = read_all(&lab.path("covered.mp4"));
    assert_eq!((frames.len(), frames[0].image.width, frames[0].image.height), (25, 160, 120));
    assert!(summary.notes.iter().any(|n| n.contains("2 video streams")), "{:?}", summary.notes);
}

#[test]
fn interlaced_recordings_are_told() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=320x240:r=50:d=1 -vf interlace -c:v mpeg2video -flags +ilme+ildct -q:v 2 @i.mpg");
    let (frames, summary) = read_all(&lab.path("i.mpg"));
    assert_eq!(frames.len(), lab.ffprobe_times("i.mpg").len());
    assert!(summary.warnings.iter().any(|w| w.contains("interlaced")), "{:?}", summary.warnings);
}

#[test]
fn pixels_that_are_not_square_become_square() {
    let lab = Lab::new();
    // A disc of 100 px in a picture squeezed to half its width must be round again.
    lab.ffmpeg(
        "-f lavfi -i color=c=black:s=320x240:r=25:d=0.2,format=gray,geq=lum=255*lt(hypot(X-160\\,Y-120)\\,100) \
         -vf scale=160:240,setsar=2 -c:v libx264 -qp 1 -pix_fmt yuv420p @disc.mp4",
    );
    let (frames, summary) = read_all(&lab.path("disc.mp4"));
    let image = &frames[0].image;
    assert_eq!((image.width, image.height), (320, 240));
    let across = (0..320).filter(|x| pixel(image, *x, 120)[1] > 128).count();
    let down = (0..240).filter(|y| pixel(image, 160, *y)[1] > 128).count();
    assert!(across.abs_diff(down) <= 2 && across.abs_diff(199) <= 2, "{across} {down}");
    assert!(summary.notes.iter().any(|n| n.contains("not square")));
}

#[test]
fn a_change_of_size_within_the_file_keeps_frames_whole() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i color=c=red:s=160x120:r=25:d=1 -c:v libx264 -pix_fmt yuv420p @a.ts");
    lab.ffmpeg("-f lavfi -i color=c=green:s=320x240:r=25:d=1 -c:v libx264 -pix_fmt yuv420p -output_ts_offset 1 @b.ts");
    let joined = [std::fs::read(lab.path("a.ts")).unwrap(), std::fs::read(lab.path("b.ts")).unwrap()].concat();
    std::fs::write(lab.path("ab.ts"), joined).unwrap();
    let (frames, summary) = read_all(&lab.path("ab.ts"));
    assert_eq!(frames.len(), 50);
    assert!(frames.iter().all(|f| (f.image.width, f.image.height) == (160, 120)));
    // Whole frames of one colour: a frame out of step would show both.
    let last = &frames[49].image;
    assert_near(pixel(last, 2, 2), pixel(last, 157, 117), 2);
    assert!(pixel(last, 80, 60)[1] > 100 && pixel(last, 80, 60)[0] < 30);
    assert!(
        summary.warnings.iter().any(|w| w.contains("changes size")),
        "{:?}",
        summary.warnings
    );
}

// ---- the right way up

/// Four quarters: red top left, green top right, blue bottom left, white bottom right.
const QUARTERS: &str = "color=c=red:s=96x64:r=25:d=0.2,format=gbrp,geq=r=255*(lt(X\\,48)*lt(Y\\,32)+gte(X\\,48)*gte(Y\\,32)):g=255*gte(X\\,48):b=255*gte(Y\\,32)";

/// Writes `matrix` (a, b, c, d) over the identity in the track header of an MP4 file: ISO/IEC 14496-12, 8.3.2, version 0.
fn set_matrix(path: &Path, [a, b, c, d]: [i32; 4]) {
    let mut bytes = std::fs::read(path).unwrap();
    let at = bytes.windows(4).position(|w| w == b"tkhd").unwrap();
    assert_eq!(bytes[at + 4], 0);
    let place = at + 44;
    assert_eq!(bytes[place..place + 4], 65536i32.to_be_bytes());
    for (i, value) in [a, b, 0, c, d].into_iter().enumerate() {
        let value = value * 65536;
        bytes[place + 4 * i..place + 4 * i + 4].copy_from_slice(&value.to_be_bytes());
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn all_eight_display_matrices_stand_upright() {
    let lab = Lab::new();
    lab.ffmpeg(&format!(
        "-f lavfi -i {QUARTERS} -c:v libx264 -qp 4 -pix_fmt yuv444p -colorspace smpte170m @plain.mp4"
    ));
    let plain = read_all(&lab.path("plain.mp4")).0.remove(0).image;
    for matrix @ [a, b, c, d] in [
        [1, 0, 0, 1],
        [0, 1, -1, 0],
        [-1, 0, 0, -1],
        [0, -1, 1, 0],
        [-1, 0, 0, 1],
        [1, 0, 0, -1],
        [0, 1, 1, 0],
        [0, -1, -1, 0],
    ] {
        std::fs::copy(lab.path("plain.mp4"), lab.path("turned.mp4")).unwrap();
        set_matrix(&lab.path("turned.mp4"), matrix);
        let (frames, _) = read_all(&lab.path("turned.mp4"));
        let turned = &frames[0].image;
        let (width, height) = if a == 0 { (64, 96) } else { (96, 64) };
        assert_eq!((turned.width, turned.height), (width, height), "{matrix:?}");
        // By the standard's formula a decoded point (p, q) is shown at (a p + c q, b p + d q), up to a shift that brings the picture into view.
        for (q, p) in [(10, 10), (10, 80), (50, 10), (50, 80), (20, 30)] {
            let place = |v: i32, side: i32| if v < 0 { side - 1 + v } else { v };
            let x = place(a * p + c * q, width as i32) as usize;
            let y = place(b * p + d * q, height as i32) as usize;
            assert_near(pixel(turned, x, y), pixel(&plain, p as usize, q as usize), 3);
        }
        // And the ffmpeg tool's own automatic rotation agrees.
        let reference = lab.ffmpeg_frames("turned.mp4", "", 96 * 64 * 3);
        let difference = mean_difference(&turned.data, &reference[0]);
        assert!(difference < 3.0, "{matrix:?}: {difference}");
    }
}

// ---- colours

/// A red of BT.709: R 197, G 46, B 47.
const RED: [u8; 3] = [197, 46, 47];

fn red_clip(lab: &Lab, size: &str, conversion: &str, tags: &str) -> (RgbImage, ReadSummary) {
    lab.ffmpeg(&format!(
        "-f lavfi -i color=c=0xC52E2F:s={size}:r=25:d=0.2,format=gbrp -vf {conversion} -c:v libx264 -qp 1 {tags} @red.mp4"
    ));
    let (mut frames, summary) = read_all(&lab.path("red.mp4"));
    (frames.remove(1).image, summary)
}

#[test]
fn a_known_red_comes_out_as_it_went_in() {
    let lab = Lab::new();
    // Recommendation ITU-R BT.709-6, 3.2–3.3, by hand, for the check of the check: Y' = 0.2126 R' + 0.7152 G' + 0.0722 B' and 219 levels from 16.
    let luma = 16.0 + 219.0 * (0.2126 * 197.0 + 0.7152 * 46.0 + 0.0722 * 47.0) / 255.0;
    let y =
        lab.ffmpeg("-f lavfi -i color=c=0xC52E2F:s=64x64:d=0.04,format=gbrp -vf zscale=m=709:r=limited,format=yuv420p -f rawvideo -")[0];
    assert!((f64::from(y) - luma).abs() < 1.0, "{y} {luma}");

    let cases = [
        (
            "160x120",
            "zscale=m=709:r=limited,format=yuv420p",
            "-colorspace bt709 -color_range tv",
        ),
        ("160x120", "zscale=m=709:r=full,format=yuv420p", "-colorspace bt709 -color_range pc"),
        (
            "1280x720",
            "zscale=m=170m:r=limited,format=yuv420p",
            "-colorspace smpte170m -color_range tv",
        ),
        (
            "160x120",
            "zscale=m=2020_ncl:r=limited,format=yuv420p",
            "-colorspace bt2020nc -color_range tv",
        ),
        (
            "162x122",
            "zscale=m=709:r=limited,format=yuv444p",
            "-colorspace bt709 -color_range tv",
        ),
    ];
    for (size, conversion, tags) in cases {
        let (image, summary) = red_clip(&lab, size, conversion, tags);
        assert_near(pixel(&image, 30, 30), RED, 2);
        assert!(
            !summary.notes.iter().any(|n| n.contains("does not say")),
            "{tags}: {:?}",
            summary.notes
        );
    }
    // Untagged: the size decides, and that is told.
    for (size, matrix, name) in [("1280x720", "709", "BT.709"), ("720x576", "170m", "BT.601")] {
        let (image, summary) = red_clip(
            &lab,
            size,
            &format!("zscale=m={matrix}:r=limited,format=yuv420p"),
            "-colorspace unknown",
        );
        assert_near(pixel(&image, 30, 30), RED, 2);
        assert!(summary.notes.iter().any(|n| n.contains(name)), "{:?}", summary.notes);
    }
}

#[test]
fn odd_sizes_are_read() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i color=c=0xC52E2F:s=161x121:r=25:d=0.2,format=gbrp -vf scale=out_color_matrix=bt709:out_range=tv,format=yuv420p -c:v ffv1 -colorspace bt709 -color_range tv @odd.mkv");
    let (frames, _) = read_all(&lab.path("odd.mkv"));
    assert_eq!((frames[0].image.width, frames[0].image.height), (161, 121));
    assert_near(pixel(&frames[0].image, 80, 60), RED, 2);
}

#[test]
fn wide_primaries_become_those_of_bt709() {
    let lab = Lab::new();
    lab.ffmpeg(
        "-f lavfi -i color=c=0xC52E2F:s=160x120:r=25:d=0.2,format=gbrp -vf \
         zscale=pin=709:tin=709:min=gbr:rin=full:p=2020:t=709:m=2020_ncl:r=limited,format=yuv420p10le -c:v ffv1 \
         -colorspace bt2020nc -color_primaries bt2020 -color_trc bt709 -color_range tv @wide.mkv",
    );
    let (frames, summary) = read_all(&lab.path("wide.mkv"));
    assert_near(pixel(&frames[0].image, 80, 60), RED, 2);
    assert!(summary.notes.iter().any(|n| n.contains("BT.2020 primaries")), "{:?}", summary.notes);
}

#[test]
fn high_dynamic_range_is_tone_mapped_as_ffmpeg_does_it() {
    if !has_encoder("libx265") {
        return;
    }
    for (transfer, peak) in [("arib-std-b67", 1000.0 / 203.0), ("smpte2084", 1000.0 / 203.0)] {
        let lab = Lab::new();
        lab.ffmpeg(&format!(
            "-f lavfi -i testsrc2=s=320x240:r=25:d=0.2 -vf format=gbrp10le,zscale=m=2020_ncl:r=limited,format=yuv420p10le -c:v libx265 \
             -x265-params log-level=error:pools=1:qp=8 -color_primaries bt2020 -color_trc {transfer} -colorspace bt2020nc -color_range tv @hdr.mp4"
        ));
        let (frames, summary) = read_all(&lab.path("hdr.mp4"));
        // ffmpeg's chain as its manual has it, step by step: linear light, primaries, tone mapping, and back.
        let chain = format!(
            "zscale=min=2020_ncl:rin=limited:pin=2020:tin={transfer}:p=2020:m=gbr:r=full:t=linear:npl=203,format=gbrpf32le,\
             zscale=m=gbr:p=709:t=linear,tonemap=mobius:desat=0:peak={peak},zscale=m=gbr:p=709:t=709:r=full,format=gbrp,"
        );
        let reference = lab.ffmpeg_frames("hdr.mp4", &chain, 320 * 240 * 3);
        assert_eq!(frames.len(), reference.len());
        let difference = mean_difference(&frames[2].image.data, &reference[2]);
        let off = frames[2]
            .image
            .data
            .iter()
            .zip(&reference[2])
            .filter(|(a, b)| a.abs_diff(**b) > 1)
            .count();
        eprintln!(
            "{transfer}: mean difference {difference:.3} levels, {off} values of {} off by more than 1",
            reference[2].len()
        );
        assert!(difference < 0.5, "{transfer}: {difference}");
        assert!(off < reference[2].len() / 1000, "{transfer}: {off}");
        assert!(summary.warnings.iter().any(|w| w.contains("tone mapped")), "{:?}", summary.warnings);
        assert!(Clip::open(&lab.path("hdr.mp4"), &options()).unwrap().info().high_dynamic_range);
    }
}

// ---- damage

/// Overwrites `count` bytes from `fraction` of the file on, with noise.
fn damage(path: &Path, fraction: f64, count: usize) {
    let mut bytes = std::fs::read(path).unwrap();
    let from = (bytes.len() as f64 * fraction) as usize;
    let mut state = 12345u32;
    for byte in &mut bytes[from..from + count] {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        *byte = (state >> 24) as u8;
    }
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn damage_in_the_middle_is_read_through_and_told() {
    let lab = Lab::new();
    for (name, settings) in [
        ("d.mp4", "-c:v libx264 -b:v 3M -bf 2 -g 50 -pix_fmt yuv420p"),
        ("d.mkv", "-c:v libx264 -b:v 3M -bf 2 -g 50 -pix_fmt yuv420p"),
        ("d.ts", "-c:v libx264 -b:v 3M -bf 2 -g 50 -pix_fmt yuv420p"),
    ] {
        lab.ffmpeg(&format!(
            "-f lavfi -i testsrc2=s=320x240:r=30:d=10,noise=alls=20:allf=t {settings} @{name}"
        ));
        damage(&lab.path(name), 0.5, 6000);
        let (frames, summary) = read_all(&lab.path(name));
        let reference = lab.ffmpeg_frames(name, "", 320 * 240 * 3);
        assert_eq!(frames.len(), reference.len(), "{name}");
        assert!(frames.len() > 280, "{name}: {}", frames.len());
        eprintln!("{name}: {summary:#?}");
        let warning = summary
            .warnings
            .iter()
            .find(|w| w.contains("damaged"))
            .unwrap_or_else(|| panic!("{name}: {:?}", summary.warnings));
        // The noise lies at half of the file, so near 5 s of 10.
        let from: f64 = warning.split("about ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        assert!((3.0..6.5).contains(&from), "{warning}");
        if name == "d.mp4" {
            assert_eq!(summary.frames_expected, Some(300));
        }
    }
}

#[test]
fn a_cut_off_file_is_told_with_numbers() {
    let lab = Lab::new();
    for name in ["t.mp4", "t.mkv"] {
        lab.ffmpeg(&format!(
            "-f lavfi -i testsrc2=s=320x240:r=30:d=10 -c:v libx264 -b:v 2M -bf 2 -g 50 -pix_fmt yuv420p -movflags +faststart @{name}"
        ));
        let bytes = std::fs::read(lab.path(name)).unwrap();
        std::fs::write(lab.path(name), &bytes[..bytes.len() * 6 / 10]).unwrap();
        let (frames, summary) = read_all(&lab.path(name));
        let reference = lab.ffmpeg_frames(name, "", 320 * 240 * 3);
        assert_eq!(frames.len(), reference.len(), "{name}");
        assert!((120..240).contains(&frames.len()), "{name}: {}", frames.len());
        assert_eq!(summary.frames_expected, Some(300), "{name}");
        let numbers = format!("{} of 300 frames", frames.len());
        assert!(
            summary.warnings.iter().any(|w| w.contains("cut off") && w.contains(&numbers)),
            "{name}: {:?}",
            summary.warnings
        );
    }
}

#[test]
fn no_noise_in_a_file_brings_this_program_down() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=64x64:r=25:d=1 -c:v libx264 -pix_fmt yuv420p @n.mp4");
    let whole = std::fs::read(lab.path("n.mp4")).unwrap();
    for step in 0..12 {
        std::fs::write(lab.path("n.mp4"), &whole).unwrap();
        damage(&lab.path("n.mp4"), f64::from(step) / 13.0, whole.len() / 20);
        if let Ok(mut clip) = Clip::open(&lab.path("n.mp4"), &options()) {
            while let Ok(Some(frame)) = clip.next_frame() {
                assert_eq!(frame.image.data.len(), 3 * frame.image.width * frame.image.height);
            }
            clip.finish().unwrap();
        }
    }
}

// ---- stills

#[test]
fn a_still_is_the_frame_shown_at_that_time() {
    let lab = Lab::new();
    for (name, settings) in [
        ("s.mp4", "-fps_mode passthrough -c:v libx264 -bf 3 -g 250 -pix_fmt yuv420p"),
        ("s.mkv", "-fps_mode passthrough -c:v libx264 -bf 3 -g 40 -pix_fmt yuv420p"),
        ("s.ts", "-c:v libx264 -bf 3 -g 40 -pix_fmt yuv420p"),
    ] {
        lab.ffmpeg(&format!(
            "-f lavfi -i testsrc2=s=160x120:r=30:d=10 -vf setpts=(N+floor(N/10))/30/TB {settings} @{name}"
        ));
        let (frames, _) = read_all(&lab.path(name));
        for index in [0usize, 9, 45, 151, frames.len() - 1] {
            let at = &frames[index];
            let shown_until = frames.get(index + 1).map_or(at.time_s + 0.02, |next| next.time_s);
            for time_s in [at.time_s, shown_until - 0.002] {
                let still = frame_at(&lab.path(name), time_s, &options()).unwrap();
                assert!(
                    (still.time_s - at.time_s).abs() < 1e-9,
                    "{name}, {time_s}: {} not {}",
                    still.time_s,
                    at.time_s
                );
                assert!(still.image == at.image, "{name}, {time_s}");
            }
        }
        for wrong in [-1.0, f64::NAN, 60.0] {
            let refused = frame_at(&lab.path(name), wrong, &options());
            assert!(matches!(refused, Err(Error::Input(_))), "{refused:?}");
        }
    }
    lab.ffmpeg("-ss 3.5 -i @s.mp4 -c copy @cut.mp4");
    let (frames, _) = read_all(&lab.path("cut.mp4"));
    for index in [0, 7, 60] {
        let still = frame_at(&lab.path("cut.mp4"), frames[index].time_s, &options()).unwrap();
        assert!(still.image == frames[index].image, "{index}");
    }
}

// ---- photographs

/// A JPEG with an EXIF block that holds nothing but `orientation` (EXIF 2.3, 4.5.4 and 4.6.4 A).
fn with_orientation(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let mut exif = b"\xff\xe1\x00\x22Exif\0\0MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
    exif.extend_from_slice(&[orientation, 0, 0, 0, 0, 0, 0]);
    assert_eq!(exif.len(), 2 + 0x22);
    [&jpeg[..2], &exif, &jpeg[2..]].concat()
}

#[test]
fn all_eight_exif_orientations_stand_upright() {
    let lab = Lab::new();
    lab.ffmpeg(&format!("-f lavfi -i {QUARTERS} -frames:v 1 -q:v 2 -pix_fmt yuvj444p @plain.jpg"));
    let jpeg = std::fs::read(lab.path("plain.jpg")).unwrap();
    let plain = read_photograph(&lab.path("plain.jpg")).unwrap().image;
    assert_near(pixel(&plain, 10, 10), [255, 0, 0], 6);
    assert_near(pixel(&plain, 80, 10), [0, 255, 0], 6);
    // EXIF 2.3, tag 274: which side of the visual picture the stored first row and first column are.
    let sides = [
        "top left",
        "top right",
        "bottom right",
        "bottom left",
        "left top",
        "right top",
        "right bottom",
        "left bottom",
    ];
    for (value, side) in (1u8..).zip(sides) {
        let path = lab.path("turned.jpeg");
        std::fs::write(&path, with_orientation(&jpeg, value)).unwrap();
        let photograph = read_photograph(&path).unwrap();
        let image = &photograph.image;
        let (row, column) = side.split_once(' ').unwrap();
        let swapped = matches!(row, "left" | "right");
        assert_eq!((image.width, image.height), if swapped { (64, 96) } else { (96, 64) }, "{value}");
        for (p, q) in [(10, 10), (80, 10), (10, 50), (80, 50), (30, 20)] {
            let (mut x, mut y) = (0, 0);
            for (place, side) in [(q, row), (p, column)] {
                match side {
                    "top" => y = place,
                    "bottom" => y = image.height - 1 - place,
                    "left" => x = place,
                    _ => x = image.width - 1 - place,
                }
            }
            assert_near(pixel(image, x, y), pixel(&plain, p, q), 2);
        }
        assert_eq!(photograph.notes.is_empty(), value == 1);
        // OpenCV's reader also follows the orientation.
        let reference = opencv::imgcodecs::imread(path.to_str().unwrap(), opencv::imgcodecs::IMREAD_COLOR).unwrap();
        let bgr = opencv::prelude::MatTraitConstManual::data_bytes(&reference).unwrap();
        let rgb: Vec<u8> = bgr.chunks_exact(3).flat_map(|p| [p[2], p[1], p[0]]).collect();
        let difference = mean_difference(&rgb, &image.data);
        assert!(difference < 2.0, "{value}: {difference}");
    }
}

#[test]
fn photographs_are_told_by_content() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=64x48 -frames:v 1 @p.png");
    lab.ffmpeg("-i @p.png -pix_fmt rgba64be @deep.png");
    lab.ffmpeg("-f lavfi -i testsrc2=s=64x48:d=0.2 -c:v libx264 -pix_fmt yuv420p @v.mp4");
    std::fs::rename(lab.path("p.png"), lab.path("p.mp4")).unwrap();
    std::fs::rename(lab.path("v.mp4"), lab.path("v.jpg")).unwrap();
    assert!(is_photograph(&lab.path("p.mp4")).unwrap());
    assert!(!is_photograph(&lab.path("v.jpg")).unwrap());
    assert!(matches!(is_photograph(&lab.path("none")), Err(Error::Input(_))));
    let reference = lab.ffmpeg("-f lavfi -i testsrc2=s=64x48 -frames:v 1 -pix_fmt rgb24 -f rawvideo -");
    assert_eq!(read_photograph(&lab.path("p.mp4")).unwrap().image.data, reference);
    let deep = read_photograph(&lab.path("deep.png")).unwrap();
    assert!(mean_difference(&deep.image.data, &reference) < 2.0);
    assert!(deep.notes[0].contains("transparent"));
    assert!(refusal(Clip::open(&lab.path("p.mp4"), &options())).contains("is a photograph"));
    assert!(matches!(read_photograph(&lab.path("v.jpg")), Err(Error::Input(s)) if s.contains("not a JPEG or PNG")));
}

#[test]
fn damaged_photographs_are_refused_or_read_but_never_a_crash() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120 -frames:v 1 @p.png");
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120 -frames:v 1 @p.jpg");
    for name in ["p.png", "p.jpg"] {
        let whole = std::fs::read(lab.path(name)).unwrap();
        std::fs::write(lab.path("cut"), &whole[..whole.len() / 2]).unwrap();
        let cut = read_photograph(&lab.path("cut"));
        assert!(matches!(cut, Err(Error::Input(_))), "{name}: a photograph cut in half was read");
        for step in 0..60 {
            std::fs::write(lab.path("noise"), &whole).unwrap();
            damage(&lab.path("noise"), f64::from(step) / 61.0, whole.len() / 100 + 1);
            if let Err(error) = read_photograph(&lab.path("noise")) {
                assert!(matches!(error, Error::Input(_)), "{error:?}");
            }
        }
    }
    // A header that claims 60000 × 60000 px.
    let mut png = std::fs::read(lab.path("p.png")).unwrap();
    png[16..24].copy_from_slice(&[0, 0, 0xea, 0x60, 0, 0, 0xea, 0x60]);
    std::fs::write(lab.path("huge.png"), png).unwrap();
    assert!(matches!(read_photograph(&lab.path("huge.png")), Err(Error::Input(_))));
}

// ---- bad input

#[test]
fn each_bad_input_gets_one_sentence() {
    let lab = Lab::new();
    let open = |name: &str| refusal(Clip::open(&lab.path(name), &options()));
    assert!(open("missing.mp4").contains("There is no file"));
    std::fs::write(lab.path("empty.mp4"), b"").unwrap();
    assert!(open("empty.mp4").contains("is empty"));
    std::fs::create_dir(lab.path("folder")).unwrap();
    assert!(open("folder").contains("is a folder"));
    std::fs::write(lab.path("text.mp4"), b"This is not a video.\n".repeat(200)).unwrap();
    assert!(open("text.mp4").contains("is not a video"));
    std::fs::write(lab.path("text.txt"), b"ffmpeg draws text files if it may.\n".repeat(200)).unwrap();
    assert!(open("text.txt").contains("is not a video"));
    let pipe = std::ffi::CString::new(lab.path("pipe").as_os_str().as_bytes()).unwrap();
    // SAFETY: the path is a valid C string.
    assert_eq!(unsafe { libc::mkfifo(pipe.as_ptr(), 0o600) }, 0);
    assert!(open("pipe").contains("a device or a pipe"));
    lab.ffmpeg("-f lavfi -i sine=d=1 @sound.m4a");
    assert!(open("sound.m4a").contains("sound but no video"));
    lab.ffmpeg("-f lavfi -i sine=d=1 @sound.wav");
    assert!(open("sound.wav").contains("sound but no video"));
    lab.ffmpeg("-f lavfi -i color=s=1x1:d=0.2:r=25,format=yuv444p -c:v ffv1 @one.mkv");
    assert!(open("one.mkv").contains("1 × 1 px"));
    lab.ffmpeg("-f lavfi -i color=s=16384x64:d=0.08:r=25,format=yuv420p -c:v ffv1 @wide.mkv");
    assert!(open("wide.mkv").contains("16384 × 64 px"));
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:d=4:r=25 -c:v libx264 -pix_fmt yuv420p @good.mp4");
    let good = std::fs::read(lab.path("good.mp4")).unwrap();
    std::fs::write(lab.path("unfinished.mp4"), &good[..good.len() / 2]).unwrap();
    assert!(open("unfinished.mp4").contains("cut off or was never finished"));
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:d=0:r=25 -frames:v 0 -c:v libx264 -pix_fmt yuv420p @zero.mkv");
    open("zero.mkv");
    std::fs::write(lab.path("p.heic"), b"\0\0\0\x18ftypheic\0\0\0\0mif1heic\0\0\0\0").unwrap();
    assert!(open("p.heic").contains("HEIC"));
}

#[test]
fn a_file_may_not_name_other_files() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:d=1:r=25 -c:v libx264 -pix_fmt yuv420p @good.ts");
    std::fs::write(lab.path("list.mp4"), "ffconcat version 1.0\nfile good.ts\n").unwrap();
    std::fs::write(
        lab.path("list.m3u8"),
        "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\ngood.ts\n#EXT-X-ENDLIST\n",
    )
    .unwrap();
    for name in ["list.mp4", "list.m3u8"] {
        // ffmpeg by itself would read the other file.
        assert_eq!(lab.ffmpeg_frames(name, "", 160 * 120 * 3).len(), 25, "{name}");
        assert!(refusal(Clip::open(&lab.path(name), &options())).contains("is not a video"));
    }
}

#[test]
fn unreadable_files_are_told() {
    use std::os::unix::fs::PermissionsExt;
    let lab = Lab::new();
    let path = lab.path("locked.mp4");
    std::fs::write(&path, b"x").unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).unwrap();
    if std::fs::File::open(&path).is_ok() {
        eprintln!("skipped: the administrator may read everything");
        return;
    }
    assert!(refusal(Clip::open(&path, &options())).contains("may not be read"));
}

#[test]
fn strange_names_are_only_names() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:d=0.4:r=25 -c:v libx264 -pix_fmt yuv420p @good.mp4");
    for name in [
        &b"-i.mp4"[..],
        b"http:x.mp4",
        b"a%03d.mp4",
        b"two\nlines: corrupt decoded frame.mp4",
        b"\xff\xfe.mp4",
        b"a 'b' \"c\" $(d);[e],f=g.mp4",
        b"concat:a|b",
    ] {
        let path = lab.0.path().join(OsStr::from_bytes(name));
        std::fs::copy(lab.path("good.mp4"), &path).unwrap();
        let (frames, summary) = read_all(&path);
        assert_eq!(frames.len(), 10, "{path:?}");
        assert_eq!(summary.warnings, [] as [&str; 0], "{path:?}");
        assert!(frame_at(&path, 0.2, &options()).unwrap().image == frames[5].image);
    }
}

#[test]
fn a_missing_ffmpeg_is_ours() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=160x120:d=0.4:r=25 -c:v libx264 -pix_fmt yuv420p @good.mp4");
    for (ffmpeg, ffprobe) in [("ffmpeg", "no-such-ffprobe"), ("no-such-ffmpeg", "ffprobe")] {
        let options = OpenOptions {
            ffmpeg: ffmpeg.into(),
            ffprobe: ffprobe.into(),
            ..options()
        };
        match Clip::open(&lab.path("good.mp4"), &options) {
            Err(Error::Ours(sentence)) => assert!(sentence.contains("install the package ffmpeg"), "{sentence}"),
            Err(other) => panic!("{other:?}"),
            Ok(_) => panic!("opened"),
        }
    }
}

#[test]
fn a_reading_stopped_early_says_nothing_of_the_rest() {
    let lab = Lab::new();
    lab.ffmpeg("-f lavfi -i testsrc2=s=320x240:d=20:r=30 -c:v libx264 -preset ultrafast -pix_fmt yuv420p @long.mp4");
    let mut clip = Clip::open(&lab.path("long.mp4"), &options()).unwrap();
    for _ in 0..3 {
        clip.next_frame().unwrap().unwrap();
    }
    let summary = clip.finish().unwrap();
    assert_eq!(
        (summary.frames_read, summary.frames_expected, summary.reached_end),
        (3, Some(600), false)
    );
    assert_eq!(summary.warnings, [] as [&str; 0]);
}
