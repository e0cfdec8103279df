//! The carpet's own lines against pictures drawn here from known cameras, against OpenCV, and on a set of pictures in which there is no such carpet.

use nalgebra::{Matrix3, Vector3};
use opencv::prelude::*;
use rand::prelude::*;
use rand_chacha::ChaCha8Rng;
use shankline::floor::body::BodyClues;
use shankline::floor::camera::{CameraCovariance, FloorCamera};
use shankline::floor::lines::carpet::{CarpetSize, LINE_M};
use shankline::floor::lines::{choose, edges, find, fit, mask::Mask, stripe, Looked, Refusal};
use shankline::floor::sheet::align::Grey;
use shankline::outcome::FloorSource;
use shankline::types::{CarpetPoint, ImagePoint};

const SIZE: [usize; 2] = [1280, 720];

/// A camera at `elevation_deg` and `distance_m` from the origin, looking past it by `aside_px`.
fn camera(focal_px: f64, elevation_deg: f64, azimuth_deg: f64, distance_m: f64, roll_deg: f64, aside_px: [f64; 2]) -> FloorCamera {
    let (e, a, roll) = (elevation_deg.to_radians(), azimuth_deg.to_radians(), roll_deg.to_radians());
    let centre = distance_m * Vector3::new(e.cos() * a.cos(), e.cos() * a.sin(), e.sin());
    // The axis points so that the origin is seen `aside_px` off the middle.
    let forward = -centre.normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let forward = (forward - right * (aside_px[0] / focal_px) - down * (aside_px[1] / focal_px)).normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let down = forward.cross(&right);
    let level = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    let (s, c) = roll.sin_cos();
    let rotation = Matrix3::new(c, s, 0.0, -s, c, 0.0, 0.0, 0.0, 1.0) * level;
    FloorCamera {
        image_size: SIZE,
        focal_px,
        rotation,
        translation_m: -rotation * centre,
        covariance: CameraCovariance::zeros(),
        source: FloorSource::None,
    }
}

/// Draws the floor's brightness (0–255, by carpet place in metres) as the camera sees it, with a wall over the horizon, blurred and noisy.
fn draw(camera: &FloorCamera, floor: &dyn Fn(f64, f64) -> f64, wall: &dyn Fn(f64, f64) -> f64, rng: &mut ChaCha8Rng) -> Grey {
    let [w, h] = SIZE;
    let inverse = camera.rotation.transpose();
    let centre = camera.centre().vector();
    let p = camera.principal();
    let mut data = vec![0.0_f32; w * h];
    for row in 0..h {
        for column in 0..w {
            let mut sum = 0.0;
            // Nine points a pixel: a line of one pixel must keep its brightness.
            for k in 0..9 {
                let (u, v) = (
                    column as f64 + (f64::from(k % 3) + 0.5) / 3.0,
                    row as f64 + (f64::from(k / 3) + 0.5) / 3.0,
                );
                let ray = inverse * Vector3::new(u - p.u, v - p.v, camera.focal_px);
                let distance = -centre.z / ray.z;
                let at = centre + ray * distance;
                let far = ray.z >= 0.0 || at.x.hypot(at.y) > 40.0;
                sum += if far { wall(u, v) } else { floor(at.x, at.y) };
            }
            data[row * w + column] = (sum / 9.0) as f32;
        }
    }
    let picture = opencv::core::Mat::new_rows_cols_with_data(h as i32, w as i32, &data).unwrap();
    let mut blurred = opencv::core::Mat::default();
    let size = opencv::core::Size::new(0, 0);
    opencv::imgproc::gaussian_blur(&picture, &mut blurred, size, 0.7, 0.7, opencv::core::BORDER_REPLICATE).unwrap();
    let normal = rand_distr::Normal::new(0.0, 2.5).unwrap();
    let data = blurred
        .data_typed::<f32>()
        .unwrap()
        .iter()
        .map(|x| (f64::from(*x) + normal.sample(rng)).round().clamp(0.0, 255.0) as u8)
        .collect();
    Grey { width: w, height: h, data }
}

/// A carpet with its line: middle, heading, size over the line's outer edges.
struct Carpet {
    middle: [f64; 2],
    heading: f64,
    size: CarpetSize,
    line_m: f64,
}

impl Carpet {
    fn local(&self, x: f64, y: f64) -> [f64; 2] {
        let (s, c) = self.heading.sin_cos();
        let (x, y) = (x - self.middle[0], y - self.middle[1]);
        [c * x + s * y, -s * x + c * y]
    }

    fn world(&self, x: f64, y: f64) -> CarpetPoint {
        let (s, c) = self.heading.sin_cos();
        CarpetPoint::new(self.middle[0] + c * x - s * y, self.middle[1] + s * x + c * y, 0.0)
    }

    fn level(&self, x: f64, y: f64) -> f64 {
        let [x, y] = self.local(x, y);
        let edge = (x.abs() - 0.5 * self.size.long_m).max(y.abs() - 0.5 * self.size.short_m);
        match edge {
            e if e > 0.0 => 120.0,
            e if e > -self.line_m => 215.0,
            _ => 80.0,
        }
    }

    /// Corners of the line's middle.
    fn corners(&self) -> [CarpetPoint; 4] {
        let (a, b) = (0.5 * (self.size.long_m - self.line_m), 0.5 * (self.size.short_m - self.line_m));
        [(-a, -b), (a, -b), (a, b), (-a, b)].map(|(x, y)| self.world(x, y))
    }
}

/// What a body at the origin says, with errors as it has them.
fn clues(camera: &FloorCamera, rng: &mut ChaCha8Rng) -> BodyClues {
    let at = CarpetPoint::new(0.0, 0.0, 0.03);
    let elevation = camera.elevation_rad_from(at);
    let sd = 1.2_f64.to_radians().max(0.12 * elevation);
    let mut normal = || -> f64 { rng.sample(rand_distr::StandardNormal) };
    BodyClues {
        leg_at: camera.project(at).unwrap(),
        leg_height_m: 0.03,
        leg_height_sd_m: 0.01,
        shank_px: camera.focal_px * 0.42 / camera.depth_m(at) * (0.05 * normal()).exp(),
        shank_log_sd: 0.05,
        shank_m: 0.42 * (0.045 * normal()).exp(),
        shank_sd_m: 0.045 * 0.42,
        elevation_rad: (elevation + sd * normal()).max(0.01),
        elevation_sd_rad: sd,
    }
}

/// A person-sized part of the picture over the origin is hidden, as the athlete hides it.
fn mask(camera: &FloorCamera) -> Mask {
    let foot = camera.project(CarpetPoint::new(0.0, 0.0, 0.0)).unwrap();
    let head = camera.project(CarpetPoint::new(0.0, 0.0, 1.2)).unwrap();
    let mut mask = Mask::empty(SIZE);
    mask.cover(foot, head, 0.35 * foot.distance_px(head));
    mask
}

fn elevation_and_error(looked: &Looked, truth: &FloorCamera, clues: &BodyClues) -> Option<([f64; 3], [f64; 3])> {
    let camera = looked.verdict.as_ref().ok()?;
    let off = |c: &FloorCamera| -> [f64; 3] {
        let at = c.at_height(clues.leg_at, 0.03).unwrap();
        [c.elevation_rad_from(at), c.depth_m(at).ln(), c.focal_px.ln()]
    };
    let (found, exact) = (off(camera), off(truth));
    let sd = std::array::from_fn(|k| camera.sd_of(|c| off(c)[k]));
    Some((std::array::from_fn(|k| found[k] - exact[k]), sd))
}

/// A view that shows at least `sides` sides over a tenth of the picture's width each.
fn scene(rng: &mut ChaCha8Rng, sides: usize, line_m: f64) -> (FloorCamera, Carpet) {
    loop {
        let elevation: f64 = rng.random_range(4.0..38.0);
        let distance = rng.random_range(5.0..16.0);
        let camera = camera(
            rng.random_range(0.65..1.9) * SIZE[0] as f64,
            elevation,
            rng.random_range(0.0..360.0),
            distance,
            rng.random_range(-2.5..2.5),
            [rng.random_range(-250.0..250.0), rng.random_range(-40.0..160.0)],
        );
        let size = CarpetSize::default();
        let carpet = Carpet {
            middle: [rng.random_range(-5.0..5.0), rng.random_range(-2.8..2.8)],
            heading: rng.random_range(0.0..std::f64::consts::TAU),
            size,
            line_m,
        };
        // The athlete, at the origin, is on the carpet.
        let [x, y] = carpet.local(0.0, 0.0);
        if x.abs() > 6.5 || y.abs() > 3.5 {
            continue;
        }
        let corners = carpet.corners();
        let visible = (0..4)
            .filter(|k| {
                let (a, b) = (corners[*k].vector(), corners[(k + 1) % 4].vector());
                let seen: Vec<ImagePoint> = (0..=60)
                    .filter_map(|i| camera.project((a + (b - a) * (f64::from(i) / 60.0)).into()))
                    .filter(|p| p.u > 5.0 && p.v > 5.0 && p.u < 1275.0 && p.v < 715.0)
                    .collect();
                seen.windows(2).map(|w| w[0].distance_px(w[1])).sum::<f64>() > 128.0
            })
            .count();
        if visible >= sides {
            return (camera, carpet);
        }
    }
}

fn plain_wall(_: f64, v: f64) -> f64 {
    150.0 - 0.05 * v
}

#[test]
fn drawn_then_recovered() {
    let mut rng = ChaCha8Rng::seed_from_u64(20);
    let (mut used, mut held, mut beyond) = (0, [0; 3], 0);
    const PICTURES: usize = 24;
    for _ in 0..PICTURES {
        let (truth, carpet) = scene(&mut rng, 3, LINE_M);
        let clues = clues(&truth, &mut rng);
        let picture = draw(&truth, &|x, y| carpet.level(x, y), &plain_wall, &mut rng);
        let looked = find(&[picture], &mask(&truth), Some(&clues), carpet.size).unwrap();
        let Some((error, sd)) = elevation_and_error(&looked, &truth, &clues) else {
            continue;
        };
        used += 1;
        assert!(looked.confidence > choose::LEAST_CONFIDENCE);
        for k in 0..3 {
            held[k] += usize::from(error[k].abs() < 1.96 * sd[k]);
            beyond += usize::from(error[k].abs() > 4.0 * sd[k]);
        }
        // Lines and body together must say more of the elevation than the body did.
        assert!(sd[0] < 0.85 * clues.elevation_sd_rad);
    }
    // Three sides show, but in one picture of three only two of them are found, and two are not used.
    assert!(used * 10 >= PICTURES * 4, "used in {used} of {PICTURES}");
    assert_eq!(beyond, 0, "errors over four standard deviations in {used} pictures");
    // Of true 95 % intervals fewer than 80 % of this many hold once in a thousand.
    for (k, h) in held.iter().enumerate() {
        assert!(h * 10 >= used * 8, "quantity {k}: {h} of {used} intervals hold");
    }
}

#[test]
fn stripes_are_measured_to_a_fraction_of_a_pixel() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let (mut middles, mut widths) = (Vec::new(), Vec::new());
    for _ in 0..8 {
        let (truth, carpet) = scene(&mut rng, 2, LINE_M);
        let picture = draw(&truth, &|x, y| carpet.level(x, y), &plain_wall, &mut rng);
        let mask = mask(&truth);
        let corners = carpet.corners();
        let guesses = edges::guesses(&picture, &mask).unwrap();
        let blur = stripe::blur_of(&picture, &mask, &guesses);
        for guess in guesses {
            let Some(s) = stripe::measure(&picture, &mask, &guess, blur) else {
                continue;
            };
            // The side it lies on, if any, by projecting densely.
            for k in 0..4 {
                let (a, b) = (corners[k].vector(), corners[(k + 1) % 4].vector());
                let across = Vector3::new(-(b - a).y, (b - a).x, 0.0).normalize() * (0.5 * LINE_M);
                let seen = |offset: Vector3<f64>| -> Vec<ImagePoint> {
                    (0..=2000)
                        .filter_map(|i| truth.project((a + (b - a) * (f64::from(i) / 2000.0) + offset).into()))
                        .collect()
                };
                let crossing = |line: &[ImagePoint], at: ImagePoint| -> Option<f64> {
                    // Place across the stripe where the line crosses its normal through the station.
                    let along = |p: &ImagePoint| (p.u - at.u) * s.across[1] - (p.v - at.v) * s.across[0];
                    line.windows(2).find(|w| along(&w[0]) * along(&w[1]) <= 0.0).map(|w| {
                        let t = along(&w[0]) / (along(&w[0]) - along(&w[1]));
                        let p = w[0].towards(w[1], t);
                        (p.u - at.u) * s.across[0] + (p.v - at.v) * s.across[1]
                    })
                };
                let (one, two) = (seen(across), seen(-across));
                for (k, at) in s.stations.iter().enumerate() {
                    let (Some(x), Some(y)) = (crossing(&one, *at), crossing(&two, *at)) else {
                        continue;
                    };
                    if (x + y).abs() > 4.0 {
                        continue;
                    }
                    middles.push((0.5 * (x + y)).abs() / s.middle_sd_px[k]);
                    assert!((0.5 * (x + y)).abs() < 0.5, "{x} {y}");
                    widths.push(((x - y).abs() - s.width_px[k]).abs() / s.width_sd_px[k]);
                }
            }
        }
    }
    assert!(middles.len() > 20, "{}", middles.len());
    let held = |v: &[f64]| v.iter().filter(|z| **z < 2.5).count() * 100 / v.len();
    assert!(held(&middles) >= 95, "{middles:?}");
    assert!(held(&widths) >= 85, "{widths:?}");
}

/// A camera that sees all four sides of a small carpet.
fn plain_view() -> (FloorCamera, Carpet) {
    let truth = camera(1100.0, 27.0, 63.0, 15.0, 1.0, [0.0, -20.0]);
    let carpet = Carpet {
        middle: [0.6, -0.4],
        heading: 0.35,
        size: CarpetSize::new(8.0, 5.0).unwrap(),
        line_m: LINE_M,
    };
    (truth, carpet)
}

#[test]
fn agrees_with_opencv_on_the_corners() {
    let (truth, carpet) = plain_view();
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let clues = clues(&truth, &mut rng);
    let picture = draw(&truth, &|x, y| carpet.level(x, y), &plain_wall, &mut rng);
    let looked = find(&[picture], &mask(&truth), Some(&clues), carpet.size).unwrap();
    let found = looked.verdict.as_ref().expect("four sides in plain view");
    let best = looked.best.as_ref().unwrap();
    assert_eq!(best.fit.taken.len(), 4, "{:?}", looked.stripes);
    let corners = looked.corners();
    assert_eq!(corners.len(), 4);
    // The corners themselves: where the true camera sees them.
    let exact: Vec<ImagePoint> = carpet.corners().iter().map(|c| truth.project(*c).unwrap()).collect();
    for c in &corners {
        let off = exact.iter().map(|e| e.distance_px(*c)).fold(f64::INFINITY, f64::min);
        assert!(off < 0.7, "{off}");
    }
    // OpenCV from the same four corners, with the focal length found.
    let object: opencv::core::Vector<opencv::core::Point3f> = carpet
        .corners()
        .iter()
        .map(|c| opencv::core::Point3f::new(c.x as f32, c.y as f32, 0.0))
        .collect();
    let ordered: opencv::core::Vector<opencv::core::Point2f> = exact
        .iter()
        .map(|e| {
            let c = corners
                .iter()
                .min_by(|a, b| a.distance_px(*e).total_cmp(&b.distance_px(*e)))
                .unwrap();
            opencv::core::Point2f::new(c.u as f32, c.v as f32)
        })
        .collect();
    let f = found.focal_px;
    let matrix = opencv::core::Mat::from_slice_2d(&[[f, 0.0, 640.0], [0.0, f, 360.0], [0.0, 0.0, 1.0]]).unwrap();
    let (mut turn, mut shift) = (opencv::core::Mat::default(), opencv::core::Mat::default());
    opencv::calib3d::solve_pnp(
        &object,
        &ordered,
        &matrix,
        &opencv::core::no_array(),
        &mut turn,
        &mut shift,
        false,
        opencv::calib3d::SOLVEPNP_IPPE,
    )
    .unwrap();
    let mut rotation = opencv::core::Mat::default();
    opencv::calib3d::rodrigues(&turn, &mut rotation, &mut opencv::core::no_array()).unwrap();
    let theirs = Matrix3::from_fn(|i, k| *rotation.at_2d::<f64>(i as i32, k as i32).unwrap());
    // Whatever the carpet's axes, both see the same "up" and the same height.
    let angle = theirs.column(2).dot(&found.rotation.column(2)).clamp(-1.0, 1.0).acos().to_degrees();
    assert!(angle < 0.15, "{angle}");
    let t = Vector3::from_fn(|i, _| *shift.at::<f64>(i as i32).unwrap());
    let height = (-theirs.transpose() * t).z;
    assert!((height / found.centre().z - 1.0).abs() < 0.02, "{height} {}", found.centre().z);
}

/// Floors on which there is no such carpet: brightness by place.
fn other_floor(kind: usize, rng: &mut ChaCha8Rng) -> Box<dyn Fn(f64, f64) -> f64> {
    let (s, c) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
    let (dx, dy): (f64, f64) = (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0));
    let turned = move |x: f64, y: f64| (c * x + s * y + dx, -s * x + c * y + dy);
    let width: f64 = rng.random_range(0.03..0.09);
    let lines: Vec<(f64, f64, f64)> = (0..4)
        .map(|_| {
            let a: f64 = rng.random_range(0.0..std::f64::consts::PI);
            (a.cos(), a.sin(), rng.random_range(-3.0..3.0))
        })
        .collect();
    match kind {
        // Planks with dark joints, square tiles, bricks of mats, a court's crossing lines, lines anyhow, mats of another size, nothing at all.
        0 => Box::new(move |x, y| if turned(x, y).0.rem_euclid(0.14) < 0.008 { 70.0 } else { 130.0 }),
        1 => Box::new(move |x, y| {
            let (x, y) = turned(x, y);
            if x.rem_euclid(0.6) < 0.02 || y.rem_euclid(0.6) < 0.02 {
                190.0
            } else {
                110.0
            }
        }),
        2 => Box::new(move |x, y| {
            let (x, y) = turned(x, y);
            if ((x / 1.0).floor() + (y / 2.0).floor()).rem_euclid(2.0) < 1.0 {
                90.0
            } else {
                160.0
            }
        }),
        3 => Box::new(move |x, y| {
            let (x, y) = turned(x, y);
            if x.rem_euclid(3.6) < width || y.rem_euclid(4.3) < width {
                220.0
            } else {
                100.0
            }
        }),
        4 => Box::new(move |x, y| {
            let on = lines.iter().any(|(a, b, d)| (a * x + b * y - d).abs() < 0.5 * width);
            if on {
                220.0
            } else {
                100.0
            }
        }),
        5 => Box::new(move |x, y| {
            let (x, y) = turned(x, y);
            if x.abs() < 1.1 && y.abs() < 0.6 {
                60.0
            } else {
                140.0
            }
        }),
        _ => Box::new(move |x, y| 110.0 + 6.0 * (3.0 * x).sin() * (2.0 * y).cos()),
    }
}

#[test]
fn falls_back_where_there_is_no_such_carpet() {
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let mut words = std::collections::HashSet::new();
    for k in 0..35 {
        let (truth, _) = scene(&mut rng, 2, LINE_M);
        let clues = clues(&truth, &mut rng);
        let floor = other_floor(k % 7, &mut rng);
        // Boards and a rail on the wall.
        let wall = |u: f64, v: f64| {
            if u.rem_euclid(170.0) < 6.0 || (v - 90.0).abs() < 5.0 {
                210.0
            } else {
                90.0
            }
        };
        let picture = draw(&truth, &*floor, &wall, &mut rng);
        let looked = find(&[picture], &mask(&truth), Some(&clues), CarpetSize::default()).unwrap();
        match &looked.verdict {
            Ok(_) => panic!("floor {k} was taken for the carpet: {:?}", looked.best),
            Err(refusal) => {
                let sentence = refusal.sentence();
                assert!(
                    sentence.starts_with("The carpet's lines were looked for and not used: ")
                        && sentence.ends_with("The floor was taken from the body."),
                    "{sentence}"
                );
                words.insert(std::mem::discriminant(refusal));
            }
        }
    }
    assert!(words.len() >= 3, "the reasons differ");
}

/// Rectangles of the carpet's shape but a quarter to a third smaller: only the athlete's size can tell, which is not known well enough to be sure of the wrong one.
#[test]
fn a_rectangle_of_another_size_is_not_taken_for_the_carpet() {
    let mut rng = ChaCha8Rng::seed_from_u64(52);
    for k in 0..16 {
        let (truth, mut carpet) = scene(&mut rng, 3, LINE_M);
        let smaller = rng.random_range(0.66..0.76);
        // The whole floor plan shrinks about the athlete, so that as many sides stay in view.
        carpet.middle = carpet.middle.map(|m| smaller * m);
        carpet.size = CarpetSize::new(smaller * carpet.size.long_m, smaller * carpet.size.short_m).unwrap();
        let clues = clues(&truth, &mut rng);
        let picture = draw(&truth, &|x, y| carpet.level(x, y), &plain_wall, &mut rng);
        let looked = find(&[picture], &mask(&truth), Some(&clues), CarpetSize::default()).unwrap();
        if let Ok(camera) = &looked.verdict {
            let at = camera.at_height(clues.leg_at, 0.03).unwrap();
            let there = truth.at_height(clues.leg_at, 0.03).unwrap();
            let off = camera.depth_m(at).ln() - truth.depth_m(there).ln();
            let sd = camera.sd_of(|c| c.at_height(clues.leg_at, 0.03).map_or(f64::NAN, |p| c.depth_m(p).ln()));
            assert!(
                off.abs() < 3.0 * sd,
                "picture {k}: {:.4} sure, ln distance off by {off:.3} \u{b1} {sd:.3}",
                looked.confidence
            );
        }
    }
}

#[test]
fn a_body_that_contradicts_wins() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    let (truth, carpet) = plain_view();
    let right = clues(&truth, &mut rng);
    let picture = draw(&truth, &|x, y| carpet.level(x, y), &plain_wall, &mut rng);
    let verdict =
        |clues: Option<&BodyClues>, size: CarpetSize| find(std::slice::from_ref(&picture), &mask(&truth), clues, size).unwrap().verdict;
    assert!(verdict(Some(&right), carpet.size).is_ok());
    assert!(matches!(verdict(None, carpet.size), Err(Refusal::NoBody)));
    let mut low = right;
    low.elevation_rad = 12.0_f64.to_radians();
    low.elevation_sd_rad = 3.0_f64.to_radians();
    assert!(verdict(Some(&low), carpet.size).is_err());
    let mut large = right;
    large.shank_px *= 1.6;
    assert!(verdict(Some(&large), carpet.size).is_err());
    // A carpet said to be twice as large as it is.
    assert!(verdict(Some(&right), CarpetSize::new(16.0, 10.0).unwrap()).is_err());
    assert!(verdict(Some(&right), CarpetSize::new(4.0, 2.5).unwrap()).is_err());
}

#[test]
fn a_line_that_goes_on_beyond_its_corner_is_no_side() {
    let mut rng = ChaCha8Rng::seed_from_u64(8);
    let truth = camera(1000.0, 25.0, 200.0, 11.0, -0.5, [0.0, 0.0]);
    let clues = clues(&truth, &mut rng);
    let far = |x: f64, y: f64, beyond: f64| {
        // Two lines square to each other; each ends at the other, or goes on.
        let on_x = (x - 2.0).abs() < 0.025 && y < 2.0 + beyond;
        let on_y = (y - 2.0).abs() < 0.025 && x < 2.0 + beyond;
        if on_x || on_y {
            215.0
        } else {
            80.0
        }
    };
    let mut verdict = |beyond: f64| {
        let picture = draw(&truth, &|x, y| far(x, y, beyond), &plain_wall, &mut rng);
        find(&[picture], &mask(&truth), Some(&clues), CarpetSize::default()).unwrap()
    };
    let corner = verdict(0.025);
    assert!(corner.best.is_some() && corner.confidence > 0.9, "{}", corner.confidence);
    let cross = verdict(1.5);
    assert!(cross.verdict.is_err() && cross.confidence < 0.9, "{}", cross.confidence);
}

#[test]
fn nothing_panics_on_poor_pictures() {
    let body = None;
    for (w, h) in [(1, 1), (2, 40), (33, 17)] {
        for level in [0, 128, 255] {
            let grey = Grey {
                width: w,
                height: h,
                data: vec![level; w * h],
            };
            let looked = find(&[grey], &Mask::empty([w, h]), body, CarpetSize::default()).unwrap();
            assert!(looked.verdict.is_err());
        }
    }
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let noise = Grey {
        width: 320,
        height: 240,
        data: (0..320 * 240).map(|_| rng.random()).collect(),
    };
    assert!(find(&[noise], &Mask::empty([320, 240]), body, CarpetSize::default())
        .unwrap()
        .verdict
        .is_err());
    assert!(find(&[], &Mask::empty([320, 240]), body, CarpetSize::default())
        .unwrap()
        .verdict
        .is_err());
    assert!(CarpetSize::new(f64::NAN, 8.0).is_err() && CarpetSize::new(14.0, 0.0).is_err() && CarpetSize::new(f64::INFINITY, 8.0).is_err());
}

#[test]
fn the_floor_under_the_athlete_keeps_what_is_known_there() {
    // Carried to the athlete, the camera still sees the same, and its covariance is that of the same quantities.
    let truth = camera(1300.0, 18.0, 40.0, 9.0, 0.0, [30.0, 10.0]);
    let mut uncertain = truth.clone();
    uncertain.covariance = CameraCovariance::from_diagonal(
        &nalgebra::SVector::<f64, 7>::from_column_slice(&[0.05, 0.01, 0.02, 0.01, 0.3, 0.2, 0.5]).map(|s: f64| s * s),
    );
    let under = ImagePoint::new(700.0, 420.0);
    let here = fit::at_athlete(&uncertain, under).unwrap();
    let origin = CarpetPoint::new(0.0, 0.0, 0.0);
    assert!(here.project(origin).unwrap().distance_px(under) < 1e-9);
    let elevation = |c: &FloorCamera| c.at_height(under, 0.0).map_or(f64::NAN, |p| c.elevation_rad_from(p));
    assert!((elevation(&here) - elevation(&truth)).abs() < 1e-12);
    assert!((here.sd_of(elevation) / uncertain.sd_of(elevation) - 1.0).abs() < 1e-3);
    assert!(
        (here.sd_of(|c| c.elevation_rad_from(origin)) - here.sd_of(elevation)).abs() < 1e-4,
        "{} {}",
        here.sd_of(elevation),
        uncertain.sd_of(elevation)
    );
}
