//! Homographies between frames: application, four-point form, weighted fit with covariance.

use crate::types::ImagePoint;
use nalgebra::{Matrix2, Matrix3, SMatrix, SVector, Vector3};

/// Covariance of the four corners' eight numbers, px².
pub type CornerCovariance = SMatrix<f64, 8, 8>;

/// Where `h` maps a point; `None` behind the plane at infinity.
pub fn apply(h: &Matrix3<f64>, p: ImagePoint) -> Option<ImagePoint> {
    let q = h * Vector3::new(p.u, p.v, 1.0);
    (q.z > 1e-9).then(|| ImagePoint::new(q.x / q.z, q.y / q.z))
}

/// Derivative of the mapped point by the point.
pub fn derivative(h: &Matrix3<f64>, p: ImagePoint) -> Matrix2<f64> {
    let q = h * Vector3::new(p.u, p.v, 1.0);
    let (u, v) = (q.x / q.z, q.y / q.z);
    Matrix2::new(
        h[(0, 0)] - u * h[(2, 0)],
        h[(0, 1)] - u * h[(2, 1)],
        h[(1, 0)] - v * h[(2, 0)],
        h[(1, 1)] - v * h[(2, 1)],
    ) / q.z
}

/// Linear scale of the map at a point: root of the absolute determinant of its derivative.
pub fn scale_at(h: &Matrix3<f64>, p: ImagePoint) -> f64 {
    derivative(h, p).determinant().abs().sqrt()
}

/// The frame's corners, top left first, clockwise, px.
pub fn corners_of(image_size: [usize; 2]) -> [ImagePoint; 4] {
    let (w, h) = (image_size[0] as f64, image_size[1] as f64);
    [
        ImagePoint::new(0.0, 0.0),
        ImagePoint::new(w, 0.0),
        ImagePoint::new(w, h),
        ImagePoint::new(0.0, h),
    ]
}

/// Frame pixels to numbers of order one and back.
fn normaliser(image_size: [usize; 2]) -> Matrix3<f64> {
    let (w, h) = (image_size[0] as f64, image_size[1] as f64);
    let s = 2.0 / w;
    Matrix3::new(s, 0.0, -s * w / 2.0, 0.0, s, -s * h / 2.0, 0.0, 0.0, 1.0)
}

/// Row of the derivative of the mapped point by the eight numbers of `h` (last one 1): for u, then for v. `p` normalised.
fn by_numbers(h: &Matrix3<f64>, x: f64, y: f64) -> Option<([f64; 2], [SVector<f64, 8>; 2])> {
    let q = h * Vector3::new(x, y, 1.0);
    if q.z.abs() < 1e-9 {
        return None;
    }
    let (u, v, w) = (q.x / q.z, q.y / q.z, q.z);
    let du = SVector::from([x / w, y / w, 1.0 / w, 0.0, 0.0, 0.0, -u * x / w, -u * y / w]);
    let dv = SVector::from([0.0, 0.0, 0.0, x / w, y / w, 1.0 / w, -v * x / w, -v * y / w]);
    Some(([u, v], [du, dv]))
}

/// The homography that takes the frame's corners to `corners`; `None` where they are degenerate.
pub fn from_corners(image_size: [usize; 2], corners: &[[f64; 2]; 4]) -> Option<Matrix3<f64>> {
    let t = normaliser(image_size);
    let mut a = SMatrix::<f64, 8, 8>::zeros();
    let mut b = SVector::<f64, 8>::zeros();
    for (k, (from, to)) in corners_of(image_size).iter().zip(corners).enumerate() {
        let p = t * Vector3::new(from.u, from.v, 1.0);
        let q = t * Vector3::new(to[0], to[1], 1.0);
        let (x, y) = (p.x, p.y);
        for (row, value, slot) in [(2 * k, q.x, 0), (2 * k + 1, q.y, 3)] {
            a[(row, slot)] = x;
            a[(row, slot + 1)] = y;
            a[(row, slot + 2)] = 1.0;
            a[(row, 6)] = -value * x;
            a[(row, 7)] = -value * y;
            b[row] = value;
        }
    }
    let h = a.lu().solve(&b)?;
    let m = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0);
    Some(t.try_inverse()? * m * t)
}

/// A pair of points that show the same thing, with its weight.
#[derive(Debug, Clone, Copy)]
pub struct Match {
    /// In the frame to be registered, px.
    pub from: ImagePoint,
    /// In the key frame, px.
    pub to: ImagePoint,
    /// How much it counts.
    pub weight: f64,
}

/// A fitted homography.
#[derive(Debug, Clone)]
pub struct Fit {
    /// It.
    pub homography: Matrix3<f64>,
    /// Where the frame's corners lie, px.
    pub corners_px: [[f64; 2]; 4],
    /// Their covariance, px².
    pub covariance: CornerCovariance,
    /// Standard deviation of a point along one axis, px, from the median distance.
    pub sd_px: f64,
}

/// Residuals count less from this many px on (Cauchy's weight), so that what moves by itself does not pull: times the frame's width / 640.
const SOFT_PX: f64 = 0.6;

/// Refines `start` on the matches: iteratively reweighted Gauss–Newton on the distance in the key frame. The covariance is that of a weighted estimator whose points have one
/// and the same standard deviation, taken from the residuals' median (`A⁻¹ (Σ w² σ² JᵀJ) A⁻¹` with `A = Σ w JᵀJ`).
pub fn fit(image_size: [usize; 2], matches: &[Match], start: &Matrix3<f64>) -> Option<Fit> {
    let t = normaliser(image_size);
    let back = t.try_inverse()?;
    let unit = 2.0 / image_size[0] as f64;
    let soft = SOFT_PX * image_size[0] as f64 / 640.0 * unit;
    let normal = |p: ImagePoint| t * Vector3::new(p.u, p.v, 1.0);
    let pairs: Vec<(Vector3<f64>, Vector3<f64>, f64)> = matches.iter().map(|m| (normal(m.from), normal(m.to), m.weight)).collect();
    let mut h = t * start * back;
    h /= h[(2, 2)];
    let mut bread = SMatrix::<f64, 8, 8>::zeros();
    let mut meat = SMatrix::<f64, 8, 8>::zeros();
    for _ in 0..8 {
        bread.fill(0.0);
        meat.fill(0.0);
        let mut gradient = SVector::<f64, 8>::zeros();
        for (p, q, weight) in &pairs {
            let (at, rows) = by_numbers(&h, p.x, p.y)?;
            let (ru, rv) = (q.x - at[0], q.y - at[1]);
            let w = weight / (1.0 + (ru * ru + rv * rv) / (soft * soft));
            for (r, row) in [(ru, &rows[0]), (rv, &rows[1])] {
                let outer = row * row.transpose();
                bread += outer * w;
                meat += outer * (w * w);
                gradient += row * (w * r);
            }
        }
        let step = bread.cholesky()?.solve(&gradient);
        let delta = Matrix3::new(step[0], step[1], step[2], step[3], step[4], step[5], step[6], step[7], 0.0);
        h += delta;
        if step.norm() < 1e-9 {
            break;
        }
    }
    let mut distances: Vec<f64> = Vec::with_capacity(pairs.len());
    for (p, q, _) in &pairs {
        let (at, _) = by_numbers(&h, p.x, p.y)?;
        distances.push((q.x - at[0]).hypot(q.y - at[1]));
    }
    distances.sort_by(f64::total_cmp);
    let sd = rayleigh_sd(*distances.get(distances.len() / 2)?);
    let inverse = bread.try_inverse()?;
    let numbers = inverse * meat * inverse * (sd * sd);
    // To the corners.
    let mut to_corners = SMatrix::<f64, 8, 8>::zeros();
    let mut corners_px = [[0.0; 2]; 4];
    for (k, c) in corners_of(image_size).iter().enumerate() {
        let p = normal(*c);
        let (at, rows) = by_numbers(&h, p.x, p.y)?;
        to_corners.set_row(2 * k, &(rows[0].transpose() / unit));
        to_corners.set_row(2 * k + 1, &(rows[1].transpose() / unit));
        let px = back * Vector3::new(at[0], at[1], 1.0);
        corners_px[k] = [px.x, px.y];
    }
    let homography = back * h * t;
    homography.iter().all(|x| x.is_finite()).then_some(Fit {
        homography,
        corners_px,
        covariance: to_corners * numbers * to_corners.transpose(),
        sd_px: sd / unit,
    })
}

/// Standard deviation along one axis from the median distance of points spread alike along both (Rayleigh distribution: median = σ √(2 ln 2)).
pub fn rayleigh_sd(median_distance: f64) -> f64 {
    median_distance / (2.0 * std::f64::consts::LN_2).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    const SIZE: [usize; 2] = [1280, 720];

    fn tilted() -> Matrix3<f64> {
        Matrix3::new(1.02, -0.03, 14.0, 0.025, 0.99, -9.0, 1.5e-5, -8e-6, 1.0)
    }

    #[test]
    fn four_corners_give_the_homography_back() {
        let h = tilted();
        let corners = corners_of(SIZE).map(|c| apply(&h, c).unwrap()).map(|p| [p.u, p.v]);
        let back = from_corners(SIZE, &corners).unwrap();
        for (u, v) in [(10.0, 20.0), (640.0, 360.0), (1200.0, 700.0)] {
            let p = ImagePoint::new(u, v);
            assert!(apply(&h, p).unwrap().distance_px(apply(&back, p).unwrap()) < 1e-8);
        }
    }

    #[test]
    fn derivative_equals_differences() {
        let (h, p) = (tilted(), ImagePoint::new(300.0, 500.0));
        let d = derivative(&h, p);
        let e = 1e-4;
        for (k, (du, dv)) in [(e, 0.0), (0.0, e)].into_iter().enumerate() {
            let a = apply(&h, ImagePoint::new(p.u + du, p.v + dv)).unwrap();
            let b = apply(&h, ImagePoint::new(p.u - du, p.v - dv)).unwrap();
            assert!((d[(0, k)] - (a.u - b.u) / (2.0 * e)).abs() < 1e-7);
            assert!((d[(1, k)] - (a.v - b.v) / (2.0 * e)).abs() < 1e-7);
        }
    }

    /// Simulation: the corners' covariance covers their scatter, a third of wrong matches notwithstanding.
    #[test]
    fn covariance_is_what_repetition_scatters() {
        let h = tilted();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let truth = corners_of(SIZE).map(|c| apply(&h, c).unwrap());
        let (mut square, mut stated) = (0.0, 0.0);
        for _ in 0..60 {
            let matches: Vec<Match> = (0..150)
                .map(|i| {
                    let from = ImagePoint::new(rng.random_range(0.0..1280.0), rng.random_range(0.0..720.0));
                    let q = apply(&h, from).unwrap();
                    let mut noise = || 0.3 * (0..12).map(|_| rng.random::<f64>() - 0.5).sum::<f64>();
                    let (nu, nv) = (noise(), noise());
                    let wrong = if i % 5 == 0 { 40.0 } else { 0.0 };
                    Match {
                        from,
                        to: ImagePoint::new(q.u + nu + wrong, q.v + nv),
                        weight: if from.v > 300.0 { 1.0 } else { 0.2 },
                    }
                })
                .collect();
            let fit = fit(SIZE, &matches, &h).unwrap();
            for (k, t) in truth.iter().enumerate() {
                square += (fit.corners_px[k][0] - t.u).powi(2) + (fit.corners_px[k][1] - t.v).powi(2);
                stated += fit.covariance[(2 * k, 2 * k)] + fit.covariance[(2 * k + 1, 2 * k + 1)];
            }
        }
        let ratio = (square / stated).sqrt();
        assert!((0.75..1.35).contains(&ratio), "scatter over stated {ratio}");
    }
}
