//! The leg fit: legs drawn from the shape, seen by a known camera, must be recovered within their stated uncertainty.

use nalgebra::{Matrix3, Vector3};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use shankline::floor::camera::{CameraCovariance, FloorCamera};
use shankline::leg::fit::{LegProblem, LegView, Observation, Tie};
use shankline::leg::shape::{Component, LegShape, POINT_COUNT};
use shankline::outcome::FloorSource;
use shankline::pose::track::LEG_POINT_NAMES;
use shankline::types::{CarpetPoint, Covariance2, ImagePoint, Leg, STATION_COUNT};

fn camera(elevation_deg: f64, azimuth_deg: f64, distance_m: f64) -> FloorCamera {
    let (e, a) = (elevation_deg.to_radians(), azimuth_deg.to_radians());
    let centre = distance_m * Vector3::new(e.cos() * a.cos(), e.cos() * a.sin(), e.sin());
    let forward = -centre.normalize();
    let right = forward.cross(&Vector3::z()).normalize();
    let rotation = Matrix3::from_rows(&[right.transpose(), forward.cross(&right).transpose(), forward.transpose()]);
    let mut covariance = CameraCovariance::identity() * 1e-8;
    covariance[(0, 0)] = 1e-5;
    FloorCamera {
        image_size: [1920, 1080],
        focal_px: 1500.0,
        rotation,
        translation_m: -rotation * centre,
        covariance,
        source: FloorSource::Marks,
    }
}

/// A leg drawn from the shape.
struct Drawn {
    points: Vec<CarpetPoint>,
    gap_mm: Vec<f64>,
}

/// A kind of stance by its share, then a leg of that kind.
fn draw(shape: &LegShape, leg: Leg, normal: &mut impl FnMut() -> f64) -> Drawn {
    let mut left: f64 = shankline::numerics::normal::cdf(normal());
    let kind = shape
        .components
        .iter()
        .find(|c| {
            left -= c.log_weight.exp();
            left < 0.0
        })
        .unwrap_or(&shape.components[0]);
    let modes = &kind.mean + &kind.factor * nalgebra::DVector::from_fn(shape.basis.ncols(), |_, _| normal());
    let drawn = &shape.mean + &shape.basis * modes;
    let shank_m = 0.42 * (1.0 + 0.05 * normal());
    let heading: f64 = 6.0 * normal();
    let side = if leg == Leg::Right { 1.0 } else { -1.0 };
    let points = (0..POINT_COUNT).map(|p| {
        let (a, b, z) = (drawn[3 * p], side * drawn[3 * p + 1], drawn[3 * p + 2]);
        CarpetPoint::new(
            shank_m * (a * heading.cos() - b * heading.sin()),
            shank_m * (a * heading.sin() + b * heading.cos()),
            shank_m * z,
        )
    });
    Drawn {
        points: points.collect(),
        gap_mm: drawn
            .rows(3 * POINT_COUNT, STATION_COUNT)
            .iter()
            .map(|gap| 1000.0 * shank_m * gap)
            .collect(),
    }
}

/// The points in a camera's picture, each with a pixel of noise.
fn seen(camera: &FloorCamera, points: &[CarpetPoint], normal: &mut impl FnMut() -> f64) -> Vec<Observation> {
    let of = |(p, at): (usize, &CarpetPoint)| {
        let mut at = camera.project(*at).unwrap();
        at.u += normal();
        at.v += normal();
        Observation {
            of: vec![(p, 1.0)],
            at,
            covariance: Covariance2::isotropic(1.0),
        }
    };
    points.iter().enumerate().map(of).collect()
}

/// Simulation-based check of a stated covariance (JCGM 101:2008, clause 7): of 300 legs per class, 95 % intervals of the heel's and the mid calf's gap cover the truth in
/// 90 to 99 %, and the mean error is small. Both legs, all sides.
#[test]
fn stated_uncertainty_covers_the_truth() {
    let shape = LegShape::shipped();
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(42);
    for elevation in [4.0, 15.0, 35.0] {
        let (mut covered, mut total, mut bias, mut stated, mut worst) = (0, 0, 0.0, 0.0, 0.0_f64);
        for k in 0..150 {
            let leg = if k % 2 == 0 { Leg::Left } else { Leg::Right };
            let azimuth = rng.random_range(0.0..360.0);
            let camera = camera(elevation, azimuth, 4.0);
            let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
            let drawn = draw(&shape, leg, &mut normal);
            let observations = seen(&camera, &drawn.points, &mut normal);
            let fit = LegProblem {
                views: &[LegView::new(&camera, &observations)],
                shape: &shape,
                leg,
                shank_m: 0.42,
                shank_sd_m: 0.021,
            }
            .solve()
            .expect("the leg is in view");
            for station in [2, 5] {
                let truth_mm = drawn.gap_mm[station];
                let error = fit.profile.gap_mm[station] - truth_mm;
                let sd = fit.profile.covariance_mm2[(station, station)].sqrt();
                covered += i32::from(error.abs() < 1.96 * sd);
                total += 1;
                bias += error;
                stated += sd;
                worst = worst.max(error.abs() / sd);
            }
        }
        let share = f64::from(covered) / f64::from(total);
        println!(
            "elevation {elevation}: {covered} of {total} covered ({share:.3}), bias {:.2} mm, worst {worst:.1} sd",
            bias / f64::from(total)
        );
        assert!((0.90..=0.995).contains(&share), "coverage {share} at {elevation}°");
        // Drawn from the fit's own prior, so that the mean error has nothing to hide behind but chance: four standard errors, of the stated standard deviations' size.
        let standard_error = stated / f64::from(total) / f64::from(total / 2).sqrt();
        assert!(
            f64::abs(bias) / f64::from(total) < 4.0 * standard_error,
            "mean error against its standard error: {bias} / {total}, {standard_error}"
        );
    }
}

/// Two views of one leg, carpet frames tied with an uncertainty that is drawn: 95 % intervals of heel and mid calf cover the truth in 90 to 99.5 %, as for one view, and the second view
/// narrows what one view states. The tie is nearly exact (the same marks), rough (the body's points) and hardly known at all.
#[test]
fn two_views_cover_the_truth_and_narrow_it() {
    let shape = LegShape::shipped();
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(6);
    for (what, place_sd, yaw_sd) in [("same marks", 0.005, 0.004), ("rough", 0.08, 0.1), ("unknown", 3.0, 1.8)] {
        let (mut covered, mut total, mut one, mut both) = (0, 0, 0.0, 0.0);
        for k in 0..60 {
            let leg = if k % 2 == 0 { Leg::Left } else { Leg::Right };
            let azimuth = rng.random_range(0.0..360.0);
            let cameras = [
                camera(6.0, azimuth, 4.0),
                camera(30.0, azimuth + rng.random_range(40.0..140.0), 5.0),
            ];
            let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
            let drawn = draw(&shape, leg, &mut normal);
            // The second camera states its points in a frame that is off by a draw from the tie's covariance.
            let truth = Tie {
                x_m: place_sd * normal(),
                y_m: place_sd * normal(),
                yaw_rad: yaw_sd * normal(),
                ..Tie::same_marks(place_sd, yaw_sd)
            };
            let observed = cameras.each_ref().map(|camera| seen(camera, &drawn.points, &mut normal));
            let mut moved = cameras[1].clone();
            let (sin, cos) = truth.yaw_rad.sin_cos();
            let turn = Matrix3::new(cos, -sin, 0.0, sin, cos, 0.0, 0.0, 0.0, 1.0);
            moved.rotation *= turn.transpose();
            moved.translation_m -= moved.rotation * Vector3::new(truth.x_m, truth.y_m, 0.0);
            let mut second = LegView::new(&moved, &observed[1]);
            second.tie = Some(Tie::same_marks(place_sd, yaw_sd));
            let first = LegView::new(&cameras[0], &observed[0]);
            let fit = |views: &[LegView]| {
                LegProblem {
                    views,
                    shape: &shape,
                    leg,
                    shank_m: 0.42,
                    shank_sd_m: 0.021,
                }
                .solve()
                .expect("the leg is in view")
            };
            let (alone, joined) = (fit(std::slice::from_ref(&first)), fit(&[first.clone(), second]));
            let found = joined.ties[1].as_ref().expect("the second view is tied");
            for station in [2, 5] {
                let truth_mm = drawn.gap_mm[station];
                let sd = |fit: &shankline::leg::fit::LegFit| fit.profile.covariance_mm2[(station, station)].sqrt();
                covered += i32::from((joined.profile.gap_mm[station] - truth_mm).abs() < 1.96 * sd(&joined));
                total += 1;
                one += sd(&alone);
                both += sd(&joined);
            }
            // The leg's own points tie the frames far better than the loose ties say.
            let turn_error =
                (found.yaw_rad - truth.yaw_rad + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI;
            assert!(
                turn_error.abs() < 5.0 * found.covariance[(2, 2)].sqrt() + 1e-3,
                "{what}, leg {k}: yaw off by {turn_error}"
            );
        }
        let share = f64::from(covered) / f64::from(total);
        println!(
            "{what}: {covered} of {total} covered ({share:.3}); stated {:.2} mm alone, {:.2} mm together",
            one / f64::from(total),
            both / f64::from(total)
        );
        assert!((0.90..=0.995).contains(&share), "coverage {share}, {what}");
        assert!(both < 0.9 * one, "{what}: {both} against {one}");
    }
}

/// The first-order covariance against Monte Carlo propagation (JCGM 101:2008, clauses 7 and 8). Everything that goes into the fit is drawn from its stated distribution: image
/// points, camera, shank length, and the shape's modes (as the mean that the fit starts from; the modes' rest as an error at each station). The leg stands clear of the
/// carpet, so that the one-sided floor, which is no part of the covariance, does not act. Standard deviations, correlations and the ends of the 95 % intervals must agree.
#[test]
fn covariance_equals_monte_carlo() {
    const DRAWS: usize = 500;
    let shape = LegShape::shipped();
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(101);
    // The shape's mean, raised: 30 mm and more off the carpet everywhere.
    let mut raised = shape.clone();
    // One kind of stance: the first-order covariance is stated within a kind; the mixture over the kinds is held to its draws by the test above.
    raised.components = vec![Component::standard(shape.basis.ncols())];
    let lift = 0.030 / 0.42 - shape.mean.rows(3 * POINT_COUNT, 6).min();
    for p in 0..POINT_COUNT {
        raised.mean[3 * p + 2] += lift;
    }
    raised.mean.rows_mut(3 * POINT_COUNT, 6).add_scalar_mut(lift);
    for elevation in [5.0, 20.0, 40.0] {
        let mut truth = camera(elevation, 70.0, 4.0);
        // Half a degree of turn, 3 % of focal length, 4 cm of place.
        let sds = [0.03, 0.009, 0.009, 0.009, 0.04, 0.04, 0.04];
        truth.covariance = CameraCovariance::from_fn(|i, k| if i == k { sds[i] * sds[i] } else { 0.0 });
        let seen: Vec<ImagePoint> = (0..POINT_COUNT)
            .map(|p| {
                truth.project(CarpetPoint::new(
                    0.42 * raised.mean[3 * p],
                    0.42 * raised.mean[3 * p + 1],
                    0.42 * raised.mean[3 * p + 2],
                ))
            })
            .collect::<Option<_>>()
            .expect("the leg is in view");
        let covariance = Covariance2 { uu: 2.0, uv: 0.5, vv: 1.0 };
        let fit = |shape: &LegShape, camera: &FloorCamera, shank_m: f64, at: &[ImagePoint]| {
            let observations: Vec<Observation> = at
                .iter()
                .enumerate()
                .map(|(p, at)| Observation {
                    of: vec![(p, 1.0)],
                    at: *at,
                    covariance,
                })
                .collect();
            LegProblem {
                views: &[LegView::new(camera, &observations)],
                shape,
                leg: Leg::Right,
                shank_m,
                shank_sd_m: 0.021 / 0.42 * shank_m,
            }
            .solve()
            .expect("the leg is in view")
        };
        let stated = fit(&raised, &truth, 0.42, &seen);
        let correlate = covariance.matrix().cholesky().unwrap().l();
        let draws: Vec<Vec<f64>> = (0..DRAWS)
            .map(|_| {
                let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
                let at: Vec<ImagePoint> = seen
                    .iter()
                    .map(|s| {
                        let e = correlate * nalgebra::Vector2::new(normal(), normal());
                        ImagePoint::new(s.u + e.x, s.v + e.y)
                    })
                    .collect();
                let camera = truth.stepped(&sds.map(|sd| sd * normal()));
                let mut drawn = raised.clone();
                drawn.mean += &shape.basis * nalgebra::DVector::from_fn(shape.basis.ncols(), |_, _| normal());
                let shank_m = 0.42 * (0.05 * normal()).exp();
                let found = fit(&drawn, &camera, shank_m, &at);
                found.profile.gap_mm.iter().map(|g| g + 420.0 * shape.rest_sd * normal()).collect()
            })
            .collect();
        let n = DRAWS as f64;
        let mean: Vec<f64> = (0..6).map(|s| draws.iter().map(|d| d[s]).sum::<f64>() / n).collect();
        let covariance_of = |i: usize, k: usize| draws.iter().map(|d| (d[i] - mean[i]) * (d[k] - mean[k])).sum::<f64>() / (n - 1.0);
        for s in 0..6 {
            let (sd, drawn_sd) = (stated.profile.covariance_mm2[(s, s)].sqrt(), covariance_of(s, s).sqrt());
            let mut sorted: Vec<f64> = draws.iter().map(|d| d[s]).collect();
            sorted.sort_by(f64::total_cmp);
            let (low, high) = (sorted[(0.025 * n) as usize], sorted[(0.975 * n) as usize]);
            let (from, to) = (stated.profile.gap_mm[s] - 1.96 * sd, stated.profile.gap_mm[s] + 1.96 * sd);
            println!(
                "elevation {elevation}, station {s}: stated {:.1} ± {sd:.2} mm, drawn {:.1} ± {drawn_sd:.2} mm; 95 %: {from:.1} to {to:.1}, drawn {low:.1} to {high:.1}",
                stated.profile.gap_mm[s], mean[s]
            );
            // The standard deviation of 500 draws is itself known to 3.2 %, an end of their interval to 0.12 standard deviations.
            assert!(
                (0.88..1.14).contains(&(sd / drawn_sd)),
                "{elevation}°, station {s}: stated over drawn {}",
                sd / drawn_sd
            );
            assert!(
                (mean[s] - stated.profile.gap_mm[s]).abs() < 0.2 * sd,
                "{elevation}°, station {s}: the mean moves"
            );
            assert!(
                (low - from).abs() < 0.4 * sd && (high - to).abs() < 0.4 * sd,
                "{elevation}°, station {s}"
            );
            for k in 0..s {
                let r = stated.profile.covariance_mm2[(s, k)] / (sd * stated.profile.covariance_mm2[(k, k)].sqrt());
                let drawn_r = covariance_of(s, k) / (drawn_sd * covariance_of(k, k).sqrt());
                assert!(
                    (r - drawn_r).abs() < 0.15,
                    "{elevation}°, stations {k} and {s}: correlation {r}, drawn {drawn_r}"
                );
            }
        }
    }
}

/// Segment lengths as fractions of the stature, from memory: foot 0.152, shank 0.246 (Drillis and Contini 1966, as tabulated in Winter, *Biomechanics and Motor Control of Human
/// Movement*). The shape's unit is the shank, so its foot, heel to big toe, must be near 0.152 / 0.246 of it. Within 12 %, as `scripts/scenes/tests/test_bodies.py` holds the
/// body model's shank and thigh against the stature; the toes may be bent in this stance and the published length is that of a straight foot.
#[test]
fn the_foot_of_the_shape_has_the_published_length() {
    let shape = LegShape::shipped();
    let point = |name: &str| {
        let p = LEG_POINT_NAMES.iter().position(|n| *n == name).unwrap();
        Vector3::new(shape.mean[3 * p], shape.mean[3 * p + 1], shape.mean[3 * p + 2])
    };
    let foot = (point("big_toe_tip") - point("heel_back")).norm();
    assert!((foot / (0.152 / 0.246) - 1.0).abs() < 0.12, "foot of {foot:.3} shanks");
    // And the shank is one shank long: knee joint to the middle of the ankle.
    let shank = (0.5 * (point("ankle_inner") + point("ankle_outer")) - point("knee_joint")).norm();
    assert!((shank - 1.0).abs() < 0.05, "shank of {shank:.3} shanks");
    // The program's own fraction of the stature, which millimetres hang on where nothing is marked.
    let assumed = shankline::check::size::from_stature(Some(1.70)).mean_m;
    assert!((assumed - 0.246 * 1.70).abs() < 1e-9);
}
