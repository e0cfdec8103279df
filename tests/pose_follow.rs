//! Following among several people and over swapped legs, with made-up people in place of the networks, so that the truth is known.

use shankline::pose::detector::Detection;
use shankline::pose::landmarks::Reading;
use shankline::pose::photograph::look_closer;
use shankline::pose::region::Region;
use shankline::pose::track::{Body, Landmark, PoseFrame, Track, LANDMARK_COUNT};
use shankline::pose::{legs, FollowOptions, Follower, People};
use shankline::types::{Covariance2, Frame, ImagePoint, Keypoint, RgbImage};
use shankline::Result;

const PX_PER_M: f64 = 200.0;
const RADIUS_PX: f64 = 180.0;

/// A made-up person at one moment.
#[derive(Clone, Copy)]
struct Person {
    hips: ImagePoint,
    low: bool,
    /// Whether the detector sees the person (it misses some people in the stance).
    seen: bool,
}

fn person(u: f64) -> Person {
    Person {
        hips: ImagePoint::new(u, 400.0),
        low: false,
        seen: true,
    }
}

/// Metric landmarks about the hips: only the legs matter here. The right leg kneels when low.
fn world(low: bool) -> Vec<[f64; 3]> {
    let mut world = vec![[0.0, -0.5, 0.0]; LANDMARK_COUNT];
    let mut set = |l: Landmark, p: [f64; 3]| world[l as usize] = p;
    set(Landmark::LeftShoulder, [0.2, -0.5, 0.0]);
    set(Landmark::RightShoulder, [-0.2, -0.5, 0.0]);
    set(Landmark::LeftHip, [0.12, 0.0, 0.0]);
    set(Landmark::RightHip, [-0.12, 0.0, 0.0]);
    if low {
        set(Landmark::LeftKnee, [0.35, -0.15, -0.3]);
        set(Landmark::LeftAnkle, [0.45, 0.25, -0.35]);
        set(Landmark::LeftHeel, [0.43, 0.3, -0.3]);
        set(Landmark::LeftToe, [0.5, 0.3, -0.5]);
        set(Landmark::RightKnee, [-0.3, 0.28, -0.1]);
        set(Landmark::RightAnkle, [-0.65, 0.3, 0.1]);
        set(Landmark::RightHeel, [-0.7, 0.28, 0.1]);
        set(Landmark::RightToe, [-0.75, 0.3, 0.25]);
    } else {
        for (side, sign) in [(0, 1.0), (1, -1.0)] {
            let x = 0.14 * sign;
            world[25 + side] = [x, 0.42, -0.03];
            world[27 + side] = [x, 0.84, 0.02];
            world[29 + side] = [x, 0.9, 0.05];
            world[31 + side] = [x, 0.9, -0.15];
        }
    }
    world
}

fn body(person: &Person) -> Body {
    let world_m = world(person.low);
    let keypoints: Vec<Keypoint> = world_m
        .iter()
        .map(|w| Keypoint {
            at: ImagePoint::new(person.hips.u + PX_PER_M * w[0], person.hips.v + PX_PER_M * w[1]),
            covariance: Covariance2::isotropic(5.0),
            visibility: 0.9,
        })
        .collect();
    Body::new(&keypoints, &world_m, 0.99, PX_PER_M)
}

/// A window reads whoever is nearest to its middle, as the network tends to; an optional pull makes it slip to another person.
struct MadeUp {
    /// Where everybody is in each frame; the frame's number is the picture's first byte.
    scenes: Vec<Vec<Person>>,
    /// Frames in which the network slips: the window reads this person instead.
    slips: Vec<(usize, usize)>,
    /// How often the whole picture was looked at.
    looks: usize,
}

impl MadeUp {
    fn scene(&self, image: &RgbImage) -> (usize, &[Person]) {
        let index = usize::from(image.data[0]);
        (index, &self.scenes[index])
    }
}

impl People for MadeUp {
    fn find(&mut self, image: &RgbImage) -> Result<Vec<Detection>> {
        self.looks += 1;
        let (_, people) = self.scene(image);
        Ok(people
            .iter()
            .filter(|p| p.seen)
            .map(|p| Detection {
                score: 0.9,
                box_centre: ImagePoint::new(p.hips.u, p.hips.v - 120.0),
                box_size_px: [50.0, 50.0],
                hips: p.hips,
                size_point: ImagePoint::new(p.hips.u, p.hips.v - RADIUS_PX),
            })
            .collect())
    }

    fn find_in(&mut self, image: &RgbImage, region: &Region) -> Result<Vec<Detection>> {
        Ok(self.find(image)?.into_iter().filter(|d| region.contains(d.hips)).collect())
    }

    fn read(&mut self, image: &RgbImage, region: &Region) -> Result<Reading> {
        let (index, people) = self.scene(image);
        let nearest = people
            .iter()
            .filter(|p| region.contains(p.hips))
            .min_by(|a, b| a.hips.distance_px(region.centre).total_cmp(&b.hips.distance_px(region.centre)));
        let slipped = self.slips.iter().find(|s| s.0 == index).map(|s| &people[s.1]);
        // A window set about a detection of its own reads that person.
        let own = people.iter().find(|p| p.hips.distance_px(region.centre) < 1.0);
        let chosen = own.or(slipped).or(nearest);
        let mut body = body(chosen.unwrap_or(&person(region.centre.u)));
        if chosen.is_none() {
            body.presence = 0.05;
        }
        let at = body.at(Landmark::LeftHip).towards(body.at(Landmark::RightHip), 0.5);
        // The network's next window is never exactly about the hips.
        let next = Region::about_body(ImagePoint::new(at.u + 3.0, at.v), ImagePoint::new(at.u, at.v - RADIUS_PX));
        Ok(Reading {
            body,
            next_region: next,
            radius_px: RADIUS_PX,
        })
    }
}

fn follow(scenes: Vec<Vec<Person>>, slips: Vec<(usize, usize)>, options: FollowOptions) -> Track {
    follow_with_cuts(scenes, slips, options, &[])
}

fn follow_with_cuts(scenes: Vec<Vec<Person>>, slips: Vec<(usize, usize)>, options: FollowOptions, cuts: &[usize]) -> Track {
    let count = scenes.len();
    assert!(count <= 256);
    let mut follower = Follower::new(MadeUp { scenes, slips, looks: 0 }, options);
    for index in 0..count {
        if cuts.contains(&index) {
            follower.cut();
        }
        follower.step(&frame(index)).unwrap();
    }
    follower.finish()
}

fn frame(index: usize) -> Frame {
    Frame {
        index: index as u64,
        time_s: index as f64 / 30.0,
        image: RgbImage::filled(1280, 720, [index as u8, 0, 0]),
    }
}

fn hips_u(frame: &PoseFrame) -> Option<f64> {
    frame
        .body
        .as_ref()
        .map(|b| b.at(Landmark::LeftHip).towards(b.at(Landmark::RightHip), 0.5).u)
}

fn sentences(track: &Track) -> String {
    track.events.iter().map(|e| format!("{:.2} {}\n", e.time_s, e.sentence)).collect()
}

#[test]
fn a_slip_to_a_neighbour_is_caught_and_told() {
    // Two people 1.1 m apart; in frames 40 to 45 the window of the athlete reads the neighbour.
    let scenes = vec![vec![person(500.0), person(720.0)]; 90];
    let slips = (40..46).map(|i| (i, 1)).collect();
    let options = FollowOptions {
        athlete: Some(ImagePoint::new(500.0, 380.0)),
        ..FollowOptions::default()
    };
    let track = follow(scenes, slips, options);
    for frame in &track.frames {
        assert_eq!(hips_u(frame), Some(500.0), "frame {}\n{}", frame.index, sentences(&track));
    }
    assert!(sentences(&track).contains("slipped to somebody beside"), "{}", sentences(&track));
}

#[test]
fn after_a_cut_the_athlete_is_chosen_anew_and_after_a_flash_followed_on() {
    // A cut at frame 30 to a shot in which the athlete is in the stance elsewhere and somebody larger stands by; at frame 60 a flash that only looks like a cut.
    let low = Person {
        low: true,
        ..person(900.0)
    };
    let scenes: Vec<_> = (0..90)
        .map(|i| if i < 30 { vec![person(300.0)] } else { vec![person(500.0), low] })
        .collect();
    let options = FollowOptions {
        athlete: Some(ImagePoint::new(300.0, 380.0)),
        ..FollowOptions::default()
    };
    let track = follow_with_cuts(scenes, Vec::new(), options, &[30, 60]);
    for frame in &track.frames {
        let expected = if frame.index < 30 { 300.0 } else { 900.0 };
        assert!(
            (hips_u(frame).unwrap() - expected).abs() < 1e-3,
            "frame {}\n{}",
            frame.index,
            sentences(&track)
        );
    }
    let told = sentences(&track);
    assert_eq!(told.matches("The picture was cut here").count(), 1, "{told}");
    assert!(told.contains("1.00 The picture was cut here"), "{told}");
}

#[test]
fn a_slip_while_the_detector_misses_the_athlete_gives_gaps_and_never_the_neighbour() {
    // The athlete is in the stance and the detector sees only the neighbour from frame 30 on; the reading slips in frames 40 to 52.
    let scenes: Vec<_> = (0..120)
        .map(|i| {
            let athlete = Person {
                low: i >= 20,
                seen: !(30..=70).contains(&i),
                ..person(500.0)
            };
            vec![athlete, person(720.0)]
        })
        .collect();
    let slips = (40..53).map(|i| (i, 1)).collect();
    let options = FollowOptions {
        athlete: Some(ImagePoint::new(500.0, 380.0)),
        ..FollowOptions::default()
    };
    let track = follow(scenes, slips, options);
    for frame in &track.frames {
        assert!(
            hips_u(frame).is_none_or(|u| u == 500.0),
            "frame {} hopped\n{}",
            frame.index,
            sentences(&track)
        );
    }
    assert!(track.frames[40].body.is_none());
    assert!(track.frames[119].body.is_some(), "{}", sentences(&track));
    assert!(sentences(&track).contains("was not believed"));
    assert!(sentences(&track).contains("found again"));
}

#[test]
fn an_athlete_who_leaves_is_not_replaced_by_somebody_else_unnoticed() {
    let scenes: Vec<_> = (0..150)
        .map(|i| {
            if i < 50 {
                vec![person(500.0), person(800.0)]
            } else {
                vec![person(800.0)]
            }
        })
        .collect();
    let track = follow(
        scenes,
        Vec::new(),
        FollowOptions {
            athlete: Some(ImagePoint::new(500.0, 400.0)),
            ..FollowOptions::default()
        },
    );
    let changed = track.frames.iter().find(|f| hips_u(f) == Some(800.0));
    if let Some(frame) = changed {
        let told = track
            .events
            .iter()
            .find(|e| (e.time_s - frame.time_s).abs() < 1e-9)
            .expect("a change of person without an event");
        assert!(told.sentence.contains("may be somebody else"), "{}", told.sentence);
        assert!(frame.time_s - 50.0 / 30.0 > 1.9);
    }
    assert!(track.frames[60].body.is_none());
}

#[test]
fn an_empty_carpet_is_looked_at_seldom_and_whoever_comes_is_found() {
    // Nobody for six seconds, then somebody for one, then nobody.
    let mut scenes = vec![Vec::new(); 250];
    for scene in &mut scenes[180..210] {
        scene.push(person(500.0));
    }
    let mut follower = Follower::new(
        MadeUp {
            scenes,
            slips: Vec::new(),
            looks: 0,
        },
        FollowOptions::default(),
    );
    let mut looks = Vec::new();
    for index in 0..250 {
        follower.step(&frame(index)).unwrap();
        looks.push(follower.people_mut().looks);
    }
    let track = follower.finish();
    // Every frame for three seconds, then every fifth at 30 frames a second.
    assert_eq!(looks[89], 90);
    assert!((looks[179] - looks[89]).abs_diff(18) <= 2, "{}", looks[179] - looks[89]);
    let first = track.frames.iter().position(|f| f.body.is_some()).unwrap();
    assert!((180..185).contains(&first), "{first}");
    assert!(track.frames[first..210].iter().all(|f| f.body.is_some()));
    assert!(
        looks[249] >= looks[209] + 40,
        "somebody who has just left is looked for in every frame"
    );
}

#[test]
fn fast_movement_of_a_lone_athlete_is_followed() {
    // A leap sideways at 5 m/s that stops within two frames (33 px a frame at 200 px/m).
    let scenes: Vec<_> = (0..60)
        .map(|i| vec![person(300.0 + (5.0 * PX_PER_M / 30.0) * f64::from((i - 15).clamp(0, 15)))])
        .collect();
    let track = follow(scenes.clone(), Vec::new(), FollowOptions::default());
    for (frame, scene) in track.frames.iter().zip(&scenes) {
        assert!((hips_u(frame).unwrap() - scene[0].hips.u).abs() < 1e-3);
    }
}

#[test]
fn crossing_people_are_kept_apart() {
    // The other walks past behind the athlete at 1.5 m/s.
    let scenes: Vec<_> = (0..150)
        .map(|i| vec![person(640.0), person(200.0 + 300.0 / 30.0 * f64::from(i))])
        .collect();
    let track = follow(
        scenes,
        Vec::new(),
        FollowOptions {
            athlete: Some(ImagePoint::new(640.0, 400.0)),
            ..FollowOptions::default()
        },
    );
    let last = track.frames.last().unwrap();
    assert_eq!(hips_u(last), Some(640.0), "{}", sentences(&track));
    assert!(sentences(&track).contains("Another person is"), "{}", sentences(&track));
}

#[test]
fn the_one_in_the_low_stance_is_chosen_and_a_point_overrules_it() {
    let low = Person {
        low: true,
        ..person(200.0)
    };
    let scenes = vec![vec![person(640.0), low]; 5];
    let free = follow(scenes.clone(), Vec::new(), FollowOptions::default());
    assert_eq!(hips_u(&free.frames[0]), Some(200.0));
    assert!(sentences(&free).contains("only one in the low stance"));
    let named = follow(
        scenes,
        Vec::new(),
        FollowOptions {
            athlete: Some(ImagePoint::new(650.0, 300.0)),
            ..FollowOptions::default()
        },
    );
    assert_eq!(hips_u(&named.frames[0]), Some(640.0));
}

#[test]
fn a_point_beside_a_stretched_leg_is_not_on_that_body() {
    // The box about the kneeling person's landmarks reaches from the stretched foot to the shoulders and holds most of somebody who stands behind the foot.
    let kneels = Person {
        low: true,
        ..person(500.0)
    };
    let pointing_at = |u: f64, v: f64, people: Vec<Person>| {
        let options = FollowOptions {
            athlete: Some(ImagePoint::new(u, v)),
            ..FollowOptions::default()
        };
        follow(vec![people; 3], Vec::new(), options)
    };
    let behind = pointing_at(392.0, 330.0, vec![kneels, person(400.0)]);
    assert_eq!(hips_u(&behind.frames[0]), Some(400.0), "{}", sentences(&behind));
    let nobody = pointing_at(365.0, 320.0, vec![kneels]);
    assert!(
        sentences(&nobody).contains("Nobody was found at the athlete's point"),
        "{}",
        sentences(&nobody)
    );
    let on_the_foot = pointing_at(360.0, 470.0, vec![kneels]);
    assert_eq!(sentences(&on_the_foot), "");
}

#[test]
fn who_is_pointed_at_in_a_photograph_is_read_though_the_detector_misses_them() {
    let missed = Person {
        low: true,
        seen: false,
        ..person(500.0)
    };
    let legs_read = |athlete: Option<ImagePoint>| {
        let mut people = MadeUp {
            scenes: vec![vec![missed]],
            slips: Vec::new(),
            looks: 0,
        };
        let mut hips = Vec::new();
        let mut read_leg = |body: &Body| {
            hips.push(body.at(Landmark::LeftHip).towards(body.at(Landmark::RightHip), 0.5).u);
            Ok(None)
        };
        look_closer(&mut people, &frame(0).image, athlete, &mut read_leg).unwrap();
        hips
    };
    let pointed = legs_read(Some(ImagePoint::new(440.0, 455.0)));
    assert!(!pointed.is_empty() && pointed.iter().all(|u| *u == 500.0), "{pointed:?}");
    assert!(legs_read(None).is_empty());
    assert!(legs_read(Some(ImagePoint::new(1000.0, 200.0))).is_empty());
}

#[test]
fn a_stance_taken_later_by_somebody_else_is_found_and_earlier_frames_are_given_up() {
    let scenes: Vec<_> = (0..120)
        .map(|i| {
            let athlete = Person {
                low: i >= 40,
                ..person(250.0)
            };
            vec![person(640.0), athlete]
        })
        .collect();
    let track = follow(scenes, Vec::new(), FollowOptions::default());
    assert_eq!(hips_u(track.frames.last().unwrap()), Some(250.0), "{}", sentences(&track));
    assert!(track.frames.iter().all(|f| hips_u(f).is_none_or(|u| u == 250.0)));
    assert!(sentences(&track).contains("earlier frames were given up"));
}

/// A kneeling body that sways a little, as a track; frames whose labels are wrong are made by `confuse`.
fn swaying(count: usize) -> Vec<PoseFrame> {
    (0..count)
        .map(|i| {
            let sway = 6.0 * (i as f64 * 0.2).sin();
            let low = Person {
                low: true,
                ..person(600.0 + sway)
            };
            PoseFrame {
                index: i as u64,
                time_s: i as f64 / 30.0,
                body: Some(body(&low)),
                lower_leg: None,
            }
        })
        .collect()
}

fn exchange(frame: &mut PoseFrame, pairs: &[usize]) {
    let body = frame.body.as_mut().unwrap();
    for left in pairs {
        body.exchange(*left, left + 1);
    }
}

fn positions(frame: &PoseFrame) -> Vec<ImagePoint> {
    frame.body.as_ref().unwrap().keypoints().map(|k| k.at).collect()
}

#[test]
fn swapped_legs_are_put_back_and_told() {
    const LEGS: [usize; 4] = [25, 27, 29, 31];
    const LEGS_AND_HIPS: [usize; 5] = [23, 25, 27, 29, 31];
    const FEET: [usize; 3] = [27, 29, 31];
    let truth = swaying(150);
    let mut frames = truth.clone();
    // Single frames, a long stretch, hips along, feet only; 40 of 150 frames.
    for i in [10, 12, 13] {
        exchange(&mut frames[i], &LEGS);
    }
    for frame in &mut frames[40..70] {
        exchange(frame, &LEGS);
    }
    for frame in &mut frames[100..105] {
        exchange(frame, &LEGS_AND_HIPS);
    }
    for frame in &mut frames[120..122] {
        exchange(frame, &FEET);
    }
    frames[80].body = None;
    let events = legs::repair(&mut frames);
    for (found, expected) in frames.iter().zip(&truth) {
        if found.body.is_some() {
            assert_eq!(positions(found), positions(expected), "frame {}", expected.index);
        }
    }
    assert!(!events.is_empty());
    let sd = |f: &PoseFrame| f.body.as_ref().unwrap().keypoint(Landmark::RightHeel).covariance.mean_sd_px();
    assert!(sd(&frames[50]) > 1.4 * sd(&truth[50]));
    assert_eq!(sd(&frames[75]), sd(&truth[75]));
}

#[test]
fn right_labels_are_left_alone_even_when_legs_cross() {
    // A walk across the picture seen from the side: knees, ankles and feet pass each other in the image at every step, apart in depth.
    let mut frames: Vec<PoseFrame> = (0..120)
        .map(|i| {
            let phase = i as f64 / 30.0 * 2.0 * std::f64::consts::PI * 0.9;
            let upright = body(&person(200.0 + 4.0 * i as f64));
            let mut keypoints: Vec<Keypoint> = upright.keypoints().collect();
            let mut world_m: Vec<[f64; 3]> = (0..LANDMARK_COUNT).map(|l| upright.world_m(l)).collect();
            for (side, sign) in [(0, 1.0), (1, -1.0)] {
                for (row, swing) in [(25, 0.15), (27, 0.3), (29, 0.32), (31, 0.3)] {
                    let x = sign * swing * phase.sin();
                    world_m[row + side][0] = x;
                    world_m[row + side][2] = 0.1 * sign;
                    keypoints[row + side].at.u = 200.0 + 4.0 * i as f64 + PX_PER_M * x;
                }
            }
            PoseFrame {
                index: i as u64,
                time_s: i as f64 / 30.0,
                body: Some(Body::new(&keypoints, &world_m, 0.99, PX_PER_M)),
                lower_leg: None,
            }
        })
        .collect();
    let before = frames.clone();
    let events = legs::repair(&mut frames);
    assert_eq!(frames, before);
    assert!(events.is_empty());
}
