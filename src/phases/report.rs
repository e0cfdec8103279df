//! What `call.json` says of one repetition. Fields are only ever added; those named here keep their names.

use crate::outcome::Call;
use crate::types::{ImagePoint, Leg};
use serde::{Deserialize, Serialize};

/// One repetition: from the take-off (or the way down, where there is no jump) to the leaving.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RepetitionReport {
    /// Start, seconds of the recording.
    pub start_s: f64,
    /// End, seconds of the recording.
    pub end_s: f64,
    /// What followed what.
    pub phases: Vec<PhaseSpan>,
    /// Findings beside the stance's own; none of them changes its call.
    pub events: Vec<RepetitionEvent>,
    /// Whether it is shown slower than it happened.
    pub slow_motion: SlowMotionReport,
    /// The landing, where a jump was seen.
    pub landing: Option<LandingReport>,
    /// The turn in the air, where a jump was seen.
    pub turn: Option<TurnReport>,
    /// Coming to rest.
    pub rest: RestReport,
    /// Moments worth a picture, in time order.
    pub moments: Vec<Moment>,
    /// What this view or frame rate cannot show, one sentence each.
    pub cannot_tell: Vec<String>,
}

/// A part of a repetition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// Before the take-off, or on the way down where there is no jump.
    Approach,
    /// Between take-off and first contact.
    Flight,
    /// From the first contact until the knee is down.
    Landing,
    /// In the stance, not yet (or no longer) still.
    Stance,
    /// In the stance and still.
    Hold,
    /// Leaving the stance.
    Leaving,
}

impl Phase {
    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            Phase::Approach => "approach",
            Phase::Flight => "flight",
            Phase::Landing => "landing",
            Phase::Stance => "stance, moving",
            Phase::Hold => "hold",
            Phase::Leaving => "leaving",
        }
    }
}

/// A phase with its times.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PhaseSpan {
    /// Which.
    pub phase: Phase,
    /// Start, seconds of the recording.
    pub start_s: f64,
    /// End, seconds of the recording.
    pub end_s: f64,
}

/// What was found beside the stance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// The feet met the carpet further apart in time than the rule file's limit.
    OneFootFirst,
    /// The turn in the air came up short.
    ShortTurn,
    /// A foot left the carpet and came down elsewhere.
    Step,
    /// Both feet left the carpet together.
    Hop,
    /// A foot slid over the carpet.
    Shuffle,
    /// The trunk swayed and came back.
    Sway,
    /// A part of the body other than the feet and the kneeling leg rested on the carpet.
    Support,
}

impl EventKind {
    /// All kinds.
    pub const ALL: [EventKind; 7] = [
        EventKind::OneFootFirst,
        EventKind::ShortTurn,
        EventKind::Step,
        EventKind::Hop,
        EventKind::Shuffle,
        EventKind::Sway,
        EventKind::Support,
    ];

    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            EventKind::OneFootFirst => "one foot first",
            EventKind::ShortTurn => "short turn",
            EventKind::Step => "step",
            EventKind::Hop => "hop",
            EventKind::Shuffle => "shuffle",
            EventKind::Sway => "sway",
            EventKind::Support => "added support",
        }
    }
}

/// Part of the body an event speaks of, the athlete's own left or right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Limb {
    LeftFoot,
    RightFoot,
    BothFeet,
    LeftHand,
    RightHand,
    LeftElbow,
    RightElbow,
    LeftKnee,
    RightKnee,
    Seat,
    Trunk,
    WholeBody,
}

impl Limb {
    /// The foot of a leg.
    pub const fn foot(leg: Leg) -> Self {
        match leg {
            Leg::Left => Limb::LeftFoot,
            Leg::Right => Limb::RightFoot,
        }
    }

    /// For people.
    pub const fn words(self) -> &'static str {
        match self {
            Limb::LeftFoot => "left foot",
            Limb::RightFoot => "right foot",
            Limb::BothFeet => "both feet",
            Limb::LeftHand => "left hand",
            Limb::RightHand => "right hand",
            Limb::LeftElbow => "left elbow",
            Limb::RightElbow => "right elbow",
            Limb::LeftKnee => "left knee",
            Limb::RightKnee => "right knee",
            Limb::Seat => "seat",
            Limb::Trunk => "trunk",
            Limb::WholeBody => "whole body",
        }
    }
}

/// Unit of an event's size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SizeUnit {
    /// Seconds.
    S,
    /// Degrees.
    Deg,
    /// Metres.
    M,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RepetitionEvent {
    /// What.
    pub kind: EventKind,
    /// Start, seconds of the recording.
    pub start_s: f64,
    /// End, seconds of the recording.
    pub end_s: f64,
    /// Probability that it happened, 0–1.
    pub confidence: f64,
    /// `suspected` from the rule file's confidence on, else `cannot_tell`.
    pub call: Call,
    /// With which part of the body.
    pub limb: Limb,
    /// How large: time between contacts (s), degrees short, way of the foot (m), sway (degrees), height of the part over the carpet (m).
    pub size: f64,
    /// Its standard deviation.
    pub size_sd: f64,
    /// The unit of both.
    pub size_unit: SizeUnit,
    /// The rulebook's code; empty where the profile has none.
    pub code: String,
    /// Deduction, points.
    pub deduction: f64,
    /// The panel of judges it belongs to.
    pub panel: String,
    /// In a sentence.
    pub detail: String,
}

/// How the speed of the picture is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SpeedSource {
    /// The user said.
    Given,
    /// From the free fall of the body in the jump.
    FreeFall,
    /// Not known: no jump, or too little of it to see; taken as real time.
    Unknown,
}

/// How much slower than real time a repetition is shown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SlowMotionReport {
    /// Times in the recording are real times times this; 1 is real time.
    pub factor: f64,
    /// Its standard deviation; `None` where the factor was given or is not known.
    pub factor_sd: Option<f64>,
    /// How it is known.
    pub source: SpeedSource,
}

/// First contact of one foot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ContactReport {
    /// Whose foot.
    pub leg: Leg,
    /// When, seconds of the recording.
    pub time_s: f64,
    /// Standard deviation, seconds of the recording.
    pub sd_s: f64,
}

/// The landing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LandingReport {
    /// Take-off, seconds of the recording.
    pub take_off_s: f64,
    /// First contact of each foot, in time order.
    pub contacts: Vec<ContactReport>,
    /// Real time between them, seconds.
    pub difference_s: f64,
    /// Its standard deviation, seconds.
    pub difference_sd_s: f64,
    /// Limit of the rule file, seconds.
    pub limit_s: f64,
    /// The smallest difference that this recording can tell from none (nine times in ten), seconds.
    pub smallest_difference_s: f64,
    /// Probability that the difference is over the limit, 0–1.
    pub over_limit_probability: f64,
    /// `suspected`: one foot first; `clear`: together within the limit.
    pub call: Call,
}

/// The turn between take-off and first contact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TurnReport {
    /// Body heading (hips and shoulders) from take-off to first contact, degrees; positive to the athlete's left.
    pub turn_deg: f64,
    /// Its standard deviation, degrees.
    pub sd_deg: f64,
    /// The required turn, degrees, where one was set.
    pub required_deg: Option<f64>,
    /// Heading error at the first contact against the required turn, degrees; negative: short.
    pub heading_error_deg: Option<f64>,
    /// `suspected`: short; `clear`: turned far enough.
    pub call: Call,
}

/// Coming to rest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RestReport {
    /// Whether the knee came down into the stance.
    pub knee_down: bool,
    /// Whether the stance became still for as long as the rule file asks.
    pub came_to_rest: bool,
    /// When it first was still, seconds of the recording.
    pub still_from_s: Option<f64>,
    /// For how long in all, real seconds.
    pub still_for_s: f64,
}

/// Why a moment is worth a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MomentKind {
    /// The last foot leaves the carpet.
    TakeOff,
    /// The first foot meets the carpet.
    FirstContact,
    /// The stance has become still.
    Still,
    /// Something was found.
    Fault,
}

/// A moment worth a picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Moment {
    /// Why.
    pub kind: MomentKind,
    /// Presentation time of its frame, seconds.
    pub time_s: f64,
    /// Frame position among the delivered frames.
    pub index: u64,
    /// What it shows, in a few words.
    pub caption: String,
    /// Middle of the part to magnify, upright frame, px.
    pub centre: ImagePoint,
    /// Side of that part, px.
    pub side_px: f64,
}
