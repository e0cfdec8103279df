//! `shankline where`: foretold lifts against a closed formula, against Monte Carlo, against measured poses of rendered bodies; the picture's structure; the command.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use shankline::bench::poses::Half;
use shankline::check::size::{self, ShankLength};
use shankline::leg::fuse::FusionErrors;
use shankline::leg::profile::smallest_lift_mm;
use shankline::leg::shape::{Component, LegShape, POINT_COUNT, STATION_POINTS};
use shankline::numerics::normal;
use shankline::rules::RuleProfile;
use shankline::viewpoint::bench::{self, ViewClass};
use shankline::viewpoint::errors::ViewErrors;
use shankline::viewpoint::map::{self, Asked};
use shankline::viewpoint::picture::{self, Sheet};
use shankline::viewpoint::simulate::{Floor, Place, Reading, Setting};
use shankline::viewpoint::stances::{self, Lifted, Stance};

struct Numbers {
    shape: LegShape,
    fusion: FusionErrors,
    views: ViewErrors,
    rules: RuleProfile,
}

impl Numbers {
    fn shipped() -> Self {
        Self {
            shape: LegShape::shipped(),
            fusion: FusionErrors::shipped(),
            views: ViewErrors::shipped(),
            rules: RuleProfile::shipped(),
        }
    }

    fn setting(&self, floor: Floor, points: Option<f64>) -> Setting<'_> {
        Setting {
            image_size: [1920, 1080],
            focal_px: 1500.0,
            stature_m: 1.7,
            shank: size::from_stature(Some(1.7)),
            floor,
            reading: points.map_or(Reading::Networks(&self.views), Reading::Points),
            frames: 1,
            shape: &self.shape,
            errors: &self.fusion,
            rules: &self.rules,
        }
    }
}

fn place(azimuth_deg: f64, elevation_deg: f64) -> Place {
    Place {
        azimuth_deg,
        elevation_deg,
        distance_m: 6.0,
    }
}

/// Height of a point over a plane from one view, its foot known: a pixel off along the picture's vertical is distance / (focal · cos elevation) in height (Criminisi, Reid, Zisserman,
/// "Single view metrology", *International Journal of Computer Vision* 40(2), 2000, section 4: the uncertainty of a height; the pinhole's derivative). A shape whose heel alone is free
/// leaves just that to the fit.
#[test]
fn a_lone_heel_is_as_uncertain_as_single_view_metrology_says() {
    let numbers = Numbers::shipped();
    let shank_m = 0.418;
    let mut shape = numbers.shape.clone();
    // One mode: the heel's floor side up by half a shank, and its gap with it.
    let mut basis = nalgebra::DMatrix::zeros(shape.mean.len(), 1);
    basis[(3 * STATION_POINTS[5] + 2, 0)] = 0.5;
    basis[(3 * POINT_COUNT + 5, 0)] = 0.5;
    shape.basis = basis;
    shape.rest_sd = 1e-6;
    shape.components = vec![Component::standard(1)];
    let stance = Stance {
        points: std::array::from_fn(|p| nalgebra::Vector3::new(shape.mean[3 * p], shape.mean[3 * p + 1], shape.mean[3 * p + 2])),
        gap: std::array::from_fn(|s| shape.mean[3 * POINT_COUNT + s]),
    };
    let noise_px = 0.5;
    let setting = Setting {
        shape: &shape,
        // So sure of the shank and, by fine marks, of the floor that only the heel's own pixels are left.
        shank: ShankLength {
            mean_m: shank_m,
            sd_m: 1e-5,
        },
        ..numbers.setting(Floor::Marks, Some(noise_px))
    };
    let stated = |elevation_deg: f64| {
        let at = place(90.0, elevation_deg);
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let called = setting.call_with(&[at], &stance, shank_m, &mut rng).expect("the leg fits");
        let distance_m = shank_m * setting.focal_px / setting.seen_from(&at).shank_px;
        let sd_mm = (called.judged.profile.covariance_mm2[(5, 5)] - numbers.rules.hollow.sd_mm[5].powi(2)).sqrt();
        (
            sd_mm,
            1000.0 * noise_px * distance_m / setting.focal_px / elevation_deg.to_radians().cos(),
        )
    };
    for elevation_deg in [5.0, 25.0, 45.0, 60.0] {
        let (found, formula) = stated(elevation_deg);
        // The floor's own error comes on top, the more the steeper; the formula alone is a lower bound.
        assert!(
            found > 0.97 * formula && found < 1.35 * formula,
            "{elevation_deg}°: {found:.2} mm, formula {formula:.2} mm"
        );
    }
    assert!(stated(60.0).0 > 1.7 * stated(5.0).0, "1/cos 60° is 2");
}

/// Propagation of distributions (JCGM 101:2008): drawn stances, points, floors and pictures; the stated deviation must hold for what comes out.
#[test]
fn stated_deviations_hold_by_monte_carlo() {
    let numbers = Numbers::shipped();
    for (points, at, least, most) in [(Some(1.0), place(90.0, 8.0), 0.85, 1.0), (None, place(60.0, 20.0), 0.9, 1.0)] {
        let setting = numbers.setting(Floor::Body, points);
        let drawn = stances::draw(&numbers.rules, Lifted::Heel, 20.0, setting.shank.mean_m, 60).expect("stances");
        let calls: Vec<(f64, f64)> = drawn
            .iter()
            .enumerate()
            .filter_map(|(k, s)| setting.call(&[at], s, k as u64))
            .map(|c| (c.judged.gaps[5].gap_mm - c.truth_mm[5], c.judged.gaps[5].sd_mm))
            .collect();
        assert!(calls.len() >= 57, "{} fitted", calls.len());
        let inside = calls.iter().filter(|(e, sd)| e.abs() <= 1.96 * sd).count() as f64 / calls.len() as f64;
        // 95 % of 60 draws is 57 ± 1.7 (binomial); stances picked by their lift lie off the prior's middle, which costs some.
        assert!((least..=most).contains(&inside), "{points:?}: {inside}");
        // What the map prints is the program's own number for that deviation.
        let c = setting.call(&[at], &drawn[0], 0).expect("fitted");
        let expected = smallest_lift_mm(c.judged.gaps[5].sd_mm, numbers.rules.call_confidence);
        assert!((c.judged.smallest_lift_mm.heel - expected).abs() < 1e-9);
    }
}

/// Measured poses of rendered bodies (`fixtures/bench/poses.csv`, bodies whose like the shape was not learnt from): lifts of the size from which nine in ten are foretold to stand out do
/// so, to within the sample's own 99 % interval (Wilson 1927), and heels that are down hardly ever.
#[test]
fn lifts_stand_out_nine_times_in_ten_from_where_it_says() {
    let view = |elevation_deg: f64, floor: Floor| ViewClass {
        elevation_deg,
        azimuth_deg: 90.0,
        distance_m: 6.0,
        floor,
    };
    let views = [view(4.0, Floor::Marks), view(30.0, Floor::Body)];
    let rows = bench::rows(&views, Half::Test, 25, 1).expect("the bench runs");
    println!("{rows:?}");
    for row in &rows {
        match row.sure_from_mm {
            Some(_) => {
                let [_, high] = row.sure.wilson(0.99);
                assert!(row.sure.total >= 20 && high >= 0.9, "{row:?}");
            }
            // No lift that was tried stands out nine times in ten there: then the large ones of the poses do not either.
            None => {
                let [low, _] = row.shown[bench::SIZE_COUNT - 1].wilson(0.99);
                assert!(low < 0.9, "{row:?}");
            }
        }
    }
    assert!(rows.iter().any(|r| r.sure_from_mm.is_some()));
    for row in &rows {
        let [low, _] = row.falsely_shown.wilson(0.99);
        assert!(low <= 1.0 - RuleProfile::shipped().call_confidence, "{row:?}");
    }
}

#[test]
fn a_low_camera_square_to_the_shin_shows_more_than_a_high_or_distant_one() {
    let numbers = Numbers::shipped();
    let setting = numbers.setting(Floor::Body, None);
    let asked = Asked {
        tolerance_mm: 15.0,
        lifted: vec![Lifted::Heel],
        draws: 8,
        distance_m: 6.0,
        threads: 1,
    };
    let stances = map::Stances::draw(&setting, &asked).expect("stances");
    let lift = |p: Place| map::shown(&setting, &[p], &stances).expect("usable").worst_mm();
    let low = lift(place(90.0, 4.0));
    assert!(low < lift(place(90.0, 35.0)));
    let far = Place {
        distance_m: 12.0,
        ..place(90.0, 4.0)
    };
    assert!(low < lift(far));
    // Currie's limit at 0.9 and 0.9 (the definition's source) ties the lift to the deviation.
    assert!((smallest_lift_mm(1.0, 0.9) - 2.0 * normal::quantile(0.9)).abs() < 1e-12);
}

#[test]
fn the_picture_holds_a_number_for_every_place_and_marks_the_best() {
    let numbers = Numbers::shipped();
    let setting = numbers.setting(Floor::Body, None);
    let asked = Asked {
        tolerance_mm: 15.0,
        lifted: vec![Lifted::Heel],
        draws: 1,
        distance_m: 4.0,
        threads: 2,
    };
    let cells = map::of(&setting, &asked, None).expect("a map");
    let sheet = Sheet {
        cells: &cells,
        headline: "Best place: here.",
        below: &[],
        tolerance_mm: 15.0,
        leg: shankline::types::Leg::Right,
        first: None,
    };
    let drawing = picture::draw(&sheet);
    let svg = drawing.svg();
    let count = |what: &str| svg.matches(what).count();
    assert_eq!(count("class=\"place\""), cells.len());
    assert_eq!(count("class=\"lift\""), cells.len());
    assert_eq!(count("class=\"headline\""), 1);
    assert_eq!(count("class=\"phone-name\""), 1);
    // A scale of classes is explained, and nothing is fetched or runs.
    assert_eq!(count("class=\"legend-box\""), 5);
    assert_eq!(count("http"), 1, "the namespace alone");
    assert!(!svg.contains("<script") && !svg.contains("href"));
    let numbers: Vec<&str> = svg
        .lines()
        .filter(|l| l.contains("class=\"lift\""))
        .filter_map(|l| l.split('>').nth(1)?.split('<').next())
        .collect();
    for (cell, text) in cells.iter().zip(numbers) {
        match &cell.shown {
            Some(s) => assert_eq!(text, format!("{:.0}", s.worst_mm())),
            None => assert_eq!(text, "x"),
        }
    }
    let png = image::load_from_memory(&drawing.png().expect("drawn")).expect("a PNG");
    assert_eq!((f64::from(png.width()), f64::from(png.height())), (drawing.width, drawing.height));
}

#[test]
fn the_command_answers_as_json_and_refuses_nonsense() {
    let run = |arguments: &[&str]| {
        std::process::Command::new(assert_cmd::cargo::cargo_bin("shankline"))
            .args(["where", "--draws", "1", "--stance", "heel"])
            .args(arguments)
            .output()
            .expect("ran")
    };
    let out = run(&["--distance", "5", "--json", "-"]);
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let answer: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON alone");
    let cells = answer["cells"].as_array().expect("cells");
    let least = cells
        .iter()
        .filter_map(|c| c["shown"]["heel"]["median_mm"].as_f64())
        .fold(f64::INFINITY, f64::min);
    let best = answer["best"]["shown"]["heel"]["median_mm"].as_f64().expect("a best place");
    assert!(least > 2.0 && best < 1.5 * least, "{best} of {least}");
    assert!(answer["headline"].as_str().is_some_and(|h| h.starts_with("Best place: camera ")));
    for (arguments, word) in [
        (["--distance", "900"], "metres"),
        (["--frame", "many"], "pixels"),
        (["--with", "9"], "azimuth"),
    ] {
        let out = run(&arguments);
        assert_eq!(out.status.code(), Some(2));
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(said.contains(word) && said.lines().count() == 1, "{said}");
    }
    // A wide body in a narrow lens: no place can be used, and it says why.
    let out = run(&["--distance", "1", "--phone-width-deg", "20"]);
    assert!(String::from_utf8_lossy(&out.stdout).contains("does not fit into the frame"));
}
