//! Looking for the carpet's own lines, after the athlete was followed: in a photograph, or in each hold of a recording whose camera stands still.

use crate::camera_motion::Registered;
use crate::check::hold_report::Setting;
use crate::check::run::CheckOptions;
use crate::check::size;
use crate::clip;
use crate::error::Result;
use crate::floor::lines::{self, CarpetSize, Looked, Refusal};
use crate::floor::sheet::align::Grey;
use crate::floor::FloorCamera;
use crate::hold::{self, Span};
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::LegShape;
use crate::outcome::{sure_per_cent, FloorReport, FloorSource, LinesReport, Stillness};
use crate::pose::track::Track;
use crate::types::{ImagePoint, RgbImage};
use std::path::Path;

/// What to do about the carpet's lines.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum CarpetUse {
    /// Take no notice of them.
    #[default]
    Ignore,
    /// Look for the boundary line of a carpet of this size.
    Find(CarpetSize),
}

/// Frames of a hold whose median is looked at: noise goes, a passer-by goes, what stands still stays.
const FRAMES: usize = 5;

/// Most holds of a recording that are looked at; each takes seconds.
const MOST_HOLDS: usize = 20;

/// Said where lines were to be looked for and the camera moved.
pub const CAMERA_MOVED: &str =
    "The carpet's lines were not looked for, because the camera moves in this recording: the floor was taken from the body. Put the camera on a stand.";

/// What one hold's picture showed.
#[derive(Debug, Clone)]
pub struct Look {
    /// First and last time of the hold, seconds.
    pub start_s: f64,
    /// Last time of the hold, seconds.
    pub end_s: f64,
    /// What was found in it.
    pub looked: Looked,
    /// Elevation over the carpet that the body gave, degrees, and its standard deviation.
    pub by_body_deg: [f64; 2],
}

/// What was seen of the carpet's lines.
#[derive(Debug, Clone, Default)]
pub struct Lines {
    /// The carpet looked for; `None` where nobody asked.
    pub carpet: Option<CarpetSize>,
    /// Each hold's look.
    pub looks: Vec<Look>,
    /// Why none was looked at, for the whole recording.
    pub not_looked: Option<String>,
}

impl Lines {
    fn for_carpet(carpet: CarpetSize) -> Self {
        Self {
            carpet: Some(carpet),
            ..Self::default()
        }
    }

    /// The look that overlaps a stretch of time most.
    pub fn during(&self, start_s: f64, end_s: f64) -> Option<&Look> {
        let overlap = |l: &Look| l.end_s.min(end_s) - l.start_s.max(start_s);
        self.looks
            .iter()
            .filter(|l| overlap(l) >= 0.0)
            .max_by(|a, b| overlap(a).total_cmp(&overlap(b)))
    }

    /// The floor over a stretch of time, where the lines gave one.
    pub fn camera(&self, start_s: f64, end_s: f64) -> Option<&FloorCamera> {
        self.during(start_s, end_s)?.looked.verdict.as_ref().ok()
    }
}

/// Looks for the lines in a photograph in which the athlete was found, or not: without an athlete something may be found and nothing is used.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn in_photograph(image: &RgbImage, track: &Track, options: &CheckOptions, carpet: CarpetSize) -> Result<Lines> {
    let mut lines = Lines::for_carpet(carpet);
    lines.looks.push(look(image, track, &whole(track), options, carpet)?);
    Ok(lines)
}

/// Looks for the lines in every hold of a recording. Frames that cannot be read again are passed over.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn in_recording(path: &Path, track: &Track, options: &CheckOptions, carpet: CarpetSize) -> Result<Lines> {
    let mut lines = Lines::for_carpet(carpet);
    if Registered::new(track, None).moves() {
        lines.not_looked = Some(CAMERA_MOVED.to_string());
        return Ok(lines);
    }
    for span in hold::find(track, &options.rules.still).still.iter().take(MOST_HOLDS) {
        let count = FRAMES.min(span.last - span.first + 1);
        let images: Vec<RgbImage> = (0..count)
            .filter_map(|k| {
                let position = span.first + (2 * k + 1) * (span.last - span.first) / (2 * count);
                let time_s = track.frames.get(position)?.time_s;
                Some(clip::frame_at(path, time_s, &clip::OpenOptions::default()).ok()?.image)
            })
            .filter(|i| [i.width, i.height] == track.image_size)
            .collect();
        if let Some(image) = median_of(&images) {
            lines.looks.push(look(&image, track, span, options, carpet)?);
        }
    }
    Ok(lines)
}

fn whole(track: &Track) -> Span {
    Span {
        first: 0,
        last: track.frames.len().saturating_sub(1),
        start_s: track.frames.first().map_or(0.0, |f| f.time_s),
        end_s: track.frames.last().map_or(0.0, |f| f.time_s),
    }
}

fn look(image: &RgbImage, track: &Track, span: &Span, options: &CheckOptions, carpet: CarpetSize) -> Result<Look> {
    let (shape, errors) = (LegShape::shipped(), FusionErrors::shipped());
    let setting = Setting {
        marks: None,
        marks_hold: None,
        image_size: track.image_size,
        shank: size::from_stature(options.stature_m),
        shape: &shape,
        errors: &errors,
        rules: &options.rules,
        leg: options.leg.given(),
        stillness: Stillness::NotShown,
    };
    let frames = track.frames.get(span.first..=span.last).unwrap_or_default();
    let body = setting.clues_over(frames);
    let mask = lines::mask::Mask::of([image.width, image.height], frames.iter().filter_map(|f| f.body.as_ref()));
    let looked = lines::find(&pictures(image), &mask, body.as_ref(), carpet)?;
    Ok(Look {
        start_s: span.start_s,
        end_s: span.end_s,
        looked,
        by_body_deg: body.map_or([0.0, 0.0], |b| [b.elevation_rad.to_degrees(), b.elevation_sd_rad.to_degrees()]),
    })
}

/// Brightness, red and blue: a line may have the carpet's brightness and another colour.
fn pictures(image: &RgbImage) -> [Grey; 3] {
    let channel = |c: usize| Grey {
        width: image.width,
        height: image.height,
        data: image.data.chunks_exact(3).map(|p| p[c]).collect(),
    };
    [Grey::of(image), channel(0), channel(2)]
}

/// The median of pictures of one size, pixel by pixel; `None` of none.
fn median_of(images: &[RgbImage]) -> Option<RgbImage> {
    let first = images.first()?;
    let mut data = Vec::with_capacity(first.data.len());
    let mut values = vec![0; images.len()];
    for k in 0..first.data.len() {
        for (v, image) in values.iter_mut().zip(images) {
            *v = image.data[k];
        }
        values.sort_unstable();
        data.push(values[values.len() / 2]);
    }
    Some(RgbImage {
        width: first.width,
        height: first.height,
        data,
    })
}

/// Says of a hold's floor what the lines did for it, or why they did nothing.
pub fn tell(lines: &Lines, start_s: f64, end_s: f64, floor: &mut FloorReport) {
    let Some(carpet) = lines.carpet else { return };
    let Some(look) = lines.during(start_s, end_s) else { return };
    if let Err(refusal) = &look.looked.verdict {
        floor.notes.push(refusal.sentence());
        return;
    }
    let Some(best) = look.looked.best.as_ref().filter(|_| floor.source == FloorSource::Lines) else {
        return;
    };
    let [body, body_sd] = look.by_body_deg;
    let (own, own_sd) = (best.elevation_rad.0.to_degrees(), best.elevation_rad.1.to_degrees());
    floor.notes.push(format!(
        "The floor was taken from the carpet's own lines, found by themselves and {:.1} % sure: {} long and {} short sides of a carpet of {} m \u{d7} {} m, with their line of about 5 cm. By the lines alone the camera is {own:.1}\u{b0} \u{b1} {:.1}\u{b0} over the carpet and by the athlete's body {body:.1}\u{b0} \u{b1} {:.1}\u{b0} (95 %); both were joined. See in the picture that the drawn sides lie on the carpet's.",
        sure_per_cent(look.looked.confidence),
        best.fit.sides_of(1),
        best.fit.sides_of(0),
        carpet.long_m,
        carpet.short_m,
        1.96 * own_sd,
        1.96 * body_sd,
    ));
    floor.lines = Some(report(lines, look, carpet));
}

fn report(lines: &Lines, look: &Look, carpet: CarpetSize) -> LinesReport {
    let looked = &look.looked;
    let (mut sides, mut residual_px, mut own) = (0, 0.0, (0.0, 0.0));
    if let Some(best) = &looked.best {
        (sides, residual_px, own) = (best.fit.taken.len(), best.fit.residual_px, best.elevation_rad);
    }
    LinesReport {
        carpet_m: carpet.extent_m(),
        confidence: looked.confidence,
        sides,
        corners: looked.corners(),
        lines_found: looked.stripes.len(),
        pictures: lines.looks.len(),
        residual_px,
        elevation_by_lines_deg: own.0.to_degrees(),
        elevation_by_lines_sd_deg: own.1.to_degrees(),
        elevation_by_body_deg: look.by_body_deg[0],
        elevation_by_body_sd_deg: look.by_body_deg[1],
        // Fewer than three sides are not used, and three hold two opposite ones.
        scale_from_sides: true,
        found: looked.taken_lines(),
        outline: looked.sides(),
    }
}

/// What was found in a picture by itself, for a person to see before it is used: lines of text, and what to draw.
pub struct Shown {
    /// What was found.
    pub text: String,
    /// All stripes found.
    pub stripes: Vec<Vec<ImagePoint>>,
    /// Those taken for sides.
    pub taken: Vec<Vec<ImagePoint>>,
    /// The carpet's sides where the best guess puts them.
    pub sides: Vec<Vec<ImagePoint>>,
    /// Corners between found sides.
    pub corners: Vec<ImagePoint>,
    /// The carpet grid, where the lines would be used.
    pub grid: Vec<Vec<ImagePoint>>,
    /// Whether they would be used.
    pub used: bool,
}

/// Puts a look into words and lines to draw.
pub fn shown(look: &Look) -> Shown {
    use std::fmt::Write as _;
    let looked = &look.looked;
    let mut text = format!("straight lines with two parallel edges: {}\n", looked.stripes.len());
    if let Some(best) = &looked.best {
        for t in &best.fit.taken {
            let s = &looked.stripes[t.stripe];
            let _ = writeln!(
                text,
                "  {} side: from ({:.0}, {:.0}) to ({:.0}, {:.0}), {:.1} to {:.1} px broad",
                t.side.words(),
                s.ends[0].u,
                s.ends[0].v,
                s.ends[1].u,
                s.ends[1].v,
                s.width_px[0].min(s.width_px[1]),
                s.width_px[0].max(s.width_px[1])
            );
        }
        let _ = writeln!(
            text,
            "camera elevation by the lines alone: {:.1} \u{b0} \u{b1} {:.1} \u{b0}",
            best.elevation_rad.0.to_degrees(),
            best.elevation_rad.1.to_degrees()
        );
        if best.against_body.is_some() {
            let _ = writeln!(
                text,
                "camera elevation by the athlete's body: {:.1} \u{b0} \u{b1} {:.1} \u{b0}",
                look.by_body_deg[0], look.by_body_deg[1]
            );
        }
        let _ = writeln!(text, "how sure: {:.1} %", sure_per_cent(looked.confidence));
    }
    match &looked.verdict {
        Ok(_) => text.push_str("check --carpet-lines would use them\n"),
        Err(refusal) => {
            let _ = writeln!(text, "{}", refusal.sentence());
        }
    }
    let used = looked.verdict.as_ref().ok();
    Shown {
        text,
        stripes: looked.stripes.iter().map(|s| s.ends.to_vec()).collect(),
        taken: looked.taken_lines(),
        sides: looked.sides(),
        corners: looked.corners(),
        grid: used.map_or(Vec::new(), |camera| camera.grid(crate::types::CarpetPoint::new(0.0, 0.0, 0.0), 2.0)),
        used: used.is_some(),
    }
}

/// Whether a look was refused for want of an athlete.
pub fn nobody(look: &Look) -> bool {
    matches!(look.looked.verdict, Err(Refusal::NoBody))
}
