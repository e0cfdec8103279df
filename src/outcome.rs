//! The answer to one recording: what `call.json` holds and what the report shows.
//!
//! Fields are only ever added; those named here keep their names. All image points are in the upright frame, px.

pub use crate::phases::report::*;
use crate::types::{ImagePoint, Leg, Station};
use serde::{Deserialize, Serialize};

/// Version of the JSON layout.
pub const SCHEMA_VERSION: u32 = 1;

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// [`SCHEMA_VERSION`].
    pub schema_version: u32,
    /// What made this answer: code, networks and rule profile by version and hash.
    pub made_by: MadeBy,
    /// The recording.
    pub input: InputReport,
    /// The camera over the carpet.
    pub floor: FloorReport,
    /// Every hold of the stance, in time order.
    pub holds: Vec<HoldReport>,
    /// What was not judged and why.
    pub not_judged: Vec<NotJudged>,
    /// Cautions for the person who kneels and for whoever uses the call.
    pub cautions: Vec<String>,
    /// What happened before, in and after each stance; absent in answers of older versions.
    #[serde(default)]
    pub repetitions: Vec<RepetitionReport>,
}

/// Code, networks and rule profile, named so that an answer can be made again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MadeBy {
    /// Program version.
    pub shankline: String,
    /// Network files: name and the first 12 hex digits of the SHA-256.
    pub networks: Vec<(String, String)>,
    /// Rule profile: name and the first 12 hex digits of the SHA-256.
    pub rules: (String, String),
}

impl MadeBy {
    /// One line that names all of it.
    pub fn line(&self) -> String {
        let nets = self.networks.iter().map(|(n, h)| format!("{n} {h}")).collect::<Vec<_>>().join(", ");
        format!(
            "shankline {}; networks {}; rules {} {}",
            self.shankline, nets, self.rules.0, self.rules.1
        )
    }
}

/// The recording as read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InputReport {
    /// Path as given (lossy where it is not UTF-8).
    pub path: String,
    /// `video` or `photograph`.
    pub kind: InputKind,
    /// Upright width, px.
    pub width: usize,
    /// Upright height, px.
    pub height: usize,
    /// Duration, seconds; 0 for a photograph.
    pub duration_s: f64,
    /// Frames delivered.
    pub frames_read: u64,
    /// Frames the container promises, where it says.
    pub frames_expected: Option<u64>,
    /// What is wrong or unusual about the file, with numbers.
    pub warnings: Vec<String>,
    /// Whether the camera moved; null for a photograph, absent in answers of older versions.
    #[serde(default)]
    pub camera_motion: Option<CameraMotionReport>,
}

/// Whether the camera moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CameraMotionState {
    /// The background stayed where it was.
    Still,
    /// It moved, and at least four in five of the frames were registered on the background.
    MovingRegistered,
    /// It moved, and too few frames could be registered.
    MovingUnregistered,
    /// The background shows too little to tell.
    NotSeen,
}

/// What was seen of the camera's motion. Ranges are those of the shot that moved most.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CameraMotionReport {
    /// Whether it moved.
    pub state: CameraMotionState,
    /// Largest shift of the background in the middle of the picture against its shot's first frame, px.
    pub largest_shift_px: f64,
    /// Root mean square distance between background points and their registration, median over the registered frames, px; null where nothing moved.
    pub residual_px: Option<f64>,
    /// Frames of moving shots that could be registered; null where nothing moved.
    pub frames_registered: Option<u64>,
    /// Frames of moving shots; null where nothing moved.
    pub frames_moving: Option<u64>,
    /// Range of the turn to the side, degrees.
    pub pan_deg: f64,
    /// Range of the turn up and down, degrees.
    pub tilt_deg: f64,
    /// Range of the turn about the line of sight, degrees.
    pub roll_deg: f64,
    /// Largest focal length over the smallest.
    pub zoom: f64,
}

/// What kind of input it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum InputKind {
    /// A recording.
    Video,
    /// One still picture.
    Photograph,
}

/// Where the floor came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FloorSource {
    /// Marks on the carpet with known coordinates.
    Marks,
    /// The printed sheet of markers, found by itself.
    Sheet,
    /// The carpet's own boundary line, found by itself.
    Lines,
    /// The athlete's own body.
    Body,
    /// Nothing.
    None,
}

/// The camera over the carpet, as found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FloorReport {
    /// Where it came from.
    pub source: FloorSource,
    /// Elevation of the camera over the carpet seen from the leg, degrees.
    pub camera_elevation_deg: Option<f64>,
    /// Its standard deviation, degrees.
    pub camera_elevation_sd_deg: Option<f64>,
    /// Height of the camera over the carpet, metres.
    pub camera_height_m: Option<f64>,
    /// Its standard deviation, metres.
    pub camera_height_sd_m: Option<f64>,
    /// Distance from the camera to the leg, metres.
    pub camera_distance_m: Option<f64>,
    /// Its standard deviation, metres.
    pub camera_distance_sd_m: Option<f64>,
    /// Focal length, px.
    pub focal_px: Option<f64>,
    /// Its standard deviation, px.
    pub focal_sd_px: Option<f64>,
    /// The fitted carpet grid, image polylines for drawing (0.5 m spacing).
    pub grid: Vec<Vec<ImagePoint>>,
    /// The printed sheet, where the floor was taken from it.
    #[serde(default)]
    pub sheet: Option<SheetReport>,
    /// The carpet's own lines, where the floor was taken from them; absent in answers of older versions.
    #[serde(default)]
    pub lines: Option<LinesReport>,
    /// What a person should know about this floor.
    pub notes: Vec<String>,
}

/// The printed sheet that a floor was taken from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SheetReport {
    /// How many of its markers were measured.
    pub markers: usize,
    /// How many markers it has.
    pub markers_printed: usize,
    /// Frames in which it was measured.
    pub frames: usize,
    /// Frames that were looked at.
    pub frames_looked_at: usize,
    /// Places in which it lay during the recording, as seen by the camera.
    pub placements: usize,
    /// Root mean square distance of the markers' corners from where the fitted floor puts them, px.
    pub residual_px: f64,
    /// Distance from the camera to the sheet, metres.
    pub camera_distance_m: f64,
    /// The markers' outlines as measured, image polylines for drawing.
    pub outlines: Vec<Vec<ImagePoint>>,
}

/// The carpet's own lines that a floor was taken from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinesReport {
    /// The carpet looked for: its longer and its shorter side, metres.
    pub carpet_m: [f64; 2],
    /// Probability that the lines are what they were taken for, 0–1.
    pub confidence: f64,
    /// How many of its four sides were found.
    pub sides: usize,
    /// Corners between found sides that are in the picture.
    pub corners: Vec<ImagePoint>,
    /// Straight lines with two parallel edges in the picture.
    pub lines_found: usize,
    /// Pictures that were looked at in the whole recording, one a hold.
    pub pictures: usize,
    /// Root mean square distance of the lines from where the fitted floor puts them, px.
    pub residual_px: f64,
    /// Elevation of the camera at the leg by the lines alone, degrees.
    pub elevation_by_lines_deg: f64,
    /// Its standard deviation, degrees.
    pub elevation_by_lines_sd_deg: f64,
    /// Elevation of the camera at the leg by the athlete's body alone, degrees.
    pub elevation_by_body_deg: f64,
    /// Its standard deviation, degrees.
    pub elevation_by_body_sd_deg: f64,
    /// Whether two opposite sides are in view, so that the carpet's size gives the distances; else they rest mostly on the body's.
    pub scale_from_sides: bool,
    /// The lines taken for sides, as found, image polylines for drawing.
    pub found: Vec<Vec<ImagePoint>>,
    /// The carpet's sides as the fitted floor puts them, image polylines within the picture.
    pub outline: Vec<Vec<ImagePoint>>,
}

/// A confidence (0–1) in per cent for a person to read: never quite certain.
pub fn sure_per_cent(confidence: f64) -> f64 {
    (100.0 * confidence).min(99.9)
}

/// One hold of the stance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldReport {
    /// Start, seconds.
    pub start_s: f64,
    /// End, seconds.
    pub end_s: f64,
    /// `shown`, or `not_shown` for a photograph.
    pub stillness: Stillness,
    /// Which leg kneels.
    pub kneeling_leg: Leg,
    /// Probability of that, 0–1.
    pub kneeling_leg_confidence: f64,
    /// Angle of the shank's axis over the carpet, degrees; positive when the ankle is higher than the knee.
    pub shank_angle_deg: f64,
    /// Its standard deviation, degrees.
    pub shank_angle_sd_deg: f64,
    /// The shank length used, mm, with its standard deviation.
    pub shank_length_mm: f64,
    /// Standard deviation of the shank length, mm.
    pub shank_length_sd_mm: f64,
    /// Gap profile, knee to heel.
    pub gaps: Vec<GapReport>,
    /// Covariance of `gap_mm` between stations, mm², in the order of `gaps`.
    pub gap_covariance_mm2: Vec<Vec<f64>>,
    /// Whether this view can show a fault.
    pub view: ViewReport,
    /// The call on the stance.
    pub call: Call,
    /// One finding a check.
    pub findings: Vec<Finding>,
    /// The frame that shows the hold best, for the still.
    pub best_frame: StillFrame,
    /// Gap over time around this hold.
    pub frames: Vec<FrameGaps>,
    /// What a person should know about this hold.
    pub notes: Vec<String>,
}

/// Whether stillness was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stillness {
    /// The recording shows it.
    Shown,
    /// A photograph cannot show it.
    NotShown,
}

/// The gap at one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GapReport {
    /// Where.
    pub station: Station,
    /// Height of the inner surface over the carpet beyond the natural hollow, mm.
    pub gap_mm: f64,
    /// Standard deviation, mm.
    pub sd_mm: f64,
    /// Probability that the gap exceeds the tolerance, 0–1.
    pub over_tolerance_probability: f64,
    /// The natural hollow allowed for, mm (already taken off `gap_mm`).
    pub natural_hollow_mm: f64,
}

/// Whether this camera could have shown a fault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ViewReport {
    /// Camera elevation over the carpet seen from the leg, degrees.
    pub elevation_deg: f64,
    /// View azimuth about the vertical relative to the shank, degrees: 0 along the shank, ±90 square to the shin.
    pub azimuth_deg: f64,
    /// The gap that would be called at the chosen confidence nine times in ten, mm.
    pub smallest_lift_mm: PerPart<f64>,
    /// Whether that is within the tolerance.
    pub can_tell: PerPart<bool>,
    /// Share of the lower leg's points that the network takes to be hidden, over the hold, 0–1.
    #[serde(default)]
    pub hidden_share: f64,
    /// What to do for a better view.
    pub advice: String,
}

/// A value each for the calf and the heel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PerPart<T> {
    /// Knee, calf and ankle.
    pub calf: T,
    /// Heel.
    pub heel: T,
}

/// The three ways out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Call {
    /// Down within tolerance, at the chosen confidence.
    Clear,
    /// Off the carpet by more than the tolerance, at the chosen confidence.
    Suspected,
    /// This recording cannot tell.
    CannotTell,
}

impl Call {
    /// For people: `clear`, `suspected`, `cannot tell`.
    pub const fn words(self) -> &'static str {
        match self {
            Call::Clear => "clear",
            Call::Suspected => "suspected",
            Call::CannotTell => "cannot tell",
        }
    }
}

/// One check of the rule profile applied to one hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// The check's key in the rule profile.
    pub check: String,
    /// The check's title in words.
    pub title: String,
    /// The call on this check.
    pub call: Call,
    /// Probability that the call is right (for `cannot_tell`: the probability of a fault), 0–1.
    pub confidence: f64,
    /// Probability of a fault, 0–1.
    pub fault_probability: f64,
    /// The worst station of this check.
    pub station: Station,
    /// Its gap, mm.
    pub gap_mm: f64,
    /// Its standard deviation, mm.
    pub sd_mm: f64,
    /// Tolerance, mm.
    pub tolerance_mm: f64,
    /// The rulebook's code.
    pub code: String,
    /// The deduction, points.
    pub deduction: f64,
    /// Where code, deduction and tolerance come from.
    pub basis: String,
}

/// What is needed to draw the still.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StillFrame {
    /// Presentation time, seconds.
    pub time_s: f64,
    /// Frame position among the delivered frames.
    pub index: u64,
    /// Each station's inner surface as measured.
    pub surface: Vec<ImagePoint>,
    /// The carpet point straight below each station.
    pub carpet: Vec<ImagePoint>,
    /// Centre of the lower leg, for the magnified cut.
    pub crop_centre: ImagePoint,
    /// Side of the magnified cut, px.
    pub crop_side_px: f64,
}

/// Gaps in one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameGaps {
    /// Presentation time, seconds.
    pub time_s: f64,
    /// Frame position among the delivered frames.
    pub index: u64,
    /// Whether it lies in the hold.
    pub in_hold: bool,
    /// Gap at each station in the order of [`Station::ALL`], mm.
    pub gap_mm: [f64; 6],
    /// Its standard deviation, mm.
    pub sd_mm: [f64; 6],
}

/// Something not judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotJudged {
    /// Why.
    pub reason: NotJudgedReason,
    /// In a sentence, with numbers.
    pub detail: String,
    /// Start of the stretch it speaks of, seconds, where it speaks of one.
    pub start_s: Option<f64>,
    /// End of that stretch, seconds.
    pub end_s: Option<f64>,
}

/// Why something was not judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NotJudgedReason {
    /// Nobody found.
    NoPerson,
    /// Nobody in the stance.
    NoStance,
    /// The stance never came to rest.
    NeverStill,
    /// The floor could not be held.
    FloorUnknown,
    /// The lower leg is out of the frame or hidden.
    LegHidden,
    /// Several views do not show one repetition, or not in a way that can be put together.
    ViewsDoNotMatch,
}
