//! The map held against measured poses of rendered bodies (`docs/bench-where.md`).
//!
//! For a view the map says a smallest lift L: one that stands off zero at the rule profile's confidence nine times in ten. So of the measured poses with lifts of about L or more, seen
//! from there, nine in ten at least should be shown; and of those with nothing lifted, no more than the confidence allows.

use crate::bench::poses::{self, Half, Pose};
use crate::check::size;
use crate::error::Result;
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::LegShape;
use crate::numerics::normal;
use crate::rules::RuleProfile;
use crate::statistics::wilson::Count;
use crate::viewpoint::map::{self, Asked, Stances};
use crate::viewpoint::simulate::{Floor, Place, Reading, Setting};
use crate::viewpoint::stances::{Lifted, Stance};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
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
pub const VIEWS: [ViewClass; 12] = [
    class(4.0, 90.0, Floor::Marks),
    class(4.0, -30.0, Floor::Marks),
    class(15.0, 90.0, Floor::Marks),
    class(15.0, -135.0, Floor::Marks),
    class(30.0, 90.0, Floor::Marks),
    class(30.0, 0.0, Floor::Marks),
    class(45.0, -60.0, Floor::Marks),
    class(4.0, 90.0, Floor::Body),
    class(4.0, -30.0, Floor::Body),
    class(15.0, 90.0, Floor::Body),
    class(30.0, 90.0, Floor::Body),
    class(45.0, -60.0, Floor::Body),
];

/// Noise on points and marks, px.
const NOISE_PX: f64 = 1.0;
/// Frame and focal length: a moderate lens, so that a shank measures about 100 px from six metres away.
const IMAGE_SIZE: [usize; 2] = [1920, 1080];
const FOCAL_PX: f64 = 1500.0;
/// Lifts from L to this many times L count as "of about that size".
const UP_TO: f64 = 1.6;

/// What came out for a view.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// The view.
    pub view: ViewClass,
    /// Smallest heel lift that the map foretells, mm.
    pub foretold_mm: f64,
    /// Poses whose heel is lifted by L to 1.6 L: how many stood off zero at the confidence.
    pub shown: Count,
    /// Poses whose heel is down (under 3 mm): how many stood off zero nevertheless.
    pub falsely_shown: Count,
    /// Median smallest lift that the program itself stated on the lifted ones, mm.
    pub stated_mm: f64,
}

/// Runs the bench: up to `most` poses of each kind a view, each seen `times` times.
///
/// # Errors
/// Where the poses or the shape cannot be used.
pub fn rows(views: &[ViewClass], most: usize, times: u64) -> Result<Vec<Row>> {
    let (shape, errors, rules) = (LegShape::shipped(), FusionErrors::shipped(), RuleProfile::shipped());
    let poses: Vec<Pose> = poses::shipped()?.into_iter().filter(|p| p.half == Half::Test).collect();
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
                shown: Count { of: 0, total: 0 },
                falsely_shown: Count { of: 0, total: 0 },
                stated_mm: 0.0,
            };
            let mut stated = Vec::new();
            let mut seen = [0, 0];
            for (n, pose) in poses.iter().enumerate() {
                let lift_mm = pose.gap_mm[5] - rules.hollow.mean_mm[5];
                let lifted = (1.0..UP_TO).contains(&(lift_mm / foretold_mm));
                let down = lift_mm < 3.0;
                let kind = usize::from(down);
                if !(lifted || down) || seen[kind] >= most {
                    continue;
                }
                seen[kind] += 1;
                for k in 0..times {
                    let mut rng = ChaCha8Rng::seed_from_u64(7 + k);
                    rng.set_stream(n as u64);
                    let called = setting(pose.stature_m).call_with(&[place], &Stance::of_pose(pose), pose.shank_m, &mut rng);
                    let Some(judged) = called.map(|c| c.judged) else { continue };
                    let heel = &judged.gaps[5];
                    let off_zero = heel.gap_mm > threshold * heel.sd_mm;
                    let count = if lifted { &mut row.shown } else { &mut row.falsely_shown };
                    count.total += 1;
                    count.of += u64::from(off_zero);
                    if lifted {
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

/// The table as Markdown, worst first.
pub fn markdown(rows: &[Row]) -> String {
    let mut sorted: Vec<&Row> = rows.iter().collect();
    sorted.sort_by(|a, b| a.shown.share().unwrap_or(0.0).total_cmp(&b.shown.share().unwrap_or(0.0)));
    let mut out = String::from(
        "| floor | elevation | azimuth | foretold smallest heel lift, mm | stated on the poses, median mm | lifts of 1 to 1.6 times that shown | heels that are down shown |\n| --- | --- | --- | --- | --- | --- | --- |\n",
    );
    let share = |c: &Count| {
        let [low, high] = c.wilson(0.95);
        format!(
            "{:.0} % ({:.0}–{:.0}; {}/{})",
            100.0 * c.share().unwrap_or(f64::NAN),
            100.0 * low,
            100.0 * high,
            c.of,
            c.total
        )
    };
    for r in sorted {
        let _ = writeln!(
            out,
            "| {} | {:.0}° | {:.0}° | {:.1} | {:.1} | {} | {} |",
            if r.view.floor == Floor::Body { "body" } else { "marks" },
            r.view.elevation_deg,
            r.view.azimuth_deg,
            r.foretold_mm,
            r.stated_mm,
            share(&r.shown),
            share(&r.falsely_shown)
        );
    }
    out
}
