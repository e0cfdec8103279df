//! The map: every place about the athlete and the smallest lift it can show.

use crate::error::{Error, Result};
use crate::numerics::normal;
use crate::numerics::threads;
use crate::outcome::GapReport;
use crate::statistics::wilson::Count;
use crate::types::STATION_COUNT;
use crate::viewpoint::simulate::{Place, Setting, Unusable};
use crate::viewpoint::stances::{self, Lifted, Stance};
use serde::{Deserialize, Serialize};

/// Directions about the athlete, one every 30 degrees.
pub const DIRECTIONS: usize = 12;
/// Heights of the camera over the carpet that are looked at, metres; those steeper than [`STEEPEST_DEG`] or beyond the distance are left out.
pub const HEIGHTS_M: [f64; 9] = [0.2, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.5, 9.0];
/// The networks were trained on cameras up to this elevation.
pub const STEEPEST_DEG: f64 = 50.0;
/// The networks were trained on cameras from this elevation.
const FLATTEST_DEG: f64 = 1.0;
/// At most so many heights.
const MOST_HEIGHTS: usize = 6;
/// A place this much worse than the best is as good in practice: within the scatter of clothes and light.
const AS_GOOD: f64 = 1.15;

/// Lifts that [`sure_from_mm`] tries, mm.
pub const TRIED_LIFTS_MM: [f64; 9] = [10.0, 15.0, 20.0, 25.0, 30.0, 36.0, 43.0, 52.0, 62.0];

/// Smallest lift on the calf and on the heel, mm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lift {
    /// Median of the simulated calls.
    pub median_mm: f64,
    /// From the tenth in a hundred …
    pub low_mm: f64,
    /// … to the ninetieth.
    pub high_mm: f64,
}

impl Lift {
    fn of(mut values: Vec<f64>) -> Option<Self> {
        values.sort_by(f64::total_cmp);
        let at = |q: f64| values[((values.len() - 1) as f64 * q).round() as usize];
        (!values.is_empty()).then(|| Self {
            median_mm: at(0.5),
            low_mm: at(0.1),
            high_mm: at(0.9),
        })
    }
}

/// What a place, or two together, can show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shown {
    /// Smallest lift of the calf that shows, where the calf is lifted; absent where that was not asked for.
    pub calf: Option<Lift>,
    /// The same of the heel, where the heel is lifted.
    pub heel: Option<Lift>,
    /// The larger of both on a clean stance: within the tolerance, a clean stance can be called clear.
    pub clean: Option<Lift>,
}

impl Shown {
    /// The larger of calf's and heel's median (or the clean stance's, where only that was asked for), mm.
    pub fn worst_mm(&self) -> f64 {
        let lifted = [&self.calf, &self.heel].into_iter().flatten().map(|l| l.median_mm).reduce(f64::max);
        lifted.or(self.clean.map(|l| l.median_mm)).unwrap_or(f64::INFINITY)
    }
}

/// One place of the map.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cell {
    /// Where.
    pub place: Place,
    /// Camera height over the carpet, metres.
    pub height_m: f64,
    /// Apparent length of the shank, px.
    pub shank_px: f64,
    /// What it can show.
    pub shown: Option<Shown>,
    /// Why nothing, where nothing.
    pub unusable: Option<Unusable>,
}

/// What to look at.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// Tolerance, mm: also the lift that the stances have.
    pub tolerance_mm: f64,
    /// Which stances.
    pub lifted: Vec<Lifted>,
    /// Stances of each kind at every place.
    pub draws: usize,
    /// Distance of the camera from the leg, metres.
    pub distance_m: f64,
    /// Threads.
    pub threads: usize,
}

/// Stances drawn once for all places.
#[derive(Debug, Clone)]
pub struct Stances(Vec<(Lifted, Vec<Stance>)>);

impl Stances {
    /// Draws them.
    ///
    /// # Errors
    /// [`Error::Input`] where there are hardly any such poses.
    pub fn draw(setting: &Setting, asked: &Asked) -> Result<Self> {
        asked
            .lifted
            .iter()
            .map(|l| {
                let shank_m = setting.shank.mean_m;
                stances::draw(setting.rules, *l, asked.tolerance_mm, shank_m, asked.draws).map(|s| (*l, s))
            })
            .collect::<Result<Vec<_>>>()
            .map(Self)
    }
}

/// What cameras at these places show together.
///
/// # Errors
/// Why not, as an [`Unusable`].
pub fn shown(setting: &Setting, places: &[Place], stances: &Stances) -> std::result::Result<Shown, Unusable> {
    for place in places {
        setting.usable(place)?;
    }
    let mut out = Shown {
        calf: None,
        heel: None,
        clean: None,
    };
    for (lifted, drawn) in &stances.0 {
        let lifts: Vec<f64> = drawn
            .iter()
            .enumerate()
            .filter_map(|(k, stance)| {
                let smallest = setting.call(places, stance, k as u64)?.judged.smallest_lift_mm;
                Some(match lifted {
                    Lifted::Calf => smallest.calf,
                    Lifted::Heel => smallest.heel,
                    Lifted::Nothing => smallest.calf.max(smallest.heel),
                })
            })
            .collect();
        if 2 * lifts.len() < drawn.len() {
            return Err(Unusable::NoFit);
        }
        let slot = match lifted {
            Lifted::Calf => &mut out.calf,
            Lifted::Heel => &mut out.heel,
            Lifted::Nothing => &mut out.clean,
        };
        *slot = Lift::of(lifts);
    }
    Ok(out)
}

/// The lift from which nine in ten simulated ones stand off zero at the rule profile's confidence, mm; `None` where not even the largest of [`TRIED_LIFTS_MM`] do.
///
/// Not the smallest lift of [`Shown`], which takes the stated deviation as it is at that lift and the estimate as unbiased: the leg's learned shape pulls small lifts towards nothing, and the
/// deviation grows with the lift, so by geometry alone this is larger.
///
/// # Errors
/// [`Error::Input`] where there are hardly any such poses.
pub fn sure_from_mm(setting: &Setting, places: &[Place], lifted: Lifted, draws: usize) -> Result<Option<f64>> {
    let threshold = normal::quantile(setting.rules.call_confidence);
    let mut sure = None;
    for lift_mm in TRIED_LIFTS_MM.into_iter().rev() {
        let drawn = stances::draw(setting.rules, lifted, lift_mm, setting.shank.mean_m, draws)?;
        let shown = Count::of(
            drawn
                .iter()
                .enumerate()
                .filter_map(|(k, stance)| setting.call(places, stance, k as u64))
                .map(|c| stands_out(&c.judged.gaps, lifted, threshold)),
        );
        if shown.share().unwrap_or(0.0) < 0.9 {
            break;
        }
        sure = Some(lift_mm);
    }
    Ok(sure)
}

/// Whether the part that is lifted (heel, else any station of the calf) stands off zero by so many of its stated deviations.
pub fn stands_out(gaps: &[GapReport], lifted: Lifted, deviations: f64) -> bool {
    let stations = match lifted {
        Lifted::Heel => STATION_COUNT - 1..STATION_COUNT,
        _ => 0..STATION_COUNT - 1,
    };
    gaps.get(stations)
        .is_some_and(|g| g.iter().any(|g| g.gap_mm > deviations * g.sd_mm))
}

/// Heights that can be looked at from a distance, metres, lowest first.
pub fn heights_m(distance_m: f64) -> Vec<f64> {
    HEIGHTS_M
        .into_iter()
        .filter(|h| {
            let sine = h / distance_m;
            (FLATTEST_DEG.to_radians().sin()..=STEEPEST_DEG.to_radians().sin()).contains(&sine)
        })
        .take(MOST_HEIGHTS)
        .collect()
}

/// Every place at the distance, lowest ring first, azimuth from 0 upwards.
pub fn places(distance_m: f64) -> Vec<Place> {
    heights_m(distance_m)
        .into_iter()
        .flat_map(|height_m| {
            (0..DIRECTIONS).map(move |k| Place {
                azimuth_deg: wrapped_deg(360.0 * k as f64 / DIRECTIONS as f64),
                elevation_deg: (height_m / distance_m).asin().to_degrees(),
                distance_m,
            })
        })
        .collect()
}

/// An angle in (−180, 180] degrees.
pub fn wrapped_deg(angle_deg: f64) -> f64 {
    let a = angle_deg.rem_euclid(360.0);
    if a > 180.0 {
        a - 360.0
    } else {
        a
    }
}

/// The map for one camera, or for a second one where `first` stands already.
///
/// # Errors
/// [`Error::Input`] where no height is left at that distance or there are hardly any such poses.
pub fn of(setting: &Setting, asked: &Asked, first: Option<&Place>) -> Result<Vec<Cell>> {
    let places = places(asked.distance_m);
    if places.is_empty() {
        return Err(Error::input(format!(
            "From {} m away no camera height between {} and {} m is within 1 to 50 degrees over the carpet; give another --distance.",
            asked.distance_m,
            HEIGHTS_M[0],
            HEIGHTS_M[HEIGHTS_M.len() - 1]
        )));
    }
    let stances = Stances::draw(setting, asked)?;
    let cell = |place: &Place| {
        let views: Vec<Place> = first.into_iter().chain([place]).copied().collect();
        let shown = shown(setting, &views, &stances);
        Cell {
            place: *place,
            height_m: place.height_m(),
            shank_px: setting.seen_from(place).shank_px,
            unusable: shown.as_ref().err().copied(),
            shown: shown.ok(),
        }
    };
    threads::in_order(places.len(), asked.threads, "map", |k| cell(&places[k]))
}

/// The best place: where the larger lift is smallest, its neighbours to the left and right counted in, since nobody stands exactly there; `None` where no place can be used.
pub fn best(cells: &[Cell]) -> Option<&Cell> {
    let around_mm = |n: usize| {
        let (ring, k) = (n / DIRECTIONS * DIRECTIONS, n % DIRECTIONS);
        let at = |k: usize| cells.get(ring + k % DIRECTIONS).map_or(f64::INFINITY, worst_mm);
        // A neighbour that cannot be used at all is no reason against a place.
        let beside = |k: usize| at(k).min(2.0 * at(n % DIRECTIONS));
        0.5 * at(k) + 0.25 * (beside(k + 1) + beside(k + DIRECTIONS - 1))
    };
    (0..cells.len())
        .filter(|n| cells[*n].shown.is_some())
        .min_by(|a, b| around_mm(*a).total_cmp(&around_mm(*b)))
        .map(|n| &cells[n])
}

/// Places as good as the best one in practice.
pub fn as_good(cells: &[Cell]) -> Vec<&Cell> {
    let limit = best(cells).map_or(0.0, |b| AS_GOOD * worst_mm(b));
    cells.iter().filter(|c| c.shown.is_some() && worst_mm(c) <= limit).collect()
}

/// The larger of a cell's lifts, mm; infinite where the place cannot be used.
pub fn worst_mm(cell: &Cell) -> f64 {
    cell.shown.as_ref().map_or(f64::INFINITY, Shown::worst_mm)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heights_follow_the_distance() {
        assert_eq!(heights_m(4.0), [0.2, 0.5, 1.0, 1.5, 2.0, 3.0]);
        // From the stands the lowest camera is steeper than a degree.
        assert_eq!(heights_m(12.0)[0], 0.5);
        assert!(heights_m(100.0).iter().all(|h| *h > 1.7));
        assert_eq!(places(4.0).len(), 6 * DIRECTIONS);
        assert!(places(4.0).iter().all(|p| p.azimuth_deg > -180.0 && p.azimuth_deg <= 180.0));
    }
}
