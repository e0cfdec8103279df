//! The answer to several views of one repetition: what the joined `call.json` holds.
//!
//! It is an ordinary answer ([`Outcome`]) whose holds are those of all views together, with times of the first view, and beside it what each view could show alone and how they
//! were put together.

use crate::join::align::MotionAlignment;
use crate::join::sound::SoundAlignment;
use crate::outcome::{FloorReport, HoldReport, InputReport, NotJudged, Outcome, StillFrame};
use crate::types::Station;
use serde::{Deserialize, Serialize};

/// The whole joined answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JoinedOutcome {
    /// The joined call. `input` and `floor` are the first view's; `holds` are joined.
    #[serde(flatten)]
    pub outcome: Outcome,
    /// Every view by itself, in the order given.
    pub views: Vec<ViewAnswer>,
    /// How each of `holds` was put together, in the same order.
    pub joins: Vec<HoldJoin>,
}

/// One view by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ViewAnswer {
    /// The recording.
    pub input: InputReport,
    /// The stretch of it that was asked for, seconds.
    pub range_s: Option<[f64; 2]>,
    /// Its camera over the carpet.
    pub floor: FloorReport,
    /// Its holds, as the ordinary check gives them (without the course over time).
    pub holds: Vec<HoldReport>,
    /// What it did not judge.
    pub not_judged: Vec<NotJudged>,
    /// How its time follows from the first view's; none for the first view and for photographs.
    pub alignment: Option<Alignment>,
}

/// Which clue an alignment rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlignedBy {
    /// The motion that both show.
    Motion,
    /// What both heard.
    Sound,
    /// Both, which agree.
    MotionAndSound,
    /// Nothing: photographs are taken as of one instant.
    AssumedInstant,
    /// Nothing that could be relied on.
    Nothing,
}

/// How a view's time follows from the first view's: `offset_s + factor · t`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// What it rests on.
    pub by: AlignedBy,
    /// Seconds.
    pub offset_s: f64,
    /// Standard deviation within the stretch that both show, seconds of this view.
    pub offset_sd_s: f64,
    /// Time between this view's frames, seconds, to compare the uncertainty with.
    pub frame_interval_s: f64,
    /// How many times slower this view runs than the first.
    pub factor: f64,
    /// Standard deviation of that.
    pub factor_sd: f64,
    /// The motion's own answer.
    pub motion: Option<MotionAlignment>,
    /// The sound's own answer.
    pub sound: Option<SoundAlignment>,
    /// What a person should know about it.
    pub notes: Vec<String>,
}

/// What ties a view's carpet frame to the first one's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TiedBy {
    /// The floor files name the same carpet coordinates.
    SameMarks,
    /// The body's own points.
    Body,
}

/// How a view's carpet frame lies in the first view's: `R(yaw) · p + (x, y)`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TieReport {
    /// Number of the view, from 0.
    pub view: usize,
    /// What it rests on.
    pub by: TiedBy,
    /// Metres.
    pub x_m: f64,
    /// Metres.
    pub y_m: f64,
    /// Radians.
    pub yaw_rad: f64,
    /// Standard deviations of the three before the leg was fitted.
    pub prior_sd: [f64; 3],
    /// Standard deviations of the three after it.
    pub sd: [f64; 3],
}

/// Two views' gaps side by side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DifferenceReport {
    /// Numbers of the two views, from 0.
    pub views: [usize; 2],
    /// χ² of their difference.
    pub chi_squared: f64,
    /// Its degrees of freedom.
    pub degrees: usize,
    /// Probability of a χ² this large where both saw one leg.
    pub probability: f64,
    /// The station that stands out most.
    pub station: Station,
    /// Its difference, second minus first, mm.
    pub difference_mm: f64,
    /// Standard deviation of that, mm.
    pub difference_sd_mm: f64,
    /// Whether that is a contradiction.
    pub contradicts: bool,
}

/// One of the measurements that a joined hold's gaps were made from; standard deviations as used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PartReport {
    /// Number of the view whose picture was read, from 0; none for the fit over all views.
    pub view: Option<usize>,
    /// Gap at each station in the order of [`Station::ALL`], mm.
    pub gap_mm: [f64; 6],
    /// Its standard deviation, mm.
    pub sd_mm: [f64; 6],
}

/// How one joined hold was put together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldJoin {
    /// Which hold of each view it is, by its place in that view's list; none where the view does not show it.
    pub holds: Vec<Option<usize>>,
    /// Ties of the views after the first that take part.
    pub ties: Vec<TieReport>,
    /// Instants at which one leg was fitted to all views.
    pub instants: usize,
    /// How well each view's points fit the one leg (about 1 where they fit their uncertainties), in the order of the views that take part.
    pub residual_rms: Vec<f64>,
    /// What the joined gaps were made from, before the natural hollow is taken off: the fit over all views, and each view's own reading of the picture.
    pub parts: Vec<PartReport>,
    /// Every two views compared.
    pub differences: Vec<DifferenceReport>,
    /// Whether the views contradict one another; then nothing is called.
    pub contradiction: Option<String>,
    /// The picture shown of each view, in the order of the views; of one instant.
    pub shown: Vec<Option<Shown>>,
}

/// The frame of one view that the report shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shown {
    /// The frame, and the leg's marks on it.
    pub still: StillFrame,
    /// How far its time is from the exact instant, seconds of that view.
    pub off_by_s: f64,
}
