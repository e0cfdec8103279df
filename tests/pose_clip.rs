//! The whole of `pose` on a rendered clip with known landmarks (`fixtures/clips`, made by `scripts/scenes/make_fixtures.py`; the truth is the renderer's own).

use serde_json::Value;
use shankline::clip::{Clip, OpenOptions};
use shankline::pose::track::Landmark;
use shankline::pose::{FollowOptions, Follower, Networks};
use shankline::types::ImagePoint;
use std::path::Path;

#[test]
fn every_frame_of_a_clip_is_followed_with_the_legs_told_apart() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let clips = root.join("fixtures/clips");
    for name in ["clean-low", "clean-left-low"] {
        let truth: Value = serde_json::from_str(&std::fs::read_to_string(clips.join(format!("{name}.truth.json"))).unwrap()).unwrap();
        let mut clip = Clip::open(&clips.join(format!("{name}.mp4")), &OpenOptions::default()).unwrap();
        let mut follower = Follower::new(Networks::load(&root.join("models")).unwrap(), FollowOptions::default());
        while let Some(frame) = clip.next_frame().unwrap() {
            follower.step(&frame).unwrap();
        }
        let track = follower.finish();
        for event in &track.events {
            println!("{name} {:.2} s: {}", event.time_s, event.sentence);
        }
        let rows = truth["frames"].as_array().unwrap();
        assert_eq!(track.frames.len(), rows.len(), "{name}");
        let mut off_knee = Vec::new();
        for (frame, row) in track.frames.iter().zip(rows) {
            let body = frame
                .body
                .as_ref()
                .unwrap_or_else(|| panic!("{name}: nobody at {:.2} s", frame.time_s));
            let point = |l: Landmark| {
                let p = &row["landmarks_px"][l as usize];
                ImagePoint::new(p[0].as_f64().unwrap(), p[1].as_f64().unwrap())
            };
            let legs = [
                (Landmark::LeftKnee, Landmark::RightKnee),
                (Landmark::LeftAnkle, Landmark::RightAnkle),
            ];
            let cost = |exchange: bool| -> f64 {
                legs.iter()
                    .map(|(l, r)| {
                        let (a, b) = if exchange { (*r, *l) } else { (*l, *r) };
                        body.at(*l).distance_px(point(a)) + body.at(*r).distance_px(point(b))
                    })
                    .sum()
            };
            // Where the legs pass each other in the picture, either order fits.
            assert!(cost(false) < 1.5 * cost(true), "{name}: legs exchanged at {:.2} s", frame.time_s);
            for l in [Landmark::LeftKnee, Landmark::RightKnee] {
                off_knee.push(body.at(l).distance_px(point(l)) / body.px_per_m / truth["shank_length_m"].as_f64().unwrap());
            }
        }
        off_knee.sort_by(f64::total_cmp);
        let median = off_knee[off_knee.len() / 2];
        println!(
            "{name}: {} frames, knees off by {:.1} % of the shank in the median, events {}",
            rows.len(),
            100.0 * median,
            track.events.len()
        );
        assert!(median < 0.12, "{name}: {median}");
    }
}
