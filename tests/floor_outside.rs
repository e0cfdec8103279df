//! The floor fit against outside references: OpenCV's planar pose and homography, the single-view height formula of Criminisi et al., and Monte Carlo propagation.

use nalgebra::{DVector, Matrix3, Rotation3, Vector3};
use opencv::core::{Mat, Point2f, Point3f, Vector, CV_64F};
use opencv::prelude::*;
use proptest::prelude::*;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use shankline::floor::camera::{CameraCovariance, FloorCamera};
use shankline::floor::marks::{FloorFile, Mark};
use shankline::outcome::FloorSource;
use shankline::types::{CarpetPoint, ImagePoint};

const SIZE: [usize; 2] = [1920, 1080];

/// A camera at `height_m`, `distance_m` from the carpet's origin, looking at a point half a metre above it, rolled.
fn camera(focal_px: f64, azimuth_deg: f64, distance_m: f64, height_m: f64, roll_deg: f64) -> FloorCamera {
    let a = azimuth_deg.to_radians();
    let centre = Vector3::new(distance_m * a.cos(), distance_m * a.sin(), height_m);
    let forward = (Vector3::new(0.0, 0.0, 0.5) - centre).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let level = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    let rotation = Rotation3::from_axis_angle(&Vector3::z_axis(), roll_deg.to_radians()).into_inner() * level;
    FloorCamera {
        image_size: SIZE,
        focal_px,
        rotation,
        translation_m: -rotation * centre,
        covariance: CameraCovariance::zeros(),
        source: FloorSource::Marks,
    }
}

const SQUARE: [[f64; 2]; 6] = [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [0.2, -0.3], [0.5, 0.8]];

fn marked(camera: &FloorCamera, noise_px: f64, rng: &mut rand_chacha::ChaCha8Rng) -> FloorFile {
    let mut noise = || -> f64 { noise_px * Distribution::<f64>::sample(&StandardNormal, rng) };
    FloorFile {
        image_size: SIZE,
        marks: SQUARE
            .iter()
            .map(|c| {
                let p = camera.project(CarpetPoint::new(c[0], c[1], 0.0)).unwrap();
                Mark {
                    image: [p.u + noise(), p.v + noise()],
                    carpet_m: *c,
                }
            })
            .collect(),
        focal_px: None,
        sigma_px: Some(noise_px.max(0.05)),
        time_s: None,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]
    /// Project with a known camera, fit, and get the camera back.
    #[test]
    fn a_known_camera_is_recovered(
        focal in 900.0..3500.0_f64,
        azimuth in 0.0..360.0_f64,
        distance in 3.0..9.0_f64,
        height in 0.4..4.0_f64,
        roll in -8.0..8.0_f64,
    ) {
        let truth = camera(focal, azimuth, distance, height, roll);
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        let fit = marked(&truth, 0.0, &mut rng).fit().unwrap();
        // Exact marks leave only the pull of the focal prior, which is weak.
        let centre = fit.camera.centre().vector() - truth.centre().vector();
        prop_assert!(centre.norm() < 0.03 * distance, "centre off by {} m", centre.norm());
        prop_assert!((fit.camera.elevation_rad_from(CarpetPoint::new(0.0, 0.0, 0.0)) - truth.elevation_rad_from(CarpetPoint::new(0.0, 0.0, 0.0))).abs() < 0.01);
        prop_assert!(fit.residual_px.iter().all(|r| *r < 0.2));
    }
}

/// With the focal length given, OpenCV 4.6 `solvePnP` (iterative) on the same points must give the same pose.
#[test]
fn pose_equals_opencv_solve_pnp() {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    for (k, (azimuth, height)) in [(10.0, 0.5), (80.0, 1.6), (200.0, 3.0), (310.0, 2.2)].into_iter().enumerate() {
        let truth = camera(1500.0, azimuth, 5.0, height, 1.5);
        let mut file = marked(&truth, 0.5, &mut rng);
        file.focal_px = Some(1500.0);
        let fit = file.fit().unwrap();

        let objects: Vector<Point3f> = SQUARE.iter().map(|c| Point3f::new(c[0] as f32, c[1] as f32, 0.0)).collect();
        let images: Vector<Point2f> = file
            .marks
            .iter()
            .map(|m| Point2f::new(m.image[0] as f32, m.image[1] as f32))
            .collect();
        let k_matrix = Mat::from_slice_2d(&[[1500.0, 0.0, 960.0], [0.0, 1500.0, 540.0], [0.0, 0.0, 1.0]]).unwrap();
        let (mut rotation, mut translation) = (Mat::default(), Mat::default());
        let found = opencv::calib3d::solve_pnp(
            &objects,
            &images,
            &k_matrix,
            &Mat::zeros(1, 5, CV_64F).unwrap(),
            &mut rotation,
            &mut translation,
            false,
            opencv::calib3d::SOLVEPNP_ITERATIVE,
        )
        .unwrap();
        assert!(found);
        let vector = |m: &Mat| Vector3::new(*m.at::<f64>(0).unwrap(), *m.at::<f64>(1).unwrap(), *m.at::<f64>(2).unwrap());
        let theirs = Rotation3::new(vector(&rotation)).into_inner();
        let turn = (theirs.transpose() * fit.camera.rotation).trace();
        let angle_deg = ((turn - 1.0) / 2.0).clamp(-1.0, 1.0).acos().to_degrees();
        assert!(angle_deg < 0.15, "case {k}: {angle_deg}°");
        let shift = (vector(&translation) - fit.camera.translation_m).norm();
        assert!(shift < 0.03, "case {k}: {shift} m");
    }
}

/// OpenCV's `findHomography` (least squares) maps held-out carpet points to where our camera puts them.
#[test]
fn carpet_points_equal_opencv_find_homography() {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
    let truth = camera(1700.0, 35.0, 6.0, 1.4, -2.0);
    let file = marked(&truth, 0.3, &mut rng);
    let fit = file.fit().unwrap();
    let carpet: Vector<Point2f> = SQUARE.iter().map(|c| Point2f::new(c[0] as f32, c[1] as f32)).collect();
    let images: Vector<Point2f> = file
        .marks
        .iter()
        .map(|m| Point2f::new(m.image[0] as f32, m.image[1] as f32))
        .collect();
    let h = opencv::calib3d::find_homography_ext(&carpet, &images, 0, 3.0, &mut Mat::default(), 2000, 0.995).unwrap();
    let h = Matrix3::from_fn(|i, k| *h.at_2d::<f64>(i as i32, k as i32).unwrap());
    for (x, y) in [(0.0, 0.0), (0.7, -0.6), (-0.8, 0.4)] {
        let p = h * Vector3::new(x, y, 1.0);
        let theirs = ImagePoint::new(p.x / p.z, p.y / p.z);
        let ours = fit.camera.project(CarpetPoint::new(x, y, 0.0)).unwrap();
        assert!(ours.distance_px(theirs) < 0.8, "{}", ours.distance_px(theirs));
    }
}

/// Height of a point over the carpet from its image and its foot's image, by Criminisi, Reid and Zisserman, "Single View Metrology", IJCV 40(2), 2000, eq. 7:
/// `alpha Z = −‖b × t‖ / ((l · b) ‖v × t‖)` with the vertical vanishing point v and the carpet's vanishing line l, scaled by one known height.
#[test]
fn heights_equal_single_view_metrology() {
    let truth = camera(1600.0, 120.0, 4.0, 0.8, 3.0);
    let k = Matrix3::new(1600.0, 0.0, 960.0, 0.0, 1600.0, 540.0, 0.0, 0.0, 1.0);
    let homogeneous = |p: ImagePoint| Vector3::new(p.u, p.v, 1.0);
    let vertical = k * truth.rotation * Vector3::z();
    let line = (k * truth.rotation * Vector3::x()).cross(&(k * truth.rotation * Vector3::y()));
    let line = line / line.norm();
    let alpha_z = |base: CarpetPoint, height: f64| {
        let b = homogeneous(truth.project(base).unwrap());
        let t = homogeneous(truth.project(CarpetPoint::new(base.x, base.y, height)).unwrap());
        b.cross(&t).norm() / (line.dot(&b).abs() * vertical.cross(&t).norm())
    };
    let reference = alpha_z(CarpetPoint::new(0.5, 0.2, 0.0), 1.0);
    for (x, y, z) in [(0.0, 0.0, 0.03), (-0.4, 0.3, 0.12), (0.8, -0.7, 0.5)] {
        let theirs = alpha_z(CarpetPoint::new(x, y, 0.0), z) / reference;
        // Ours: the height at which the ray through the top passes over the same carpet point.
        let top = truth.project(CarpetPoint::new(x, y, z)).unwrap();
        let (mut low, mut high) = (0.0, 0.79);
        for _ in 0..60 {
            let mid = 0.5 * (low + high);
            let p = truth.at_height(top, mid).unwrap();
            // Nearer to the camera than the foot: the guess is too high.
            let near = (p.vector() - truth.centre().vector()).xy().norm();
            let foot = (CarpetPoint::new(x, y, 0.0).vector() - truth.centre().vector()).xy().norm();
            if near < foot {
                high = mid;
            } else {
                low = mid;
            }
        }
        assert!((theirs - z).abs() < 1e-6, "formula {theirs} truth {z}");
        assert!((low - theirs).abs() < 1e-6, "ours {low} theirs {theirs}");
    }
}

/// First-order covariance against Monte Carlo (JCGM 101:2008): standard deviations of elevation, height and distance agree to 15 % over 400 draws of the marks.
#[test]
fn covariance_equals_monte_carlo() {
    let truth = camera(1500.0, 60.0, 5.0, 1.2, 0.0);
    let origin = CarpetPoint::new(0.0, 0.0, 0.0);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
    let quantities = |c: &FloorCamera| {
        DVector::from_vec(vec![
            c.elevation_rad_from(origin),
            c.centre().z,
            c.distance_m(origin),
            c.focal_px.ln(),
        ])
    };
    let mut draws = Vec::new();
    let mut stated = DVector::zeros(4);
    for _ in 0..400 {
        let mut file = marked(&truth, 0.7, &mut rng);
        file.sigma_px = Some(0.7);
        let fit = file.fit().unwrap();
        draws.push(quantities(&fit.camera));
        let variance = fit.camera.propagate(quantities);
        stated += variance.diagonal() / 400.0;
    }
    let n = draws.len() as f64;
    let mean = draws.iter().fold(DVector::zeros(4), |m, d| m + d / n);
    for i in 0..4 {
        let sd = (draws.iter().map(|d| (d[i] - mean[i]).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        let ratio = stated[i].sqrt() / sd;
        // The stated covariance is widened by Birge's ratio where a draw misses by chance, so it sits a little above one.
        assert!((0.85..1.25).contains(&ratio), "quantity {i}: stated over drawn {ratio}");
    }
}

#[test]
fn marks_that_cannot_fix_a_floor_are_refused() {
    let truth = camera(1500.0, 60.0, 5.0, 1.2, 0.0);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
    let good = marked(&truth, 0.0, &mut rng);
    let line = |n: usize| FloorFile {
        marks: (0..n)
            .map(|k| {
                let p = truth.project(CarpetPoint::new(k as f64 * 0.3, 0.0, 0.0)).unwrap();
                Mark {
                    image: [p.u, p.v],
                    carpet_m: [k as f64 * 0.3, 0.0],
                }
            })
            .collect(),
        ..good.clone()
    };
    assert!(line(5).fit().unwrap_err().to_string().contains("one line"));
    assert!(FloorFile {
        marks: good.marks[..3].to_vec(),
        ..good.clone()
    }
    .fit()
    .unwrap_err()
    .to_string()
    .contains("few"));
    let mut shuffled = good.clone();
    shuffled.marks[0].image = good.marks[2].image;
    shuffled.marks[2].image = [100.0, 1000.0];
    let said = shuffled.fit();
    assert!(said.is_err() || said.unwrap().notes.iter().any(|n| n.contains("miss the fit")));
}

/// Carpet axes given left-handed are noticed and mirrored, so that heights still count upwards.
#[test]
fn left_handed_marks_are_mirrored() {
    let truth = camera(1500.0, 60.0, 5.0, 1.2, 0.0);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
    let mut file = marked(&truth, 0.0, &mut rng);
    for m in &mut file.marks {
        m.carpet_m[1] = -m.carpet_m[1];
    }
    let fit = file.fit().unwrap();
    assert!((fit.camera.centre().z - 1.2).abs() < 0.05);
    assert!(fit.notes.iter().any(|n| n.contains("left-handed")));
}
