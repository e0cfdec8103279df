//! Joining the views: read, align, tie, fit, hold against one another, judge.

use crate::camera_motion::{CameraMotion, Registered};
use crate::check::hold_report::{fit_frame, observations, picture_profile, still_frame, Parts, Setting};
use crate::check::run::{judge_track, made_by, Followed};
use crate::check::sheet::too_little;
use crate::check::size::{self, ShankLength};
use crate::check::{CheckOptions, Eyes, Opened};
use crate::clip;
use crate::error::{Error, Result};
use crate::floor::body::{self, BodyClues};
use crate::floor::marks::{FloorFile, MarksFit};
use crate::floor::FloorCamera;
use crate::hold::Span;
use crate::join::align::{self, MotionAlignment};
use crate::join::outcome::{
    AlignedBy, Alignment, DifferenceReport, HoldJoin, JoinedOutcome, PartReport, Shown, TieReport, TiedBy, ViewAnswer,
};
use crate::join::pictures::ViewPictures;
use crate::join::sound::{self, SoundAlignment};
use crate::join::{motion, tie, Input};
use crate::leg::combine;
use crate::leg::contradiction;
use crate::leg::fit::{LegFit, LegProblem, LegView, Observation, Tie};
use crate::leg::fuse::{self, FusionErrors};
use crate::leg::profile::{GapProfile, StationMatrix, StationVector};
use crate::leg::shape::LegShape;
use crate::numerics::median;
use crate::outcome::{Call, FloorSource, HoldReport, InputKind, InputReport, NotJudged, NotJudgedReason, Outcome, Stillness};
use crate::phases::body_path::{self, BodyAt};
use crate::phases::series::interval_s;
use crate::pose::track::{LegReading, PoseFrame, Track};
use crate::rules::judge;
use crate::types::{Leg, Station, STATION_COUNT};

/// At most so many instants of a hold go through the fit over all views.
const FITTED_INSTANTS: usize = 12;

/// Two views' holds belong together when they share this much, seconds of real time.
const LEAST_SHARED_S: f64 = 0.15;

/// How many times slower a replay may run where nothing is said; a second recording of the same file is searched over these, and over their inverses.
const FACTORS: [f64; 10] = [1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0];

/// Views whose points miss the one leg by this many times their uncertainty do not show one leg (fixtures' clips: up to 1.6).
const MISFIT: f64 = 3.0;

/// Marks of the same coordinates are taken to be the same marks where the leg's points of both views miss one leg on them by no more than this many times their uncertainty (rendered
/// stills: up to 1.4) ...
const SAME_MARKS_MISFIT: f64 = 1.6;

/// ... and are taken not to be where, with the frames free, they miss it by less than this share of that.
const FREE_MISFIT_SHARE: f64 = 0.6;

/// The answer and its pictures.
pub struct Joined {
    /// The answer.
    pub outcome: JoinedOutcome,
    /// The upright frames that `joins[…].shown` names, read again when they are asked for.
    pub pictures: ViewPictures,
}

/// One view, read and checked by itself.
struct View<'a> {
    input: &'a Input,
    track: Track,
    /// What was read, before anything was judged.
    read: InputReport,
    marks: Option<MarksFit>,
    options: CheckOptions,
    outcome: Outcome,
    parts: Vec<Parts>,
    /// Whether the camera moves in this stretch.
    moving: bool,
}

/// Joins the views; the first one's clock and carpet frame are everybody's. `progress` is told the view, the frames done and, where known, the frames expected.
///
/// # Errors
/// [`Error::Input`] for inputs that cannot be used or joined, [`Error::Ours`] where a part of the program fails.
pub fn join(
    inputs: &[Input],
    options: &CheckOptions,
    eyes: &mut Eyes,
    progress: &mut dyn FnMut(usize, u64, Option<u64>),
) -> Result<Joined> {
    if inputs.len() < 2 {
        return Err(Error::input("Give two or more recordings of the same repetition."));
    }
    let mut views = read(inputs, options, eyes, progress)?;
    let photographs = views.iter().filter(|v| v.outcome.input.kind == InputKind::Photograph).count();
    if photographs != 0 && photographs != views.len() {
        return Err(Error::input(
            "Photographs and recordings cannot be joined with one another: give photographs of one instant, or recordings of one repetition.",
        ));
    }
    let mut alignments = vec![None];
    for k in 1..views.len() {
        let alignment = if photographs > 0 {
            assumed_instant()
        } else {
            align_view(&views[0], &views[k])?
        };
        // A replay's stillness is judged in real time once it is known how much slower it runs.
        let slower = alignment.factor * views[0].input.slower.unwrap_or(1.0);
        if photographs == 0 && views[k].input.slower.is_none() && alignment.by != AlignedBy::Nothing && (slower - 1.0).abs() > 0.1 {
            views[k].options.rules.movement.slow_motion_factor = Some(slower);
            views[k].judge();
        }
        alignments.push(Some(alignment));
    }
    Ok(put_together(&views, &alignments))
}

/// Reads every recording once, whatever the number of its stretches, and checks each view by itself.
fn read<'a>(
    inputs: &'a [Input],
    options: &CheckOptions,
    eyes: &mut Eyes,
    progress: &mut dyn FnMut(usize, u64, Option<u64>),
) -> Result<Vec<View<'a>>> {
    // Everything that can be refused is refused before anything is read.
    let mut opened: Vec<Option<Opened>> = Vec::new();
    let told = |input: &Input| CheckOptions {
        floor: input.floor.clone(),
        athlete: input.athlete.or(options.athlete),
        ..options.clone()
    };
    let same = |a: &Input, b: &Input| a.path == b.path && a.floor == b.floor && a.athlete == b.athlete;
    for (k, input) in inputs.iter().enumerate() {
        let known = inputs[..k].iter().any(|i| same(i, input));
        opened.push(if known {
            None
        } else {
            Some(Opened::new(&input.path, &told(input))?)
        });
    }
    let mut read: Vec<(usize, Followed)> = Vec::new();
    let mut views: Vec<View> = Vec::new();
    for (k, (input, opened)) in inputs.iter().zip(opened).enumerate() {
        let mut options = told(input);
        options.rules.movement.slow_motion_factor = input
            .slower
            .filter(|s| (s - 1.0).abs() > 1e-9)
            .or(options.rules.movement.slow_motion_factor);
        if let Some(opened) = opened {
            read.push((k, opened.follow(&options, eyes, &mut |done, expected| progress(k, done, expected))?));
        }
        let (_, followed) = read
            .iter()
            .find(|(i, _)| same(&inputs[*i], input))
            .ok_or_else(|| Error::ours("A view was lost; please report this."))?;
        let track = within(&followed.track, input.range_s);
        if track.frames.is_empty() {
            return Err(Error::input(format!(
                "The stretch asked for of {} holds no frame: the recording ends at {:.2} s.",
                input.path.display(),
                followed.track.frames.last().map_or(0.0, |f| f.time_s)
            )));
        }
        let registered = Registered::new(&followed.track, None);
        let in_range = |t: f64| input.range_s.is_none_or(|[a, b]| t >= a && t <= b);
        let moving = (0..followed.track.frames.len()).any(|k| in_range(followed.track.frames[k].time_s) && registered.moving(k).is_some());
        let mut read = followed.input.clone();
        read.warnings.extend(too_little(&followed.sheet));
        if input.range_s.is_some() {
            // A stretch's own track says nothing of the camera.
            read.warnings.extend(registered.report().1);
        }
        let (outcome, parts) = judge_track(
            &track,
            read.clone(),
            followed.marks.as_ref(),
            &options,
            made_by(eyes.hashes(), &options.rules),
        );
        views.push(View {
            input,
            track,
            read,
            marks: followed.marks.clone(),
            options,
            outcome,
            parts,
            moving,
        });
    }
    Ok(views)
}

/// The frames of a stretch.
fn within(track: &Track, range_s: Option<[f64; 2]>) -> Track {
    let Some([from, to]) = range_s else { return track.clone() };
    let inside = |t: f64| t >= from - 1e-9 && t <= to + 1e-9;
    Track {
        image_size: track.image_size,
        frames: track.frames.iter().filter(|f| inside(f.time_s)).cloned().collect(),
        events: track.events.iter().filter(|e| inside(e.time_s)).cloned().collect(),
        cuts_s: track.cuts_s.iter().copied().filter(|t| *t > from && *t <= to).collect(),
        // Looked at for the whole recording; a stretch in which the camera moves is not joined.
        camera_motion: CameraMotion::default(),
    }
}

impl View<'_> {
    /// The ordinary check of this view's frames once more, after its options changed.
    fn judge(&mut self) {
        let made_by = self.outcome.made_by.clone();
        (self.outcome, self.parts) = judge_track(&self.track, self.read.clone(), self.marks.as_ref(), &self.options, made_by);
    }

    /// How far the camera looks down on the athlete: the marks' word, else the legs' readings', else level.
    fn elevation_rad(&self) -> f64 {
        let at_leg = self.outcome.floor.camera_elevation_deg.map(f64::to_radians);
        let read = || {
            median(
                self.track
                    .frames
                    .iter()
                    .filter_map(|f| f.lower_leg.as_ref())
                    .map(|l| l.elevation_rad)
                    .collect(),
            )
        };
        at_leg.or_else(read).unwrap_or(0.0)
    }

    fn interval_s(&self) -> f64 {
        interval_s(self.track.frames.iter().map(|f| f.time_s))
    }

    fn name(&self) -> String {
        self.input
            .path
            .file_name()
            .map_or_else(|| "input".to_string(), |n| n.to_string_lossy().into_owned())
    }

    fn span(&self, hold: &HoldReport) -> Span {
        let (first, last) = (self.track.nearest(hold.start_s), self.track.nearest(hold.end_s));
        Span {
            first,
            last,
            start_s: hold.start_s,
            end_s: hold.end_s,
        }
    }
}

fn assumed_instant() -> Alignment {
    Alignment {
        by: AlignedBy::AssumedInstant,
        offset_s: 0.0,
        offset_sd_s: 0.0,
        frame_interval_s: 0.0,
        factor: 1.0,
        factor_sd: 0.0,
        motion: None,
        sound: None,
        notes: vec!["Photographs carry no clock that could be compared: they were taken to show one instant.".to_string()],
    }
}

fn align_view(first: &View, other: &View) -> Result<Alignment> {
    let factors = match (first.input.slower, other.input.slower) {
        (a, Some(b)) => vec![b / a.unwrap_or(1.0)],
        (Some(a), None) => vec![1.0 / a],
        (None, None) if first.input.path == other.input.path => FACTORS.iter().flat_map(|f| [*f, 1.0 / *f]).skip(1).collect(),
        (None, None) => vec![1.0],
    };
    let [a, b] = [first, other].map(|v| motion::of(&v.track, v.elevation_rad(), 1.0));
    let by_motion = align::by_motion(&a, &b, &factors);
    let by_sound = if first.input.path == other.input.path || factors != [1.0] {
        None
    } else {
        let options = clip::OpenOptions::default();
        let (a, b) = (clip::sound(&first.input.path, &options)?, clip::sound(&other.input.path, &options)?);
        match a.zip(b) {
            Some((a, b)) => sound::by_sound(&a, &b, clip::SOUND_RATE_HZ, [first.input.range_s, other.input.range_s])?,
            None => None,
        }
    };
    Ok(combined(by_motion, by_sound, other.interval_s()))
}

/// Joins what motion and sound say, or says that they contradict each other.
fn combined(motion: Option<MotionAlignment>, sound: Option<SoundAlignment>, frame_interval_s: f64) -> Alignment {
    let mut notes = Vec::new();
    let held = motion.as_ref().filter(|m| m.holds());
    if held.is_none() {
        notes.push(match &motion {
            Some(m) if m.correlation < align::LEAST_CORRELATION => format!(
                "The motions do not match: at the best place they correlate by {:.2} ({:.2} is asked for).",
                m.correlation,
                align::LEAST_CORRELATION
            ),
            Some(m) => format!(
                "The motions match at more than one place: another is {:.0} % as good as the best.",
                100.0 * m.rival
            ),
            None => "The recordings have too little motion in common to be compared.".to_string(),
        });
    }
    let mut out = Alignment {
        by: AlignedBy::Nothing,
        offset_s: 0.0,
        offset_sd_s: 0.0,
        frame_interval_s,
        factor: 1.0,
        factor_sd: 0.0,
        motion: motion.clone(),
        sound: sound.clone(),
        notes: Vec::new(),
    };
    match (held, &sound) {
        (Some(m), Some(s)) => {
            // At the middle of what both show.
            let middle = 0.5 * (m.overlap_s[0] + m.overlap_s[1]);
            let (by_motion, by_sound) = (m.offset_s + (m.factor - 1.0) * middle, s.offset_s);
            let apart = by_motion - by_sound;
            let sd = m.offset_sd_s.hypot(s.offset_sd_s);
            if apart.abs() > 3.0 * sd + 0.5 * frame_interval_s {
                notes.push(format!(
                    "Motion and sound contradict each other: the motion puts the second recording {:.3} s, the sound {:.3} s after the first's clock. They were not averaged.",
                    m.offset_s, s.offset_s
                ));
            } else {
                let (a, b) = (m.offset_sd_s.max(1e-4).powi(-2), s.offset_sd_s.max(1e-4).powi(-2));
                out.by = AlignedBy::MotionAndSound;
                out.offset_s = (by_motion * a + by_sound * b) / (a + b) - (m.factor - 1.0) * middle;
                out.offset_sd_s = (a + b).powf(-0.5);
                out.factor = m.factor;
                out.factor_sd = m.factor_sd;
            }
        }
        (Some(m), None) => {
            out.by = AlignedBy::Motion;
            out.offset_s = m.offset_s;
            out.offset_sd_s = m.offset_sd_s;
            out.factor = m.factor;
            out.factor_sd = m.factor_sd;
        }
        (None, Some(s)) => {
            out.by = AlignedBy::Sound;
            out.offset_s = s.offset_s;
            out.offset_sd_s = s.offset_sd_s;
        }
        (None, None) => {}
    }
    out.notes = notes;
    out
}

fn put_together(views: &[View], alignments: &[Option<Alignment>]) -> Joined {
    let first = &views[0];
    let mut holds = Vec::new();
    let mut joins = Vec::new();
    let mut not_judged: Vec<NotJudged> = Vec::new();
    for (view, alignment) in views.iter().zip(alignments).skip(1) {
        if let Some(a) = alignment.as_ref().filter(|a| a.by == AlignedBy::Nothing) {
            not_judged.push(mismatch(
                format!("{} and {} cannot be joined. {}", first.name(), view.name(), a.notes.join(" ")),
                None,
            ));
        }
    }
    for view in views.iter().filter(|v| v.moving) {
        not_judged.push(mismatch(
            format!(
                "The camera of {} moves; views of a moving camera are not joined yet. Its own check stands below.",
                view.name()
            ),
            None,
        ));
    }
    let aligned = not_judged.is_empty();
    for (h, hold) in first.outcome.holds.iter().enumerate().filter(|_| aligned) {
        let members: Vec<Option<usize>> = views
            .iter()
            .zip(alignments)
            .enumerate()
            .map(|(k, (view, alignment))| {
                if k == 0 {
                    Some(h)
                } else {
                    partner(hold, view, alignment.as_ref()?)
                }
            })
            .collect();
        match join_hold(views, alignments, &members) {
            Ok((joined, join)) => {
                holds.push(joined);
                joins.push(join);
            }
            Err(detail) => not_judged.push(mismatch(detail, Some([hold.start_s, hold.end_s]))),
        }
    }
    if first.outcome.holds.is_empty() {
        not_judged.extend(first.outcome.not_judged.iter().cloned());
    }
    let answers = views
        .iter()
        .zip(alignments)
        .map(|(view, alignment)| ViewAnswer {
            input: view.outcome.input.clone(),
            range_s: view.input.range_s,
            floor: view.outcome.floor.clone(),
            holds: view
                .outcome
                .holds
                .iter()
                .cloned()
                .map(|mut h| {
                    h.frames.clear();
                    h
                })
                .collect(),
            not_judged: view.outcome.not_judged.clone(),
            alignment: alignment.clone(),
        })
        .collect();
    let mut outcome = first.outcome.clone();
    outcome.holds = holds;
    outcome.not_judged = not_judged;
    outcome.cautions.push(
        "That the recordings show one and the same repetition is your word: two good repetitions of one athlete look alike to the program."
            .to_string(),
    );
    Joined {
        outcome: JoinedOutcome {
            outcome,
            views: answers,
            joins,
        },
        pictures: ViewPictures::new(views.iter().map(|v| (v.input.path.clone(), v.read.kind)).collect()),
    }
}

fn mismatch(detail: String, stretch: Option<[f64; 2]>) -> NotJudged {
    NotJudged {
        reason: NotJudgedReason::ViewsDoNotMatch,
        detail,
        start_s: stretch.map(|s| s[0]),
        end_s: stretch.map(|s| s[1]),
    }
}

/// The hold of another view that shares most time with this one.
fn partner(hold: &HoldReport, view: &View, alignment: &Alignment) -> Option<usize> {
    if alignment.by == AlignedBy::AssumedInstant {
        return (!view.outcome.holds.is_empty()).then_some(0);
    }
    let shared = |h: &HoldReport| {
        let (start, end) = (
            alignment.offset_s + alignment.factor * hold.start_s,
            alignment.offset_s + alignment.factor * hold.end_s,
        );
        (end.min(h.end_s) - start.max(h.start_s)) / alignment.factor
    };
    (0..view.outcome.holds.len())
        .map(|k| (k, shared(&view.outcome.holds[k])))
        .filter(|(_, s)| *s >= LEAST_SHARED_S)
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(k, _)| k)
}

/// One view's part in one joined hold.
struct Part<'a> {
    number: usize,
    view: &'a View<'a>,
    hold: &'a HoldReport,
    own: &'a Parts,
    /// For the fit over all views: a body floor leaves out the shank's own uncertainty.
    camera: FloorCamera,
    from_marks: bool,
    time: (f64, f64),
    interval_s: f64,
}

impl Part<'_> {
    fn reading(&self, position: usize, leg: Leg) -> Option<&LegReading> {
        self.view.track.frames[position].lower_leg.as_deref().filter(|l| l.leg == leg)
    }

    /// Where the first view's time is in this view, if it has a frame near enough and the leg is read there.
    fn position(&self, time_s: f64, leg: Leg) -> Option<usize> {
        let there = self.time.0 + self.time.1 * time_s;
        let k = self.view.track.nearest(there);
        let off = (self.view.track.frames[k].time_s - there).abs();
        (off <= 0.75 * self.interval_s + 1e-9 && self.reading(k, leg).is_some()).then_some(k)
    }
}

/// Why a hold cannot be joined, in a sentence.
type Refusal = String;

fn join_hold(
    views: &[View],
    alignments: &[Option<Alignment>],
    members: &[Option<usize>],
) -> std::result::Result<(HoldReport, HoldJoin), Refusal> {
    let shape = LegShape::shipped();
    let errors = FusionErrors::shipped();
    let rules = &views[0].options.rules;
    let prior_shank = size::from_stature(views[0].options.stature_m);
    let mut notes = Vec::new();

    let mut parts: Vec<Part> = Vec::new();
    for (k, view) in views.iter().enumerate() {
        let Some(h) = members[k] else {
            notes.push(format!(
                "{} shows no hold of the stance at that time; it took no part.",
                view.name()
            ));
            continue;
        };
        let hold = &view.outcome.holds[h];
        let own = &view.parts[h];
        let from_marks = own.camera.source == FloorSource::Marks;
        let camera = if from_marks {
            own.camera.clone()
        } else {
            body::fit(
                view.track.image_size,
                &clues_without_shank(view, hold, &shape, &errors, prior_shank),
            )
        };
        parts.push(Part {
            number: k,
            view,
            hold,
            own,
            camera,
            from_marks,
            time: alignments[k].as_ref().map_or((0.0, 1.0), |a| (a.offset_s, a.factor)),
            interval_s: view.interval_s(),
        });
    }
    if parts.len() < 2 {
        return Err("No other view shows a hold of the stance at that time.".to_string());
    }
    let leg = parts[0].hold.kneeling_leg;
    if let Some(p) = parts.iter().find(|p| p.hold.kneeling_leg != leg) {
        return Err(format!(
            "{} shows the {} leg kneeling (probability {:.0} %), {} the {} leg ({:.0} %): they cannot be of one stance. Where one of them is mistaken, say which leg kneels with --leg.",
            parts[0].view.name(),
            leg.name(),
            100.0 * parts[0].hold.kneeling_leg_confidence,
            p.view.name(),
            p.hold.kneeling_leg.name(),
            100.0 * p.hold.kneeling_leg_confidence
        ));
    }

    // Instants in the first view's time at which every view has the leg.
    let photograph = views[0].outcome.input.kind == InputKind::Photograph;
    let span = parts[0].view.span(parts[0].hold);
    let all: Vec<Vec<usize>> = (span.first..=span.last)
        .filter_map(|i| {
            let t = parts[0].view.track.frames[i].time_s;
            parts[0].reading(i, leg)?;
            let mut positions = vec![i];
            for p in &parts[1..] {
                positions.push(if photograph { 0 } else { p.position(t, leg)? });
            }
            Some(positions)
        })
        .collect();
    if all.is_empty() {
        return Err("At no instant of the hold is the kneeling lower leg in view of all.".to_string());
    }
    let stride = all.len().div_ceil(FITTED_INSTANTS);
    let instants: Vec<&Vec<usize>> = all.iter().step_by(stride).collect();

    let fit_at = |positions: &[usize], members: &[usize], ties: &[Option<Tie>]| -> Option<LegFit> {
        let seen: Vec<Vec<Observation>> = members
            .iter()
            .map(|v| parts[*v].reading(positions[*v], leg).map(observations))
            .collect::<Option<_>>()?;
        let legs: Vec<LegView> = members
            .iter()
            .zip(&seen)
            .map(|(v, seen)| {
                let mut view = LegView::new(&parts[*v].camera, seen);
                view.tie = ties[*v].clone();
                view.scales_with_shank = !parts[*v].from_marks;
                view
            })
            .collect();
        LegProblem {
            views: &legs,
            shape: &shape,
            leg,
            shank_m: prior_shank.mean_m,
            shank_sd_m: prior_shank.sd_m,
        }
        .solve()
    };
    let ties = tie_all(&parts, &instants, prior_shank, &fit_at, &mut notes)?;
    let everybody: Vec<usize> = (0..parts.len()).collect();
    let only_ties: Vec<Option<Tie>> = ties.iter().map(|t| t.as_ref().map(|(tie, _)| tie.clone())).collect();
    let fits: Vec<Option<LegFit>> = instants.iter().map(|i| fit_at(i, &everybody, &only_ties)).collect();
    let fitted: Vec<&LegFit> = fits.iter().flatten().collect();
    let shank = shank_of(&parts, &fitted, prior_shank);

    // One geometry, and every view's own reading of the picture.
    let geometry = combine::frames(&fitted.iter().map(|f| f.profile.clone()).collect::<Vec<_>>(), errors.common_share);
    let pictures: Vec<(usize, GapProfile)> = parts
        .iter()
        .enumerate()
        .filter_map(|(v, p)| {
            let profiles: Vec<GapProfile> = all
                .iter()
                .filter_map(|i| Some(picture_profile(&errors, p.reading(i[v], leg)?, shank)))
                .collect();
            Some((p.number, combine::frames(&profiles, errors.common_share)?))
        })
        .collect();
    let geometry = geometry.map(|g| errors.geometry_to_join(&g, pictures.len()));
    let part_of = |view: Option<usize>, p: &GapProfile| PartReport {
        view,
        gap_mm: std::array::from_fn(|s| p.gap_mm[s]),
        sd_mm: Station::ALL.map(|s| p.sd_mm(s)),
    };
    let part_reports = geometry
        .iter()
        .map(|(g, _)| part_of(None, g))
        .chain(pictures.iter().map(|(v, p)| part_of(Some(*v), p)))
        .collect();
    let pictures: Vec<GapProfile> = pictures.into_iter().map(|(_, p)| p).collect();
    let measured = fused(geometry.as_ref(), &pictures, &errors, &mut notes).ok_or("No view could be measured.")?;

    let differences = differences(&parts, &shape.gap_prior(prior_shank.mean_m, prior_shank.sd_m), &rules.hollow.sd_mm);
    let residual_rms: Vec<f64> = (0..parts.len())
        .map(|v| fitted.iter().map(|f| f.view_residual_rms[v]).sum::<f64>() / fitted.len().max(1) as f64)
        .collect();
    let contradiction = contradiction_words(&parts, &differences, &residual_rms);
    let mut judged = judge::judge(&measured, rules);
    if let Some(words) = &contradiction {
        for finding in &mut judged.findings {
            finding.call = Call::CannotTell;
            finding.confidence = finding.fault_probability;
        }
        judged.call = Call::CannotTell;
        notes.push(format!(
            "{words} Nothing is called from views that contradict each other; the millimetres are what they would give together."
        ));
    }

    // The instant that fits best, in every view.
    let best = (0..instants.len())
        .filter(|i| fits[*i].is_some())
        .min_by(|a, b| {
            let rms = |i: &usize| fits[*i].as_ref().map_or(f64::INFINITY, |f| f.residual_rms);
            rms(a).total_cmp(&rms(b))
        })
        .unwrap_or(instants.len() / 2);
    let positions = instants[best];
    let instant_s = parts[0].view.track.frames[positions[0]].time_s;
    let mut shown: Vec<Option<Shown>> = vec![None; views.len()];
    for (p, position) in parts.iter().zip(positions.iter()) {
        let frame: &PoseFrame = &p.view.track.frames[*position];
        let Some(reading) = p.reading(*position, leg) else { continue };
        let fit = fit_frame(&p.own.camera, &shape, shank, reading, leg);
        shown[p.number] = Some(Shown {
            still: still_frame(frame, reading, &p.own.camera, fit.as_ref(), &judged.profile, shank),
            off_by_s: if photograph {
                0.0
            } else {
                frame.time_s - (p.time.0 + p.time.1 * instant_s)
            },
        });
    }

    let tie_reports = parts
        .iter()
        .enumerate()
        .skip(1)
        .filter_map(|(v, p)| {
            let (prior, by) = ties[v].as_ref()?;
            let found = fits[best].as_ref().and_then(|f| f.ties[v].clone()).unwrap_or_else(|| prior.clone());
            let sd = |t: &Tie| [0, 1, 2].map(|i| t.covariance[(i, i)].max(0.0).sqrt());
            Some(TieReport {
                view: p.number,
                by: *by,
                x_m: found.x_m,
                y_m: found.y_m,
                yaw_rad: found.yaw_rad,
                prior_sd: sd(prior),
                sd: sd(&found),
            })
        })
        .collect();

    let mut hold = parts[0].hold.clone();
    // What all views saw held still.
    for p in &parts[1..] {
        if !photograph {
            hold.start_s = hold.start_s.max((p.hold.start_s - p.time.0) / p.time.1);
            hold.end_s = hold.end_s.min((p.hold.end_s - p.time.0) / p.time.1);
        }
    }
    if photograph {
        hold.stillness = Stillness::NotShown;
    }
    hold.kneeling_leg_confidence = joint_leg(&parts);
    if let Some(f) = fits[best].as_ref() {
        hold.shank_angle_deg = f.shank_angle_rad.to_degrees();
        hold.shank_angle_sd_deg = f.shank_angle_sd_rad.to_degrees();
    }
    hold.shank_length_mm = 1000.0 * shank.mean_m;
    hold.shank_length_sd_mm = 1000.0 * shank.sd_m;
    hold.gap_covariance_mm2 = (0..STATION_COUNT)
        .map(|i| (0..STATION_COUNT).map(|k| judged.profile.covariance_mm2[(i, k)]).collect())
        .collect();
    hold.gaps = judged.gaps;
    hold.view.smallest_lift_mm = judged.smallest_lift_mm;
    hold.view.can_tell = judged.can_tell;
    hold.view.advice = String::new();
    hold.call = judged.call;
    hold.findings = judged.findings;
    if let Some(s) = &shown[0] {
        hold.best_frame = s.still.clone();
    }
    hold.frames = Vec::new();
    hold.notes = notes;
    let join = HoldJoin {
        holds: members.to_vec(),
        ties: tie_reports,
        instants: fitted.len(),
        residual_rms,
        parts: part_reports,
        differences,
        contradiction,
        shown,
    };
    Ok((hold, join))
}

/// Odds of the leg, averaged: views share the network and its habits.
fn joint_leg(parts: &[Part]) -> f64 {
    let odds = parts
        .iter()
        .map(|p| {
            let c = p.hold.kneeling_leg_confidence.clamp(1e-4, 1.0 - 1e-4);
            (c / (1.0 - c)).ln()
        })
        .sum::<f64>()
        / parts.len() as f64;
    1.0 / (1.0 + (-odds).exp())
}

fn clues_without_shank(view: &View, hold: &HoldReport, shape: &LegShape, errors: &FusionErrors, shank: ShankLength) -> BodyClues {
    let setting = Setting {
        marks: None,
        marks_hold: None,
        image_size: view.track.image_size,
        shank: ShankLength { sd_m: 0.0, ..shank },
        shape,
        errors,
        rules: &view.options.rules,
        leg: view.options.leg.given(),
        stillness: hold.stillness,
    };
    let span = view.span(hold);
    let held: Vec<(usize, &LegReading)> = (span.first..=span.last)
        .filter_map(|i| {
            view.track.frames[i]
                .lower_leg
                .as_deref()
                .filter(|l| l.leg == hold.kneeling_leg)
                .map(|l| (i, l))
        })
        .collect();
    setting.clues(&held)
}

/// Fits one leg to some of the parts (by number) at one instant with every part's tie.
type FitAt<'a> = dyn Fn(&[usize], &[usize], &[Option<Tie>]) -> Option<LegFit> + 'a;

/// The tie of every view (none for the first) and what it rests on.
fn tie_all(
    parts: &[Part],
    instants: &[&Vec<usize>],
    shank: ShankLength,
    fit_at: &FitAt,
    notes: &mut Vec<String>,
) -> std::result::Result<Vec<Option<(Tie, TiedBy)>>, Refusal> {
    let path = |p: &Part, v: usize| -> Vec<BodyAt> {
        let (from, to) = instants.iter().fold((usize::MAX, 0), |m, i| (m.0.min(i[v]), m.1.max(i[v])));
        body_path::of(&p.view.track.frames[from..=to], from, &p.camera, shank.mean_m)
    };
    let first = path(&parts[0], 0);
    let middle = instants[instants.len() / 2];
    let mut out = vec![None];
    for (v, part) in parts.iter().enumerate().skip(1) {
        let other = path(part, v);
        let pairs: Vec<(&BodyAt, &BodyAt)> = instants
            .iter()
            .filter_map(|i| {
                Some((
                    first.iter().find(|b| b.position == i[0])?,
                    other.iter().find(|b| b.position == i[v])?,
                ))
            })
            .collect();
        // Without a body in both the leg's own points must find it all round.
        let by_body = tie::by_body(&pairs).unwrap_or_else(Tie::unknown);
        let misfit = |tie: &Tie| -> f64 {
            let mut ties = vec![None; parts.len()];
            ties[v] = Some(tie.clone());
            fit_at(middle, &[0, v], &ties).map_or(f64::INFINITY, |f| f.view_residual_rms.iter().copied().fold(0.0, f64::max))
        };
        let files: Option<(&FloorFile, &FloorFile)> = parts[0].view.input.floor.as_ref().zip(part.view.input.floor.as_ref());
        let names = (parts[0].view.name(), part.view.name());
        let chosen = match files.filter(|(a, b)| tie::same_marks(a, b)) {
            Some((a, b)) => {
                let count = tie::marks_in_common(a, b);
                let (place, turn) = tie::SAME_MARKS_SD;
                let given = Tie::same_marks(place, turn);
                let on_marks = misfit(&given);
                if on_marks > SAME_MARKS_MISFIT && misfit(&by_body) <= FREE_MISFIT_SHARE * on_marks {
                    return Err(format!(
                        "{count} marks have the same carpet coordinates in the floor files of {} and {}, but on them the leg's points miss one leg by {on_marks:.1} times their uncertainty: either the views \
                         show different legs, or these are not the same marks. Look at which person was read (--athlete points at the right one); where each view has marks of its own, give them \
                         coordinates of their own (add 10 m to one file's).",
                        names.0, names.1
                    ));
                }
                notes.push(format!(
                    "{count} marks have the same carpet coordinates in the floor files of {} and {}: they were taken to be the same marks, and the leg's points of both miss one leg on them by {on_marks:.1} times their uncertainty.",
                    names.0, names.1
                ));
                (given, TiedBy::SameMarks)
            }
            None => {
                notes.push(format!(
                    "The carpets of {} and {} were tied by the body's own points.",
                    names.0, names.1
                ));
                (by_body, TiedBy::Body)
            }
        };
        out.push(Some(chosen));
    }
    Ok(out)
}

/// With marks anywhere the fits measure the shank; without, its length is the stature's word.
fn shank_of(parts: &[Part], fitted: &[&LegFit], prior: ShankLength) -> ShankLength {
    if fitted.is_empty() || !parts.iter().any(|p| p.from_marks) {
        return prior;
    }
    let n = fitted.len() as f64;
    ShankLength {
        mean_m: fitted.iter().map(|f| f.shank_m).sum::<f64>() / n,
        sd_m: fitted.iter().map(|f| f.shank_sd_m).sum::<f64>() / n,
    }
}

/// The fit over all views and every view's picture made one.
fn fused(
    geometry: Option<&(GapProfile, [f64; STATION_COUNT])>,
    pictures: &[GapProfile],
    errors: &FusionErrors,
    notes: &mut Vec<String>,
) -> Option<GapProfile> {
    if geometry.is_none() {
        notes.push("The leg's points of the views did not fit one leg over the carpet; the gaps rest on the pictures alone.".to_string());
    }
    let mut all: Vec<&GapProfile> = geometry.iter().map(|(g, _)| g).collect();
    all.extend(pictures);
    if all.len() < 2 {
        return all.first().map(|p| (*p).clone());
    }
    let joined = fuse::join_all(&all, &|i, _| match geometry {
        Some((_, correlation)) if i == 0 => *correlation,
        _ => errors.picture_picture_correlation,
    });
    if joined.contradiction > 2.5 {
        notes.push(format!(
            "The leg's points and the pictures at the floor disagree by {:.1} times their uncertainty; it was widened accordingly.",
            joined.contradiction
        ));
    }
    Some(errors.widened(&joined.profile, pictures.len()))
}

/// Every two views' own gaps compared.
fn differences(parts: &[Part], prior: &GapProfile, hollow_sd_mm: &[f64; STATION_COUNT]) -> Vec<DifferenceReport> {
    let profile = |h: &HoldReport| GapProfile {
        gap_mm: StationVector::from_fn(|s, _| h.gaps[s].gap_mm),
        // The hollow's spread is the same leg's in both views.
        covariance_mm2: StationMatrix::from_fn(|i, k| {
            h.gap_covariance_mm2[i][k]
                - if i == k {
                    hollow_sd_mm[i].powi(2).min(0.9 * h.gap_covariance_mm2[i][i])
                } else {
                    0.0
                }
        }),
    };
    let mut out = Vec::new();
    for (i, a) in parts.iter().enumerate() {
        for b in &parts[i + 1..] {
            let d = contradiction::between(&profile(a.hold), &profile(b.hold), prior);
            out.push(DifferenceReport {
                views: [a.number, b.number],
                chi_squared: d.chi_squared,
                degrees: d.degrees,
                probability: d.probability,
                station: d.station,
                difference_mm: d.difference_mm,
                difference_sd_mm: d.difference_sd_mm,
                contradicts: d.contradicts(),
            });
        }
    }
    out
}

fn contradiction_words(parts: &[Part], differences: &[DifferenceReport], residual_rms: &[f64]) -> Option<String> {
    let name = |number: usize| {
        parts
            .iter()
            .find(|p| p.number == number)
            .map_or_else(String::new, |p| p.view.name())
    };
    let gap = |number: usize, station: Station| {
        parts.iter().find(|p| p.number == number).map_or((0.0, 0.0), |p| {
            (p.hold.gaps[station.index()].gap_mm, p.hold.gaps[station.index()].sd_mm)
        })
    };
    if let Some(d) = differences
        .iter()
        .filter(|d| d.contradicts)
        .max_by(|a, b| b.probability.total_cmp(&a.probability))
    {
        let [a, b] = d.views;
        let ((ga, sa), (gb, sb)) = (gap(a, d.station), gap(b, d.station));
        return Some(format!(
            "The views contradict each other beyond their uncertainty: at the {} {} measures {ga:.0} mm ± {:.0} mm and {} {gb:.0} mm ± {:.0} mm (χ² {:.1} with {} degrees of freedom, probability {:.2} %).",
            d.station.words(),
            name(a),
            1.96 * sa,
            name(b),
            1.96 * sb,
            d.chi_squared,
            d.degrees,
            100.0 * d.probability
        ));
    }
    let (v, worst) = residual_rms.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    (*worst > MISFIT).then(|| {
        format!(
            "No one leg fits the points of all views: those of {} miss it by {worst:.1} times their uncertainty.",
            parts[v].view.name()
        )
    })
}
