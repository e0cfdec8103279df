//! Memory over a long recording: following and judging an hour, even at 60 frames a second, must fit beside the networks and pictures into the promised 600 MB.
//!
//! Outside source: the system's allocator, counted. A made-up athlete stands, walks and goes down into the stance once a minute.

use shankline::check::run::{judge_track, made_by};
use shankline::check::{CarpetUse, CheckOptions, LegChoice, SheetUse};
use shankline::outcome::{InputKind, InputReport};
use shankline::pose::detector::Detection;
use shankline::pose::landmarks::Reading;
use shankline::pose::region::Region;
use shankline::pose::track::{Body, Landmark, LegReading, LANDMARK_COUNT, LEG_POINT_NAMES};
use shankline::pose::{FollowOptions, Follower, People};
use shankline::rules::RuleProfile;
use shankline::types::{Covariance2, Frame, ImagePoint, Keypoint, Leg, RgbImage, STATION_COUNT};
use shankline::Result;
use std::alloc::{GlobalAlloc, Layout, System};
use std::sync::atomic::{AtomicUsize, Ordering};

struct Counting;

static LIVE: AtomicUsize = AtomicUsize::new(0);
static PEAK: AtomicUsize = AtomicUsize::new(0);

// SAFETY: every call is handed to the system's allocator unchanged; only sizes are counted beside it. Growing in place is counted as a new block beside the old one, as it may be.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let live = LIVE.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        PEAK.fetch_max(live, Ordering::Relaxed);
        System.alloc(layout)
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        LIVE.fetch_sub(layout.size(), Ordering::Relaxed);
        System.dealloc(at, layout);
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

const RATE_HZ: f64 = 30.0;
const PX_PER_M: f64 = 300.0;
const RADIUS_PX: f64 = 270.0;

/// The athlete at a time: walks a metre and back, and is down in the stance from the fortieth to the fiftieth second of every minute.
struct MadeUp {
    time_s: f64,
}

impl MadeUp {
    fn low(&self) -> bool {
        (40.0..50.0).contains(&(self.time_s % 60.0))
    }

    fn hips(&self) -> ImagePoint {
        let second = (self.time_s % 60.0).min(40.0);
        let u = 900.0 + 100.0 * (second / 20.0 * std::f64::consts::PI).sin();
        ImagePoint::new(u, if self.low() { 760.0 } else { 560.0 })
    }

    fn body(&self) -> Body {
        let mut world_m = vec![[0.0, -0.5, 0.0]; LANDMARK_COUNT];
        let mut set = |l: Landmark, p: [f64; 3]| world_m[l as usize] = p;
        set(Landmark::LeftShoulder, [0.2, -0.5, 0.0]);
        set(Landmark::RightShoulder, [-0.2, -0.5, 0.0]);
        set(Landmark::LeftHip, [0.12, 0.0, 0.0]);
        set(Landmark::RightHip, [-0.12, 0.0, 0.0]);
        let legs = if self.low() {
            [
                [[0.35, -0.15, -0.3], [0.45, 0.25, -0.35], [0.43, 0.3, -0.3], [0.5, 0.3, -0.5]],
                [[-0.3, 0.28, -0.1], [-0.65, 0.3, 0.1], [-0.7, 0.28, 0.1], [-0.75, 0.3, 0.25]],
            ]
        } else {
            [0.14, -0.14].map(|x| [[x, 0.42, -0.03], [x, 0.84, 0.02], [x, 0.9, 0.05], [x, 0.9, -0.15]])
        };
        for (leg, points) in [Leg::Left, Leg::Right].into_iter().zip(legs) {
            for (landmark, point) in Landmark::of_leg(leg).into_iter().skip(1).zip(points) {
                set(landmark, point);
            }
        }
        let hips = self.hips();
        let keypoints: Vec<Keypoint> = world_m
            .iter()
            .map(|w| Keypoint {
                at: ImagePoint::new(hips.u + PX_PER_M * w[0], hips.v + PX_PER_M * w[1]),
                covariance: Covariance2::isotropic(9.0),
                visibility: 0.9,
            })
            .collect();
        Body::new(&keypoints, &world_m, 0.99, PX_PER_M)
    }

    fn leg(&self) -> LegReading {
        let hips = self.hips();
        let points = (0..LEG_POINT_NAMES.len()).map(|k| Keypoint {
            at: ImagePoint::new(hips.u - 90.0 - 9.0 * k as f64, hips.v + 84.0 + 0.5 * k as f64),
            covariance: Covariance2::isotropic(9.0),
            visibility: 0.9,
        });
        LegReading {
            leg: Leg::Right,
            leg_confidence: 0.97,
            present: 0.95,
            points: points.collect(),
            gap_fraction: [0.01; STATION_COUNT],
            gap_sd_fraction: [0.01; STATION_COUNT],
            gap_correlation: std::array::from_fn(|i| std::array::from_fn(|k| if i == k { 1.0 } else { 0.0 })),
            elevation_rad: 0.2,
            elevation_sd_rad: 0.05,
            azimuth_rad: 1.5,
            shank_px: 110.0,
            shank_log_sd: 0.03,
        }
    }
}

/// One second of time is one step of the picture's clock: the frame's number, in four bytes.
impl People for MadeUp {
    fn find(&mut self, image: &RgbImage) -> Result<Vec<Detection>> {
        self.look(image);
        let hips = self.hips();
        Ok(vec![Detection {
            score: 0.9,
            box_centre: ImagePoint::new(hips.u, hips.v - 120.0),
            box_size_px: [50.0, 50.0],
            hips,
            size_point: ImagePoint::new(hips.u, hips.v - RADIUS_PX),
        }])
    }

    fn find_in(&mut self, image: &RgbImage, _: &Region) -> Result<Vec<Detection>> {
        self.find(image)
    }

    fn read(&mut self, image: &RgbImage, _: &Region) -> Result<Reading> {
        self.look(image);
        let hips = self.hips();
        Ok(Reading {
            body: self.body(),
            next_region: Region::about_body(hips, ImagePoint::new(hips.u, hips.v - RADIUS_PX)),
            radius_px: RADIUS_PX,
        })
    }
}

impl MadeUp {
    fn look(&mut self, image: &RgbImage) {
        let number = u32::from_be_bytes(image.data[..4].try_into().expect("four bytes"));
        self.time_s = f64::from(number) / RATE_HZ;
    }
}

/// Peak memory of following and judging so many frames, bytes, and the number of holds.
fn peak_of(frames: u32) -> (usize, usize) {
    let before = LIVE.load(Ordering::Relaxed);
    PEAK.store(before, Ordering::Relaxed);
    let mut follower = Follower::new(MadeUp { time_s: 0.0 }, FollowOptions::default());
    for number in 0..frames {
        let mut data = vec![0; 12];
        data[..4].copy_from_slice(&number.to_be_bytes());
        let frame = Frame {
            index: u64::from(number),
            time_s: f64::from(number) / RATE_HZ,
            image: RgbImage { width: 2, height: 2, data },
        };
        follower.step(&frame).expect("made-up people do not fail");
        if follower.people_mut().low() {
            let leg = follower.people_mut().leg();
            follower.attach(leg);
        }
    }
    let mut track = follower.finish();
    track.image_size = [1920, 1080];
    let options = CheckOptions {
        floor: None,
        stature_m: Some(1.7),
        leg: LegChoice::Auto,
        rules: RuleProfile::shipped(),
        athlete: None,
        sheet: SheetUse::Find(None),
        carpet: CarpetUse::Ignore,
    };
    let input = InputReport {
        path: "made up".into(),
        kind: InputKind::Video,
        width: 1920,
        height: 1080,
        duration_s: f64::from(frames) / RATE_HZ,
        frames_read: u64::from(frames),
        frames_expected: None,
        warnings: Vec::new(),
        camera_motion: None,
    };
    let (outcome, _parts) = judge_track(&track, input, None, &options, made_by(&[], &options.rules));
    (
        PEAK.load(Ordering::Relaxed) - before,
        outcome.holds.len() + outcome.not_judged.len(),
    )
}

#[test]
fn memory_grows_by_little_more_than_a_kilobyte_a_frame() {
    let (short, stances) = peak_of(6 * 1800);
    assert!(stances >= 5, "{stances} stances in six minutes");
    let (long, stances) = peak_of(12 * 1800);
    assert!(stances >= 10, "{stances} stances in twelve minutes");
    let a_frame = (long as f64 - short as f64) / (6.0 * 1800.0);
    println!(
        "{:.1} MB for six minutes, {:.1} MB for twelve: {a_frame:.0} bytes a frame",
        short as f64 / 1e6,
        long as f64 / 1e6
    );
    // An hour has 108,000 frames, at 60 a second 216,000: 240 MB beside the 370 MiB that networks and pictures take.
    assert!(a_frame < 1110.0, "{a_frame} bytes a frame");
}
