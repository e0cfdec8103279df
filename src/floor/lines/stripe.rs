//! A stripe measured: where its middle and its two edges are, at sub-pixel accuracy, and how well that is known.
//!
//! The picture is cut across the stripe every few pixels. To each cut, averaged a little along the stripe, a profile is fitted: one level on the left, one on the stripe, one on the
//! right, blurred by the lens (levels by linear least squares inside a search for middle and breadth). Straight lines through the cuts' middles and breadths then give what
//! [`super::fit`] works with: the middle and the breadth at two places. The middle is the best of it; the breadth of a stripe of a pixel or two rests on the blur and says little.

use super::edges::{level, Guess};
use super::mask::Mask;
use crate::floor::sheet::align::Grey;
use crate::numerics::{median, normal};
use crate::types::ImagePoint;
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

/// A stripe measured in a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Stripe {
    /// Ends of its middle as far as it was seen.
    pub ends: [ImagePoint; 2],
    /// Two points on its middle, well inside; what follows is measured there.
    pub stations: [ImagePoint; 2],
    /// Unit vector across it.
    pub across: [f64; 2],
    /// Standard deviation of the middle across the stripe, px.
    pub middle_sd_px: [f64; 2],
    /// Distance between its edges, px.
    pub width_px: [f64; 2],
    /// Standard deviation of that, px.
    pub width_sd_px: [f64; 2],
}

/// What no scatter of cuts shows (lens distortion, an unevenly laid tape, sampling), px on the middle.
const SYSTEMATIC_PX: f64 = 0.25;
/// A cut must show at least this contrast, grey levels.
const LEAST_CONTRAST: f64 = 5.0;
/// And this many times what is left over by its profile.
const LEAST_CONTRAST_OVER_NOISE: f64 = 2.5;
/// The fewest cuts that make a stripe.
const LEAST_CUTS: usize = 8;
/// Share of the cuts between its ends that must show it.
const LEAST_SEEN: f64 = 0.6;
/// A stripe that departs further from a straight line is no taped line, px.
const LARGEST_BOW_PX: f64 = 2.5;
/// Blurs of lens and sensor (standard deviations) that are tried, px.
const BLURS_PX: [f64; 7] = [0.5, 0.65, 0.8, 1.0, 1.25, 1.6, 2.1];
/// The blur where no stripe shows it, px.
const USUAL_BLUR_PX: f64 = 0.85;
/// From this breadth on a stripe's edges stand apart, px.
const BROAD_PX: f64 = 3.5;
/// Errors of neighbouring cuts are alike (compression, texture): variances of the lines through them are larger by this factor.
const SHARED_ERROR: f64 = 3.0;

/// One cut across the stripe.
#[derive(Debug, Clone, Copy)]
struct Cut {
    /// Along the line, px.
    at: f64,
    /// Middle over the line, px across.
    middle: f64,
    width: f64,
    /// What the profile left over, as a share of the contrast.
    rest: f64,
}

/// A profile fitted to one cut.
#[derive(Debug, Clone, Copy)]
struct Profile {
    middle: f64,
    width: f64,
    contrast: f64,
    rms: f64,
}

/// Levels left, on and right of a stripe for given edges; what is left over.
fn levels(samples: &[(f64, f64)], middle: f64, width: f64, blur: f64) -> Option<(Vector3<f64>, f64)> {
    let (first, second) = (middle - 0.5 * width, middle + 0.5 * width);
    let mut normal_matrix = Matrix3::zeros();
    let mut right = Vector3::zeros();
    let mut square = 0.0;
    for (s, value) in samples {
        let (p, q) = (normal::cdf((s - first) / blur), normal::cdf((s - second) / blur));
        let basis = Vector3::new(1.0 - p, p - q, q);
        normal_matrix += basis * basis.transpose();
        right += basis * *value;
        square += value * value;
    }
    let x = normal_matrix.cholesky()?.solve(&right);
    Some((x, (square - x.dot(&right)).max(0.0)))
}

/// Fits middle and breadth of one cut, starting at what is expected; the breadth is held loosely there.
fn profile(samples: &[(f64, f64)], expected: (f64, f64), blur: f64) -> Option<Profile> {
    let n = samples.len() as f64;
    let (mut middle, mut ln_width) = (expected.0, expected.1.ln());
    let cost = |m: f64, l: f64| -> Option<f64> {
        let (_, rest) = levels(samples, m, l.exp(), blur)?;
        // A breadth that says nothing must not run away: as much as a tenth of the cut's own scatter for a factor of two.
        Some(rest + 0.1 * noise_floor(samples) * n * ((l - expected.1.ln()) / 0.7).powi(2))
    };
    let mut step = [0.25, 0.12];
    let mut best = cost(middle, ln_width)?;
    // A pattern search: the cost has kinks where an edge leaves the cut, and two parameters are few.
    for _ in 0..40 {
        let mut moved = false;
        for (dm, dl) in [(step[0], 0.0), (-step[0], 0.0), (0.0, step[1]), (0.0, -step[1])] {
            if let Some(c) = cost(middle + dm, ln_width + dl).filter(|c| *c < best) {
                best = c;
                middle += dm;
                ln_width += dl;
                moved = true;
                break;
            }
        }
        if !moved {
            step = step.map(|s| 0.5 * s);
            if step[0] < 0.008 {
                break;
            }
        }
    }
    let (level, rest) = levels(samples, middle, ln_width.exp(), blur)?;
    let beside = 0.5 * (level[0] + level[2]);
    // Against the nearer of the two sides: a step from one level to another is no stripe.
    let contrast = if level[1] > beside {
        (level[1] - level[0].max(level[2])).max(0.0)
    } else {
        (level[1] - level[0].min(level[2])).min(0.0)
    };
    Some(Profile {
        middle,
        width: ln_width.exp(),
        contrast,
        rms: (rest / n).sqrt(),
    })
}

/// The square of the noise from one sample to the next, grey levels.
fn noise_floor(samples: &[(f64, f64)]) -> f64 {
    let differences: f64 = samples.windows(3).map(|w| (w[0].1 - 2.0 * w[1].1 + w[2].1).powi(2) / 6.0).sum();
    (differences / samples.len().max(1) as f64).clamp(0.05, 25.0)
}

/// A line along the stripe, and its middle and breadth as straight lines over the place on it.
#[derive(Debug, Clone, Copy)]
struct Course {
    origin: Vector2<f64>,
    along: Vector2<f64>,
    middle: [f64; 2],
    width: [f64; 2],
}

impl Course {
    fn across(&self) -> Vector2<f64> {
        Vector2::new(-self.along.y, self.along.x)
    }

    fn middle_at(&self, t: f64) -> f64 {
        self.middle[0] + self.middle[1] * t
    }

    fn width_at(&self, t: f64) -> f64 {
        (self.width[0] + self.width[1] * t).max(0.5)
    }

    fn point(&self, t: f64) -> ImagePoint {
        let p = self.origin + self.along * t + self.across() * self.middle_at(t);
        ImagePoint::new(p.x, p.y)
    }
}

/// What became of one place along the stripe.
enum Place {
    /// Outside the picture.
    Outside,
    /// The athlete is in front.
    Hidden,
    /// Looked at, not there.
    Missing,
    Seen(Cut),
}

impl Place {
    fn seen(self) -> Option<Cut> {
        match self {
            Self::Seen(cut) => Some(cut),
            _ => None,
        }
    }
}

fn cut(grey: &Grey, mask: &Mask, course: &Course, t: f64, over_px: f64, blur: f64, brighter: bool) -> Place {
    let at = course.point(t);
    let margin = 2.0;
    let inside = at.u > margin && at.v > margin && at.u < grey.width as f64 - margin && at.v < grey.height as f64 - margin;
    if !inside {
        return Place::Outside;
    }
    if mask.hides(at) {
        return Place::Hidden;
    }
    let width = course.width_at(t);
    let reach = 0.5 * width + (0.7 * width).clamp(3.5, 12.0);
    let across = course.across();
    let n = (2.0 * reach / 0.5).ceil() as i32;
    let lines = (over_px.round() as i32).max(1);
    let samples: Vec<(f64, f64)> = (0..=n)
        .map(|k| {
            let s = -reach + 2.0 * reach * f64::from(k) / f64::from(n);
            let sum: f64 = (0..lines)
                .map(|l| {
                    let along = t + f64::from(l) - 0.5 * f64::from(lines - 1);
                    let p = course.origin + course.along * along + across * (course.middle_at(along) + s);
                    level(grey, p.x, p.y)
                })
                .sum();
            (s, sum / f64::from(lines))
        })
        .collect();
    let Some(p) = profile(&samples, (0.0, width), blur) else {
        return Place::Missing;
    };
    // What the picture itself shows of it: a stripe thinner than the blur stands out by less than its own level, and a hair of any level can be fitted to noise.
    let shown = p.contrast.abs() * (p.width / (2.5 * blur)).min(1.0);
    let there = (p.contrast > 0.0) == brighter
        && shown > LEAST_CONTRAST.max(LEAST_CONTRAST_OVER_NOISE * p.rms)
        && p.middle.abs() < 2.0_f64.max(0.4 * width)
        // A thin stripe's edges are found where the blur puts them, further apart than they are.
        && p.width > 0.45 * (width - 1.5).max(0.2)
        && p.width < 2.2 * width;
    if there {
        Place::Seen(Cut {
            at: t,
            middle: course.middle_at(t) + p.middle,
            width: p.width,
            rest: p.rms / p.contrast.abs(),
        })
    } else {
        Place::Missing
    }
}

/// A straight line through values, outliers left out: intercept and slope, and their covariance (of unit weights times the scatter).
fn straight(points: &[(f64, f64)]) -> Option<([f64; 2], Matrix2<f64>)> {
    let mut kept: Vec<(f64, f64)> = points.to_vec();
    let mut result = None;
    for _ in 0..4 {
        if kept.len() < LEAST_CUTS {
            return result;
        }
        let mut m = Matrix2::zeros();
        let mut r = Vector2::zeros();
        for (t, y) in &kept {
            let b = Vector2::new(1.0, *t);
            m += b * b.transpose();
            r += b * *y;
        }
        let inverse = m.try_inverse()?;
        let x = inverse * r;
        let off = |p: &(f64, f64)| (p.1 - x[0] - x[1] * p.0).abs();
        let scatter = 1.4826 * median(kept.iter().map(off).collect())?;
        result = Some(([x[0], x[1]], inverse * (scatter * scatter)));
        let limit = (3.0 * scatter).max(0.15);
        let before = kept.len();
        kept = points.iter().filter(|p| off(p) < limit).copied().collect();
        if kept.len() == before {
            break;
        }
    }
    result
}

/// How blurred a picture is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blur {
    /// Standard deviation, px.
    pub px: f64,
    /// Whether stripes of the picture showed it; else it is a usual one.
    pub seen: bool,
}

/// The picture's blur: from stripes broad enough that their edges show it; a usual one where there is none.
///
/// A stripe of a pixel or two and a sharper lens look the same as a thinner stripe and a softer lens: a thin one's breadth needs the blur from elsewhere.
pub fn blur_of(grey: &Grey, mask: &Mask, guesses: &[Guess]) -> Blur {
    let broad = guesses
        .iter()
        .filter(|g| g.width_px[0].min(g.width_px[1]) > BROAD_PX)
        .take(6)
        .filter_map(|g| {
            let (course, _, within) = course_of(g)?;
            let thin: Vec<f64> = within.iter().step_by((within.len() / 16).max(1)).copied().collect();
            let fits = |blur: f64| -> Option<f64> {
                let cuts: Vec<Cut> = thin
                    .iter()
                    .filter_map(|t| cut(grey, mask, &course, *t, 3.0, blur, g.brighter).seen())
                    .collect();
                (cuts.len() >= LEAST_CUTS).then(|| median(cuts.iter().map(|c| c.rest).collect()))?
            };
            BLURS_PX
                .iter()
                .filter_map(|b| Some((*b, fits(*b)?)))
                .min_by(|x, y| x.1.total_cmp(&y.1))
                .map(|x| x.0)
        });
    let seen = median(broad.collect());
    Blur {
        px: seen.unwrap_or(USUAL_BLUR_PX),
        seen: seen.is_some(),
    }
}

/// The guess as a course, the distance between its cuts, and where along it they are, px.
fn course_of(guess: &Guess) -> Option<(Course, f64, Vec<f64>)> {
    let ends = guess.ends.map(|e| Vector2::new(e.u, e.v));
    let length = (ends[1] - ends[0]).norm();
    if !(length.is_finite() && length > 1.0) {
        return None;
    }
    let course = Course {
        origin: 0.5 * (ends[0] + ends[1]),
        along: (ends[1] - ends[0]) / length,
        middle: [0.0, 0.0],
        width: [
            0.5 * (guess.width_px[0] + guess.width_px[1]),
            (guess.width_px[1] - guess.width_px[0]) / length,
        ],
    };
    let step = (length / 60.0).clamp(3.0, 14.0);
    let n = (length / step).floor() as i32;
    let within = (0..=n)
        .map(|k| -0.5 * length + length * f64::from(k) / f64::from(n.max(1)))
        .collect();
    Some((course, step, within))
}

/// Measures a stripe along a guess in a picture of this blur; `None` where none is there.
pub fn measure(grey: &Grey, mask: &Mask, guess: &Guess, blur: Blur) -> Option<Stripe> {
    let Blur { px: blur, seen: blur_seen } = blur;
    let (mut course, step, within) = course_of(guess)?;
    let length = guess.ends[0].distance_px(guess.ends[1]);
    let look = |course: &Course, t: f64| cut(grey, mask, course, t, step, blur, guess.brighter);
    for _ in 0..2 {
        let cuts: Vec<Cut> = within.iter().filter_map(|t| look(&course, *t).seen()).collect();
        refine(&mut course, &cuts)?;
    }
    let places: Vec<Place> = within.iter().map(|t| look(&course, *t)).collect();
    let mut looked = places.iter().filter(|p| !matches!(p, Place::Hidden | Place::Outside)).count();
    let mut cuts: Vec<Cut> = places.into_iter().filter_map(Place::seen).collect();
    // On from both ends as long as it shows, over what the athlete hides.
    for direction in [-1.0, 1.0] {
        let (mut t, mut missing) = (0.5 * direction * length, 0);
        let mut waiting = 0;
        loop {
            t += direction * step;
            match look(&course, t) {
                Place::Outside => break,
                Place::Hidden => {}
                Place::Missing => {
                    missing += 1;
                    waiting += 1;
                    if missing > 4 {
                        break;
                    }
                }
                Place::Seen(c) => {
                    missing = 0;
                    looked += waiting + 1;
                    waiting = 0;
                    cuts.push(c);
                }
            }
        }
    }
    cuts.sort_by(|a, b| a.at.total_cmp(&b.at));
    let [middle_covariance, width_covariance] = refine(&mut course, &cuts)?;
    let (from, to) = (cuts.first()?.at, cuts.last()?.at);
    let seen_share = cuts.len() as f64 / looked.max(1) as f64;
    let bow_px = bow(&cuts, &course, from, to);
    if seen_share < LEAST_SEEN || bow_px > LARGEST_BOW_PX || to - from < 0.5 * length {
        return None;
    }
    let at = [from + 0.15 * (to - from), from + 0.85 * (to - from)];
    let width_px = at.map(|t| course.width_at(t));
    let sd = |covariance: &Matrix2<f64>, t: f64| {
        (SHARED_ERROR * (Vector2::new(1.0, t).transpose() * covariance * Vector2::new(1.0, t))[0])
            .max(0.0)
            .sqrt()
    };
    // The middle's line is slightly oblique to the guess: across it is what counts.
    let along = (course.along + course.across() * course.middle[1]).normalize();
    Some(Stripe {
        ends: [course.point(from), course.point(to)],
        stations: at.map(|t| course.point(t)),
        across: [-along.y, along.x],
        middle_sd_px: at.map(|t| sd(&middle_covariance, t).hypot(SYSTEMATIC_PX.max(bow_px))),
        width_px,
        width_sd_px: std::array::from_fn(|k| {
            let w = width_px[k];
            // Bright lines bloom, and the breadth of a thin one is mostly blur: a fifth of a pixel of blur is a pixel of its breadth.
            let of_blur = if blur_seen { 0.25 } else { 0.45 };
            sd(&width_covariance, at[k]).hypot(0.12 + 0.04 * w + of_blur * (BROAD_PX - w).max(0.0))
        }),
    })
}

/// Lays the course through the cuts; covariances of its middle's and its breadth's line.
fn refine(course: &mut Course, cuts: &[Cut]) -> Option<[Matrix2<f64>; 2]> {
    let (middle, of_middle) = straight(&cuts.iter().map(|c| (c.at, c.middle)).collect::<Vec<_>>())?;
    let (width, of_width) = straight(&cuts.iter().map(|c| (c.at, c.width)).collect::<Vec<_>>())?;
    course.middle = middle;
    course.width = width;
    Some([of_middle, of_width])
}

/// How far the middle departs from its line in the stripe's middle third against its ends, px.
fn bow(cuts: &[Cut], course: &Course, from: f64, to: f64) -> f64 {
    let off = |low: f64, high: f64| {
        median(
            cuts.iter()
                .filter(|c| c.at >= from + low * (to - from) && c.at <= from + high * (to - from))
                .map(|c| c.middle - course.middle_at(c.at))
                .collect(),
        )
    };
    match (off(0.0, 0.25), off(0.375, 0.625), off(0.75, 1.0)) {
        (Some(a), Some(b), Some(c)) => (b - 0.5 * (a + c)).abs(),
        _ => 0.0,
    }
}

/// The stripes of a picture that stand apart from each other: of two on one line the longer one.
pub fn distinct(mut stripes: Vec<Stripe>) -> Vec<Stripe> {
    stripes.sort_by(|x, y| y.ends[0].distance_px(y.ends[1]).total_cmp(&x.ends[0].distance_px(x.ends[1])));
    let mut kept: Vec<Stripe> = Vec::new();
    for s in stripes {
        let same = kept.iter().any(|k| {
            let limit = 1.5 + 0.6 * k.width_px[0].max(k.width_px[1]);
            let off = |p: ImagePoint| ((p.u - k.stations[0].u) * k.across[0] + (p.v - k.stations[0].v) * k.across[1]).abs();
            s.stations.iter().all(|p| off(*p) < limit)
        });
        if !same {
            kept.push(s);
        }
    }
    kept
}
