//! Made-up answers for the report's tests: a leg of known height on a carpet, projected by a pinhole camera, with a plain drawing of it as the still.
//!
//! No recording and no person stands behind them; their numbers only have to be consistent.
#![allow(dead_code)]

use nalgebra::{Matrix3, Vector3};
use rand::Rng;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use shankline::outcome::*;
use shankline::types::{ImagePoint, Leg, RgbImage, Station};

/// A capsule: one end and its radius, the other end and its radius (m), and its colour.
type Part = (Vector3<f64>, f64, Vector3<f64>, f64, [f64; 3]);

/// A pinhole camera over the carpet that looks at a point near the athlete.
pub struct Scene {
    pub width: usize,
    pub height: usize,
    focal_px: f64,
    at: Vector3<f64>,
    /// Rows: right, down, forward, in the carpet frame.
    turn: Matrix3<f64>,
    /// Heights of the inner surface over the carpet at the stations, m.
    heights_m: [f64; 6],
}

/// Where the stations lie along the shank, m from its middle; the knee at −x.
const ALONG_M: [f64; 6] = [-0.20, -0.10, 0.0, 0.10, 0.20, 0.25];
/// Half the leg's thickness at the stations, m.
const RADIUS_M: [f64; 6] = [0.055, 0.055, 0.052, 0.043, 0.036, 0.034];
const HOLLOW_MM: [f64; 6] = [0.0, 3.0, 4.0, 9.0, 6.0, 0.0];

impl Scene {
    pub fn new(size: (usize, usize), elevation_deg: f64, azimuth_deg: f64, distance_m: f64, gaps_mm: [f64; 6]) -> Self {
        let (e, a) = (elevation_deg.to_radians(), azimuth_deg.to_radians());
        let at = distance_m * Vector3::new(e.cos() * a.cos(), e.cos() * a.sin(), e.sin());
        let forward = (Vector3::new(0.05, 0.0, 0.38) - at).normalize();
        let right = forward.cross(&Vector3::z()).normalize();
        let down = forward.cross(&right);
        let mut heights_m = [0.0; 6];
        for i in 0..6 {
            heights_m[i] = (gaps_mm[i] + HOLLOW_MM[i]).max(0.0) / 1000.0;
        }
        Self {
            width: size.0,
            height: size.1,
            focal_px: 0.85 * size.0.max(size.1) as f64,
            at,
            turn: Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]),
            heights_m,
        }
    }

    pub fn project(&self, p: Vector3<f64>) -> Option<ImagePoint> {
        let q = self.turn * (p - self.at);
        (q.z > 0.05).then(|| {
            ImagePoint::new(
                0.5 * self.width as f64 + self.focal_px * q.x / q.z,
                0.5 * self.height as f64 + self.focal_px * q.y / q.z,
            )
        })
    }

    fn stations(&self, on_leg: bool) -> Vec<ImagePoint> {
        (0..6)
            .map(|i| {
                self.project(Vector3::new(ALONG_M[i], 0.0, if on_leg { self.heights_m[i] } else { 0.0 }))
                    .unwrap()
            })
            .collect()
    }

    fn grid(&self) -> Vec<Vec<ImagePoint>> {
        let span: Vec<f64> = (-5..=5).map(|i| 0.5 * f64::from(i)).collect();
        let mut lines = Vec::new();
        for &a in &span {
            for swap in [false, true] {
                let line: Vec<ImagePoint> = span
                    .iter()
                    .filter_map(|&b| self.project(if swap { Vector3::new(b, a, 0.0) } else { Vector3::new(a, b, 0.0) }))
                    .collect();
                if line.len() > 1 {
                    lines.push(line);
                }
            }
        }
        lines
    }

    /// The bodies' parts as capsules: ends and radii in m, colour.
    fn parts(&self) -> Vec<Part> {
        let (skin, cloth, white) = ([196.0, 148.0, 120.0], [52.0, 62.0, 96.0], [225.0, 222.0, 215.0]);
        let v = Vector3::new;
        let mut parts = Vec::new();
        for i in 0..5 {
            let p = |j: usize| v(ALONG_M[j], 0.0, self.heights_m[j] + RADIUS_M[j]);
            parts.push((p(i), RADIUS_M[i], p(i + 1), RADIUS_M[i + 1], if i < 4 { skin } else { white }));
        }
        let knee = v(-0.20, 0.0, self.heights_m[0] + 0.055);
        let hip = v(0.12, -0.16, 0.33);
        parts.push((knee, 0.06, hip, 0.095, cloth));
        parts.push((hip, 0.14, v(0.05, -0.18, 0.75), 0.15, cloth));
        parts.push((v(0.05, -0.18, 0.88), 0.05, v(0.05, -0.18, 0.93), 0.05, skin));
        parts.push((v(0.05, -0.18, 1.02), 0.1, v(0.05, -0.18, 1.06), 0.1, skin));
        parts.push((v(0.16, -0.30, 0.33), 0.09, v(-0.15, -0.50, 0.50), 0.06, cloth));
        parts.push((v(-0.15, -0.50, 0.50), 0.055, v(-0.18, -0.42, 0.09), 0.04, skin));
        parts.push((v(-0.18, -0.40, 0.04), 0.035, v(-0.36, -0.46, 0.03), 0.028, white));
        parts
    }

    /// A drawing of the scene: shapes traced by their distance, the carpet darker near the body.
    pub fn draw(&self) -> RgbImage {
        let parts = self.parts();
        let distance = |p: Vector3<f64>| {
            parts.iter().fold((f64::INFINITY, [0.0; 3]), |best, (a, ra, b, rb, colour)| {
                let along = b - a;
                let t = ((p - a).dot(&along) / along.norm_squared()).clamp(0.0, 1.0);
                let d = (p - a - t * along).norm() - (ra + t * (rb - ra));
                if d < best.0 {
                    (d, *colour)
                } else {
                    best
                }
            })
        };
        let light = Vector3::new(0.3, 0.5, 0.8).normalize();
        let back = self.turn.transpose();
        let mut image = RgbImage::filled(self.width, self.height, [0; 3]);
        for row in 0..self.height {
            for col in 0..self.width {
                let ray = back
                    * Vector3::new(
                        (col as f64 + 0.5 - 0.5 * self.width as f64) / self.focal_px,
                        (row as f64 + 0.5 - 0.5 * self.height as f64) / self.focal_px,
                        1.0,
                    )
                    .normalize();
                let floor = if ray.z < -1e-6 { -self.at.z / ray.z } else { f64::INFINITY };
                let mut reach = (self.at.norm() - 1.4).max(0.2);
                let mut colour = None;
                for _ in 0..60 {
                    let p = self.at + reach * ray;
                    let (d, of_part) = distance(p);
                    if d < 0.0015 {
                        let e = 0.002;
                        let normal = Vector3::new(
                            distance(p + Vector3::x() * e).0 - d,
                            distance(p + Vector3::y() * e).0 - d,
                            distance(p + Vector3::z() * e).0 - d,
                        )
                        .normalize();
                        let shade = 0.45 + 0.55 * normal.dot(&light).max(0.0);
                        colour = Some(of_part.map(|c| c * shade));
                        break;
                    }
                    reach += d.max(0.001);
                    if reach > floor || reach > self.at.norm() + 1.4 {
                        break;
                    }
                }
                let colour = colour.unwrap_or_else(|| {
                    let p = self.at + floor * ray;
                    if !floor.is_finite() || p.x.abs() > 4.0 || p.y.abs() > 4.0 {
                        let tone = 168.0 + 30.0 * ray.z;
                        return [tone, tone + 4.0, tone + 8.0];
                    }
                    let pile = ((p.x * 61.0).sin() * (p.y * 73.0).sin() + (p.x * 173.0 + p.y * 151.0).sin()) * 5.0;
                    let near = distance(p).0.max(0.0);
                    let shadow = 0.35 + 0.65 * (near / 0.12).min(1.0).sqrt();
                    [88.0, 112.0, 92.0].map(|c| (c + pile) * shadow)
                });
                let at = (row * self.width + col) * 3;
                for (byte, tone) in image.data[at..at + 3].iter_mut().zip(colour) {
                    *byte = tone.clamp(0.0, 255.0) as u8;
                }
            }
        }
        image
    }
}

/// What an example varies.
pub struct Recipe {
    pub path: &'static str,
    pub size: (usize, usize),
    pub elevation_deg: f64,
    pub azimuth_deg: f64,
    pub gaps_mm: [f64; 6],
    pub sds_mm: [f64; 6],
    pub calls: [Call; 2],
    pub smallest_lift_mm: PerPart<f64>,
    pub can_tell: PerPart<bool>,
    pub advice: &'static str,
    pub warnings: &'static [&'static str],
    pub notes: &'static [&'static str],
    pub from_body: bool,
}

pub const TOLERANCE_MM: f64 = 15.0;

/// The normal distribution's upper tail by the logistic approximation, good enough for an example.
fn over(gap_mm: f64, sd_mm: f64) -> f64 {
    1.0 / (1.0 + (-1.702 * (gap_mm - TOLERANCE_MM) / sd_mm).exp())
}

impl Recipe {
    pub fn scene(&self) -> Scene {
        Scene::new(self.size, self.elevation_deg, self.azimuth_deg, 2.6, self.gaps_mm)
    }

    pub fn hold(&self, start_s: f64, end_s: f64, leg: Leg) -> HoldReport {
        let scene = self.scene();
        let gaps: Vec<GapReport> = Station::ALL
            .iter()
            .map(|&station| {
                let (gap_mm, sd_mm) = (self.gaps_mm[station.index()], self.sds_mm[station.index()]);
                GapReport {
                    station,
                    gap_mm,
                    sd_mm,
                    over_tolerance_probability: over(gap_mm, sd_mm),
                    natural_hollow_mm: HOLLOW_MM[station.index()],
                }
            })
            .collect();
        let finding = |part: usize, check: &str, title: &str, station: Station, code: &str| {
            let gap = &gaps[station.index()];
            let (call, p) = (self.calls[part], gap.over_tolerance_probability);
            Finding {
                check: check.to_owned(),
                title: title.to_owned(),
                call,
                confidence: if call == Call::Clear { 1.0 - p } else { p },
                fault_probability: p,
                station,
                gap_mm: gap.gap_mm,
                sd_mm: gap.sd_mm,
                tolerance_mm: TOLERANCE_MM,
                code: code.to_owned(),
                deduction: 0.1,
                basis: "example profile; tolerance: a guess for tests".to_owned(),
            }
        };
        let worst_calf = gaps[..5]
            .iter()
            .max_by(|a, b| a.over_tolerance_probability.total_cmp(&b.over_tolerance_probability))
            .unwrap()
            .station;
        let findings = vec![
            finding(0, "calf_off_carpet", "Knee, calf or ankle off the carpet", worst_calf, "E1"),
            finding(1, "heel_off_carpet", "Heel off the carpet", Station::Heel, "E2"),
        ];
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let still = end_s <= start_s;
        let first = ((start_s - 0.6) * 30.0).round() as i64;
        let last = ((end_s + 0.4) * 30.0).round() as i64;
        let frames = if still { first + 18..=first + 18 } else { first..=last }
            .map(|n| {
                let time_s = n as f64 / 30.0;
                let before = (start_s - time_s).max(0.0);
                let after = (time_s - end_s).max(0.0);
                let lift = 900.0 * before * before + 700.0 * after * after;
                let spread = 1.0 + 6.0 * (before + after);
                let mut gap_mm = [0.0; 6];
                let mut sd_mm = [0.0; 6];
                for i in 0..6 {
                    sd_mm[i] = 1.15 * spread * self.sds_mm[i];
                    gap_mm[i] = self.gaps_mm[i] + lift * (0.4 + 0.12 * i as f64) + random.random_range(-0.6..0.6) * self.sds_mm[i].min(5.0);
                }
                FrameGaps {
                    time_s,
                    index: n.max(0) as u64,
                    in_hold: still || (before == 0.0 && after == 0.0),
                    gap_mm,
                    sd_mm,
                }
            })
            .collect();
        let middle_s = 0.5 * (start_s + end_s);
        let (surface, carpet) = (scene.stations(true), scene.stations(false));
        let crop_side_px = 1.5 * carpet[0].distance_px(carpet[5]).max(160.0);
        let order = [Call::Suspected, Call::CannotTell, Call::Clear];
        HoldReport {
            start_s,
            end_s,
            stillness: if still { Stillness::NotShown } else { Stillness::Shown },
            kneeling_leg: leg,
            kneeling_leg_confidence: 0.998,
            shank_angle_deg: 4.1,
            shank_angle_sd_deg: 0.7,
            shank_length_mm: 402.0,
            shank_length_sd_mm: 8.0,
            gap_covariance_mm2: (0..6)
                .map(|i| {
                    (0..6)
                        .map(|j| self.sds_mm[i] * self.sds_mm[j] * 0.6f64.powi((i as i32 - j as i32).abs()))
                        .collect()
                })
                .collect(),
            gaps,
            view: ViewReport {
                elevation_deg: self.elevation_deg,
                azimuth_deg: self.azimuth_deg,
                smallest_lift_mm: self.smallest_lift_mm,
                can_tell: self.can_tell,
                hidden_share: 0.1,
                advice: self.advice.to_owned(),
            },
            call: *order.iter().find(|c| self.calls.contains(c)).unwrap(),
            findings,
            best_frame: StillFrame {
                time_s: middle_s,
                index: (middle_s * 30.0).round() as u64,
                crop_centre: surface[2].towards(carpet[3], 0.5),
                surface,
                carpet,
                crop_side_px,
            },
            frames,
            notes: self.notes.iter().map(|s| (*s).to_owned()).collect(),
        }
    }

    pub fn outcome(&self, holds: Vec<HoldReport>) -> Outcome {
        let scene = self.scene();
        let photograph = holds.iter().any(|h| h.stillness == Stillness::NotShown);
        let faulty = !photograph && holds.iter().any(|h| h.call == Call::Suspected);
        let words = |all: &[&str]| all.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
        Outcome {
            schema_version: SCHEMA_VERSION,
            made_by: MadeBy {
                shankline: "0.1.0".to_owned(),
                networks: vec![
                    ("body-landmarks".to_owned(), "0123456789ab".to_owned()),
                    ("lower-leg".to_owned(), "ba9876543210".to_owned()),
                ],
                rules: ("example".to_owned(), "00ff00ff00ff".to_owned()),
            },
            input: InputReport {
                path: self.path.to_owned(),
                kind: if photograph { InputKind::Photograph } else { InputKind::Video },
                width: self.size.0,
                height: self.size.1,
                duration_s: if photograph { 0.0 } else { 6.2 },
                frames_read: if photograph { 1 } else { 186 },
                frames_expected: (!photograph).then_some(if self.warnings.is_empty() { 186 } else { 190 }),
                warnings: words(self.warnings),
                camera_motion: (!photograph).then_some(CameraMotionReport {
                    state: CameraMotionState::MovingRegistered,
                    largest_shift_px: 41.5,
                    residual_px: Some(0.6),
                    frames_registered: Some(186),
                    frames_moving: Some(186),
                    pan_deg: 2.1,
                    tilt_deg: 0.8,
                    roll_deg: 0.9,
                    zoom: 1.0,
                }),
            },
            floor: FloorReport {
                source: if self.from_body { FloorSource::Body } else { FloorSource::Marks },
                camera_elevation_deg: Some(self.elevation_deg),
                camera_elevation_sd_deg: Some(if self.from_body { 2.4 } else { 0.4 }),
                camera_height_m: Some(2.6 * self.elevation_deg.to_radians().sin()),
                camera_height_sd_m: Some(0.03),
                camera_distance_m: Some(2.6),
                camera_distance_sd_m: Some(0.11),
                focal_px: Some(0.85 * self.size.0.max(self.size.1) as f64),
                focal_sd_px: Some(42.0),
                grid: scene.grid(),
                sheet: None,
                lines: None,
                notes: if self.from_body {
                    words(&["No marks on the carpet: the floor rests on a stature of 1.70 m ± 0.07 m, a prior."])
                } else {
                    vec![]
                },
            },
            holds,
            not_judged: vec![],
            cautions: words(&["Kneeling hard on a knee that hurts does harm: stop and have it looked at."]),
            repetitions: if faulty { vec![repetition(self.size)] } else { Vec::new() },
        }
    }
}

pub const SUSPECTED: Recipe = Recipe {
    path: "films/session 4/stance.mp4",
    size: (1280, 720),
    elevation_deg: 6.0,
    azimuth_deg: 78.0,
    gaps_mm: [1.2, 3.9, 7.5, 14.0, 21.0, 31.0],
    sds_mm: [2.6, 2.2, 2.4, 2.7, 2.9, 3.1],
    calls: [Call::Suspected, Call::Suspected],
    smallest_lift_mm: PerPart { calf: 11.0, heel: 12.6 },
    can_tell: PerPart { calf: true, heel: true },
    advice: "This view is good: low and square to the shin.",
    warnings: &["The container promises 190 frames; 186 could be read."],
    notes: &[],
    from_body: false,
};

pub const CLEAR: Recipe = Recipe {
    path: "stance.mov",
    gaps_mm: [0.4, 1.8, 2.6, 3.1, -0.6, 4.2],
    calls: [Call::Clear, Call::Clear],
    azimuth_deg: -96.0,
    elevation_deg: 4.0,
    warnings: &[],
    ..SUSPECTED
};

pub const HIGH_CAMERA: Recipe = Recipe {
    path: "from the stand.mp4",
    elevation_deg: 43.0,
    azimuth_deg: 35.0,
    gaps_mm: [3.0, 5.0, 8.0, 12.0, 14.0, 18.0],
    sds_mm: [9.0, 11.0, 14.0, 19.0, 24.0, 31.0],
    calls: [Call::CannotTell, Call::CannotTell],
    smallest_lift_mm: PerPart { calf: 58.0, heel: 94.0 },
    can_tell: PerPart { calf: false, heel: false },
    advice: "Film from knee height, square to the shin.",
    warnings: &[],
    notes: &["The foot hides part of the ankle from this side."],
    from_body: true,
    ..SUSPECTED
};

/// A name that would run a script in a page that does not escape it.
pub const HOSTILE_NAME: &str = "<script>alert(1)</script>\"'&.mp4";

pub fn suspected() -> Outcome {
    SUSPECTED.outcome(vec![SUSPECTED.hold(2.1, 3.4, Leg::Right)])
}

pub fn clear() -> Outcome {
    CLEAR.outcome(vec![CLEAR.hold(1.0, 3.1, Leg::Left)])
}

pub fn high_camera() -> Outcome {
    HIGH_CAMERA.outcome(vec![HIGH_CAMERA.hold(2.1, 3.4, Leg::Right)])
}

pub fn no_hold() -> Outcome {
    let mut outcome = Recipe {
        path: "turn.mp4",
        warnings: &[],
        ..SUSPECTED
    }
    .outcome(vec![]);
    outcome.not_judged = vec![NotJudged {
        reason: NotJudgedReason::NeverStill,
        detail: "The stance was reached but left after 0.3 s without coming to rest; at least 0.5 s of stillness is needed.".to_owned(),
        start_s: Some(2.6),
        end_s: Some(2.9),
    }];
    outcome.floor = FloorReport {
        source: FloorSource::None,
        camera_elevation_deg: None,
        camera_elevation_sd_deg: None,
        camera_height_m: None,
        camera_height_sd_m: None,
        camera_distance_m: None,
        camera_distance_sd_m: None,
        focal_px: None,
        focal_sd_px: None,
        grid: vec![],
        sheet: None,
        lines: None,
        notes: vec!["The floor was not looked for because no hold was found.".to_owned()],
    };
    outcome
}

pub const UPRIGHT: Recipe = Recipe {
    size: (720, 1280),
    azimuth_deg: 118.0,
    elevation_deg: 11.0,
    path: HOSTILE_NAME,
    ..SUSPECTED
};

/// Two holds, an upright picture and a file name out to do harm.
pub fn several() -> Outcome {
    let second = Recipe {
        gaps_mm: CLEAR.gaps_mm,
        calls: [Call::Clear, Call::Clear],
        ..UPRIGHT
    };
    let mut outcome = UPRIGHT.outcome(vec![UPRIGHT.hold(1.2, 2.0, Leg::Right), second.hold(3.6, 5.1, Leg::Left)]);
    outcome.not_judged = vec![NotJudged {
        reason: NotJudgedReason::LegHidden,
        detail: "Between the holds the left leg hides the right.".to_owned(),
        start_s: Some(2.2),
        end_s: Some(3.1),
    }];
    outcome
}

pub fn photograph() -> Outcome {
    let recipe = Recipe {
        path: "stance.jpg",
        warnings: &[],
        ..SUSPECTED
    };
    recipe.outcome(vec![recipe.hold(0.0, 0.0, Leg::Right)])
}

/// A repetition with one finding of each call.
pub fn repetition(size: (usize, usize)) -> RepetitionReport {
    let span = |phase, start_s, end_s| PhaseSpan { phase, start_s, end_s };
    let event = |kind, times: (f64, f64), call, limb, sizes: (f64, f64), size_unit, code: &str, deduction, detail: &str| RepetitionEvent {
        kind,
        start_s: times.0,
        end_s: times.1,
        confidence: if call == Call::Suspected { 0.97 } else { 0.64 },
        call,
        limb,
        size: sizes.0,
        size_sd: sizes.1,
        size_unit,
        code: code.to_owned(),
        deduction,
        panel: if code.is_empty() {
            "difficulty and connection"
        } else {
            "execution"
        }
        .to_owned(),
        detail: detail.to_owned(),
    };
    let moment = |kind, time_s: f64, caption: &str, u: f64, v: f64, side_px| Moment {
        kind,
        time_s,
        index: (30.0 * time_s) as u64,
        caption: caption.to_owned(),
        centre: ImagePoint::new(u * size.0 as f64, v * size.1 as f64),
        side_px,
    };
    RepetitionReport {
        start_s: 0.1,
        end_s: 4.4,
        phases: vec![
            span(Phase::Approach, 0.1, 0.74),
            span(Phase::Flight, 0.74, 1.32),
            span(Phase::Landing, 1.32, 1.83),
            span(Phase::Stance, 1.83, 2.1),
            span(Phase::Hold, 2.1, 3.4),
            span(Phase::Stance, 3.4, 3.7),
            span(Phase::Leaving, 3.7, 4.4),
        ],
        events: vec![
            event(EventKind::ShortTurn, (0.74, 1.32), Call::Suspected, Limb::WholeBody, (78.0, 14.0), SizeUnit::Deg, "", 0.0, "The body turned 462° ± 27° (95 %) from take-off to first contact; 540° are asked for, 30° of them forgiven."),
            event(EventKind::OneFootFirst, (1.32, 1.43), Call::Suspected, Limb::LeftFoot, (0.11, 0.015), SizeUnit::S, "", 0.0, "The left foot met the carpet 110 ms ± 29 ms (95 %) before the right foot (limit 67 ms)."),
            event(EventKind::Step, (3.4, 3.7), Call::Suspected, Limb::LeftFoot, (0.142, 0.018), SizeUnit::M, "70", 0.1, "The left foot left the carpet by 62 mm and came to rest 142 mm ± 35 mm (95 %) away."),
            event(EventKind::Support, (3.45, 3.68), Call::CannotTell, Limb::RightHand, (0.06, 0.05), SizeUnit::M, "71", 0.2, "The right hand was at rest 60 mm ± 98 mm (95 %) over the carpet for 0.23 s."),
        ],
        slow_motion: SlowMotionReport {
            factor: 1.02,
            factor_sd: Some(0.03),
            source: SpeedSource::FreeFall,
        },
        landing: Some(LandingReport {
            take_off_s: 0.74,
            contacts: vec![
                ContactReport {
                    leg: Leg::Left,
                    time_s: 1.32,
                    sd_s: 0.01,
                },
                ContactReport {
                    leg: Leg::Right,
                    time_s: 1.43,
                    sd_s: 0.011,
                },
            ],
            difference_s: 0.11,
            difference_sd_s: 0.015,
            limit_s: 0.0667,
            smallest_difference_s: 0.038,
            over_limit_probability: 0.97,
            call: Call::Suspected,
        }),
        turn: Some(TurnReport {
            turn_deg: 462.0,
            sd_deg: 14.0,
            required_deg: Some(540.0),
            heading_error_deg: Some(-78.0),
            call: Call::Suspected,
        }),
        rest: RestReport {
            knee_down: true,
            came_to_rest: true,
            still_from_s: Some(2.1),
            still_for_s: 1.3,
        },
        moments: vec![
            moment(MomentKind::TakeOff, 0.74, "take-off", 0.45, 0.5, 600.0),
            moment(MomentKind::FirstContact, 1.32, "first contact, left foot", 0.5, 0.8, 200.0),
            moment(MomentKind::Fault, 1.37, "one foot first", 0.55, 0.8, 200.0),
            moment(MomentKind::Still, 2.1, "still from here", 0.5, 0.75, 300.0),
            moment(MomentKind::Fault, 3.55, "step, left foot", 0.6, 0.85, 240.0),
        ],
        cannot_tell: vec!["A foot that moves straight towards or away from the camera without leaving the carpet is told only from about 397 mm on: this camera is too low for less.".to_owned()],
    }
}
