//! From a track to repetitions: what belongs together, what followed what, and what was found.

use crate::floor::FloorCamera;
use crate::hold::spans::{self, Holds, Span};
use crate::leg::profile::smallest_lift_mm;
use crate::numerics::normal;
use crate::outcome::Call;
use crate::phases::body_path::{self, BodyAt};
use crate::phases::contacts::{self, Contact};
use crate::phases::flight::{self, Flight};
use crate::phases::footwork::{self, Move};
use crate::phases::report::*;
use crate::phases::series::{half_window_s, interval_s, local_line};
use crate::phases::{cuts, stretches, support, sway, turn};
use crate::pose::track::{Landmark, PoseFrame, Track};
use crate::rules::RuleProfile;
use crate::types::{ImagePoint, Leg};

/// What the user said about the repetitions.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Asked {
    /// The turn asked for, degrees; goes before the rule file's.
    pub required_turn_deg: Option<f64>,
    /// How much slower than real time the recording is.
    pub slow_motion: Option<f64>,
    /// Which leg kneels.
    pub leg: Option<Leg>,
}

/// The camera of a stretch of the track, by first and last frame; `None` where there is none.
pub trait Floor {
    /// Camera and shank length (m) for a stretch that holds a stance (`Some`) or none.
    fn of(&self, shot: (usize, usize), stance: Option<&Span>) -> Option<(FloorCamera, f64)>;
}

/// A repetition and what its stance asks of the rest of the program.
#[derive(Debug, Clone)]
pub struct Found {
    /// What is reported.
    pub report: RepetitionReport,
    /// Its stance.
    pub stance: Option<Span>,
    /// Still stretches of its stance, by real time.
    pub still: Vec<Span>,
    /// Stances that never came to rest, with the lowest speed kept, real m/s.
    pub never_still: Vec<(Span, f64)>,
}

/// A stance belongs to a jump that ended no longer ago than this, real seconds.
const LANDING_TO_STANCE_S: f64 = 3.0;
/// Stances nearer than this belong together, seconds.
const SAME_STANCE_S: f64 = 0.5;
/// Shown before a take-off or a way down without a jump, real seconds.
const LEAD_S: f64 = 0.8;
/// Shown after a stance was left, real seconds.
const TAIL_S: f64 = 0.7;
/// A jump without a stance after it counts from this long in the air, real seconds.
const REAL_JUMP_S: f64 = 0.3;
/// After a jump without a stance this much is looked at, real seconds.
const AFTER_JUMP_S: f64 = 1.5;

/// Finds the repetitions of a track.
pub fn find(track: &Track, floor: &impl Floor, rules: &RuleProfile, asked: &Asked) -> Vec<Found> {
    let mut found = Vec::new();
    let mut starts = cuts::shots(track);
    starts.push(track.frames.len());
    let nominal = spans::find(track, &rules.still);
    for shot in starts.windows(2) {
        if shot[1] > shot[0] {
            for stretch in stretches::of(track, (shot[0], shot[1] - 1)) {
                of_shot(track, stretch, floor, rules, asked, &nominal, &mut found);
            }
        }
    }
    found
}

/// A jump, a stance, or both: the bones of a repetition.
struct Bones {
    flight: Option<Flight>,
    stance: Option<Span>,
}

fn of_shot(
    track: &Track,
    shot: (usize, usize),
    floor: &impl Floor,
    rules: &RuleProfile,
    asked: &Asked,
    nominal: &Holds,
    found: &mut Vec<Found>,
) {
    let frames = &track.frames;
    let stances = joined(
        spans::stances(track)
            .into_iter()
            .filter_map(|s| clipped(track, &s, shot))
            .filter(|s| s.last > s.first),
    );
    let Some((camera, shank_m)) = floor.of(shot, stances.first()) else {
        // Without a floor there are no heights: the stance's own times are all that can be said.
        for stance in &stances {
            found.push(without_floor(track, stance, rules, nominal));
        }
        return;
    };
    let path = body_path::of(&frames[shot.0..=shot.1], shot.0, &camera, shank_m);
    if path.is_empty() {
        return;
    }
    let mut flights = flight::find(&path);
    // The lower-leg network may see the stance in a body with tucked legs; where a jump runs into a stance, the stance begins after it.
    let stances: Vec<Span> = stances.iter().flat_map(|s| without_jumps(track, s, &path, &flights)).collect();
    let mut bones: Vec<Bones> = Vec::new();
    for stance in &stances {
        // The last flight before the stance, if it is near enough; its own factor says how near.
        let last = flights.iter().rposition(|f| path[f.after].time_s <= stance.start_s + 0.1);
        let mine = last.and_then(|k| {
            let f = flights[k];
            let factor = factor_of(&path, &f, asked).0;
            (stance.start_s - path[f.after].time_s <= LANDING_TO_STANCE_S * factor).then_some(f)
        });
        if let Some(k) = last {
            // Flights before it are jumps of their own.
            for f in flights.drain(..=k) {
                if Some(f) != mine {
                    bones.push(Bones {
                        flight: Some(f),
                        stance: None,
                    });
                }
            }
        }
        // A flight within the stance's stretch is a hop, not a jump.
        flights.retain(|f| path[f.before].time_s > stance.end_s - 0.05 || path[f.after].time_s < stance.start_s);
        bones.push(Bones {
            flight: mine,
            stance: Some(*stance),
        });
    }
    bones.extend(flights.into_iter().map(|f| Bones {
        flight: Some(f),
        stance: None,
    }));
    let starts: Vec<f64> = bones
        .iter()
        .map(|b| {
            b.flight
                .map_or_else(|| b.stance.map_or(0.0, |s| s.start_s), |f| path[f.before].time_s)
        })
        .collect();
    let mut free_from_s = frames[shot.0].time_s;
    for (k, b) in bones.iter().enumerate() {
        let until_s = starts.get(k + 1).map_or(frames[shot.1].time_s, |s| *s);
        if let Some(one) = one(track, &path, b, free_from_s, until_s, rules, asked, nominal) {
            free_from_s = one.report.end_s;
            found.push(one);
        }
    }
}

fn clipped(track: &Track, span: &Span, shot: (usize, usize)) -> Option<Span> {
    let (first, last) = (span.first.max(shot.0), span.last.min(shot.1));
    (first <= last).then(|| Span {
        first,
        last,
        start_s: track.frames[first].time_s,
        end_s: track.frames[last].time_s,
    })
}

/// A high jump's feet rise at least this far, metres; less is a hop.
const JUMP_M: f64 = 0.25;

fn without_jumps(track: &Track, stance: &Span, path: &[BodyAt], flights: &[Flight]) -> Vec<Span> {
    let mut parts = vec![*stance];
    for f in flights {
        let rise = path[f.before..=f.after]
            .iter()
            .map(|b| b.foot_height(Leg::Left).min(b.foot_height(Leg::Right)))
            .fold(0.0, f64::max);
        if rise < JUMP_M {
            continue;
        }
        let (before, after) = (path[f.before].position, path[f.after].position);
        parts = parts
            .into_iter()
            .flat_map(|s| {
                if s.last <= before || s.first >= after {
                    return vec![s];
                }
                let first = (s.first < before).then(|| clipped(track, &s, (s.first, before))).flatten();
                let second = (s.last > after).then(|| clipped(track, &s, (after, s.last))).flatten();
                first.into_iter().chain(second).filter(|p| p.duration_s() >= 0.25).collect()
            })
            .collect();
    }
    parts
}

fn joined(stances: impl Iterator<Item = Span>) -> Vec<Span> {
    let mut out: Vec<Span> = Vec::new();
    for s in stances {
        match out.last_mut() {
            Some(last) if s.start_s - last.end_s <= SAME_STANCE_S => {
                last.last = s.last;
                last.end_s = s.end_s;
            }
            _ => out.push(s),
        }
    }
    out
}

/// Slow-motion factor to work with, and what is reported of it.
fn factor_of(path: &[BodyAt], f: &Flight, asked: &Asked) -> (f64, SlowMotionReport) {
    if let Some(factor) = asked.slow_motion {
        return (
            factor,
            SlowMotionReport {
                factor,
                factor_sd: None,
                source: SpeedSource::Given,
            },
        );
    }
    match flight::free_fall(path, path[f.before].time_s, path[f.after].time_s) {
        Some(fall) => (
            fall.applied(),
            SlowMotionReport {
                factor: fall.factor,
                factor_sd: Some(fall.factor_sd),
                source: SpeedSource::FreeFall,
            },
        ),
        None => (1.0, unknown_speed(asked)),
    }
}

fn unknown_speed(asked: &Asked) -> SlowMotionReport {
    match asked.slow_motion {
        Some(factor) => SlowMotionReport {
            factor,
            factor_sd: None,
            source: SpeedSource::Given,
        },
        None => SlowMotionReport {
            factor: 1.0,
            factor_sd: None,
            source: SpeedSource::Unknown,
        },
    }
}

/// Stillness of a stance in real time: a slowed recording shows slower speeds for longer.
fn still_in(track: &Track, stance: &Span, rules: &RuleProfile, nominal: &Holds, factor: f64) -> (Vec<Span>, Vec<(Span, f64)>) {
    // A stretch that runs over a cut is cut off there, and counts if enough of it is left.
    let pick = |holds: &Holds| -> (Vec<Span>, Vec<(Span, f64)>) {
        let within = |s: &Span| clipped(track, s, (stance.first, stance.last));
        let long = |s: &Span| s.duration_s() >= rules.still.for_at_least_s;
        let still: Vec<Span> = holds.still.iter().filter_map(within).filter(long).collect();
        let never = holds.never_still.iter().filter_map(|(s, v)| within(s).map(|s| (s, *v)));
        let never = if still.is_empty() { never.collect() } else { Vec::new() };
        (still, never)
    };
    if (factor - 1.0).abs() < 1e-9 {
        return pick(nominal);
    }
    // The same stretch on real time's clock, so that windows as well as limits mean what they mean there.
    let (from, to) = (stance.first, stance.last);
    let real = Track {
        image_size: track.image_size,
        frames: track.frames[from..=to]
            .iter()
            .map(|f| PoseFrame {
                time_s: f.time_s / factor,
                ..f.clone()
            })
            .collect(),
        events: Vec::new(),
        cuts_s: Vec::new(),
        camera_motion: crate::camera_motion::CameraMotion::default(),
    };
    let back = |s: &Span| Span {
        first: s.first + from,
        last: s.last + from,
        start_s: track.frames[s.first + from].time_s,
        end_s: track.frames[s.last + from].time_s,
    };
    let holds = spans::find(&real, &rules.still);
    (
        holds.still.iter().map(back).collect(),
        holds.never_still.iter().map(|(s, v)| (back(s), *v)).collect(),
    )
}

fn rest_of(still: &[Span], knee_down: bool, factor: f64) -> RestReport {
    RestReport {
        knee_down,
        came_to_rest: !still.is_empty(),
        still_from_s: still.first().map(|s| s.start_s),
        still_for_s: still.iter().map(Span::duration_s).sum::<f64>() / factor,
    }
}

fn without_floor(track: &Track, stance: &Span, rules: &RuleProfile, nominal: &Holds) -> Found {
    let (still, never_still) = still_in(track, stance, rules, nominal, 1.0);
    let mut phases = Vec::new();
    stance_phases(&mut phases, stance.start_s, stance.end_s, &still);
    Found {
        report: RepetitionReport {
            start_s: stance.start_s,
            end_s: stance.end_s,
            phases,
            events: Vec::new(),
            slow_motion: SlowMotionReport {
                factor: 1.0,
                factor_sd: None,
                source: SpeedSource::Unknown,
            },
            landing: None,
            turn: None,
            rest: rest_of(&still, true, 1.0),
            moments: Vec::new(),
            cannot_tell: vec!["The carpet was not found, so landing, turn, steps and support cannot be told.".into()],
        },
        stance: Some(*stance),
        still,
        never_still,
    }
}

/// The stance's stretch as phases, still and moving in turn.
fn stance_phases(phases: &mut Vec<PhaseSpan>, from_s: f64, to_s: f64, still: &[Span]) {
    let mut at = from_s;
    for s in still {
        if s.start_s > at {
            phases.push(PhaseSpan {
                phase: Phase::Stance,
                start_s: at,
                end_s: s.start_s,
            });
        }
        phases.push(PhaseSpan {
            phase: Phase::Hold,
            start_s: s.start_s,
            end_s: s.end_s.min(to_s),
        });
        at = s.end_s;
    }
    if to_s > at {
        phases.push(PhaseSpan {
            phase: Phase::Stance,
            start_s: at,
            end_s: to_s,
        });
    }
}

/// What one repetition is put together from.
struct Parts<'a> {
    path: &'a [BodyAt],
    rules: &'a RuleProfile,
    factor: f64,
    events: Vec<RepetitionEvent>,
    moments: Vec<Moment>,
    cannot_tell: Vec<String>,
}

#[allow(clippy::too_many_arguments)]
fn one(
    track: &Track,
    path: &[BodyAt],
    bones: &Bones,
    free_from_s: f64,
    until_s: f64,
    rules: &RuleProfile,
    asked: &Asked,
    nominal: &Holds,
) -> Option<Found> {
    let (factor, mut slow_motion) = match &bones.flight {
        Some(f) => factor_of(path, f, asked),
        None => (asked.slow_motion.unwrap_or(1.0), unknown_speed(asked)),
    };
    let mut parts = Parts {
        path,
        rules,
        factor,
        events: Vec::new(),
        moments: Vec::new(),
        cannot_tell: Vec::new(),
    };
    let kneeling = asked.leg.or_else(|| bones.stance.as_ref().and_then(|s| kneeling_leg(track, s)));

    // Landing.
    let mut landing = None;
    let mut turn_report = None;
    let mut first_contact_s = None;
    let mut contacts_by_leg: Vec<Contact> = Vec::new();
    let mut take_off_s = None;
    if let Some(f) = &bones.flight {
        let top_s = path[f.top].time_s;
        let part: Vec<BodyAt> = path
            .iter()
            .filter(|b| b.time_s >= free_from_s && b.time_s <= until_s.max(path[f.after].time_s + 0.5 * factor))
            .cloned()
            .collect();
        // Where an end is not seen to move, it is known to about a frame.
        let frame_s = interval_s(path.iter().map(|b| b.time_s));
        let (off_s, off_sd_s) = contacts::take_off(&part, top_s, factor).unwrap_or((path[f.before].time_s, frame_s));
        take_off_s = Some(off_s);
        contacts_by_leg = contacts::landing(&part, top_s, factor);
        let (first_s, first_sd_s) = contacts_by_leg
            .first()
            .map_or((path[f.after].time_s, frame_s), |c| (c.time_s, c.sd_s));
        first_contact_s = Some(first_s);
        // The free fall again, between the contacts now known.
        if asked.slow_motion.is_none() {
            match flight::free_fall(path, off_s, first_s) {
                Some(fall) => {
                    parts.factor = fall.applied();
                    slow_motion = SlowMotionReport {
                        factor: fall.factor,
                        factor_sd: Some(fall.factor_sd),
                        source: SpeedSource::FreeFall,
                    };
                }
                None => parts.cannot_tell.push(
                    "Slow motion cannot be told from real time: too little of the free fall is seen; times are taken as real.".into(),
                ),
            }
        }
        let factor = parts.factor;
        if bones.stance.is_none() && (first_s - off_s) / factor < REAL_JUMP_S {
            return None;
        }
        landing = parts.landing(off_s, &contacts_by_leg);
        turn_report = parts.turn((off_s, first_s), off_sd_s.hypot(first_sd_s), asked);
        parts.moment(MomentKind::TakeOff, off_s, "take-off".into(), None, 1.2);
        let foot = contacts_by_leg.first().map(|c| c.leg);
        parts.moment(
            MomentKind::FirstContact,
            first_s,
            foot.map_or("first contact".into(), |l| format!("first contact, {} foot", l.name())),
            foot.map(|l| Landmark::of_leg(l)[2] as usize),
            0.7,
        );
    } else if asked.slow_motion.is_none() {
        parts
            .cannot_tell
            .push("Slow motion cannot be told from real time without a jump; times are taken as real.".into());
    }
    let factor = parts.factor;

    // The stance, resting and leaving.
    let (still, never_still) = bones
        .stance
        .as_ref()
        .map_or_else(Default::default, |s| still_in(track, s, rules, nominal, factor));
    let leaving_s = bones.stance.as_ref().and_then(|s| leaving(path, s, &still, factor));
    let watched_to = leaving_s
        .or(bones.stance.map(|s| s.end_s))
        .unwrap_or_else(|| first_contact_s.unwrap_or(free_from_s) + AFTER_JUMP_S * factor);
    let watched_to = watched_to.min(until_s.max(bones.stance.map_or(0.0, |s| s.end_s)));
    if let Some(s) = still.first() {
        parts.moment(
            MomentKind::Still,
            s.start_s,
            "still from here".into(),
            kneeling.map(|l| Landmark::of_leg(l)[2] as usize),
            1.0,
        );
    }

    // What happens in between.
    parts.footwork(kneeling, &contacts_by_leg, bones.stance.as_ref(), watched_to);
    let supports_from = first_contact_s.or(bones.stance.map(|s| s.start_s)).unwrap_or(free_from_s);
    parts.supports(bones.stance.and(kneeling), supports_from, watched_to);
    if let (Some(s), true, None) = (&bones.stance, still.is_empty(), leaving_s) {
        if path.last().is_some_and(|b| b.time_s <= s.end_s + 0.2) {
            parts
                .cannot_tell
                .push("The recording ends (or is cut) before the stance came to rest or was left.".into());
        }
    }
    if let Some(s) = &bones.stance {
        parts.sways(s.start_s + 0.15 * factor, watched_to);
    }

    let end_s = bones
        .stance
        .map_or(watched_to, |s| s.end_s + TAIL_S * factor)
        .min(until_s.max(watched_to))
        .min(path.last()?.time_s);
    let begin_s = take_off_s
        .or(bones.stance.map(|s| s.start_s))
        .map_or(free_from_s, |t| (t - LEAD_S * factor).max(free_from_s))
        .max(path.first()?.time_s);
    let mut phases = Vec::new();
    let mut push = |phase, start_s: f64, end_s: f64| {
        if end_s > start_s {
            phases.push(PhaseSpan { phase, start_s, end_s });
        }
    };
    let stance_start = bones.stance.map(|s| s.start_s.max(first_contact_s.unwrap_or(f64::NEG_INFINITY)));
    push(Phase::Approach, begin_s, take_off_s.or(stance_start).unwrap_or(begin_s));
    if let (Some(a), Some(b)) = (take_off_s, first_contact_s) {
        push(Phase::Flight, a, b);
        push(Phase::Landing, b, stance_start.unwrap_or(end_s));
    }
    if let (Some(s), Some(from)) = (&bones.stance, stance_start) {
        let to = leaving_s.unwrap_or(s.end_s);
        stance_phases(&mut phases, from, to, &still);
        if leaving_s.is_some() {
            phases.push(PhaseSpan {
                phase: Phase::Leaving,
                start_s: to,
                end_s,
            });
        }
    }
    let mut events = parts.events;
    events.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    let mut moments = parts.moments;
    moments.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    Some(Found {
        report: RepetitionReport {
            start_s: begin_s,
            end_s,
            phases,
            events,
            slow_motion,
            landing,
            turn: turn_report,
            rest: rest_of(&still, bones.stance.is_some(), factor),
            moments,
            cannot_tell: parts.cannot_tell,
        },
        stance: bones.stance,
        still,
        never_still,
    })
}

fn kneeling_leg(track: &Track, stance: &Span) -> Option<Leg> {
    let odds: f64 = track.frames[stance.first..=stance.last]
        .iter()
        .filter_map(|f| f.lower_leg.as_ref())
        .map(|l| {
            if l.leg == Leg::Left {
                l.leg_confidence - 0.5
            } else {
                0.5 - l.leg_confidence
            }
        })
        .sum();
    (odds != 0.0).then_some(if odds > 0.0 { Leg::Left } else { Leg::Right })
}

/// Hips that rose by this much were on the way up, metres.
const LEAVING_RISE_M: f64 = 0.06;

/// When the stance is left: going back from its end, the hips' last rise begins. `None` where the recording ends in the stance.
fn leaving(path: &[BodyAt], stance: &Span, still: &[Span], factor: f64) -> Option<f64> {
    let hips: Vec<(f64, f64)> = path.iter().map(|b| (b.time_s, b.hips().z)).collect();
    let half = half_window_s(&hips, 0.06 * factor);
    let mut at = stance.end_s;
    for b in path
        .iter()
        .rev()
        .filter(|b| b.time_s <= stance.end_s + 0.1 && b.time_s >= stance.start_s)
    {
        let rising = local_line(&hips, b.time_s, half).is_some_and(|l| l.1 * factor > 0.06);
        if b.time_s < stance.end_s - 0.1 * factor && !rising {
            break;
        }
        at = b.time_s;
    }
    let height = |t: f64| local_line(&hips, t, half).map(|l| l.0);
    let seen_after = path.iter().any(|b| b.time_s > stance.end_s + 0.1);
    // Where the recording ends in the stance, only a rise that was seen is a leaving.
    if !seen_after && !matches!((height(at), hips.last()), (Some(low), Some(last)) if last.1 - low > LEAVING_RISE_M) {
        return None;
    }
    // A hold is not left before it is over.
    Some(
        still
            .iter()
            .map(|s| s.end_s)
            .fold(at.min(stance.end_s), |a, s| if s > a && s <= stance.end_s { s } else { a }),
    )
}

impl Parts<'_> {
    fn rule(&self, kind: EventKind) -> (String, f64, String) {
        self.rules.events.iter().find(|e| e.kind == kind).map_or_else(
            || (String::new(), 0.0, "execution".into()),
            |e| (e.code.clone(), e.deduction, e.panel.clone()),
        )
    }

    #[allow(clippy::too_many_arguments)]
    fn event(&mut self, kind: EventKind, span: (f64, f64), confidence: f64, limb: Limb, size: (f64, f64), unit: SizeUnit, detail: String) {
        let (code, deduction, panel) = self.rule(kind);
        let call = if confidence >= self.rules.call_confidence {
            Call::Suspected
        } else {
            Call::CannotTell
        };
        self.events.push(RepetitionEvent {
            kind,
            start_s: span.0,
            end_s: span.1,
            confidence,
            call,
            limb,
            size: size.0,
            size_sd: size.1,
            size_unit: unit,
            code,
            deduction,
            panel,
            detail,
        });
    }

    /// A moment at the frame nearest to `time_s`, about a landmark (or the whole body), `side_m` across.
    fn moment(&mut self, kind: MomentKind, time_s: f64, caption: String, landmark: Option<usize>, side_m: f64) {
        let Some(b) = self
            .path
            .iter()
            .min_by(|a, b| (a.time_s - time_s).abs().total_cmp(&(b.time_s - time_s).abs()))
        else {
            return;
        };
        let whole = landmark.is_none();
        let centre = landmark.map_or_else(
            || {
                let (hips, nose) = (
                    b.image[Landmark::LeftHip as usize].towards(b.image[Landmark::RightHip as usize], 0.5),
                    b.image[0],
                );
                ImagePoint::new(hips.u, 0.75 * hips.v + 0.25 * nose.v)
            },
            |l| b.image[l],
        );
        let side_m = if whole { 2.1 } else { side_m };
        self.moments.push(Moment {
            kind,
            time_s: b.time_s,
            index: b.position as u64,
            caption,
            centre,
            side_px: side_m / b.metres_per_px,
        });
    }

    fn landing(&mut self, take_off_s: f64, contacts: &[Contact]) -> Option<LandingReport> {
        if contacts.len() < 2 {
            self.cannot_tell
                .push("The first contact of both feet is not seen, so one foot first cannot be told.".into());
            return None;
        }
        let factor = self.factor;
        let difference_s = (contacts[1].time_s - contacts[0].time_s) / factor;
        let sd = contacts[0].sd_s.hypot(contacts[1].sd_s) / factor;
        let limit_s = self.rules.movement.one_foot_first_s;
        let confidence = self.rules.call_confidence;
        // The estimate is of a signed difference; either sign counts.
        let over = normal::cdf((difference_s - limit_s) / sd) + normal::cdf((-difference_s - limit_s) / sd);
        let smallest = smallest_lift_mm(sd, confidence);
        let call = if over >= confidence {
            Call::Suspected
        } else if over <= 1.0 - confidence && smallest <= limit_s {
            Call::Clear
        } else {
            Call::CannotTell
        };
        if call != Call::Clear {
            let first = contacts[0].leg;
            let detail = format!(
                "The {} foot met the carpet {:.0} ms ± {:.0} ms (95 %) before the {} foot (limit {:.0} ms; the smallest difference told here is {:.0} ms).",
                first.name(),
                1000.0 * difference_s,
                1960.0 * sd,
                contacts[1].leg.name(),
                1000.0 * limit_s,
                1000.0 * smallest
            );
            if call == Call::Suspected {
                self.event(
                    EventKind::OneFootFirst,
                    (contacts[0].time_s, contacts[1].time_s),
                    over,
                    Limb::foot(first),
                    (difference_s, sd),
                    SizeUnit::S,
                    detail,
                );
                self.moment(
                    MomentKind::Fault,
                    0.5 * (contacts[0].time_s + contacts[1].time_s),
                    "one foot first".into(),
                    Some(Landmark::of_leg(contacts[1].leg)[2] as usize),
                    0.7,
                );
            } else {
                self.cannot_tell.push(format!("One foot first: {detail}"));
            }
        }
        Some(LandingReport {
            take_off_s,
            contacts: contacts
                .iter()
                .map(|c| ContactReport {
                    leg: c.leg,
                    time_s: c.time_s,
                    sd_s: c.sd_s,
                })
                .collect(),
            difference_s,
            difference_sd_s: sd,
            limit_s,
            smallest_difference_s: smallest,
            over_limit_probability: over.min(1.0),
            call,
        })
    }

    /// `ends_sd_s`: how well the two ends' times are known together, seconds of the recording.
    fn turn(&mut self, (take_off_s, contact_s): (f64, f64), ends_sd_s: f64, asked: &Asked) -> Option<TurnReport> {
        let Some(t) = turn::between(self.path, take_off_s, contact_s, self.factor) else {
            self.cannot_tell
                .push("The turn cannot be measured: too few frames between take-off and first contact.".into());
            return None;
        };
        let turn_deg = t.angle_rad.to_degrees();
        // The body turns on while the ends' times are off: a whole turn in a third of a second is 36 degrees a frame at 30 frames a second.
        let of_ends_deg = turn_deg.abs() * ends_sd_s / (contact_s - take_off_s).max(1e-6);
        let sd_deg = t.sd_rad.to_degrees().hypot(of_ends_deg);
        let confidence = self.rules.call_confidence;
        let required = asked.required_turn_deg.or(self.rules.movement.required_turn_deg).map(f64::abs);
        let tolerance = self.rules.movement.turn_tolerance_deg;
        let mut call = Call::Clear;
        if let Some(required) = required {
            let short_by = required - turn_deg.abs();
            let short = normal::cdf((short_by - tolerance) / sd_deg);
            call = if t.sure < confidence {
                Call::CannotTell
            } else if short >= confidence {
                Call::Suspected
            } else if short <= 1.0 - confidence {
                Call::Clear
            } else {
                Call::CannotTell
            };
            let detail = format!(
                "The body turned {:.0}° ± {:.0}° (95 %) from take-off to first contact; {:.0}° are asked for, {tolerance:.0}° of them forgiven.",
                turn_deg.abs(),
                1.96 * sd_deg,
                required
            );
            match call {
                Call::Suspected => {
                    self.event(
                        EventKind::ShortTurn,
                        (take_off_s, contact_s),
                        short * t.sure,
                        Limb::WholeBody,
                        (short_by, sd_deg),
                        SizeUnit::Deg,
                        detail,
                    );
                    self.moment(
                        MomentKind::Fault,
                        contact_s,
                        "short turn: heading at first contact".into(),
                        None,
                        2.0,
                    );
                }
                Call::CannotTell => self.cannot_tell.push(format!("Short turn: {detail}")),
                Call::Clear => {}
            }
        } else if t.sure < confidence {
            call = Call::CannotTell;
            self.cannot_tell
                .push("The number of whole turns cannot be told at this frame rate and from this view.".into());
        }
        Some(TurnReport {
            turn_deg,
            sd_deg,
            required_deg: required,
            heading_error_deg: required.map(|r| turn_deg.abs() - r),
            call,
        })
    }

    fn footwork(&mut self, kneeling: Option<Leg>, contacts: &[Contact], stance: Option<&Span>, to_s: f64) {
        let factor = self.factor;
        let limits = self.rules.movement.clone();
        let landed = |leg: Leg| contacts.iter().find(|c| c.leg == leg).map(|c| c.time_s + 0.10 * factor);
        let stance_from = stance.map(|s| s.start_s + 0.05 * factor);
        let interval = interval_s(self.path.iter().map(|b| b.time_s));
        let mut all: Vec<(Move, bool)> = Vec::new();
        for leg in [Leg::Left, Leg::Right] {
            let Some(from) = landed(leg).or(stance_from) else { continue };
            for m in footwork::moves(self.path, leg, from, to_s + 0.05 * factor, factor, &limits) {
                // On the way down the kneeling leg's foot rolls and slides into its place; that is no step of its own, but it may be half of a hop.
                let own = kneeling != Some(leg) || stance_from.is_some_and(|s| m.start_s >= s);
                all.push((m, own));
            }
        }
        // Moves that run into the leaving are the leaving.
        if stance.is_some() {
            all.retain(|(m, _)| m.end_s <= to_s + 1.5 * interval && m.start_s < to_s - 0.05 * factor);
        }
        let overlap = |a: &Move, b: &Move| {
            let both = a.end_s.min(b.end_s) - a.start_s.max(b.start_s);
            both > 0.5 * (a.end_s - a.start_s).min(b.end_s - b.start_s)
        };
        let mut used = vec![false; all.len()];
        for i in 0..all.len() {
            for k in i + 1..all.len() {
                let (a, b) = (all[i].0, all[k].0);
                if a.leg != b.leg && overlap(&a, &b) && a.lifted > 0.5 && b.lifted > 0.5 {
                    used[i] = true;
                    used[k] = true;
                    let way = if a.way_m[0] > b.way_m[0] { a.way_m } else { b.way_m };
                    let span = (a.start_s.min(b.start_s), a.end_s.max(b.end_s));
                    let detail = format!(
                        "Both feet left the carpet together, by {:.0} mm, and came down {:.0} mm ± {:.0} mm (95 %) away.",
                        1000.0 * a.lift_m.min(b.lift_m),
                        1000.0 * way[0],
                        1960.0 * way[1]
                    );
                    self.event(
                        EventKind::Hop,
                        span,
                        a.lifted.min(b.lifted),
                        Limb::BothFeet,
                        (way[0], way[1]),
                        SizeUnit::M,
                        detail,
                    );
                    self.moment(
                        MomentKind::Fault,
                        0.5 * (span.0 + span.1),
                        "hop".into(),
                        Some(Landmark::of_leg(a.leg)[2] as usize),
                        0.9,
                    );
                }
            }
        }
        for (i, (m, own)) in all.iter().enumerate() {
            if used[i] || !own {
                continue;
            }
            let kind = if m.lifted >= 0.5 { EventKind::Step } else { EventKind::Shuffle };
            let (way, sd) = (m.way_m[0], m.way_m[1]);
            let limit = if kind == EventKind::Step { limits.step_m } else { limits.shuffle_m };
            let far = normal::cdf((way - limit) / sd);
            let sure = far * m.lifted.max(1.0 - m.lifted);
            // Which of the two it was matters less than that the foot moved: the likelier kind is named, the probability is that of the way.
            let confidence = far;
            if confidence < 0.5 {
                continue;
            }
            let detail = format!(
                "The {} foot {} and came to rest {:.0} mm ± {:.0} mm (95 %) away{}.",
                m.leg.name(),
                if kind == EventKind::Step {
                    format!("left the carpet by {:.0} mm", 1000.0 * m.lift_m)
                } else {
                    "slid over the carpet".to_string()
                },
                1000.0 * way,
                1960.0 * sd,
                if sure < self.rules.call_confidence {
                    "; whether it stepped or slid is not sure"
                } else {
                    ""
                }
            );
            self.event(
                kind,
                (m.start_s, m.end_s),
                confidence,
                Limb::foot(m.leg),
                (way, sd),
                SizeUnit::M,
                detail,
            );
            if confidence >= self.rules.call_confidence {
                self.moment(
                    MomentKind::Fault,
                    0.5 * (m.start_s + m.end_s),
                    format!("{}, {} foot", kind.words(), m.leg.name()),
                    Some(Landmark::of_leg(m.leg)[2] as usize),
                    0.8,
                );
            }
        }
        let from = contacts.first().map(|c| c.time_s).or(stance.map(|s| s.start_s));
        if let Some(smallest) = from.and_then(|f| footwork::smallest_way_along_sight_m(self.path, f, to_s, self.rules.call_confidence)) {
            if smallest > limits.step_m {
                self.cannot_tell.push(format!(
                    "A foot that moves straight towards or away from the camera without leaving the carpet is told only from about {:.0} mm on: this camera is too low for less.",
                    1000.0 * smallest
                ));
            }
        }
    }

    fn supports(&mut self, kneeling: Option<Leg>, from_s: f64, to_s: f64) {
        let limits = self.rules.movement.clone();
        for s in support::find(self.path, kneeling, from_s, to_s, self.factor, &limits) {
            if s.on_carpet < 0.35 {
                continue;
            }
            let detail = format!(
                "The {} was at rest {:.0} mm ± {:.0} mm (95 %) over the carpet for {:.2} s.",
                s.limb.words(),
                1000.0 * s.height_m[0],
                1960.0 * s.height_m[1],
                (s.end_s - s.start_s) / self.factor
            );
            self.event(
                EventKind::Support,
                (s.start_s, s.end_s),
                s.on_carpet,
                s.limb,
                (s.height_m[0], s.height_m[1]),
                SizeUnit::M,
                detail,
            );
            if s.on_carpet >= self.rules.call_confidence {
                self.moment(
                    MomentKind::Fault,
                    0.5 * (s.start_s + s.end_s),
                    format!("added support, {}", s.limb.words()),
                    Some(s.landmark),
                    0.8,
                );
            }
        }
    }

    fn sways(&mut self, from_s: f64, to_s: f64) {
        let limits = self.rules.movement.clone();
        let supported: Vec<(f64, f64)> = self
            .events
            .iter()
            .filter(|e| e.kind == EventKind::Support && e.call == Call::Suspected)
            .map(|e| (e.start_s, e.end_s))
            .collect();
        for s in sway::find(self.path, from_s, to_s, self.factor, &limits) {
            // Leaning out onto a hand and back is the support, not a second fault.
            if s.over < 0.5 || supported.iter().any(|(a, b)| *a < s.end_s && *b > s.start_s) {
                continue;
            }
            let mut ways = Vec::new();
            if s.lean_deg > 0.0 {
                ways.push(format!("leaned out by {:.0}° ± {:.0}° (95 %)", s.lean_deg, 1.96 * s.sd_deg));
            }
            if s.way_m > 0.0 {
                ways.push(format!("moved the shoulders by {:.0} mm", 1000.0 * s.way_m));
            }
            let detail = format!("The trunk {} and came back.", ways.join(" and "));
            let (size, unit) = if s.lean_deg > 0.0 {
                ((s.lean_deg, s.sd_deg), SizeUnit::Deg)
            } else {
                ((s.way_m, 0.03), SizeUnit::M)
            };
            self.event(EventKind::Sway, (s.start_s, s.end_s), s.over, Limb::Trunk, size, unit, detail);
            if s.over >= self.rules.call_confidence {
                self.moment(MomentKind::Fault, 0.5 * (s.start_s + s.end_s), "sway".into(), None, 2.0);
            }
        }
    }
}
