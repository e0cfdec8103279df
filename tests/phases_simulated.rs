//! Landing, turn, steps, sway, support and leaving on simulated repetitions whose truth is known exactly.
//!
//! Sources outside the project: the standard acceleration of free fall, 9.80665 m/s² (3rd CGPM, 1901; ISO 80000-3), by which the simulated bodies fall and from which the
//! slow-motion factor must come out again. The table of `docs/bench-repetitions.md`:
//! `cargo test --test all phases_simulated::table -- --ignored --nocapture`.

#[path = "data/phases/simulate.rs"]
mod simulate;

use shankline::outcome::{Call, EventKind, Phase, RepetitionReport};
use shankline::phases::{self, Asked};
use shankline::rules::RuleProfile;
use shankline::types::Leg;
use simulate::{film, track, Filming, Motion, Truth, IMAGE};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The turn that a motion was asked for.
fn required(name: &str) -> f64 {
    match name.trim_end_matches("-b") {
        "clean-360" => 360.0,
        "clean-720" => 720.0,
        _ => 540.0,
    }
}

fn found(motion: &Motion, f: &Filming) -> (Vec<phases::repetition::Found>, impl Fn(f64) -> f64) {
    let (track, known, clock) = track(motion, f);
    let asked = Asked {
        required_turn_deg: Some(required(&motion.name)),
        ..Asked::default()
    };
    (phases::find(&track, &known, &RuleProfile::shipped(), &asked), clock)
}

/// The events that a motion truly holds, with their real times.
fn true_events(truth: &Truth, name: &str) -> Vec<(EventKind, f64, f64)> {
    let limits = RuleProfile::shipped().movement;
    let mut out = Vec::new();
    if let (Some(gap), Some(first)) = (truth.gap_s(), truth.first_contact_s()) {
        if gap > limits.one_foot_first_s {
            out.push((EventKind::OneFootFirst, first, first + gap));
        }
        if truth.turn_deg.is_some_and(|t| t.abs() < required(name) - limits.turn_tolerance_deg) {
            out.push((EventKind::ShortTurn, truth.take_off_s.unwrap(), first));
        }
    }
    for e in &truth.events {
        let kind = match e.kind.as_str() {
            "step" | "landing_step" => EventKind::Step,
            "landing_hop" => EventKind::Hop,
            "shuffle" => EventKind::Shuffle,
            "sway" => EventKind::Sway,
            "hand" | "elbow" | "seat" | "other_knee" => EventKind::Support,
            _ => continue,
        };
        out.push((kind, e.start_s, e.end_s));
    }
    out
}

/// Kinds that may or may not be found in a motion without being right or wrong: a body that leans far out onto (or near) a hand and back sways as well, and so does one
/// that never comes to rest.
fn neither(name: &str) -> &'static [EventKind] {
    match name.trim_end_matches("-b") {
        "hand-front" | "hand-back" | "near-hand" | "passing-hand" | "never-still" | "elbow-front" | "near-elbow" => &[EventKind::Sway],
        // Whoever sits down or kneels on both knees moves trunk and front foot as well.
        "seat-down" | "other-knee" => &[EventKind::Sway, EventKind::Step, EventKind::Shuffle, EventKind::Hop],
        _ => &[],
    }
}

#[test]
fn free_fall_recovers_a_known_slow_motion_factor_within_five_per_cent() {
    for name in ["clean-540", "clean-360", "gap-100", "step-120"] {
        let motion = Motion::read(name);
        for (slower, fps) in [(1.0, 60.0), (2.0, 60.0), (4.0, 30.0), (4.0, 60.0)] {
            let f = Filming {
                slower,
                errors: 0.3,
                ..Filming::plain(fps)
            };
            let (found, _) = found(&motion, &f);
            let factor = found[0].report.slow_motion.factor;
            assert!((factor / slower - 1.0).abs() < 0.05, "{name} at {slower}: {factor}");
        }
    }
}

#[test]
fn a_clean_repetition_has_its_phases_in_order_and_no_finding() {
    for (name, fps) in [("clean-540", 30.0), ("clean-360", 60.0), ("clean-720", 120.0)] {
        let motion = Motion::read(name);
        let (found, clock) = found(&motion, &Filming::plain(fps));
        assert_eq!(found.len(), 1, "{name}");
        let r = &found[0].report;
        let order: Vec<Phase> = r.phases.iter().map(|p| p.phase).collect();
        let expected = [Phase::Approach, Phase::Flight, Phase::Landing, Phase::Stance, Phase::Hold];
        assert_eq!(order[..5], expected, "{name}: {:?}", r.phases);
        assert_eq!(order.last(), Some(&Phase::Leaving), "{name}: {:?}", r.phases);
        assert!(r.events.iter().all(|e| e.call != Call::Suspected), "{name}: {:?}", r.events);
        assert!(
            r.phases.windows(2).all(|w| (w[0].end_s - w[1].start_s).abs() < 1e-9),
            "{name}: {:?}",
            r.phases
        );
        let landing = r.landing.as_ref().unwrap();
        let first = clock(motion.truth.first_contact_s().unwrap());
        assert!(
            (landing.contacts[0].time_s - first).abs() < 0.03,
            "{name}: {landing:?}, true {first}"
        );
        assert!(r.rest.came_to_rest && r.rest.knee_down);
    }
}

#[test]
fn one_foot_first_by_150_ms_is_found_and_by_20_ms_is_not() {
    for fps in [60.0, 120.0] {
        let call = |name: &str| {
            found(&Motion::read(name), &Filming::plain(fps)).0[0]
                .report
                .landing
                .clone()
                .unwrap()
        };
        let late = call("gap-150");
        assert_eq!(late.call, Call::Suspected, "{late:?}");
        let leg = Motion::read("gap-150").truth.contact_s.unwrap();
        let first = if leg["left"] < leg["right"] { Leg::Left } else { Leg::Right };
        assert_eq!(late.contacts[0].leg, first);
        assert_ne!(call("gap-020").call, Call::Suspected);
    }
}

/// At 10 frames a second a frame lasts 100 ms: a limit of 67 ms cannot be told, whatever the feet did.
#[test]
fn a_slow_camera_cannot_tell_one_foot_first() {
    for name in ["clean-540", "gap-040"] {
        let (found, _) = found(&Motion::read(name), &Filming::plain(10.0));
        if let Some(landing) = found.first().and_then(|f| f.report.landing.as_ref()) {
            assert_eq!(landing.call, Call::CannotTell, "{name}: {landing:?}");
        }
    }
}

#[test]
fn a_hand_on_the_carpet_is_support_and_one_that_passes_or_hovers_is_not() {
    let supports = |name: &str| -> usize {
        let (found, _) = found(&Motion::read(name), &Filming::plain(60.0));
        found[0]
            .report
            .events
            .iter()
            .filter(|e| e.kind == EventKind::Support && e.call == Call::Suspected)
            .count()
    };
    assert_eq!(supports("hand-front"), 1);
    assert_eq!(supports("near-hand"), 0);
    assert_eq!(supports("passing-hand"), 0);
}

#[test]
fn a_stance_that_never_rests_is_said_so_and_a_knee_that_never_comes_down_too() {
    let (restless, _) = found(&Motion::read("never-still"), &Filming::plain(60.0));
    assert!(!restless[0].report.rest.came_to_rest && restless[0].report.rest.knee_down);
    assert_eq!(restless[0].never_still.len(), 1);
    let (up, _) = found(&Motion::read("knee-up"), &Filming::plain(60.0));
    assert_eq!(up.len(), 1);
    assert!(!up[0].report.rest.knee_down && up[0].stance.is_none());
    assert!(up[0].report.landing.is_some());
}

/// Two repetitions in one file, a cut, and a replay at a quarter of the speed from another side.
#[test]
fn two_repetitions_a_cut_and_a_slow_replay() {
    let (first, second) = (Motion::read("clean-540"), Motion::read("gap-120"));
    let mut frames = Vec::new();
    let (known, _) = film(&first, &Filming::plain(30.0), 0.0, &mut frames);
    let start = frames.last().unwrap().time_s + 1.0 / 30.0;
    let (_, clock) = film(
        &second,
        &Filming {
            seed: 4,
            ..Filming::plain(30.0)
        },
        start,
        &mut frames,
    );
    let cut = frames.len();
    let again = frames.last().unwrap().time_s + 1.0 / 30.0;
    let slow = Filming {
        slower: 4.0,
        azimuth_deg: 75.0,
        distance_m: 4.2,
        seed: 9,
        ..Filming::plain(30.0)
    };
    let (closer, _) = film(&second, &slow, again, &mut frames);
    struct Two(simulate::Known, simulate::Known, usize);
    impl phases::Floor for Two {
        fn of(&self, shot: (usize, usize), s: Option<&shankline::hold::Span>) -> Option<(shankline::floor::FloorCamera, f64)> {
            if shot.0 < self.2 {
                self.0.of(shot, s)
            } else {
                self.1.of(shot, s)
            }
        }
    }
    let track = shankline::pose::track::Track {
        image_size: IMAGE,
        frames,
        events: Vec::new(),
        cuts_s: vec![again],
        camera_motion: shankline::camera_motion::CameraMotion::default(),
    };
    let found = phases::find(&track, &Two(known, closer, cut), &RuleProfile::shipped(), &Asked::default());
    let brief: Vec<(f64, f64, f64)> = found
        .iter()
        .map(|f| (f.report.start_s, f.report.end_s, f.report.slow_motion.factor))
        .collect();
    assert_eq!(found.len(), 3, "{brief:?}");
    assert!((found[0].report.slow_motion.factor - 1.0).abs() < 0.2, "{brief:?}");
    assert!((found[2].report.slow_motion.factor / 4.0 - 1.0).abs() < 0.1, "{brief:?}");
    assert!(
        found[1].report.end_s <= again && found[2].report.start_s >= again - 1e-9,
        "{brief:?}, cut at {again}"
    );
    // The same stance in real time and slowed down is still for about the same real time, and still at all.
    let rest = |k: usize| found[k].report.rest.clone();
    assert!(rest(1).came_to_rest && rest(2).came_to_rest);
    let take_off = found[1].report.landing.as_ref().unwrap().take_off_s;
    assert!((take_off - clock(second.truth.take_off_s.unwrap())).abs() < 0.05);
}

// ------------------------------------------------------------------------------------------------ the table

#[derive(Default)]
struct Row {
    true_count: usize,
    found: usize,
    cannot_tell: usize,
    missed: usize,
    negative: usize,
    false_alarms: usize,
    time_errors_s: Vec<f64>,
}

#[derive(Default)]
struct Measures {
    by_name: BTreeMap<&'static str, (Vec<f64>, usize, usize, usize)>,
}

impl Measures {
    /// An error, and whether it lies within 1.96 stated deviations.
    fn add(&mut self, name: &'static str, error: f64, sd: Option<f64>) {
        let m = self.by_name.entry(name).or_default();
        m.0.push(error);
        if let Some(sd) = sd {
            m.1 += usize::from(error.abs() <= 1.96 * sd);
            m.2 += 1;
        }
    }

    fn none(&mut self, name: &'static str) {
        self.by_name.entry(name).or_default().3 += 1;
    }
}

fn quantile(values: &[f64], q: f64) -> f64 {
    let mut v: Vec<f64> = values.iter().map(|x| x.abs()).collect();
    v.sort_by(f64::total_cmp);
    v.get(((v.len() as f64 - 1.0) * q).round() as usize).copied().unwrap_or(f64::NAN)
}

fn score(
    report: &RepetitionReport,
    truth: &Truth,
    name: &str,
    f: &Filming,
    clock: &impl Fn(f64) -> f64,
    rows: &mut BTreeMap<EventKind, Row>,
    log: &mut String,
) {
    let truths = true_events(truth, name);
    for kind in EventKind::ALL {
        let row = rows.entry(kind).or_default();
        let of_kind: Vec<_> = report.events.iter().filter(|e| e.kind == kind).collect();
        let suspected: Vec<_> = of_kind.iter().filter(|e| e.call == Call::Suspected).collect();
        let wanted: Vec<_> = truths.iter().filter(|t| t.0 == kind).collect();
        if wanted.is_empty() {
            if neither(name).contains(&kind) || (!truth.jump && matches!(kind, EventKind::OneFootFirst | EventKind::ShortTurn)) {
                continue;
            }
            row.negative += 1;
            if let Some(e) = suspected.first() {
                row.false_alarms += 1;
                let _ = writeln!(log, "false {} in {name} {f:?}: {}", kind.words(), e.detail);
            }
            continue;
        }
        for (_, a, b) in wanted {
            row.true_count += 1;
            let near = |e: &&&shankline::outcome::RepetitionEvent| {
                e.start_s < clock(*b) + 0.15 * f.slower && e.end_s > clock(*a) - 0.15 * f.slower
            };
            let undecided = match kind {
                EventKind::OneFootFirst => report.landing.as_ref().is_none_or(|l| l.call == Call::CannotTell),
                EventKind::ShortTurn => report.turn.as_ref().is_none_or(|t| t.call == Call::CannotTell),
                // A foot that moves along the line of sight of a low camera: the report says that it cannot tell.
                EventKind::Step | EventKind::Shuffle if report.cannot_tell.iter().any(|c| c.contains("towards or away")) => true,
                _ => of_kind.iter().any(|e| e.call == Call::CannotTell && near(&e)),
            };
            if let Some(e) = suspected.iter().copied().find(|e| near(e)) {
                row.found += 1;
                row.time_errors_s.push((e.start_s - clock(*a)) / f.slower);
            } else if undecided {
                row.cannot_tell += 1;
            } else {
                row.missed += 1;
                let _ = writeln!(log, "missed {} in {name} {f:?}", kind.words());
            }
        }
    }
}

fn measure(
    report: &RepetitionReport,
    truth: &Truth,
    f: &Filming,
    clock: &impl Fn(f64) -> f64,
    m: &mut Measures,
    name: &str,
    log: &mut String,
) {
    let real = |t: f64, truth_s: f64| (t - clock(truth_s)) / f.slower;
    if let (Some(off), Some(contacts)) = (truth.take_off_s, truth.contact_s.as_ref()) {
        match &report.landing {
            Some(l) => {
                m.add("take-off, s", real(l.take_off_s, off), None);
                for c in &l.contacts {
                    let error = real(c.time_s, contacts[c.leg.name()]);
                    if error.abs() > 0.06 {
                        let _ = writeln!(
                            log,
                            "contact of the {} foot off by {:.0} ms (said ± {:.0}) in {name} {f:?}",
                            c.leg.name(),
                            1000.0 * error,
                            1960.0 * c.sd_s / f.slower
                        );
                    }
                    m.add(
                        "first contact of a foot, s",
                        real(c.time_s, contacts[c.leg.name()]),
                        Some(c.sd_s / f.slower),
                    );
                }
                let signed = if l.contacts[0].leg == Leg::Left {
                    l.difference_s
                } else {
                    -l.difference_s
                };
                m.add(
                    "time between contacts, s",
                    signed - (contacts["right"] - contacts["left"]),
                    Some(l.difference_sd_s),
                );
            }
            None => m.none("time between contacts, s"),
        }
        match (&report.turn, truth.turn_deg) {
            (Some(t), Some(true_deg)) if t.call != Call::CannotTell || (t.turn_deg - true_deg).abs() < 180.0 => {
                m.add("turn, degrees", t.turn_deg - true_deg, Some(t.sd_deg))
            }
            _ => m.none("turn, degrees"),
        }
        let s = &report.slow_motion;
        match s.factor_sd {
            Some(sd) => m.add("slow-motion factor, relative", s.factor / f.slower - 1.0, Some(sd / f.slower)),
            None => m.none("slow-motion factor, relative"),
        }
    }
    if let (Some(rest), Some(leave)) = (truth.rest_s, truth.leave_s) {
        match report.rest.still_from_s {
            Some(t) => m.add("still from, s (settling counted to its end)", real(t, rest), None),
            None => m.none("still from, s (settling counted to its end)"),
        }
        match report.phases.iter().rfind(|p| p.phase == Phase::Leaving) {
            Some(p) => m.add("leaving, s", real(p.start_s, leave), None),
            None => m.none("leaving, s"),
        }
    }
}

/// `held_out`: on the motions that no number of the program was chosen on (their bodies, sizes, views and errors are others), or on those that were looked at.
fn run(filmings: &[Filming], held_out: bool, log: &mut String) -> (BTreeMap<EventKind, Row>, Measures, usize, usize) {
    let (mut rows, mut m, mut count, mut wrong) = (BTreeMap::new(), Measures::default(), 0, 0);
    for name in Motion::names().into_iter().filter(|n| n.ends_with("-b") == held_out) {
        let motion = Motion::read(&name);
        for (k, f) in filmings.iter().enumerate() {
            let f = Filming {
                seed: f.seed + 97 * k as u64 + name.bytes().map(u64::from).sum::<u64>(),
                azimuth_deg: f.azimuth_deg + 47.0 * name.len() as f64,
                ..*f
            };
            let (found, clock) = found(&motion, &f);
            count += 1;
            if found.len() != 1 {
                wrong += 1;
                let _ = writeln!(log, "{} repetitions in {name} {f:?}", found.len());
            }
            let Some(best) = found
                .iter()
                .max_by(|a, b| (a.report.end_s - a.report.start_s).total_cmp(&(b.report.end_s - b.report.start_s)))
            else {
                continue;
            };
            score(&best.report, &motion.truth, &name, &f, &clock, &mut rows, log);
            measure(&best.report, &motion.truth, &f, &clock, &mut m, &name, log);
        }
    }
    (rows, m, count, wrong)
}

fn filmings(fps: f64, slower: f64, marks: bool) -> Vec<Filming> {
    [(4.0, 10.0, 5.0), (12.0, 130.0, 6.5), (28.0, 250.0, 8.0)]
        .iter()
        .enumerate()
        .map(|(k, (e, a, d))| Filming {
            elevation_deg: *e,
            azimuth_deg: *a,
            distance_m: *d,
            phase: 0.15 + 0.3 * k as f64,
            slower,
            marks,
            seed: 1000 + k as u64,
            ..Filming::plain(fps)
        })
        .collect()
}

/// Probability that somebody who knows each contact only to lie between two frames could call one foot first at the confidence: the frames apart are the whole number below or above
/// gap / frame, and given those the gap has a triangular distribution (two rectangles, JCGM 100:2008, 4.3.7 and 4.3.9).
fn callable_by_frames_alone(gap_s: f64, frame_s: f64, limit_s: f64, confidence: f64) -> f64 {
    let over = |apart: f64| match limit_s / frame_s - apart {
        x if x <= -1.0 => 1.0,
        x if x >= 1.0 => 0.0,
        x if x < 0.0 => 1.0 - 0.5 * (1.0 + x).powi(2),
        x => 0.5 * (1.0 - x).powi(2),
    };
    let (below, share) = ((gap_s / frame_s).floor(), (gap_s / frame_s).fract());
    let called = |apart: f64| if over(apart) >= confidence { 1.0 } else { 0.0 };
    (1.0 - share) * called(below) + share * called(below + 1.0)
}

fn show(title: &str, filmings: &[Filming], log: &mut String) {
    let (rows, m, count, wrong) = run(filmings, true, log);
    let f = filmings[0];
    println!("\n### {title}: {count} repetitions, {wrong} of them not found as exactly one\n");
    println!("| event | there | found | cannot tell | missed | not there | false | start: median and 95 % error, ms |\n|---|---|---|---|---|---|---|---|");
    let mut order: Vec<_> = rows.iter().collect();
    let badness =
        |r: &Row| (r.missed as f64 + r.cannot_tell as f64) / r.true_count.max(1) as f64 + r.false_alarms as f64 / r.negative.max(1) as f64;
    order.sort_by(|a, b| badness(b.1).total_cmp(&badness(a.1)));
    for (kind, r) in order {
        println!(
            "| {} | {} | {} | {} | {} | {} | {} | {:.0}, {:.0} |",
            kind.words(),
            r.true_count,
            r.found,
            r.cannot_tell,
            r.missed,
            r.negative,
            r.false_alarms,
            1000.0 * quantile(&r.time_errors_s, 0.5),
            1000.0 * quantile(&r.time_errors_s, 0.95)
        );
    }
    println!("\n| measured | median error | 95 % | mean | inside its 95 % interval | not given |\n|---|---|---|---|---|---|");
    for (name, (errors, inside, of, none)) in &m.by_name {
        let held = if *of > 0 {
            format!("{:.0} %", 100.0 * *inside as f64 / *of as f64)
        } else {
            "no interval".into()
        };
        println!(
            "| {name} | {:.3} | {:.3} | {:+.3} | {held} | {none} |",
            quantile(errors, 0.5),
            quantile(errors, 0.95),
            errors.iter().sum::<f64>() / errors.len().max(1) as f64
        );
    }
    let frame = 1000.0 / (f.fps * f.slower);
    println!(
        "\nA frame lasts {frame:.1} ms of real time: a contact that is known only to lie between two frames has a standard deviation of {:.1} ms, the time between two of them {:.1} ms.",
        frame / 12.0_f64.sqrt(),
        frame / 6.0_f64.sqrt()
    );
    let limits = RuleProfile::shipped();
    let gaps: Vec<f64> = Motion::names()
        .iter()
        .filter(|n| n.ends_with("-b"))
        .filter_map(|n| Motion::read(n).truth.gap_s())
        .filter(|g| *g > limits.movement.one_foot_first_s)
        .collect();
    let callable: f64 = gaps
        .iter()
        .map(|g| callable_by_frames_alone(*g, frame / 1000.0, limits.movement.one_foot_first_s, limits.call_confidence))
        .sum();
    println!(
        "Known so and no better, {:.1} of the {} landings with one foot first could be called.",
        callable * filmings.len() as f64,
        gaps.len() * filmings.len()
    );
}

#[test]
#[ignore = "minutes; prints the table of docs/bench-repetitions.md"]
fn table() {
    let mut log = String::new();
    for (title, fps, slower, marks) in [
        ("30 frames a second, marks", 30.0, 1.0, true),
        ("60 frames a second, marks", 60.0, 1.0, true),
        ("120 frames a second, marks", 120.0, 1.0, true),
        ("a quarter of the speed at 30 frames a second, marks", 30.0, 4.0, true),
        ("30 frames a second, floor from the body", 30.0, 1.0, false),
    ] {
        show(title, &filmings(fps, slower, marks), &mut log);
    }
    eprintln!("{log}");
}

/// Errors of the turn over their stated deviations, on both halves: what `FRAME_SHARE` of `src/phases/turn.rs` was fitted on, and what it is reported on.
#[test]
#[ignore = "minutes; prints the turn's errors"]
fn turn_residuals() {
    for held_out in [false, true] {
        for (fps, slower) in [(30.0, 1.0), (60.0, 1.0), (120.0, 1.0), (30.0, 4.0)] {
            for name in Motion::names().into_iter().filter(|n| n.ends_with("-b") == held_out) {
                let motion = Motion::read(&name);
                let Some(true_deg) = motion.truth.turn_deg else { continue };
                for (k, f) in filmings(fps, slower, true).iter().enumerate() {
                    let f = Filming {
                        seed: f.seed + 97 * k as u64 + name.bytes().map(u64::from).sum::<u64>(),
                        azimuth_deg: f.azimuth_deg + 47.0 * name.len() as f64,
                        ..*f
                    };
                    let (found, _) = found(&motion, &f);
                    let Some(r) = found.first().map(|f| &f.report) else { continue };
                    let (Some(t), Some(l)) = (&r.turn, &r.landing) else { continue };
                    let flight_s = (l.contacts[0].time_s - l.take_off_s) / f.slower;
                    println!(
                        "turn {held_out} {fps} {slower} {name} {:.2} {:.2} {:.3} {:?}",
                        t.turn_deg - true_deg,
                        t.sd_deg,
                        flight_s,
                        t.call
                    );
                }
            }
        }
    }
}

/// The same at 60 frames a second, held against floors that a change for the worse would break.
#[test]
fn the_table_at_60_frames_a_second_holds() {
    let mut log = String::new();
    let (rows, m, count, wrong) = run(&filmings(60.0, 1.0, true), false, &mut log);
    assert!(wrong * 20 <= count, "{wrong} of {count}\n{log}");
    for (kind, r) in &rows {
        assert!(
            r.false_alarms * 20 <= r.negative,
            "{}: {} false of {}\n{log}",
            kind.words(),
            r.false_alarms,
            r.negative
        );
        assert!(
            r.missed * 5 <= r.true_count,
            "{}: {} missed of {}\n{log}",
            kind.words(),
            r.missed,
            r.true_count
        );
    }
    let errors = |name: &str| m.by_name[name].0.clone();
    assert!(quantile(&errors("first contact of a foot, s"), 0.5) < 0.012);
    assert!(quantile(&errors("turn, degrees"), 0.5) < 20.0);
    assert!(quantile(&errors("slow-motion factor, relative"), 0.5) < 0.05);
}

/// Prints everything said of one motion: MOTION, FPS, SLOWER, ELEVATION, AZIMUTH, DISTANCE, SEED from the environment.
#[test]
#[ignore = "for looking into one case"]
fn look() {
    let v = |k: &str, d: f64| std::env::var(k).ok().and_then(|x| x.parse().ok()).unwrap_or(d);
    let name = std::env::var("MOTION").unwrap_or("hand-front".into());
    let motion = Motion::read(&name);
    let f = Filming {
        slower: v("SLOWER", 1.0),
        elevation_deg: v("ELEVATION", 4.0),
        azimuth_deg: v("AZIMUTH", 0.0),
        distance_m: v("DISTANCE", 5.0),
        seed: v("SEED", 1.0) as u64,
        phase: v("PHASE", 0.15),
        errors: v("ERRORS", 1.0),
        ..Filming::plain(v("FPS", 60.0))
    };
    println!("{:#?}", motion.truth);
    for one in found(&motion, &f).0 {
        let r = one.report;
        println!(
            "{:#?}\n{:#?}\n{:#?}\n{:#?}\n{:#?}\n{:#?}\n{:#?}",
            r.phases, r.landing, r.turn, r.slow_motion, r.rest, r.events, r.cannot_tell
        );
    }
}
