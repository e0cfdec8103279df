//! What ffprobe says of a recording, and what follows from it.

use super::colour::{self, ColourPlan, ColourTags};
use super::local_file::LocalFile;
use super::options::OpenOptions;
use super::orientation::Orientation;
use super::tool;
use crate::{Error, Result};
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::time::Duration;

/// What is known of a recording before its frames are read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipInfo {
    /// Columns of the delivered frames (upright, square pixels), px.
    pub width: usize,
    /// Rows of the delivered frames (upright, square pixels), px.
    pub height: usize,
    /// Container format, in ffprobe's words.
    pub container: String,
    /// Video coding, in ffprobe's words, such as `hevc`.
    pub codec: String,
    /// Pixel format, in ffprobe's words, such as `yuv420p10le`.
    pub pixel_format: String,
    /// How the decoded frames are turned to stand upright.
    pub orientation: Orientation,
    /// Mean frame rate by the container, 1/s.
    pub frame_rate_hz: Option<f64>,
    /// Duration by the container, s.
    pub duration_s: Option<f64>,
    /// Frames by the container's own count, or else its duration times its rate.
    pub frames_expected: Option<u64>,
    /// Whether the frames are made of two fields from two moments.
    pub interlaced: bool,
    /// Whether the recording has high dynamic range and is tone mapped.
    pub high_dynamic_range: bool,
    /// What was guessed or is worth knowing.
    pub notes: Vec<String>,
    /// What makes the frames less trustworthy.
    pub warnings: Vec<String>,
}

/// A recording described well enough to decode it.
#[derive(Debug, Clone)]
pub(super) struct Probe {
    /// The file.
    pub file: LocalFile,
    /// What is told.
    pub info: ClipInfo,
    /// Which stream.
    pub stream_index: u64,
    /// Seconds per tick of the stream's clock, as a fraction.
    pub time_base: (i64, i64),
    /// Ticks at the first frame, where the first packets gave one.
    pub first_ticks: Option<i64>,
    /// Where the container says it starts, s; seeking counts from there.
    pub container_start_s: f64,
    /// The container's own count of frames.
    pub container_frames: Option<u64>,
    /// Colours.
    pub colour: ColourPlan,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Described {
    streams: Vec<Stream>,
    frames: Vec<Picture>,
    format: Format,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Format {
    format_name: String,
    start_time: Option<String>,
    duration: Option<String>,
    tags: HashMap<String, String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
struct Stream {
    index: u64,
    codec_type: String,
    codec_name: Option<String>,
    field_order: Option<String>,
    avg_frame_rate: Option<String>,
    r_frame_rate: Option<String>,
    time_base: Option<String>,
    duration: Option<String>,
    nb_frames: Option<String>,
    disposition: HashMap<String, i64>,
    #[serde(flatten)]
    picture: Picture,
}

/// The fields that streams and frames share.
#[derive(Debug, Default, Clone, Deserialize)]
#[serde(default)]
struct Picture {
    // Only in frames.
    stream_index: Option<u64>,
    width: Option<i64>,
    height: Option<i64>,
    pix_fmt: Option<String>,
    sample_aspect_ratio: Option<String>,
    color_range: Option<String>,
    color_space: Option<String>,
    color_primaries: Option<String>,
    color_transfer: Option<String>,
    interlaced_frame: Option<i64>,
    best_effort_timestamp: Option<i64>,
    side_data_list: Vec<HashMap<String, serde_json::Value>>,
}

/// `a/b` or `a:b` as two numbers.
fn ratio(text: &str) -> Option<(i64, i64)> {
    let (a, b) = text.split_once(['/', ':'])?;
    Some((a.parse().ok()?, b.parse().ok()?))
}

/// `a/b` or a plain number as a positive finite number.
fn positive(text: &str) -> Option<f64> {
    let value = match ratio(text) {
        Some((a, b)) => a as f64 / b as f64,
        None => text.parse().ok()?,
    };
    (value.is_finite() && value > 0.0).then_some(value)
}

/// A tag that says something.
fn told(tag: Option<&String>) -> Option<String> {
    tag.filter(|t| !matches!(t.as_str(), "unknown" | "unspecified" | "reserved" | ""))
        .cloned()
}

impl Picture {
    /// The display matrix ffprobe prints as a table of nine numbers with row labels.
    fn display_matrix(&self) -> Option<[i64; 9]> {
        let text = self.side_data_list.iter().find_map(|entry| entry.get("displaymatrix"))?.as_str()?;
        let numbers: Vec<i64> = text
            .lines()
            .filter_map(|line| line.split_once(':'))
            .flat_map(|(_, row)| row.split_whitespace())
            .map(|n| n.parse().ok())
            .collect::<Option<_>>()?;
        numbers.try_into().ok()
    }

    /// A number among the side data.
    fn side_number(&self, key: &str) -> Option<f64> {
        let value = self.side_data_list.iter().find_map(|entry| entry.get(key))?;
        value.as_f64().or_else(|| positive(value.as_str()?)).filter(|v| *v > 0.0)
    }
}

/// Runs ffprobe on `file` and reads its JSON; the second part is what it complained of.
fn describe(file: &LocalFile, options: &OpenOptions, what: &[&str]) -> Result<(Described, String)> {
    let mut command = tool::command(&options.ffprobe);
    command
        .args(["-hide_banner", "-loglevel", "error", "-print_format", "json"])
        .args(what);
    tool::add_input(&mut command, file);
    let output = tool::run(&mut command, options.stall_limit.min(Duration::from_secs(60)), 16 << 20)?;
    if output.status.is_none() {
        return Err(Error::input(format!(
            "{} could not be described within a minute: it is damaged or on a very slow disk; copy it again.",
            file.shown
        )));
    }
    let described = serde_json::from_slice(String::from_utf8_lossy(&output.stdout).as_bytes()).unwrap_or_default();
    Ok((described, output.stderr))
}

/// Why ffprobe found nothing in a file.
fn not_a_video(file: &LocalFile, complaints: &str) -> Error {
    let shown = &file.shown;
    let head = &file.head;
    let brand = head.get(8..12).filter(|_| head.get(4..8) == Some(b"ftyp"));
    if super::photograph::photograph_format(head).is_some() {
        Error::input(format!("{shown} is a photograph, not a video."))
    } else if matches!(brand, Some(b"heic" | b"heix" | b"heim" | b"heis" | b"mif1" | b"msf1" | b"avif")) {
        Error::input(format!("{shown} is a HEIC or AVIF photograph: export it as JPEG first."))
    } else if complaints.contains("moov atom not found") && matches!(head.get(4..8), Some(b"ftyp" | b"mdat" | b"wide" | b"free" | b"skip"))
    {
        Error::input(format!(
            "{shown} is cut off or was never finished (its index, the moov atom, is missing): copy it again from the phone or camera."
        ))
    } else {
        Error::input(format!(
            "{shown} is not a video this program can read: give an MP4, MOV, MKV, WebM, AVI or MPEG file."
        ))
    }
}

impl Probe {
    /// Looks at the recording at `file`.
    ///
    /// # Errors
    /// [`Error::Input`] where it is not a video, has only sound, or is too large or too small; [`Error::Ours`] where ffprobe is missing.
    pub fn of(file: LocalFile, options: &OpenOptions) -> Result<Self> {
        // Two packets of any stream: mostly enough for a first picture, and few enough to stay quick.
        let (described, complaints) = describe(
            &file,
            options,
            &["-show_streams", "-show_format", "-show_frames", "-read_intervals", "%+#2"],
        )?;
        if described.streams.is_empty() {
            return Err(not_a_video(&file, &complaints));
        }
        let shown = &file.shown;
        let is_set = |s: &Stream, key: &str| s.disposition.get(key).is_some_and(|v| *v != 0);
        let videos: Vec<&Stream> = described
            .streams
            .iter()
            .filter(|s| s.codec_type == "video" && !is_set(s, "attached_pic") && !is_set(s, "timed_thumbnails"))
            .collect();
        let Some(stream) = videos.first() else {
            return Err(if described.streams.iter().any(|s| s.codec_type == "audio") {
                Error::input(format!("{shown} holds sound but no video: give the recording with its picture."))
            } else {
                not_a_video(&file, &complaints)
            });
        };
        let mut notes = Vec::new();
        let mut warnings = Vec::new();
        if videos.len() > 1 {
            notes.push(format!("The file holds {} video streams; the first was read.", videos.len()));
        }
        let codec = stream
            .codec_name
            .clone()
            .filter(|name| name != "unknown" && name != "none")
            .ok_or_else(|| {
                Error::input(format!(
                    "{shown} uses a video coding ffmpeg does not know: convert it to H.264 in MP4."
                ))
            })?;

        let frame = match described.frames.iter().find(|f| f.stream_index == Some(stream.index)) {
            Some(frame) => frame.clone(),
            None => {
                let index = stream.index.to_string();
                let what = ["-show_frames", "-read_intervals", "%+#4", "-select_streams", &index];
                describe(&file, options, &what)?.0.frames.first().cloned().unwrap_or_default()
            }
        };
        let either = |get: fn(&Picture) -> Option<&String>| told(get(&frame)).or_else(|| told(get(&stream.picture)));

        let size = |a: Option<i64>, b: Option<i64>| a.filter(|v| *v > 0).or(b.filter(|v| *v > 0)).and_then(|v| usize::try_from(v).ok());
        let (Some(width), Some(height)) = (size(frame.width, stream.picture.width), size(frame.height, stream.picture.height)) else {
            return Err(Error::input(format!(
                "{shown} has a video stream of which no frame can be decoded ({codec}): it is damaged or empty; copy it again."
            )));
        };
        let (wide, high) = square_pixels(width, height, either(|p| p.sample_aspect_ratio.as_ref()).as_deref(), &mut notes);
        for (w, h) in [(width, height), (wide, high)] {
            if w.max(h) > options.max_side_px || w * h > options.max_pixels {
                return Err(Error::input(format!(
                    "{shown} has frames of {w} × {h} px; more than {} px a side or {} million pixels is not read: scale it down first.",
                    options.max_side_px,
                    options.max_pixels / 1_000_000
                )));
            }
            if w.min(h) < options.min_side_px {
                return Err(Error::input(format!(
                    "{shown} has frames of {w} × {h} px; fewer than {} px a side show nothing.",
                    options.min_side_px
                )));
            }
        }

        let matrix = stream.picture.display_matrix().or_else(|| frame.display_matrix());
        let (orientation, exact) = matrix.map_or((Orientation::Upright, true), |m| Orientation::from_display_matrix(&m));
        if !exact {
            warnings.push(format!(
                "The file asks for a turn that is no quarter turn; the nearest was used ({}), so the picture may be tilted.",
                orientation.words()
            ));
        } else if orientation != Orientation::Upright {
            notes.push(format!("The frames were {} as the file asks.", orientation.words()));
        }

        let pixel_format = either(|p| p.pix_fmt.as_ref()).unwrap_or_default();
        let peak = |p: &Picture| p.side_number("max_luminance").or_else(|| p.side_number("max_content"));
        let tags = ColourTags {
            pixel_format: pixel_format.clone(),
            range: either(|p| p.color_range.as_ref()),
            matrix: either(|p| p.color_space.as_ref()),
            primaries: either(|p| p.color_primaries.as_ref()),
            transfer: either(|p| p.color_transfer.as_ref()),
            peak_cd_m2: peak(&frame).or_else(|| peak(&stream.picture)),
        };
        let mut colour = colour::plan(&tags, (width, height), (wide, high));
        notes.append(&mut colour.notes);
        warnings.append(&mut colour.warnings);
        if stream.picture.side_number("dv_profile") == Some(5.0) {
            warnings
                .push("The recording uses Dolby Vision profile 5, whose colours ffmpeg does not decode: do not trust the colours.".into());
        }

        let field_order = stream.field_order.as_deref();
        let interlaced = frame.interlaced_frame == Some(1) || matches!(field_order, Some("tt" | "bb" | "tb" | "bt"));
        if interlaced {
            warnings.push(
                "The recording is interlaced: each frame mixes two moments, so edges of moving parts comb; the fields were not separated."
                    .into(),
            );
        }

        let frame_rate_hz = [&stream.avg_frame_rate, &stream.r_frame_rate]
            .into_iter()
            .flatten()
            .find_map(|text| positive(text))
            .filter(|rate| *rate <= 100_000.0);
        let duration_s = [&stream.duration, &described.format.duration]
            .into_iter()
            .flatten()
            .find_map(|text| positive(text));
        let capture_rate = described.format.tags.get("com.android.capture.fps").and_then(|text| positive(text));
        if let (Some(captured), Some(played)) = (capture_rate, frame_rate_hz) {
            if captured > 1.5 * played {
                notes.push(format!(
                    "The recording is slow motion, taken at {captured:.0} frames a second and played at {played:.0}; times are playback times, {:.1} times longer.",
                    captured / played
                ));
            }
        }
        let container_frames = stream.nb_frames.as_deref().and_then(|n| n.parse().ok()).filter(|n| *n > 0);
        let frames_expected = container_frames.or_else(|| Some((duration_s? * frame_rate_hz?).round() as u64));
        let time_base = stream
            .time_base
            .as_deref()
            .and_then(ratio)
            .filter(|(n, d)| *n > 0 && *d > 0)
            .ok_or_else(|| Error::input(format!("{shown} has a video stream without a clock: convert it to MP4 first.")))?;
        let (upright_width, upright_height) = if orientation.swaps_sides() { (high, wide) } else { (wide, high) };
        Ok(Self {
            info: ClipInfo {
                width: upright_width,
                height: upright_height,
                container: described.format.format_name.clone(),
                codec,
                pixel_format,
                orientation,
                frame_rate_hz,
                duration_s,
                frames_expected,
                interlaced,
                high_dynamic_range: colour.high_dynamic_range,
                notes,
                warnings,
            },
            stream_index: stream.index,
            time_base,
            first_ticks: frame.best_effort_timestamp,
            container_start_s: described.format.start_time.as_deref().and_then(|t| t.parse().ok()).unwrap_or(0.0),
            container_frames,
            colour,
            file,
        })
    }

    /// Counts the video packets that the container plays (those an edit list cuts away are left out), by reading the whole file without decoding; and
    /// whether the reading met an error.
    ///
    /// # Errors
    /// [`Error::Ours`] where ffprobe is missing.
    pub fn count_packets(&self, options: &OpenOptions) -> Result<Option<(u64, bool)>> {
        let mut command = tool::command(&options.ffprobe);
        command.args(["-hide_banner", "-loglevel", "level+warning", "-select_streams"]);
        command.arg(self.stream_index.to_string());
        command.args(["-show_entries", "packet=flags", "-print_format", "csv=print_section=0"]);
        tool::add_input(&mut command, &self.file);
        let output = tool::run(&mut command, Duration::from_secs(60), 64 << 20)?;
        if output.status.is_none() {
            return Ok(None);
        }
        let shown = output
            .stdout
            .split(|b| *b == b'\n')
            .filter(|line| !line.is_empty() && !line.contains(&b'D'))
            .count();
        Ok(Some((shown as u64, output.stderr.lines().any(super::decoder_log::says_cut_off))))
    }
}

/// The size with square pixels: the side that is too short grows, so nothing recorded is lost.
fn square_pixels(width: usize, height: usize, aspect: Option<&str>, notes: &mut Vec<String>) -> (usize, usize) {
    let Some((n, d)) = aspect.and_then(ratio).filter(|(n, d)| *n > 0 && *d > 0 && n != d) else {
        return (width, height);
    };
    let aspect = n as f64 / d as f64;
    if !(0.25..=4.0).contains(&aspect) {
        notes.push(format!(
            "The file says its pixels are {n}:{d}, which cannot be true; they were taken as square."
        ));
        return (width, height);
    }
    let size = if aspect > 1.0 {
        ((width as f64 * aspect).round() as usize, height)
    } else {
        (width, (height as f64 / aspect).round() as usize)
    };
    if size != (width, height) {
        notes.push(format!(
            "The file's pixels are {n}:{d}, not square; frames of {width} × {height} px were stretched to {} × {} px.",
            size.0, size.1
        ));
    }
    size
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_in_both_ways_they_are_written() {
        assert_eq!(positive("30000/1001"), Some(30000.0 / 1001.0));
        assert_eq!(positive("2.5"), Some(2.5));
        assert_eq!(positive("0/0"), None);
        assert_eq!(positive("N/A"), None);
    }

    #[test]
    fn a_matrix_of_garbage_is_no_matrix() {
        let mut picture = Picture::default();
        for text in ["", "\n00000000: 1 2", "\n0: 1 2 3\n1: a b c\n2: 1 2 3"] {
            picture.side_data_list = vec![HashMap::from([("displaymatrix".to_owned(), text.into())])];
            assert_eq!(picture.display_matrix(), None);
        }
    }

    #[test]
    fn pixels_become_square_by_growing() {
        let mut notes = Vec::new();
        assert_eq!(square_pixels(720, 576, Some("16:11"), &mut notes), (1047, 576));
        assert_eq!(square_pixels(720, 480, Some("8:9"), &mut notes), (720, 540));
        assert_eq!(notes.len(), 2);
        assert_eq!(square_pixels(720, 480, Some("1:1"), &mut notes), (720, 480));
        assert_eq!(square_pixels(720, 480, Some("1:65535"), &mut notes), (720, 480));
        assert_eq!(notes.len(), 3);
    }
}
