//! A small seeded sample of the keypoint bench: fails when the geometry's accuracy drops by more than the sample's own noise.
//!
//! The truth is measured on the meshes of rendered bodies that the leg's shape was not learnt from (`fixtures/bench/poses.csv`, test half); the bounds are the figures of
//! `docs/bench-keypoints.md` (3,000 cases) with three standard errors of a sample of this size.

use shankline::bench::keypoints::{self, Floor, Options};
use shankline::bench::poses::{self, Half};
use shankline::bench::table;
use shankline::leg::shape::LegShape;
use shankline::rules::RuleProfile;

#[test]
fn geometry_is_as_good_as_published() {
    let poses = poses::shipped().expect("poses are shipped");
    let options = Options {
        cases: 300,
        noise_px: 1.0,
        floor: Floor::Marks,
        half: Half::Test,
        seed: 20_261_125,
        threads: 2,
    };
    let cases = keypoints::run(&poses, &options, &LegShape::shipped(), &RuleProfile::shipped()).expect("the bench runs");
    let rows = table::rows(&cases);
    let all = &rows[0];
    assert_eq!((all.elevation.as_str(), all.cases), ("all", 300));
    let share = |c: &shankline::statistics::wilson::Count| c.of as f64 / c.total as f64;
    let (heel, calf) = (all.heel.as_ref().expect("heels"), all.calf.as_ref().expect("calves"));
    println!("{all:?}");
    assert!(heel.mean_absolute < 5.3, "heel error {:.2} mm, published 4.1", heel.mean_absolute);
    assert!(heel.mean.abs() < 2.0, "heel bias {:.2} mm, published -0.5", heel.mean);
    assert!(calf.mean_absolute < 5.2, "calf error {:.2} mm, published 4.1", calf.mean_absolute);
    assert!(
        share(&all.covered) > 0.92,
        "intervals cover {:.3}, published 0.949",
        share(&all.covered)
    );
    assert!(
        share(&all.wrong) < 0.018,
        "wrong confident calls {:.3}, published 0.005",
        share(&all.wrong)
    );
    assert!(share(&all.caught) > 0.58, "faults caught {:.3}, published 0.70", share(&all.caught));
    assert!(
        share(&all.cannot_tell) < 0.42,
        "cannot tell {:.3}, published 0.34",
        share(&all.cannot_tell)
    );
}
