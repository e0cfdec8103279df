//! Joining views against outside sources: SciPy's bundle adjustment with its covariance, OpenCV's `triangulatePoints`, and simulation for the alignment's uncertainty.

use nalgebra::{Matrix3, Vector3};
use opencv::core::{Mat, Point2d, Vector};
use opencv::prelude::*;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;
use shankline::floor::camera::{CameraCovariance, FloorCamera};
use shankline::join::align;
use shankline::join::motion::Motion;
use shankline::leg::fit::{LegProblem, LegView, Observation, Tie};
use shankline::leg::shape::{Component, LegShape, POINT_COUNT};
use shankline::outcome::FloorSource;
use shankline::types::{CarpetPoint, Covariance2, ImagePoint, Leg};

fn numbers(v: &Value) -> Vec<f64> {
    match v {
        Value::Array(items) => items.iter().flat_map(numbers).collect(),
        other => vec![other.as_f64().expect("a number")],
    }
}

/// SciPy `least_squares` on the same problem, written apart from the program's code and with numeric derivatives (`scripts/join/bundle_adjustment.py`): two uncertain cameras, tied carpet
/// frames, one leg. Gaps, tie, and both covariances, (JᵀJ)⁻¹, must agree.
#[test]
fn two_views_equal_a_bundle_adjustment_by_scipy() {
    let data: Value = serde_json::from_str(include_str!("data/joined/two_views.json")).unwrap();
    let mut shape = LegShape::shipped();
    // One kind of stance and no rest: what SciPy was given.
    shape.components = vec![Component::standard(shape.basis.ncols())];
    shape.rest_sd = 0.0;
    let cameras: Vec<FloorCamera> = data["cameras"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| FloorCamera {
            image_size: [1920, 1080],
            focal_px: c["focal_px"].as_f64().unwrap(),
            rotation: Matrix3::from_row_slice(&numbers(&c["rotation"])),
            translation_m: Vector3::from_column_slice(&numbers(&c["translation_m"])),
            covariance: CameraCovariance::from_row_slice(&numbers(&c["covariance"])),
            source: FloorSource::Marks,
        })
        .collect();
    let s = numbers(&data["point_covariance_px2"]);
    let covariance = Covariance2 {
        uu: s[0],
        uv: s[1],
        vv: s[3],
    };
    let observed: Vec<Vec<Observation>> = data["observed_px"]
        .as_array()
        .unwrap()
        .iter()
        .map(|view| {
            numbers(view)
                .chunks(2)
                .enumerate()
                .map(|(p, at)| Observation {
                    of: vec![(p, 1.0)],
                    at: ImagePoint::new(at[0], at[1]),
                    covariance,
                })
                .collect()
        })
        .collect();
    let tie = numbers(&data["tie"]["x_y_yaw"]);
    let mut second = LegView::new(&cameras[1], &observed[1]);
    second.tie = Some(Tie {
        x_m: tie[0],
        y_m: tie[1],
        yaw_rad: tie[2],
        covariance: Matrix3::from_row_slice(&numbers(&data["tie"]["covariance"])),
    });
    let fit = LegProblem {
        views: &[LegView::new(&cameras[0], &observed[0]), second],
        shape: &shape,
        leg: Leg::Right,
        shank_m: data["shank_m"].as_f64().unwrap(),
        shank_sd_m: data["shank_sd_m"].as_f64().unwrap(),
    }
    .solve()
    .expect("the leg is in view");
    let scipy = &data["scipy"];
    let (gap, spread) = (numbers(&scipy["gap_mm"]), numbers(&scipy["gap_covariance_mm2"]));
    for i in 0..6 {
        let sd = spread[7 * i].sqrt();
        assert!(
            (fit.profile.gap_mm[i] - gap[i]).abs() < 0.02 * sd,
            "station {i}: {} against {}",
            fit.profile.gap_mm[i],
            gap[i]
        );
        for k in 0..6 {
            let both = sd * spread[7 * k].sqrt();
            let d = fit.profile.covariance_mm2[(i, k)] - spread[6 * i + k];
            assert!(
                d.abs() < 0.02 * both,
                "covariance {i} {k}: {} against {}",
                fit.profile.covariance_mm2[(i, k)],
                spread[6 * i + k]
            );
        }
    }
    let found = fit.ties[1].as_ref().unwrap();
    let (at, spread) = (numbers(&scipy["tie"]), numbers(&scipy["tie_covariance"]));
    for (i, (ours, theirs)) in [found.x_m, found.y_m, found.yaw_rad].iter().zip(&at).enumerate() {
        assert!(
            (ours - theirs).abs() < 0.02 * spread[4 * i].sqrt(),
            "tie {i}: {ours} against {theirs}"
        );
        for k in 0..3 {
            let both = (spread[4 * i] * spread[4 * k]).sqrt();
            assert!(
                (found.covariance[(i, k)] - spread[3 * i + k]).abs() < 0.02 * both,
                "tie covariance {i} {k}"
            );
        }
    }
}

fn camera(elevation_deg: f64, azimuth_deg: f64, distance_m: f64, focal_px: f64) -> FloorCamera {
    let (e, a) = (elevation_deg.to_radians(), azimuth_deg.to_radians());
    let centre = distance_m * Vector3::new(e.cos() * a.cos(), e.cos() * a.sin(), e.sin());
    let forward = -centre.normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let rotation = Matrix3::from_rows(&[right.transpose(), forward.cross(&right).transpose(), forward.transpose()]);
    FloorCamera {
        image_size: [1920, 1080],
        focal_px,
        rotation,
        translation_m: -rotation * centre,
        covariance: CameraCovariance::identity() * 1e-14,
        source: FloorSource::Marks,
    }
}

fn matrix(rows: usize, columns: usize, value: impl Fn(usize, usize) -> f64) -> Mat {
    let mut m = Mat::new_rows_cols_with_default(rows as i32, columns as i32, opencv::core::CV_64F, opencv::core::Scalar::all(0.0)).unwrap();
    for i in 0..rows {
        for k in 0..columns {
            *m.at_2d_mut::<f64>(i as i32, k as i32).unwrap() = value(i, k);
        }
    }
    m
}

/// OpenCV's `triangulatePoints` knows nothing of legs: from the same exact image points of two exact cameras its points and the fit's must be the same to half a millimetre, for legs drawn
/// from every kind of stance.
#[test]
fn points_of_two_views_equal_opencv_triangulation() {
    let shape = LegShape::shipped();
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(12);
    let cameras = [camera(6.0, 40.0, 4.0, 1500.0), camera(27.0, 130.0, 6.0, 2000.0)];
    for kind in shape.components.iter().take(6) {
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let modes = &kind.mean + &kind.factor * nalgebra::DVector::from_fn(shape.basis.ncols(), |_, _| normal());
        let drawn = &shape.mean + &shape.basis * modes;
        let (shank_m, heading) = (0.42 * (1.0 + 0.03 * normal()), 3.0 * normal());
        let truth: Vec<CarpetPoint> = (0..POINT_COUNT)
            .map(|p| {
                let (a, b, z) = (drawn[3 * p], -drawn[3 * p + 1], drawn[3 * p + 2]);
                CarpetPoint::new(
                    0.1 + shank_m * (a * heading.cos() - b * heading.sin()),
                    shank_m * (a * heading.sin() + b * heading.cos()),
                    shank_m * z,
                )
            })
            .collect();
        let seen: Vec<Vec<ImagePoint>> = cameras
            .iter()
            .map(|c| truth.iter().map(|p| c.project(*p).unwrap()).collect())
            .collect();
        let projection = |c: &FloorCamera| {
            let k = Matrix3::new(c.focal_px, 0.0, 960.0, 0.0, c.focal_px, 540.0, 0.0, 0.0, 1.0);
            let (r, t) = (k * c.rotation, k * c.translation_m);
            matrix(3, 4, |i, j| if j < 3 { r[(i, j)] } else { t[i] })
        };
        let list = |points: &[ImagePoint]| -> Vector<Point2d> { points.iter().map(|p| Point2d::new(p.u, p.v)).collect() };
        let mut homogeneous = Mat::default();
        opencv::calib3d::triangulate_points(
            &projection(&cameras[0]),
            &projection(&cameras[1]),
            &list(&seen[0]),
            &list(&seen[1]),
            &mut homogeneous,
        )
        .unwrap();
        let observed: Vec<Vec<Observation>> = seen
            .iter()
            .map(|view| {
                view.iter()
                    .enumerate()
                    .map(|(p, at)| Observation {
                        of: vec![(p, 1.0)],
                        at: *at,
                        covariance: Covariance2::isotropic(0.05),
                    })
                    .collect()
            })
            .collect();
        let mut exact = shape.clone();
        exact.rest_sd = 0.0;
        let fit = LegProblem {
            views: &[LegView::new(&cameras[0], &observed[0]), LegView::new(&cameras[1], &observed[1])],
            shape: &exact,
            leg: Leg::Left,
            shank_m: 0.42,
            shank_sd_m: 0.021,
        }
        .solve()
        .expect("the leg is in view");
        for (p, true_point) in truth.iter().enumerate().take(POINT_COUNT) {
            let h: Vec<f64> = (0..4).map(|i| *homogeneous.at_2d::<f64>(i, p as i32).unwrap()).collect();
            let opencv = Vector3::new(h[0], h[1], h[2]) / h[3];
            let off_mm = 1000.0 * (fit.points[p].vector() - opencv).norm();
            println!(
                "{p}: {off_mm:.3} mm, truth from OpenCV {:.3} mm",
                1000.0 * (true_point.vector() - opencv).norm()
            );
            assert!(off_mm < 0.5, "point {p}: {off_mm:.2} mm apart");
        }
    }
}

/// The alignment's stated uncertainty against simulation (JCGM 101:2008): heights of hips and nose over the ankles of a rendered movement, projected into two low cameras (truth files
/// of fixtures/clips), noise that lasts for a while, another frame rate and a shift of a part of a frame. The error must be as large as stated: root mean square of error over stated standard
/// deviation from 0.5 to 1.5, and a fraction of a frame.
#[test]
fn offset_is_as_uncertain_as_stated() {
    let truth = |name: &str| -> Vec<(f64, [f64; 2])> {
        let path = format!("{}/fixtures/clips/{name}.truth.json", env!("CARGO_MANIFEST_DIR"));
        let data: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
        data["frames"]
            .as_array()
            .unwrap()
            .iter()
            .map(|f| {
                let l = numbers(&f["landmarks_px"]);
                let v = |k: usize| l[2 * k + 1];
                let ankles = 0.5 * (v(27) + v(28));
                (f["time_s"].as_f64().unwrap(), [ankles - 0.5 * (v(23) + v(24)), ankles - v(0)])
            })
            .collect()
    };
    let (low, other) = (truth("heel30-low"), truth("heel30-portrait"));
    let at = |samples: &[(f64, [f64; 2])], t: f64, c: usize| {
        let k = samples.partition_point(|s| s.0 <= t).clamp(1, samples.len() - 1);
        let (a, b) = (samples[k - 1], samples[k]);
        a.1[c] + (b.1[c] - a.1[c]) * (t - a.0) / (b.0 - a.0)
    };
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    let (mut squares, mut errors, runs, mut worst) = (0.0, 0.0, 60, 0.0_f64);
    for run in 0..runs {
        let shift = 0.137 + 0.0011 * f64::from(run);
        let mut noisy = |samples: &[(f64, [f64; 2])], fps: f64, from: f64, shift: f64, sd_px: f64| -> Motion {
            let mut channels: [Vec<(f64, f64)>; align_channels()] = Default::default();
            for (c, channel) in channels.iter_mut().take(2).enumerate() {
                let keep = (-1.0 / fps / 0.1_f64).exp();
                let mut error: f64 = StandardNormal.sample(&mut rng);
                let mut t = from;
                while t < 2.75 {
                    channel.push((t - shift, at(samples, t, c) + sd_px * error));
                    let e: f64 = StandardNormal.sample(&mut rng);
                    error = keep * error + (1.0 - keep * keep).sqrt() * e;
                    t += 1.0 / fps;
                }
            }
            Motion {
                channels,
                interval_s: 1.0 / fps,
            }
        };
        // 4 px of 270 px a metre on the one camera, 3 px of 230 on the other: 13 mm.
        let (a, b) = (noisy(&low, 30.0, 0.0, 0.0, 4.0), noisy(&other, 25.0, 0.21, shift, 3.0));
        let found = align::by_motion(&a, &b, &[1.0]).expect("they move");
        assert!(found.holds(), "run {run}: {found:?}");
        let error = found.offset_s + shift;
        squares += (error / found.offset_sd_s).powi(2);
        errors += error.powi(2);
        worst = worst.max(error.abs());
    }
    let (ratio, rms) = ((squares / f64::from(runs)).sqrt(), (errors / f64::from(runs)).sqrt());
    println!(
        "offset: error {:.1} ms (root mean square), worst {:.1} ms, {ratio:.2} times as stated",
        1000.0 * rms,
        1000.0 * worst
    );
    assert!((0.5..1.5).contains(&ratio), "error over stated: {ratio}");
    assert!(rms < 0.3 / 25.0, "error of {rms} s, more than 0.3 frames");
}

/// A replay in slow motion: the same heights (truth of fixtures/clips), a noise of their own, four times slower, its factor not told. The search must find 4 within what it states, and the
/// shift, in twelve draws.
#[test]
fn a_slow_motion_replay_is_found() {
    let path = format!("{}/fixtures/clips/heel30-low.truth.json", env!("CARGO_MANIFEST_DIR"));
    let data: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
    let heights: Vec<(f64, [f64; 2])> = data["frames"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| {
            let l = numbers(&f["landmarks_px"]);
            let ankles = 0.5 * (l[2 * 27 + 1] + l[2 * 28 + 1]);
            (
                f["time_s"].as_f64().unwrap(),
                [ankles - 0.5 * (l[2 * 23 + 1] + l[2 * 24 + 1]), ankles - l[1]],
            )
        })
        .collect();
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(9);
    let mut noisy = |slower: f64, from: f64, to: f64, shift: f64| -> Motion {
        let mut channels: [Vec<(f64, f64)>; align_channels()] = Default::default();
        for (c, channel) in channels.iter_mut().take(2).enumerate() {
            let mut t = from;
            while t < to {
                let k = heights.partition_point(|s| s.0 <= t).clamp(1, heights.len() - 1);
                let (a, b) = (heights[k - 1], heights[k]);
                let e: f64 = StandardNormal.sample(&mut rng);
                channel.push((shift + slower * t, a.1[c] + (b.1[c] - a.1[c]) * (t - a.0) / (b.0 - a.0) + 2.0 * e));
                t += 1.0 / 30.0 / slower;
            }
        }
        Motion {
            channels,
            interval_s: 1.0 / 30.0,
        }
    };
    let mut squares = 0.0;
    for _ in 0..12 {
        let (live, replay) = (noisy(1.0, 0.0, 2.75, 0.0), noisy(4.0, 0.2, 1.9, 7.3));
        let found = align::by_motion(&live, &replay, &[1.0, 1.25, 1.6, 2.0, 2.5, 3.2, 4.0, 5.0, 6.4, 8.0]).expect("they move");
        println!("{found:?} {:.2} sd", (found.factor - 4.0) / found.factor_sd);
        assert!(found.holds());
        squares += ((found.factor - 4.0) / found.factor_sd).powi(2) / 12.0;
        assert!(
            (found.factor - 4.0).abs() < 3.0 * found.factor_sd,
            "factor {} ± {}",
            found.factor,
            found.factor_sd
        );
        // At a moment both show, in seconds of the replay: 4 times slower, so that a tenth of a second is 25 ms.
        let there = found.offset_s + found.factor * 0.9 - (7.3 + 4.0 * 0.9);
        assert!(there.abs() < 0.1, "off by {there} s of the replay");
    }
    println!("error over stated deviation, root mean square: {:.2}", squares.sqrt());
    assert!(
        (0.4..1.5).contains(&squares.sqrt()),
        "error over stated deviation {}",
        squares.sqrt()
    );
}

const fn align_channels() -> usize {
    shankline::join::motion::CHANNELS
}
