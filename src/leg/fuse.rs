//! Joins two estimates of the same gaps whose errors are correlated.
//!
//! The geometry's gaps and the picture's own reading come from one network looking at one crop, so their errors are not independent. The best linear unbiased
//! estimate of two correlated estimates (Lyons, Gibaut, Clifford, *Nuclear Instruments and Methods A* 270, 1988): weights from the joint covariance of both.

use crate::leg::profile::{GapProfile, StationMatrix};
use crate::types::STATION_COUNT;
use nalgebra::{DMatrix, DVector};

/// What was measured of the two estimates' errors, from `models/fusion.json` (on data of their own; how it was made is in the file).
#[derive(Debug, Clone, PartialEq, serde::Deserialize)]
pub struct FusionErrors {
    /// Correlation of the geometric fit's and the picture's gap errors at each station.
    pub geometry_picture_correlation: [f64; STATION_COUNT],
    /// Factors on the geometric fit's standard deviations, one a station.
    pub geometry_sd_scale: [f64; STATION_COUNT],
    /// Factor on the geometry's standard deviations where it is joined with the one picture it came from: what gives the joint estimate the best log score (1: none beyond `geometry_sd_scale`).
    pub one_view_geometry_factor: f64,
    /// Factor on the correlation there, likewise.
    pub one_view_correlation_factor: f64,
    /// Factors on the picture's standard deviations, one a station: crops placed by the general network are worse than the calibration's own.
    pub picture_sd_scale: [f64; STATION_COUNT],
    /// Factors on the joint estimate's standard deviations, one a station: what the two parts' model of their errors leaves out.
    pub joined_sd_scale: [f64; STATION_COUNT],
    /// Factor beyond those where several views were joined: their fit and their pictures lean on one another more than the model says.
    #[serde(default = "one")]
    pub several_views_sd_factor: f64,
    /// Share of a frame's error variance that the frames of one hold have in common.
    pub common_share: f64,
    /// Correlation of the picture readings' errors of two views of one leg, one a station.
    #[serde(default = "half")]
    pub picture_picture_correlation: [f64; STATION_COUNT],
}

/// Where nothing was measured: no factor.
const fn one() -> f64 {
    1.0
}

/// Where nothing was measured: halfway, a cautious guess.
const fn half() -> [f64; STATION_COUNT] {
    [0.5; STATION_COUNT]
}

impl FusionErrors {
    /// Correlation of the errors of the geometric fit over `views` pictures with those of each picture's reading.
    ///
    /// A fit over n views shares its error with one view's picture less than that view's own fit does, for the other views' errors are in it too (measured on 25 pairs of rendered stills: 0.40,
    /// this gives 0.41).
    pub fn geometry_correlation(&self, views: usize) -> [f64; STATION_COUNT] {
        self.geometry_picture_correlation.map(|r| r / (views as f64).sqrt())
    }

    /// The geometric fit over `views` pictures as it goes into the joint estimate, and the correlation of its errors with those of each picture's reading there.
    pub fn geometry_to_join(&self, geometry: &GapProfile, views: usize) -> (GapProfile, [f64; STATION_COUNT]) {
        if views > 1 {
            return (self.scaled_geometry(geometry), self.geometry_correlation(views));
        }
        (
            geometry.with_sd_scaled(&self.geometry_sd_scale.map(|k| k * self.one_view_geometry_factor)),
            self.geometry_picture_correlation.map(|r| r * self.one_view_correlation_factor),
        )
    }

    /// The joint profile of so many views with its standard deviations widened by `joined_sd_scale` and, for several views, by `several_views_sd_factor`.
    pub fn widened(&self, joined: &GapProfile, views: usize) -> GapProfile {
        let more = if views > 1 { self.several_views_sd_factor } else { 1.0 };
        joined.with_sd_scaled(&self.joined_sd_scale.map(|k| k * more))
    }

    /// The geometric fit's profile with its standard deviations scaled by `geometry_sd_scale`.
    pub fn scaled_geometry(&self, geometry: &GapProfile) -> GapProfile {
        geometry.with_sd_scaled(&self.geometry_sd_scale)
    }

    /// The numbers shipped with the program.
    pub fn shipped() -> Self {
        serde_json::from_str(include_str!("../../models/fusion.json")).expect("the shipped fusion file is checked by a test")
    }
}

/// Joins `a` and `b`; `correlation` of their errors at the same station (0 ≤ correlation < 1). As [`join_all`].
pub fn join(a: &GapProfile, b: &GapProfile, correlation: &[f64; STATION_COUNT]) -> Joined {
    join_all(&[a, b], &|_, _| *correlation)
}

/// Joins several estimates of the same gaps; `correlation(i, k)` of the errors of estimates `i` and `k` at the same station (0 ≤ correlation < 1, the same for `(k, i)`). Where
/// they contradict each other beyond their uncertainty the covariance is widened by Birge's ratio (Birge, *Physical Review* 40, 1932), never averaged away.
pub fn join_all(estimates: &[&GapProfile], correlation: &dyn Fn(usize, usize) -> [f64; STATION_COUNT]) -> Joined {
    let n = STATION_COUNT;
    let size = n * estimates.len();
    let sd = |p: &GapProfile, i: usize| p.covariance_mm2[(i, i)].max(0.0).sqrt();
    // Cross-covariance with the stations' own pattern: R = D ρ D with D the standard deviations, between stations by the mean of both patterns.
    let joint = DMatrix::from_fn(size, size, |row, column| {
        let (e, i, f, k) = (row / n, row % n, column / n, column % n);
        let (a, b) = (estimates[e], estimates[f]);
        if e == f {
            return a.covariance_mm2[(i, k)];
        }
        let pattern = |p: &GapProfile| p.covariance_mm2[(i, k)] / (sd(p, i) * sd(p, k)).max(1e-12);
        let r = correlation(e.min(f), e.max(f));
        (r[i] * r[k]).max(0.0).sqrt() * (0.5 * (pattern(a) + pattern(b))) * sd(a, i) * sd(b, k)
    });
    // A little slack on the diagonal keeps the joint matrix positive definite where the cross terms are a model.
    let joint = DMatrix::from_fn(size, size, |i, k| joint[(i, k)] * if i == k { 1.02 } else { 1.0 });
    let eigen = joint.clone().symmetric_eigen();
    let floor = 1e-6 * eigen.eigenvalues.max();
    let inverse = {
        let mut m = DMatrix::zeros(size, size);
        for (k, value) in eigen.eigenvalues.iter().enumerate() {
            let v = eigen.eigenvectors.column(k);
            m += v * v.transpose() / value.max(floor);
        }
        m
    };
    let h = DMatrix::from_fn(size, n, |i, k| if i % n == k { 1.0 } else { 0.0 });
    let information = h.transpose() * &inverse * &h;
    let covariance = crate::numerics::least_squares::invert_information(&information);
    let y = DVector::from_fn(size, |i, _| estimates[i / n].gap_mm[i % n]);
    let mean = &covariance * h.transpose() * &inverse * &y;
    let residual = &y - &h * &mean;
    let chi2 = residual.dot(&(&inverse * &residual)) / (size - n).max(1) as f64;
    let birge = chi2.max(1.0);
    Joined {
        profile: GapProfile {
            gap_mm: crate::leg::profile::StationVector::from_fn(|i, _| mean[i]),
            covariance_mm2: StationMatrix::from_fn(|i, k| covariance[(i, k)] * birge),
        },
        contradiction: chi2.sqrt(),
    }
}

/// Two estimates made one.
#[derive(Debug, Clone)]
pub struct Joined {
    /// The joint gaps.
    pub profile: GapProfile,
    /// Root of χ² per station between the two: about 1 where they agree within their uncertainties.
    pub contradiction: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::leg::profile::StationVector;

    fn profile(gap: f64, sd: f64) -> GapProfile {
        GapProfile {
            gap_mm: StationVector::from_element(gap),
            covariance_mm2: StationMatrix::identity() * (sd * sd),
        }
    }

    #[test]
    fn two_correlated_measurements_of_one_value() {
        // Lyons, Gibaut and Clifford (1988), two estimates with standard deviations s1, s2 and correlation r: weight of the first
        // (s2² − r s1 s2)/(s1² + s2² − 2 r s1 s2), variance s1² s2² (1 − r²)/(s1² + s2² − 2 r s1 s2).
        let (s1, s2, r) = (6.0, 8.0, 0.4);
        let joined = join(&profile(20.0, s1), &profile(24.0, s2), &[r; STATION_COUNT]);
        let denominator = s1 * s1 + s2 * s2 - 2.0 * r * s1 * s2;
        let w = (s2 * s2 - r * s1 * s2) / denominator;
        let expected = w * 20.0 + (1.0 - w) * 24.0;
        let variance = s1 * s1 * s2 * s2 * (1.0 - r * r) / denominator;
        assert!((joined.profile.gap_mm[2] - expected).abs() < 0.1, "{}", joined.profile.gap_mm[2]);
        assert!((joined.profile.covariance_mm2[(2, 2)] / variance - 1.0).abs() < 0.04);
    }

    #[test]
    fn the_shipped_numbers_are_sound() {
        let errors = FusionErrors::shipped();
        assert!(errors.geometry_picture_correlation.iter().all(|r| (0.0..0.999).contains(r)));
        assert!(
            (0.0..=1.0).contains(&errors.common_share)
                && errors
                    .geometry_sd_scale
                    .iter()
                    .chain(&errors.picture_sd_scale)
                    .all(|k| (0.3..4.0).contains(k))
        );
        // One view's geometry is never trusted more than measured, nor taken for independent of the picture.
        assert!(errors.one_view_geometry_factor >= 1.0 && (0.3..=1.0).contains(&errors.one_view_correlation_factor));
    }

    #[test]
    fn contradiction_widens() {
        let joined = join(&profile(0.0, 2.0), &profile(40.0, 2.0), &[0.0; STATION_COUNT]);
        assert!(joined.profile.covariance_mm2[(0, 0)].sqrt() > 10.0);
        assert!(joined.contradiction > 5.0);
    }
}
