//! Which stripes are which sides of the carpet, and whether any are.
//!
//! Every pair of stripes is tried as two sides that meet, and every other stripe as a third and fourth side. Each guess is weighed as a hypothesis against "these are no sides of
//! such a carpet", by the ratio of how probable each makes what was seen: the stripes' places and breadths (the fit's evidence against stripes strewn over the picture), the
//! athlete's elevation and size on that floor against what the body says by itself, whether stripes end where their corner is, how much of each side shows, and sides that should show
//! and do not. With three or four sides the same lines are also weighed as sides of a rectangle of any other size. The sum over all guesses is in the denominator, so that a second guess
//! that does nearly as well takes the confidence away by itself. Guesses that come to the same camera are one: whether a corner's long side is the left or the right one does not matter to it.
//!
//! What no weighing can tell is set as a condition: residuals that the uncertainties explain, body and lines within two and a half standard deviations of each other, and lines that say more
//! than the body does.

use super::carpet::{visible, CarpetSize, Side, LINE_M, SIDES};
use super::edges;
use super::fit::{self, LinesFit, Taken};
use super::mask::Mask;
use super::stripe::{self, Stripe};
use crate::error::Result;
use crate::floor::body::BodyClues;
use crate::floor::sheet::align::Grey;
use crate::floor::FloorCamera;
use crate::numerics::chi_squared;
use crate::types::ImagePoint;
use nalgebra::DVector;

/// Confidence below which lines are not used. Set on rendered pictures of seed 1: the least sure of 15 right cameras there had 0.966, a wrong one 0.91 (see `docs/bench-lines.md`).
pub const LEAST_CONFIDENCE: f64 = 0.95;
/// Fewest sides that are used: two that meet tell the camera hardly better than the body does, and are seen alike whatever the carpet's size. Three hold two opposite ones.
const LEAST_SIDES: usize = 3;
/// Most stripes that are tried, the longest first.
const MOST_STRIPES: usize = 9;
/// Most guesses of two sides that are tried with further sides.
const MOST_EXTENDED: usize = 14;
/// Probability, before anything is seen, that somebody who says that such a carpet is in view has some of its sides measured here.
const PRIOR: f64 = 0.5;
/// Probability, before anything is seen, that what lies there is a rectangle of another size (our choice).
const PRIOR_OTHER_SIZE: f64 = 0.25;
/// Departure of body and lines from each other, standard deviations, beyond which a guess is not used.
const USED_Z: f64 = 2.5;
/// The elevation's standard deviation with the lines must be under this share of the body's own: else they are not worth their risk.
const LEAST_GAIN: f64 = 0.85;
/// Probability of residuals as large as found, below which lines do not lie as a carpet's sides do.
const LEAST_P: f64 = 1e-3;
/// The body misreads itself grossly this often (our choice).
const BODY_OUTLIER: f64 = 0.03;
/// Probability that a carpet has one more line across it (our choice).
const LINE_ACROSS: f64 = 0.2;
/// How far outside the line the athlete's leg may be, metres.
const OUTSIDE_M: f64 = 0.3;
/// Two guesses are one camera within these: elevation at the athlete, degrees, and ln distance.
const SAME_ELEVATION_DEG: f64 = 1.0;
const SAME_LN_DEPTH: f64 = 0.1;

/// Why the lines were not used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Refusal {
    /// Fewer than two stripes.
    TooFewStripes(usize),
    /// Only two sides that meet: they tell the camera hardly better than the body does, and were stated too sure (`docs/bench-lines.md`).
    TwoSides,
    /// No pair of stripes lies as two sides of the carpet would.
    NoGuess(usize),
    /// Nobody in the picture to check against.
    NoBody,
    /// The best guess is not sure enough; its confidence.
    Unsure(f64),
    /// Residuals too large; their size, px.
    Misfit(f64),
    /// On the lines' floor the camera would be this many degrees over the carpet, and by the body that many.
    Elevation(f64, f64),
    /// On the lines' floor the athlete would be this many times as large as by the body.
    Size(f64),
    /// Lines and body together come to no camera over such a carpet.
    NotJoined,
    /// The lines add too little to the body's elevation; their own standard deviation, degrees.
    SaysLess(f64),
}

impl Refusal {
    /// In a sentence.
    pub fn sentence(self) -> String {
        let why = match self {
            Self::TooFewStripes(0) => "no straight line of two parallel edges was found on it".to_string(),
            Self::TooFewStripes(n) => format!("{n} straight line was found, and three sides are needed"),
            Self::TwoSides => {
                "only two of its sides were found, which tell no more than the athlete's body does; three are needed".to_string()
            }
            Self::NoGuess(n) => format!("of {n} straight lines found no two lie as sides of the carpet that meet"),
            Self::NoBody => "no athlete was measured to check them against".to_string(),
            Self::Unsure(c) => format!("the best guess at which lines are its sides is only {:.1} % sure", 100.0 * c),
            Self::Misfit(px) => format!("the lines that come nearest miss the sides of such a carpet by {px:.1} px"),
            Self::Elevation(lines, body) => {
                format!("by them the camera would be {lines:.0}\u{b0} over the carpet and by the athlete's body {body:.0}\u{b0}")
            }
            Self::Size(times) => format!("on their floor the athlete would be {times:.2} times as large as people are"),
            Self::NotJoined => "joined with what the body says they would lie outside such a carpet".to_string(),
            Self::SaysLess(sd) => format!(
                "they tell the camera's elevation only to \u{b1} {:.1}\u{b0} (95 %), which adds too little to what the body says",
                1.96 * sd
            ),
        };
        format!("The carpet's lines were looked for and not used: {why}. The floor was taken from the body.")
    }
}

/// One guess with its weight.
#[derive(Debug, Clone)]
pub struct Guess {
    /// The fit.
    pub fit: LinesFit,
    /// Natural logarithm of its weight against "no sides".
    pub ln_weight: f64,
    /// Elevation at the athlete, radians, and its standard deviation.
    pub elevation_rad: (f64, f64),
    /// ln of the distance along the optical axis (m), and its standard deviation.
    pub ln_depth: (f64, f64),
    /// Lines against body, standard deviations: elevation, size.
    pub against_body: Option<[f64; 2]>,
}

/// What a look at a picture gave.
#[derive(Debug, Clone)]
pub struct Looked {
    /// The stripes found, longest first.
    pub stripes: Vec<Stripe>,
    /// The best guess, used or not.
    pub best: Option<Guess>,
    /// Probability that the best guess's camera is the right one, 0–1.
    pub confidence: f64,
    /// The camera over the floor (origin on the carpet under the athlete's leg, axes along the carpet's sides), or why there is none.
    pub verdict: std::result::Result<FloorCamera, Refusal>,
}

impl Looked {
    /// The stripes taken for sides in the best guess, as image polylines.
    pub fn taken_lines(&self) -> Vec<Vec<ImagePoint>> {
        let Some(best) = &self.best else { return Vec::new() };
        best.fit.taken.iter().map(|t| self.stripes[t.stripe].ends.to_vec()).collect()
    }

    /// All four sides where the best guess puts them, image polylines within the picture.
    pub fn sides(&self) -> Vec<Vec<ImagePoint>> {
        let Some(best) = &self.best else { return Vec::new() };
        SIDES
            .iter()
            .map(|s| {
                visible(&best.fit.camera, &best.fit.lengths, *s, 120)
                    .into_iter()
                    .map(|p| p.1)
                    .collect::<Vec<_>>()
            })
            .filter(|l| l.len() > 1)
            .collect()
    }

    /// The corners between sides that were found, where they are in the picture.
    pub fn corners(&self) -> Vec<ImagePoint> {
        let Some(best) = &self.best else { return Vec::new() };
        let [w, h] = best.fit.camera.image_size.map(|s| s as f64);
        let taken = &best.fit.taken;
        let mut out = Vec::new();
        for (i, a) in taken.iter().enumerate() {
            for b in &taken[i + 1..] {
                let at = best.fit.lengths.corner(a.side, b.side).and_then(|c| best.fit.camera.project(c));
                out.extend(at.filter(|p| p.u > 0.0 && p.v > 0.0 && p.u < w && p.v < h));
            }
        }
        out
    }
}

/// Looks for the carpet's lines in a picture (three of them, alike but for their colours) and weighs what they are.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV fails.
pub fn find(pictures: &[Grey], mask: &Mask, body: Option<&BodyClues>, size: CarpetSize) -> Result<Looked> {
    let mut stripes = Vec::new();
    for grey in pictures {
        let guesses = edges::guesses(grey, mask)?;
        let blur = stripe::blur_of(grey, mask, &guesses);
        stripes.extend(guesses.iter().filter_map(|g| stripe::measure(grey, mask, g, blur)));
    }
    let stripes = stripe::distinct(stripes);
    let image_size = pictures.first().map_or([0, 0], |g| [g.width, g.height]);
    Ok(weigh(image_size, stripes, mask, body, size))
}

/// Breadths, in what the line measures at the athlete's distance square to the sight, of stripes that can be sides: a line far behind is narrower and seen flat, one before the
/// athlete's feet broader.
const BELIEVABLE_WIDTHS: (f64, f64) = (0.15, 4.0);

/// Weighs what measured stripes are.
pub fn weigh(image_size: [usize; 2], mut stripes: Vec<Stripe>, mask: &Mask, body: Option<&BodyClues>, size: CarpetSize) -> Looked {
    let refused = |stripes, refusal| Looked {
        stripes,
        best: None,
        confidence: 0.0,
        verdict: Err(refusal),
    };
    if let Some(body) = body {
        let line_px = LINE_M * body.shank_px / body.shank_m;
        let flat = (body.elevation_rad - 2.0 * body.elevation_sd_rad).sin().max(0.03);
        let believable = (BELIEVABLE_WIDTHS.0 * flat * line_px, BELIEVABLE_WIDTHS.1 * line_px + 1.0);
        stripes.retain(|s| {
            let width = 0.5 * (s.width_px[0] + s.width_px[1]);
            width > believable.0 && width < believable.1
        });
    }
    stripes.truncate(MOST_STRIPES);
    if stripes.len() < 2 {
        let n = stripes.len();
        return refused(stripes, Refusal::TooFewStripes(n));
    }
    let scene = Scene {
        image_size,
        stripes: &stripes,
        mask,
        body,
        size,
        // Without an athlete: the lower middle of the picture is what people point cameras at.
        feet: body.map_or(ImagePoint::new(0.5 * image_size[0] as f64, 0.7 * image_size[1] as f64), |b| {
            b.leg_at
        }),
    };
    let mut guesses = scene.guesses();
    guesses.sort_by(|x, y| y.ln_weight.total_cmp(&x.ln_weight));
    let Some(best) = guesses.first().cloned() else {
        let n = stripes.len();
        return refused(stripes, Refusal::NoGuess(n));
    };
    // Sums of weights, the largest taken out so that nothing overflows.
    let none = (1.0 - PRIOR - PRIOR_OTHER_SIZE).ln();
    let other_size = scene.ln_other_size(&best);
    let top = best.ln_weight.max(none).max(other_size);
    let same = |g: &Guess| {
        (g.elevation_rad.0 - best.elevation_rad.0).to_degrees().abs() < SAME_ELEVATION_DEG
            && (g.ln_depth.0 - best.ln_depth.0).abs() < SAME_LN_DEPTH
    };
    let sum = |of: &dyn Fn(&Guess) -> bool| -> f64 { guesses.iter().filter(|g| of(g)).map(|g| (g.ln_weight - top).exp()).sum() };
    let confidence = sum(&same) / (sum(&|_| true) + (none - top).exp() + (other_size - top).exp());
    let verdict = scene.verdict(&best, confidence);
    Looked {
        stripes,
        best: Some(best),
        confidence,
        verdict,
    }
}

struct Scene<'a> {
    image_size: [usize; 2],
    stripes: &'a [Stripe],
    mask: &'a Mask,
    body: Option<&'a BodyClues>,
    size: CarpetSize,
    feet: ImagePoint,
}

/// Density of a normal variable.
fn density(x: f64, sd: f64) -> f64 {
    (-0.5 * (x / sd).powi(2)).exp() / (sd * (2.0 * std::f64::consts::PI).sqrt())
}

impl Scene<'_> {
    fn verdict(&self, best: &Guess, confidence: f64) -> std::result::Result<FloorCamera, Refusal> {
        let Some(body) = self.body else { return Err(Refusal::NoBody) };
        if confidence < LEAST_CONFIDENCE {
            return Err(Refusal::Unsure(confidence));
        }
        if best.fit.taken.len() < LEAST_SIDES {
            return Err(Refusal::TwoSides);
        }
        // Four observations a stripe and five priors, ten unknowns.
        let freedom = 4 * best.fit.taken.len() + 5 - 10;
        if chi_squared::exceedance(best.fit.cost, freedom) < LEAST_P {
            return Err(Refusal::Misfit(best.fit.residual_px));
        }
        let [elevation, size] = best.against_body.unwrap_or_default();
        if elevation.abs() > USED_Z {
            return Err(Refusal::Elevation(
                best.elevation_rad.0.to_degrees(),
                body.elevation_rad.to_degrees(),
            ));
        }
        if size.abs() > USED_Z {
            let times = fit::ln_size(&best.fit.camera, body).map_or(f64::NAN, |s| s.0.exp());
            return Err(Refusal::Size(times));
        }
        let joined = fit::with_body(self.stripes, &best.fit, self.size, body).and_then(|f| fit::at_athlete(&f.camera, self.feet));
        let Some(camera) = joined else {
            return Err(Refusal::NotJoined);
        };
        let sd = camera.sd_of(|c| fit::elevation_rad(c, body).unwrap_or(f64::NAN));
        // Not a number is no gain either.
        if sd.is_nan() || sd >= LEAST_GAIN * body.elevation_sd_rad {
            return Err(Refusal::SaysLess(best.elevation_rad.1.to_degrees()));
        }
        Ok(camera)
    }

    fn guesses(&self) -> Vec<Guess> {
        let n = self.stripes.len();
        let mut pairs = Vec::new();
        for i in 0..n {
            for k in i + 1..n {
                let (a, b) = (&self.stripes[i].across, &self.stripes[k].across);
                // Two lines that are parallel in the picture do not meet in it, nor near it.
                if (a[0] * b[1] - a[1] * b[0]).abs() < 0.02 {
                    continue;
                }
                for axis in [0, 1] {
                    let fitted = fit::two_sides(self.image_size, self.stripes, [i, k], axis, self.size, self.feet);
                    pairs.extend(fitted.and_then(|f| self.weighed(f)));
                }
            }
        }
        pairs.sort_by(|x, y| y.ln_weight.total_cmp(&x.ln_weight));
        let mut all = pairs.clone();
        let mut layer: Vec<Guess> = pairs.into_iter().take(MOST_EXTENDED).collect();
        let mut known = std::collections::HashSet::new();
        for _ in 0..2 {
            let mut next = Vec::new();
            for g in &layer {
                for stripe in 0..n {
                    for side in SIDES {
                        let taken = &g.fit.taken;
                        if taken.iter().any(|t| t.stripe == stripe || t.side == side) {
                            continue;
                        }
                        let mut more = taken.clone();
                        more.push(Taken { stripe, side });
                        let mut key: Vec<(usize, usize, bool)> = more.iter().map(|t| (t.stripe, t.side.axis, t.side.positive)).collect();
                        key.sort_unstable();
                        if !known.insert(key) {
                            continue;
                        }
                        let fitted = fit::fit(self.stripes, &more, self.size, &g.fit.camera);
                        next.extend(fitted.and_then(|f| self.weighed(f)));
                    }
                }
            }
            next.sort_by(|x, y| y.ln_weight.total_cmp(&x.ln_weight));
            all.extend(next.iter().cloned());
            layer = next.into_iter().take(MOST_EXTENDED).collect();
        }
        all
    }

    fn weighed(&self, fit: LinesFit) -> Option<Guess> {
        let camera = &fit.camera;
        let standing = self.body.map_or(0.0, |b| b.leg_height_m);
        let feet = camera.at_height(self.feet, 0.0)?;
        let inside = [feet.x, feet.y]
            .iter()
            .zip(fit.lengths.extent_m)
            .all(|(p, extent)| p.abs() < 0.5 * extent + OUTSIDE_M);
        if !inside {
            return None;
        }
        let seen = |c: &FloorCamera| {
            let p = c.at_height(self.feet, standing);
            DVector::from_vec(vec![
                p.map_or(f64::NAN, |p| c.elevation_rad_from(p)),
                p.map_or(f64::NAN, |p| c.depth_m(p).ln()),
            ])
        };
        let value = seen(camera);
        let covariance = camera.propagate(seen);
        let sd = |k: usize| covariance[(k, k)].max(0.0).sqrt();
        let mut guess = Guess {
            elevation_rad: (value[0], sd(0)),
            ln_depth: (value[1], sd(1)),
            against_body: None,
            ln_weight: 0.0,
            fit,
        };
        let finite = [guess.elevation_rad.0, guess.elevation_rad.1, guess.ln_depth.0, guess.ln_depth.1]
            .iter()
            .all(|x| x.is_finite());
        if !finite {
            return None;
        }
        let n = self.stripes.len() as f64;
        let sides = guess.fit.taken.len();
        // So many ways there are to take stripes for so many sides.
        let ways: f64 = (0..sides).map(|k| (n - k as f64).max(1.0)).product::<f64>() * 2.0;
        let mut ln_weight = (PRIOR / 3.0 / ways).ln() + guess.fit.ln_evidence;
        for t in &guess.fit.taken {
            ln_weight -= self.ln_strewn(&self.stripes[t.stripe]);
            ln_weight += self.ln_shown(&guess.fit, *t);
        }
        ln_weight += self.ln_corners(&guess.fit)? + self.ln_missing(&guess.fit) + self.ln_others(&guess.fit);
        if let Some(body) = self.body {
            let elevation = (
                guess.elevation_rad.0 - body.elevation_rad,
                guess.elevation_rad.1.hypot(body.elevation_sd_rad),
            );
            let (ln, ln_sd) = fit::ln_size(&guess.fit.camera, body)?;
            // What counts of the camera is depth over focal length.
            let of_camera = guess.fit.camera.sd_of(|c| fit::ln_size(c, body).map_or(f64::NAN, |s| s.0));
            let size = (ln, of_camera.hypot(ln_sd));
            let z = [elevation.0 / elevation.1, size.0 / size.1];
            // A guess that contradicts the body stays among the guesses, however little the body then leaves of its weight: dropped, it would leave the field to a guess that takes
            // fewer of the same lines for sides.
            if z.iter().any(|z| !z.is_finite()) {
                return None;
            }
            guess.against_body = Some(z);
            // Against an elevation anywhere within 60° and a size anywhere within e³.
            for ((off, sd), range) in [(elevation, 60.0_f64.to_radians()), (size, 3.0)] {
                ln_weight += ((1.0 - BODY_OUTLIER) * density(off, sd) * range + BODY_OUTLIER).ln();
            }
        }
        guess.ln_weight = ln_weight;
        guess.ln_weight.is_finite().then_some(guess)
    }

    /// ln weight of the same stripes as the same sides of a rectangle of another size, where there are so many that the size tells the camera.
    fn ln_other_size(&self, best: &Guess) -> f64 {
        if best.fit.taken.len() < LEAST_SIDES {
            return f64::NEG_INFINITY;
        }
        fit::any_rectangle(self.stripes, &best.fit)
            .and_then(|f| self.weighed(f))
            .map_or(f64::NEG_INFINITY, |g| g.ln_weight + (PRIOR_OTHER_SIZE / PRIOR).ln())
    }

    /// ln density of a stripe's place and breadths where it is strewn over the picture like any other.
    fn ln_strewn(&self, s: &Stripe) -> f64 {
        let diagonal = (self.image_size[0] as f64).hypot(self.image_size[1] as f64);
        let apart = s.stations[0].distance_px(s.stations[1]).max(1.0);
        let ratio = (s.width_px[1] / s.width_px[0]).ln();
        -diagonal.ln() - (std::f64::consts::PI * apart).ln() - (4.2 * s.width_px[0]).ln() + (density(ratio, 0.5) / s.width_px[1]).ln()
    }

    /// How much of a side's visible part the stripe covers: a side shows wholly, a stripe of something else ends anywhere.
    fn ln_shown(&self, fit: &LinesFit, taken: Taken) -> f64 {
        let s = &self.stripes[taken.stripe];
        let Some(ends) = self.along(fit, taken.side, s) else { return -4.0 };
        let places = visible(&fit.camera, &fit.lengths, taken.side, 300);
        let (mut shown, mut all) = (0.0, 0.0);
        for (fraction, length) in self.in_plain_view(&places) {
            all += length;
            if fraction > ends[0] && fraction < ends[1] {
                shown += length;
            }
        }
        let share = if all > 0.0 { (shown / all).min(1.0) } else { 0.0 };
        (3.0 * share * share).max(0.02).ln()
    }

    /// The pieces of a side's visible part that nobody hides: fraction of the way along the side, length in px.
    fn in_plain_view<'b>(&'b self, places: &'b [(f64, ImagePoint)]) -> impl Iterator<Item = (f64, f64)> + 'b {
        places
            .windows(2)
            .filter(|w| !self.mask.hides(w[0].1.towards(w[1].1, 0.5)))
            .map(|w| (0.5 * (w[0].0 + w[1].0), w[0].1.distance_px(w[1].1)))
    }

    /// Ends of a stripe as fractions of the way along a side, in order.
    fn along(&self, fit: &LinesFit, side: Side, s: &Stripe) -> Option<[f64; 2]> {
        let place = |p: ImagePoint| -> Option<f64> {
            let c = fit.camera.at_height(p, 0.0)?;
            Some([c.x, c.y][1 - side.axis] / fit.lengths.extent_m[1 - side.axis] + 0.5)
        };
        let (a, b) = (place(s.ends[0])?, place(s.ends[1])?);
        Some([a.min(b), a.max(b)])
    }

    /// Stripes that end where their corner is speak for it. `None` where one goes on beyond a corner that is in view: a side of a carpet does not, lines of courts, tiles and planks do.
    fn ln_corners(&self, fit: &LinesFit) -> Option<f64> {
        let [w, h] = self.image_size.map(|s| s as f64);
        let mut sum = 0.0;
        for (i, a) in fit.taken.iter().enumerate() {
            for b in &fit.taken[i + 1..] {
                let Some(corner) = fit.lengths.corner(a.side, b.side).and_then(|c| fit.camera.project(c)) else {
                    continue;
                };
                let (one, two) = (&self.stripes[a.stripe], &self.stripes[b.stripe]);
                let broadest = one.width_px.iter().chain(&two.width_px).copied().fold(0.0, f64::max);
                // Lines that meet at a small angle run into each other before and beyond their corner.
                let sine = (one.across[0] * two.across[1] - one.across[1] * two.across[0]).abs();
                let allowed = 8.0 + 1.5 * broadest + 2.0 / sine.max(0.01);
                let margin = 6.0 + 2.0 * broadest;
                let inside = corner.u > margin && corner.v > margin && corner.u < w - margin && corner.v < h - margin;
                if !inside || self.mask.hides(corner) {
                    continue;
                }
                for (this, other) in [(a, b), (b, a)] {
                    sum += self.ln_end(fit, *this, other.side, corner, allowed)?;
                }
            }
        }
        Some(sum)
    }

    fn ln_end(&self, fit: &LinesFit, taken: Taken, other: Side, corner: ImagePoint, allowed_px: f64) -> Option<f64> {
        let s = &self.stripes[taken.stripe];
        let at = |p: ImagePoint| fit.camera.at_height(p, 0.0).map(|c| [c.x, c.y][other.axis]);
        let (one, two) = (at(s.ends[0])?, at(s.ends[1])?);
        // The end towards the other side, and whether it lies beyond.
        let sign = if other.positive { 1.0 } else { -1.0 };
        let (end, place) = if sign * one > sign * two {
            (s.ends[0], one)
        } else {
            (s.ends[1], two)
        };
        let beyond = sign * (place - fit.lengths.middle_m(other)) > 0.0;
        if end.distance_px(corner) < allowed_px {
            let longer = self.image_size[0].max(self.image_size[1]) as f64;
            Some((0.7 * 0.5 * longer / (2.0 * allowed_px)).max(1.0).ln())
        } else if beyond {
            None
        } else {
            Some(0.25_f64.ln())
        }
    }

    /// Lines across the carpet that are none of its sides: there is seldom one.
    fn ln_others(&self, fit: &LinesFit) -> f64 {
        let [x, y] = fit.lengths.extent_m.map(|e| 0.5 * e);
        let across = self.stripes.iter().enumerate().filter(|(k, s)| {
            let inside = |p: ImagePoint| fit.camera.at_height(p, 0.0).is_some_and(|c| c.x.abs() < x && c.y.abs() < y);
            !fit.taken.iter().any(|t| t.stripe == *k) && s.stations.iter().all(|p| inside(*p))
        });
        across.count() as f64 * LINE_ACROSS.ln()
    }

    /// Sides that should be plain to see and were not taken for any stripe.
    fn ln_missing(&self, fit: &LinesFit) -> f64 {
        let longer = self.image_size[0].max(self.image_size[1]) as f64;
        SIDES
            .iter()
            .filter(|s| !fit.taken.iter().any(|t| t.side == **s))
            .map(|s| {
                let places = visible(&fit.camera, &fit.lengths, *s, 100);
                let length: f64 = self.in_plain_view(&places).map(|p| p.1).sum();
                let broad = places.get(places.len() / 2).is_some_and(|p| {
                    // Breadth of the line there, px: between a point of its middle and one half a line further out.
                    let c = fit.lengths.along(*s, p.0);
                    let mut out = c;
                    if s.axis == 0 {
                        out.x += 0.5 * fit.lengths.line_m;
                    } else {
                        out.y += 0.5 * fit.lengths.line_m;
                    }
                    fit.camera.project(out).is_some_and(|q| 2.0 * q.distance_px(p.1) > 1.2)
                });
                if broad && length > 0.12 * longer {
                    0.25_f64.ln()
                } else {
                    0.0
                }
            })
            .sum()
    }
}
