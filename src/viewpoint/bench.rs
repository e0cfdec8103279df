//! The map held against measured poses of rendered bodies (`docs/bench-where.md`).
//!
//! For a view the map says a smallest lift L: one that, by the program's own number, stands off zero at the rule profile's confidence nine times in ten; and, by simulation, the lift S from
//! which nine in ten stand out. Whether that is so is counted here on measured poses with lifts of L, S and more, seen from there; and on those with nothing lifted, of which no more may be
//! shown than the confidence allows.

use crate::bench::poses::{self, Half, Pose};
use crate::check::size;
use crate::error::{Error, Result};
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::LegShape;
use crate::numerics::normal;
use crate::outcome::{GapReport, PerPart};
use crate::rules::RuleProfile;
use crate::statistics::wilson::Count;
use crate::types::{Leg, Station};
use crate::viewpoint::errors::ViewErrors;
use crate::viewpoint::map::{self, Asked, Stances};
use crate::viewpoint::simulate::{Floor, Place, Reading, Setting};
use crate::viewpoint::stances::{self, Lifted, Stance};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde::Deserialize;
use std::fmt::Write as _;

/// One kind of view that is held against the poses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewClass {
    /// Elevation, degrees.
    pub elevation_deg: f64,
    /// Azimuth, degrees.
    pub azimuth_deg: f64,
    /// Distance, metres.
    pub distance_m: f64,
    /// Floor.
    pub floor: Floor,
}

const fn class(elevation_deg: f64, azimuth_deg: f64, floor: Floor) -> ViewClass {
    ViewClass {
        elevation_deg,
        azimuth_deg,
        distance_m: 6.0,
        floor,
    }
}

/// The views of the table.
pub const VIEWS: [ViewClass; 7] = [
    class(4.0, 90.0, Floor::Marks),
    class(15.0, -135.0, Floor::Marks),
    class(30.0, 90.0, Floor::Marks),
    class(45.0, -60.0, Floor::Marks),
    class(4.0, 90.0, Floor::Body),
    class(15.0, -30.0, Floor::Body),
    class(30.0, 90.0, Floor::Body),
];

/// Noise on points and marks, px.
const NOISE_PX: f64 = 1.0;
/// Frame and focal length: a moderate lens, so that a shank measures about 100 px from six metres away.
const IMAGE_SIZE: [usize; 2] = [1920, 1080];
const FOCAL_PX: f64 = 1500.0;
/// Stances a lift from which the map tells where nine in ten stand out.
const SURE_DRAWS: usize = 40;
/// Sizes of lifts that are counted apart, multiples of the foretold L.
pub const SIZES: [f64; 5] = [1.0, 1.3, 1.7, 2.2, 3.0];
/// How many classes of size that makes.
pub const SIZE_COUNT: usize = SIZES.len() - 1;

/// What came out for a view.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The view.
    pub view: ViewClass,
    /// Smallest heel lift that the map foretells, mm.
    pub foretold_mm: f64,
    /// Poses whose heel is lifted by L or more, by size ([`SIZES`]): how many stood off zero at the confidence.
    pub shown: [Count; SIZE_COUNT],
    /// The lift from which nine in ten simulated heels stand out, mm.
    pub sure_from_mm: Option<f64>,
    /// Poses whose heel is lifted by that to 1.5 times that: how many stood out.
    pub sure: Count,
    /// Poses whose heel is down (under 3 mm): how many stood off zero nevertheless.
    pub falsely_shown: Count,
    /// Median smallest lift that the program itself stated on those lifted by 1 to 1.3 L, mm.
    pub stated_mm: f64,
}

/// Runs the bench on one half of the poses: up to `most` poses of each size a view, each seen `times` times.
///
/// # Errors
/// Where the poses cannot be used.
pub fn rows(views: &[ViewClass], half: Half, most: usize, times: u64) -> Result<Vec<Row>> {
    let (shape, errors, rules) = (LegShape::shipped(), FusionErrors::shipped(), RuleProfile::shipped());
    let poses: Vec<Pose> = poses::shipped()?.into_iter().filter(|p| p.half == half).collect();
    views
        .iter()
        .map(|view| {
            let setting = |stature_m: f64| Setting {
                image_size: IMAGE_SIZE,
                focal_px: FOCAL_PX,
                stature_m,
                shank: size::from_stature(Some(stature_m)),
                floor: view.floor,
                reading: Reading::Points(NOISE_PX),
                frames: 1,
                shape: &shape,
                errors: &errors,
                rules: &rules,
            };
            let place = Place {
                azimuth_deg: view.azimuth_deg,
                elevation_deg: view.elevation_deg,
                distance_m: view.distance_m,
            };
            let foretold_mm = foretold(&setting(size::STATURE_PRIOR_M), &place)?;
            let threshold = normal::quantile(rules.call_confidence);
            let mut row = Row {
                view: *view,
                foretold_mm,
                shown: [Count::default(); SIZE_COUNT],
                sure_from_mm: map::sure_from_mm(&setting(size::STATURE_PRIOR_M), &[place], Lifted::Heel, SURE_DRAWS)?,
                sure: Count::default(),
                falsely_shown: Count::default(),
                stated_mm: 0.0,
            };
            let mut stated = Vec::new();
            let mut seen = [0; SIZE_COUNT + 2];
            for (n, pose) in poses.iter().enumerate() {
                let lift_mm = pose.gap_mm[5] - rules.hollow.mean_mm[5];
                let size = SIZES.windows(2).position(|w| (w[0]..w[1]).contains(&(lift_mm / foretold_mm)));
                let down = lift_mm < 3.0;
                let sure = row.sure_from_mm.is_some_and(|s| (s..1.5 * s).contains(&lift_mm));
                let kind = size.unwrap_or(SIZE_COUNT + usize::from(down));
                if !(size.is_some() || down || sure) || seen[kind] >= most {
                    continue;
                }
                seen[kind] += 1;
                for k in 0..times {
                    let mut rng = ChaCha8Rng::seed_from_u64(7 + k);
                    rng.set_stream(n as u64);
                    let called = setting(pose.stature_m).call_with(&[place], &Stance::of_pose(pose), pose.shank_m, &mut rng);
                    let Some(judged) = called.map(|c| c.judged) else { continue };
                    let out = map::stands_out(&judged.gaps, Lifted::Heel, threshold);
                    if let Some(size) = size {
                        row.shown[size].add(out);
                    }
                    if sure {
                        row.sure.add(out);
                    }
                    if down {
                        row.falsely_shown.add(out);
                    }
                    if size == Some(0) {
                        stated.push(judged.smallest_lift_mm.heel);
                    }
                }
            }
            stated.sort_by(f64::total_cmp);
            row.stated_mm = stated.get(stated.len() / 2).copied().unwrap_or(f64::NAN);
            Ok(row)
        })
        .collect()
}

/// The smallest heel lift L that the map foretells for stances lifted by L: from the tolerance on until it agrees with itself.
fn foretold(setting: &Setting, place: &Place) -> Result<f64> {
    let mut lift_mm = 15.0;
    for _ in 0..6 {
        let asked = Asked {
            tolerance_mm: lift_mm,
            lifted: vec![Lifted::Heel],
            draws: 40,
            distance_m: place.distance_m,
            threads: 1,
        };
        let shown = map::shown(setting, &[*place], &Stances::draw(setting, &asked)?);
        let next: f64 = shown.map_or(60.0, |s| s.worst_mm());
        let done = (next / lift_mm - 1.0_f64).abs() < 0.05;
        lift_mm = (0.5 * (lift_mm + next)).clamp(4.0, 80.0);
        if done {
            break;
        }
    }
    Ok(lift_mm)
}

/// Sums the sizes over all views: how often lifts of so many times the foretold L are shown.
pub fn by_size(rows: &[Row]) -> [Count; SIZE_COUNT] {
    std::array::from_fn(|s| Count {
        of: rows.iter().map(|r| r.shown[s].of).sum(),
        total: rows.iter().map(|r| r.shown[s].total).sum(),
    })
}

/// The table as Markdown, worst first.
pub fn markdown(rows: &[Row]) -> String {
    let mut sorted: Vec<&Row> = rows.iter().collect();
    sorted.sort_by(|a, b| {
        let share = |r: &Row| r.shown[0].share().unwrap_or(0.0);
        share(a).total_cmp(&share(b))
    });
    let sizes: Vec<String> = SIZES.windows(2).map(|w| format!("lifts of {}–{} L shown", w[0], w[1])).collect();
    let mut out = format!(
        "| floor | elevation | azimuth | foretold smallest heel lift L, mm | stated at 1–1.3 L, median mm | {} | nine in ten foretold from S, mm | lifts of S–1.5 S shown | heels that are down shown |\n|{}\n",
        sizes.join(" | "),
        " --- |".repeat(8 + SIZE_COUNT)
    );
    let share = |c: &Count| {
        let [low, high] = c.wilson(0.95);
        match c.share() {
            Some(s) => format!("{:.0} % ({:.0}–{:.0}; {}/{})", 100.0 * s, 100.0 * low, 100.0 * high, c.of, c.total),
            None => "none".to_string(),
        }
    };
    let counts = |c: &[Count]| c.iter().map(&share).collect::<Vec<_>>().join(" | ");
    for r in sorted {
        let _ = writeln!(
            out,
            "| {} | {:.0}° | {:.0}° | {:.1} | {:.1} | {} | {} | {} | {} |",
            if r.view.floor == Floor::Body { "body" } else { "marks" },
            r.view.elevation_deg,
            r.view.azimuth_deg,
            r.foretold_mm,
            r.stated_mm,
            counts(&r.shown),
            r.sure_from_mm.map_or("none tried".to_string(), |s| format!("{s:.0}")),
            share(&r.sure),
            share(&r.falsely_shown)
        );
    }
    let sum = |f: &dyn Fn(&Row) -> Count| Count {
        of: rows.iter().map(|r| f(r).of).sum(),
        total: rows.iter().map(|r| f(r).total).sum(),
    };
    let _ = writeln!(
        out,
        "| all | | | | | {} | | {} | {} |",
        counts(&by_size(rows)),
        share(&sum(&|r| r.sure)),
        share(&sum(&|r| r.falsely_shown))
    );
    out
}

/// A measured still: what the program stated there, and what the map foretells for such a view.
#[derive(Debug, Clone, PartialEq)]
pub struct Against {
    /// Where the floor came from.
    pub floor: Floor,
    /// Elevation, degrees.
    pub elevation_deg: f64,
    /// What is lifted in truth.
    pub lifted: Lifted,
    /// Stated by the program for its own picture, mm (of the part that is lifted; the larger of both where nothing is).
    pub stated_mm: f64,
    /// Foretold for a typical picture of that view, mm: middle, tenth, ninetieth of a hundred.
    pub foretold_mm: [f64; 3],
    /// Whether the lift stood out in the program's own picture (where something is lifted).
    pub stood_out: bool,
    /// Probability of that as foretold.
    pub foretold_out: f64,
}

#[derive(Deserialize)]
struct StillLine {
    floor: String,
    truth: StillTruth,
    hold: Option<StillHold>,
}

#[derive(Deserialize)]
struct StillTruth {
    azimuth_deg: f64,
    elevation_deg: f64,
    focal_px: f64,
    image_size: [usize; 2],
    kneeling_leg: Leg,
    gap_mm: std::collections::BTreeMap<String, f64>,
    shank_length_m: f64,
    shank_px: f64,
    stature_m: f64,
}

#[derive(Deserialize)]
struct StillHold {
    view: StillView,
    gaps: Vec<GapReport>,
}

#[derive(Deserialize)]
struct StillView {
    smallest_lift_mm: PerPart<f64>,
}

/// Holds the map against stills that the whole program measured (`examples/measure_stills.rs`, one JSON text a line).
///
/// # Errors
/// [`Error::Input`] where a line is not such a text.
pub fn against_stills(text: &str, draws: usize) -> Result<Vec<Against>> {
    let (shape, errors, views, rules) = (
        LegShape::shipped(),
        FusionErrors::shipped(),
        ViewErrors::shipped(),
        RuleProfile::shipped(),
    );
    let mut out = Vec::new();
    for (n, line) in text.lines().filter(|l| !l.trim().is_empty()).enumerate() {
        let still: StillLine =
            serde_json::from_str(line).map_err(|e| Error::input(format!("Line {} is no measured still ({e}).", n + 1)))?;
        let floor = match still.floor.as_str() {
            "marks" => Floor::Marks,
            "body" => Floor::Body,
            _ => continue,
        };
        let (Some(hold), t) = (still.hold, still.truth) else { continue };
        let gap = |s: Station| t.gap_mm.get(s.key()).copied().unwrap_or(0.0);
        let (heel, calf) = (
            gap(Station::Heel),
            Station::ALL[..5].iter().map(|s| gap(*s)).fold(f64::NEG_INFINITY, f64::max),
        );
        let (lifted, lift_mm) = match (heel, calf) {
            (_, c) if c > 10.0 => (Lifted::Calf, c),
            (h, _) if h > 10.0 => (Lifted::Heel, h),
            _ => (Lifted::Nothing, 25.0),
        };
        let setting = Setting {
            image_size: t.image_size,
            focal_px: t.focal_px,
            stature_m: t.stature_m,
            shank: size::from_stature(Some(t.stature_m)),
            floor,
            reading: Reading::Networks(&views),
            frames: 1,
            shape: &shape,
            errors: &errors,
            rules: &rules,
        };
        let side = if t.kneeling_leg == Leg::Right { 1.0 } else { -1.0 };
        let place = Place {
            azimuth_deg: side * t.azimuth_deg,
            elevation_deg: t.elevation_deg.max(1.0),
            distance_m: t.focal_px * t.shank_length_m / t.shank_px,
        };
        // Lifts by the centimetre, so that stances need not be drawn anew for each still.
        let lift_mm = ((lift_mm / 10.0).round() * 10.0).clamp(10.0, 60.0);
        let Ok(stances) = stances::draw(&rules, lifted, lift_mm, setting.shank.mean_m, draws) else {
            continue;
        };
        let of = |p: &PerPart<f64>| match lifted {
            Lifted::Calf => p.calf,
            Lifted::Heel => p.heel,
            Lifted::Nothing => p.calf.max(p.heel),
        };
        let threshold = normal::quantile(rules.call_confidence);
        let calls: Vec<_> = stances
            .iter()
            .enumerate()
            .filter_map(|(k, s)| Some(setting.call(&[place], s, k as u64)?.judged))
            .collect();
        let out_of = calls.iter().filter(|j| map::stands_out(&j.gaps, lifted, threshold)).count();
        let mut lifts: Vec<f64> = calls.iter().map(|j| of(&j.smallest_lift_mm)).collect();
        if lifts.is_empty() {
            continue;
        }
        lifts.sort_by(f64::total_cmp);
        let at = |q: f64| lifts[((lifts.len() - 1) as f64 * q).round() as usize];
        out.push(Against {
            floor,
            elevation_deg: t.elevation_deg,
            lifted,
            stated_mm: of(&hold.view.smallest_lift_mm),
            foretold_mm: [at(0.5), at(0.1), at(0.9)],
            stood_out: map::stands_out(&hold.gaps, lifted, threshold),
            foretold_out: out_of as f64 / calls.len() as f64,
        });
    }
    Ok(out)
}

/// That as a Markdown table by elevation and lift.
pub fn against_markdown(stills: &[Against]) -> String {
    let mut out = String::from(
        "| floor | camera | lifted | stills | foretold, median mm | stated, median mm | stated / foretold: median (10th–90th) | stated within the foretold 10th to 90th | stood out: foretold, counted |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    let by_lift = [
        (Some(Lifted::Nothing), "nothing"),
        (Some(Lifted::Heel), "heel"),
        (Some(Lifted::Calf), "calf"),
    ];
    // Last both floors and all lifts together: what the factors of `models/view_errors.json` are set by.
    for (floor, name, lifts) in [
        (Some(Floor::Marks), "marks", &by_lift[..]),
        (Some(Floor::Body), "body", &by_lift[..]),
        (None, "both", &[(None, "any")][..]),
    ] {
        for (class, low, high) in [("low (≤ 10°)", -90.0, 10.0), ("middle", 10.0, 25.0), ("high (≥ 25°)", 25.0, 90.0)] {
            for (lifted, what) in lifts {
                let these: Vec<&Against> = stills
                    .iter()
                    .filter(|s| floor.is_none_or(|f| s.floor == f) && lifted.is_none_or(|l| s.lifted == l))
                    .filter(|s| s.elevation_deg >= low && s.elevation_deg < high)
                    .collect();
                if these.is_empty() {
                    continue;
                }
                let quantile = |mut v: Vec<f64>, q: f64| {
                    v.sort_by(f64::total_cmp);
                    v[((v.len() - 1) as f64 * q).round() as usize]
                };
                let of = |f: &dyn Fn(&Against) -> f64| these.iter().map(|s| f(s)).collect::<Vec<f64>>();
                let ratio = of(&|s| s.stated_mm / s.foretold_mm[0]);
                let inside = Count::of(these.iter().map(|s| (s.foretold_mm[1]..=s.foretold_mm[2]).contains(&s.stated_mm)));
                let _ = writeln!(
                    out,
                    "| {name} | {class} | {what} | {} | {:.1} | {:.1} | {:.2} ({:.2}–{:.2}) | {}/{} | {:.1}, {} |",
                    these.len(),
                    quantile(of(&|s| s.foretold_mm[0]), 0.5),
                    quantile(of(&|s| s.stated_mm), 0.5),
                    quantile(ratio.clone(), 0.5),
                    quantile(ratio.clone(), 0.1),
                    quantile(ratio, 0.9),
                    inside.of,
                    inside.total,
                    these.iter().map(|s| s.foretold_out).sum::<f64>(),
                    these.iter().filter(|s| s.stood_out).count()
                );
            }
        }
    }
    out
}
