//! Which time of one recording is which time of another, from the motion that both show.
//!
//! Every channel of [`Motion`] of the first recording is compared with the second's at the mapped time `offset + factor · t`, up to a factor and a constant of its own: the sum over
//! the channels of −ln(1 − r²) with r the correlation (positive only) is the log-likelihood a second of overlap, but for the noise's own time. Its best place on a grid is refined
//! by Gauss–Newton steps on all channels together; the uncertainty comes from the same slopes with the residuals' own size and colour (they last for a while, so that frames do not
//! count as independent), and from how far the channels disagree among themselves.

use crate::join::motion::{Motion, CHANNELS};
use serde::{Deserialize, Serialize};

/// How long the difference of two views' signals keeps its sign, seconds (measured on rendered clips: 0.1–0.2).
const RESIDUAL_TIME_S: f64 = 0.15;

/// Least overlap, seconds of real time.
const LEAST_OVERLAP_S: f64 = 0.8;

/// Another place this far from the best one is another alignment, seconds of real time.
const APART_S: f64 = 0.4;

/// Recordings whose signals correlate less than this at the best place do not show the same repetition (rendered clips of one repetition: 0.95 and more).
pub const LEAST_CORRELATION: f64 = 0.75;

/// A channel counts whose correlation falls short of one by up to this many times what the best one's does.
const TRUSTED_MISFIT: f64 = 3.0;

/// How much further off a searched factor is than propagation says: both recordings' noise is in it, and the second's between two frames (twelve simulated replays four times slower: 2.6).
const FACTOR_SD_SCALE: f64 = 2.6;

/// Factors whose best place scores this share of the best one's are compared more closely.
const NEARLY: f64 = 0.6;

/// How much better than any other place the best one must be, as a ratio of scores.
const LEAST_DISTINCTION: f64 = 1.15;

/// Time mapping by motion: a time `t` of the first recording is `offset_s + factor · t` of the second.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MotionAlignment {
    /// Seconds.
    pub offset_s: f64,
    /// Standard deviation at the middle of the overlap, seconds of the second recording.
    pub offset_sd_s: f64,
    /// How many times slower the second recording runs.
    pub factor: f64,
    /// Standard deviation of that; 0 where it was given.
    pub factor_sd: f64,
    /// Correlation of the signals at the best place, all channels.
    pub correlation: f64,
    /// Score of the best other place over that of the best (0 none, 1 as good).
    pub rival: f64,
    /// The stretch both show, seconds of the first recording.
    pub overlap_s: [f64; 2],
}

impl MotionAlignment {
    /// Whether the motions match well enough and nowhere else nearly as well.
    pub fn holds(&self) -> bool {
        self.correlation >= LEAST_CORRELATION && self.rival * LEAST_DISTINCTION <= 1.0
    }
}

/// Value at `t` by a straight line between samples, and its slope; `None` outside or in a hole longer than `hole_s`.
fn at(samples: &[(f64, f64)], t: f64, hole_s: f64) -> Option<(f64, f64)> {
    let k = samples.partition_point(|s| s.0 <= t);
    if k == 0 || k >= samples.len() {
        return None;
    }
    let (a, b) = (samples[k - 1], samples[k]);
    let span = b.0 - a.0;
    if span > hole_s || span <= 0.0 {
        return None;
    }
    let slope = (b.1 - a.1) / span;
    Some((a.1 + slope * (t - a.0), slope))
}

/// Slope over a longer stretch, so that the samples' own corners do not show.
fn slope_at(samples: &[(f64, f64)], t: f64, interval_s: f64) -> Option<f64> {
    let hole = 4.0 * interval_s;
    let (a, b) = (at(samples, t - interval_s, hole)?, at(samples, t + interval_s, hole)?);
    Some((b.0 - a.0) / (2.0 * interval_s))
}

/// One channel at one place: gain and constant of least squares and what is left.
struct Match {
    correlation: f64,
    gain: f64,
    /// First recording's time, residual, slope of the second by its own time.
    rows: Vec<(f64, f64, f64)>,
    variance: f64,
}

fn matching(a: &Motion, b: &Motion, channel: usize, offset: f64, factor: f64) -> Option<Match> {
    matching_within(a, b, channel, offset, factor, [f64::NEG_INFINITY, f64::INFINITY])
}

/// The same, of the first recording's samples in a window of its time.
fn matching_within(a: &Motion, b: &Motion, channel: usize, offset: f64, factor: f64, [from, to]: [f64; 2]) -> Option<Match> {
    let other = &b.channels[channel];
    let hole = 4.0 * b.interval_s;
    let pairs: Vec<(f64, f64, f64)> = a.channels[channel]
        .iter()
        .filter(|(t, _)| (from..=to).contains(t))
        .filter_map(|(t, y)| at(other, offset + factor * t, hole).map(|(z, _)| (*t, *y, z)))
        .collect();
    if pairs.len() < 8 {
        return None;
    }
    let n = pairs.len() as f64;
    let (my, mz) = pairs.iter().fold((0.0, 0.0), |m, p| (m.0 + p.1 / n, m.1 + p.2 / n));
    let (mut yy, mut zz, mut yz) = (0.0, 0.0, 0.0);
    for (_, y, z) in &pairs {
        yy += (y - my).powi(2);
        zz += (z - mz).powi(2);
        yz += (y - my) * (z - mz);
    }
    if yy <= 1e-12 || zz <= 1e-12 {
        return None;
    }
    let gain = yz / zz;
    let rows: Vec<(f64, f64, f64)> = pairs
        .iter()
        .map(|(t, y, z)| {
            let slope = slope_at(other, offset + factor * t, b.interval_s).unwrap_or(0.0);
            (*t, y - my - gain * (z - mz), slope)
        })
        .collect();
    let variance = rows.iter().map(|r| r.1 * r.1).sum::<f64>() / n;
    Some(Match {
        correlation: yz / (yy * zz).sqrt(),
        gain,
        rows,
        variance: variance.max(1e-12),
    })
}

/// The stretch of the first recording's time that both show.
fn overlap(a: &Motion, b: &Motion, offset: f64, factor: f64) -> [f64; 2] {
    let span = |m: &Motion| {
        let ends = m.channels.iter().filter_map(|c| Some((c.first()?.0, c.last()?.0)));
        ends.fold((f64::INFINITY, f64::NEG_INFINITY), |s, e| (s.0.min(e.0), s.1.max(e.1)))
    };
    let (a, b) = (span(a), span(b));
    [a.0.max((b.0 - offset) / factor), a.1.min((b.1 - offset) / factor)]
}

fn score(a: &Motion, b: &Motion, offset: f64, factor: f64) -> f64 {
    let [from, to] = overlap(a, b, offset, factor);
    if to - from < LEAST_OVERLAP_S {
        return 0.0;
    }
    closeness(a, b, offset, factor, [from, to]) * (to - from)
}

/// Log-likelihood a second of a window, but for the noise's own time.
fn closeness(a: &Motion, b: &Motion, offset: f64, factor: f64, window: [f64; 2]) -> f64 {
    (0..CHANNELS)
        .filter_map(|c| matching_within(a, b, c, offset, factor, window))
        .map(|m| -(1.0 - m.correlation.clamp(0.0, 0.9999).powi(2)).ln())
        .sum()
}

/// Of places with different factors, the one that matches best over what all of them show: a smaller factor shows more of the first recording, and its rest explains nothing.
fn likeliest(a: &Motion, b: &Motion, places: &[(f64, f64, f64)], best: (f64, f64, f64)) -> (f64, f64, f64) {
    let mut own: Vec<(f64, f64, f64)> = Vec::new();
    for p in places.iter().filter(|p| p.0 > NEARLY * best.0) {
        match own.iter_mut().find(|o| o.2 == p.2) {
            Some(o) if o.0 < p.0 => *o = *p,
            Some(_) => {}
            None => own.push(*p),
        }
    }
    let window = own
        .iter()
        .map(|p| overlap(a, b, p.1, p.2))
        .fold([f64::NEG_INFINITY, f64::INFINITY], |w, o| [w[0].max(o[0]), w[1].min(o[1])]);
    if window[1] - window[0] < LEAST_OVERLAP_S {
        return best;
    }
    let close = |p: &(f64, f64, f64)| closeness(a, b, p.1, p.2, window);
    own.into_iter().max_by(|x, y| close(x).total_cmp(&close(y))).unwrap_or(best)
}

/// Aligns two recordings. `factors`: how many times slower the second may run; several are searched, one is taken as given.
///
/// `None` where they have too little in common to be compared.
pub fn by_motion(a: &Motion, b: &Motion, factors: &[f64]) -> Option<MotionAlignment> {
    let mut places: Vec<(f64, f64, f64)> = Vec::new();
    for factor in factors {
        let ends = |m: &Motion| {
            let t: Vec<f64> = m.channels.iter().flatten().map(|s| s.0).collect();
            Some((t.iter().copied().reduce(f64::min)?, t.iter().copied().reduce(f64::max)?))
        };
        let (ea, eb) = (ends(a)?, ends(b)?);
        let (low, high) = (eb.0 - factor * ea.1, eb.1 - factor * ea.0);
        let step = (0.5 * b.interval_s).max(0.25 * factor * a.interval_s).max(1e-3);
        let count = ((high - low) / step).ceil() as usize;
        places.extend(
            (0..=count)
                .map(|k| low + k as f64 * step)
                .map(|o| (score(a, b, o, *factor), o, *factor)),
        );
    }
    let best = *places.iter().max_by(|x, y| x.0.total_cmp(&y.0)).filter(|p| p.0 > 0.0)?;
    let best = likeliest(a, b, &places, best);
    // Another place counts by where it puts the middle of what both show.
    let [from, to] = overlap(a, b, best.1, best.2);
    let middle = 0.5 * (from + to);
    let there = best.1 + best.2 * middle;
    let rival = places
        .iter()
        .filter(|p| (p.1 + p.2 * middle - there).abs() > APART_S * p.2.max(best.2))
        .map(|p| p.0)
        .fold(0.0, f64::max);

    let free_factor = factors.len() > 1;
    let (mut offset, mut factor) = (best.1, best.2);
    let mut spread = (b.interval_s.max(factor * a.interval_s), 0.0);
    for _ in 0..6 {
        let matches = trusted(a, b, offset, factor);
        let Some((step, sd, factor_sd)) = refine(&matches, middle, factor, free_factor) else {
            break;
        };
        spread = (sd, factor_sd);
        // The offset is refined at the middle of the overlap: a step of the factor turns about it.
        let bound = b.interval_s.max(factor * a.interval_s);
        let (d, f) = (step.0.clamp(-bound, bound), step.1.clamp(-0.1 * factor, 0.1 * factor));
        offset += d - f * middle;
        factor += f;
        if d.abs() < 1e-5 && f.abs() < 1e-5 {
            break;
        }
    }
    let matches: Vec<Match> = (0..CHANNELS).filter_map(|c| matching(a, b, c, offset, factor)).collect();
    let weight: f64 = matches.iter().map(strength).sum();
    let correlation = matches.iter().map(|m| strength(m) * m.correlation).sum::<f64>() / weight.max(1e-12);
    Some(MotionAlignment {
        offset_s: offset,
        offset_sd_s: spread.0,
        factor,
        factor_sd: spread.1,
        correlation,
        rival: rival / best.0,
        overlap_s: overlap(a, b, offset, factor),
    })
}

/// The channels that place the views: those that match nearly as well as the best one (a joint that one camera does not see moves as the network thinks it should).
fn trusted(a: &Motion, b: &Motion, offset: f64, factor: f64) -> Vec<Match> {
    let all: Vec<Match> = (0..CHANNELS).filter_map(|c| matching(a, b, c, offset, factor)).collect();
    let least = 1.0 - all.iter().map(|m| 1.0 - m.correlation).fold(1.0, f64::min).max(0.02) * TRUSTED_MISFIT;
    all.into_iter().filter(|m| m.correlation >= least).collect()
}

/// How much of a channel moves: channels that hardly move say nothing of whether the motions match.
fn strength(m: &Match) -> f64 {
    m.rows.iter().map(|r| (m.gain * r.2).powi(2)).sum::<f64>().sqrt() / m.variance.sqrt().max(1e-6)
}

/// One Gauss–Newton step of (offset at the middle, factor) with standard deviations.
fn refine(matches: &[Match], middle: f64, factor: f64, free_factor: bool) -> Option<((f64, f64), f64, f64)> {
    use nalgebra::{Matrix2, Vector2};
    let mut normal = Matrix2::<f64>::zeros();
    let mut right = Vector2::<f64>::zeros();
    let mut root = Matrix2::<f64>::zeros();
    let mut own: Vec<(f64, f64)> = Vec::new();
    for m in matches {
        let weight = 1.0 / m.variance;
        // y − gain · z(offset + factor t): the residual falls by gain · slope a second of offset.
        let gradient: Vec<(f64, Vector2<f64>)> = m
            .rows
            .iter()
            .map(|r| (r.0, m.gain * r.2 * Vector2::new(1.0, if free_factor { r.0 - middle } else { 0.0 })))
            .collect();
        let (mut n, mut g, mut noise) = (Matrix2::zeros(), Vector2::zeros(), Matrix2::zeros());
        for ((_, d), r) in gradient.iter().zip(&m.rows) {
            n += weight * d * d.transpose();
            g += weight * r.1 * d;
        }
        for (t, d) in &gradient {
            for (u, e) in &gradient {
                let lag = (t - u).abs();
                if lag < 6.0 * RESIDUAL_TIME_S {
                    noise += weight * (-lag / RESIDUAL_TIME_S).exp() * d * e.transpose();
                }
            }
        }
        if n[(0, 0)] > 0.0 {
            own.push((g[0] / n[(0, 0)], n[(0, 0)]));
        }
        normal += n;
        right += g;
        // Channels share the network and its habits: their errors are taken as going together, so that standard deviations add.
        root += psd_root(&noise);
    }
    let damped = if free_factor {
        normal
    } else {
        Matrix2::new(normal[(0, 0)], 0.0, 0.0, 1.0)
    };
    let inverse = damped.try_inverse()?;
    let step = inverse * right;
    let covariance = inverse * root * root.transpose() * inverse.transpose();
    // How far the channels' own places scatter.
    let total: f64 = own.iter().map(|o| o.1).sum();
    let mean = own.iter().map(|o| o.0 * o.1).sum::<f64>() / total.max(1e-12);
    let scatter = (own.iter().map(|o| o.1 * (o.0 - mean).powi(2)).sum::<f64>() / total.max(1e-12) / own.len().max(1) as f64).sqrt();
    let sd = covariance[(0, 0)].max(0.0).sqrt().max(scatter);
    let factor_sd = if free_factor {
        FACTOR_SD_SCALE * covariance[(1, 1)].max(0.0).sqrt()
    } else {
        0.0
    };
    (sd.is_finite() && factor > 0.0).then_some(((step[0], if free_factor { step[1] } else { 0.0 }), sd, factor_sd))
}

fn psd_root(m: &nalgebra::Matrix2<f64>) -> nalgebra::Matrix2<f64> {
    let eigen = m.symmetric_eigen();
    eigen.eigenvectors * nalgebra::Matrix2::from_diagonal(&eigen.eigenvalues.map(|v| v.max(0.0).sqrt())) * eigen.eigenvectors.transpose()
}
