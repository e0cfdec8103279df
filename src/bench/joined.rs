//! One against two views by the angle between them: the keypoint bench with a second camera, the two legs' fit and the test for contradictions.

use crate::bench::case::Answer;
use crate::bench::keypoints::{floor_camera, observations, observe, Floor, Options};
use crate::bench::markdown::share;
use crate::bench::poses::Pose;
use crate::bench::view::{self, View};
use crate::check::size;
use crate::error::{Error, Result};
use crate::floor::FloorCamera;
use crate::leg::contradiction;
use crate::leg::fit::{LegFit, LegProblem, LegView, Observation, Tie};
use crate::leg::shape::LegShape;
use crate::numerics::threads;
use crate::outcome::Call;
use crate::rules::{judge, RuleProfile};
use crate::statistics::wilson::Count;
use crate::types::Station;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::fmt::Write as _;

/// Elevation classes of the two cameras ([`view::ELEVATIONS_DEG`]) and their name.
pub const PAIRS: [([usize; 2], &str); 3] = [([0, 0], "low + low"), ([0, 2], "low + high"), ([2, 2], "high + high")];

/// Upper ends of the classes of the angle between the views' azimuths, degrees.
pub const ANGLES_DEG: [f64; 6] = [30.0, 60.0, 90.0, 120.0, 150.0, 180.0];

/// How exactly one set of marks ties two floors: place (metres) and turn (radians) of what the marks' own covariances do not hold already.
pub const SAME_MARKS: (f64, f64) = (0.002, 0.002);

/// How little is known of two body floors' frames before the legs are fitted: place (metres), turn (radians, all round).
pub const LOOSE_TIE: (f64, f64) = (0.15, 1.8);

/// A leg that differs from the first view's by more than this at some station, mm, must be noticed.
pub const PLAIN_DIFFERENCE_MM: f64 = 40.0;

/// One leg, seen by two cameras.
#[derive(Debug, Clone)]
pub struct PairCase {
    /// Where the floors came from.
    pub floor: &'static str,
    /// Number of the pair of elevation classes.
    pub pair: usize,
    /// Number of the class of angle.
    pub angle: usize,
    /// The first view alone, the second alone, both together; `None` where there was no answer.
    pub answers: [Option<Answer>; 3],
    /// Whether the two views were called contradictory.
    pub contradicted: Option<bool>,
    /// The same for a second view of another leg, with the largest true difference among the stations, mm.
    pub other_leg: Option<(f64, bool)>,
}

/// What one camera gives.
struct Seen {
    alone: FloorCamera,
    of_several: FloorCamera,
    observations: Vec<Observation>,
}

/// Runs the bench; `options.cases` pairs of views.
///
/// # Errors
/// [`Error::Input`] where there are no poses of that half.
pub fn run(poses: &[Pose], options: &Options, shape: &LegShape, rules: &RuleProfile) -> Result<Vec<PairCase>> {
    let poses: Vec<&Pose> = poses.iter().filter(|p| p.half == options.half).collect();
    if poses.is_empty() {
        return Err(Error::input(
            "There are no poses of that half; make them with scripts/bench/make_poses.py.",
        ));
    }
    threads::in_order(options.cases, options.threads, "bench", |k| one(&poses, k, options, shape, rules))
}

/// Angle between two azimuths, 0 to 180 degrees.
fn between_deg(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(360.0);
    d.min(360.0 - d)
}

fn one(poses: &[&Pose], index: usize, options: &Options, shape: &LegShape, rules: &RuleProfile) -> PairCase {
    let mut rng = ChaCha8Rng::seed_from_u64(options.seed);
    rng.set_stream(index as u64);
    let pose = poses[index % poses.len()];
    let (pair, angle) = (index % PAIRS.len(), index / PAIRS.len() % ANGLES_DEG.len());
    let [first_class, second_class] = PAIRS[pair].0;
    let first = view::draw(&mut rng, pose, first_class);
    let second = loop {
        let v = view::draw(&mut rng, pose, second_class);
        let d = between_deg(v.azimuth_deg, first.azimuth_deg);
        if d < ANGLES_DEG[angle] && (angle == 0 || d >= ANGLES_DEG[angle - 1]) {
            break v;
        }
    };
    let shank = size::from_stature((options.floor != Floor::BodyOnly).then_some(pose.stature_m));
    let marks = options.floor == Floor::Marks;
    // For a fit over several views a body floor leaves out the shank's own uncertainty: its distances grow with the shank.
    let of_several = if marks { shank } else { size::ShankLength { sd_m: 0.0, ..shank } };
    let mut see = |pose: &Pose, view: &View| -> Option<Seen> {
        let points = observe(&mut rng, pose, view, options.noise_px)?;
        let mut again = rng.clone();
        Some(Seen {
            alone: floor_camera(&mut rng, view, &points, options, shank, shape)?,
            of_several: floor_camera(&mut again, view, &points, options, of_several, shape)?,
            observations: observations(&points, options.noise_px),
        })
    };
    let seen = [see(pose, &first), see(pose, &second)];
    // Another athlete's leg where the first one's was: what happens when two recordings do not belong together.
    let other = poses
        .iter()
        .cycle()
        .skip((index + poses.len() / 2) % poses.len())
        .take(poses.len())
        .find(|p| p.leg == pose.leg)
        .copied()
        .unwrap_or(pose);
    let elsewhere = see(other, &second);
    let fit = |views: &[LegView]| {
        LegProblem {
            views,
            shape,
            leg: pose.leg,
            shank_m: shank.mean_m,
            shank_sd_m: shank.sd_m,
        }
        .solve()
    };
    let alone = |seen: &Option<Seen>| seen.as_ref().and_then(|s| fit(&[LegView::new(&s.alone, &s.observations)]));
    let (a, b, strange) = (alone(&seen[0]), alone(&seen[1]), alone(&elsewhere));
    let both = seen[0].as_ref().zip(seen[1].as_ref()).and_then(|(one, two)| {
        let mut views = [one, two].map(|s| LegView::new(&s.of_several, &s.observations));
        for view in &mut views {
            view.scales_with_shank = !marks;
        }
        let (place, turn) = if marks { SAME_MARKS } else { LOOSE_TIE };
        views[1].tie = Some(Tie::same_marks(place, turn));
        fit(&views)
    });
    let prior = shape.gap_prior(shank.mean_m, shank.sd_m);
    let differ = |x: &Option<LegFit>, y: &Option<LegFit>| {
        let (x, y) = (x.as_ref()?, y.as_ref()?);
        Some(contradiction::between(&x.profile, &y.profile, &prior).contradicts())
    };
    let contradicted = differ(&a, &b);
    let other_leg = differ(&a, &strange).map(|flagged| {
        let apart = (0..6).map(|s| (pose.gap_mm[s] - other.gap_mm[s]).abs()).fold(0.0, f64::max);
        (apart, flagged)
    });
    let answer = |fit: Option<LegFit>| fit.map(|f| Answer::of(&judge::judge(&f.profile, rules), &pose.gap_mm, rules));
    let mut together = answer(both);
    if contradicted == Some(true) {
        for check in together.iter_mut().flat_map(|t| &mut t.checks) {
            check.call = Call::CannotTell;
        }
    }
    PairCase {
        floor: options.floor.key(),
        pair,
        angle,
        answers: [answer(a), answer(b), together],
        contradicted,
        other_leg,
    }
}

/// The tables, as text.
pub fn tables(cases: &[PairCase]) -> String {
    let mut out = String::from(
        "Heel: mean absolute error / stated standard deviation (root mean square), mm. Covers: the stated 95 % intervals, all stations. Wrong: of all checks, those on which something definite \
         and untrue was said, truths within 3 mm of the tolerance left aside. First and second are each view alone.\n\n\
         | floor | cameras | angle | pairs | heel first | heel second | heel both | covers first | covers both | cannot tell first | cannot tell second | cannot tell both | wrong first | wrong second | wrong both |\n",
    );
    out += &"| --- ".repeat(15);
    out += "|\n";
    let mut floors: Vec<&str> = cases.iter().map(|c| c.floor).collect();
    floors.dedup();
    for floor in &floors {
        for (p, (_, name)) in PAIRS.iter().enumerate() {
            let of_pair: Vec<&PairCase> = cases.iter().filter(|c| c.floor == *floor && c.pair == p).collect();
            row(&mut out, floor, name, "all", &of_pair);
            for (k, top) in ANGLES_DEG.iter().enumerate() {
                let these: Vec<&PairCase> = of_pair.iter().filter(|c| c.angle == k).copied().collect();
                row(&mut out, floor, name, &format!("{:.0}–{top:.0}°", top - 30.0), &these);
            }
        }
    }
    out += "\nContradictions: how often two views of one leg are called contradictory (stated: 1 %), and how often a view of another leg is, by the largest true difference among the stations.\n\n\
            | floor | cameras | one leg | another leg, differs by over 40 mm | another leg, 20–40 mm | another leg, under 20 mm |\n| --- | --- | --- | --- | --- | --- |\n";
    for floor in &floors {
        for (p, (_, name)) in PAIRS.iter().enumerate() {
            let these: Vec<&PairCase> = cases.iter().filter(|c| c.floor == *floor && c.pair == p).collect();
            let one = Count::of(these.iter().filter_map(|c| c.contradicted));
            let between = |from: f64, to: f64| {
                Count::of(
                    these
                        .iter()
                        .filter_map(|c| c.other_leg)
                        .filter(|(d, _)| *d >= from && *d < to)
                        .map(|(_, flagged)| flagged),
                )
            };
            let _ = writeln!(
                out,
                "| {floor} | {name} | {} | {} | {} | {} |",
                share(one),
                share(between(PLAIN_DIFFERENCE_MM, f64::INFINITY)),
                share(between(20.0, PLAIN_DIFFERENCE_MM)),
                share(between(0.0, 20.0))
            );
        }
    }
    out
}

/// What one kind of answer amounts to.
struct Sums {
    heel_error: f64,
    heel_sd: f64,
    covers: Count,
    cannot_tell: Count,
    wrong: Count,
}

fn sums(cases: &[&PairCase], which: usize) -> Sums {
    let answers: Vec<&Answer> = cases.iter().filter_map(|c| c.answers[which].as_ref()).collect();
    let n = answers.len().max(1) as f64;
    let heel = Station::Heel.index();
    let checks = || answers.iter().flat_map(|a| &a.checks);
    Sums {
        heel_error: answers.iter().map(|a| (a.gap_mm[heel] - a.truth_mm[heel]).abs()).sum::<f64>() / n,
        heel_sd: (answers.iter().map(|a| a.sd_mm[heel].powi(2)).sum::<f64>() / n).sqrt(),
        covers: Count::of(
            answers
                .iter()
                .flat_map(|a| (0..6).map(|s| (a.gap_mm[s] - a.truth_mm[s]).abs() < 1.959_964 * a.sd_mm[s])),
        ),
        cannot_tell: Count::of(checks().map(|c| c.call == Call::CannotTell)),
        wrong: Count::of(checks().filter(|c| !c.borderline(3.0)).map(|c| c.confidently_wrong())),
    }
}

fn row(out: &mut String, floor: &str, cameras: &str, angle: &str, cases: &[&PairCase]) {
    let s: Vec<Sums> = (0..3).map(|k| sums(cases, k)).collect();
    let heel = |s: &Sums| format!("{:.1} / {:.1}", s.heel_error, s.heel_sd);
    let percent = |c: Count| c.share().map_or("–".to_string(), |p| format!("{:.1} %", 100.0 * p));
    let _ = writeln!(
        out,
        "| {floor} | {cameras} | {angle} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |",
        cases.len(),
        heel(&s[0]),
        heel(&s[1]),
        heel(&s[2]),
        percent(s[0].covers),
        percent(s[2].covers),
        percent(s[0].cannot_tell),
        percent(s[1].cannot_tell),
        percent(s[2].cannot_tell),
        percent(s[0].wrong),
        percent(s[1].wrong),
        percent(s[2].wrong),
    );
}
