//! The floor for what happens around the holds, and how its stillness joins the holds'.

use crate::check::hold_report::Setting;
use crate::floor::{body, FloorCamera};
use crate::hold::{Holds, Span};
use crate::numerics::median;
use crate::phases;
use crate::phases::repetition::{Asked, Floor, Found};
use crate::pose::track::{Landmark, LegReading, Track};
use crate::rules::RuleProfile;
use crate::types::Leg;

/// Apparent sizes against the marked carpet that differ by more than this between shots come from another camera (or place of it), relative.
const SAME_CAMERA: f64 = 0.15;

/// Chooses the camera of each shot: the marks where they still fit, else the body.
struct ShotFloor<'a> {
    setting: &'a Setting<'a>,
    track: &'a Track,
    /// Size against the marked carpet in the first shot that shows it.
    first_size: Option<f64>,
}

impl ShotFloor<'_> {
    /// Apparent size of the body against what the marked carpet says at its lowest foot point, over a stretch; the same camera gives the same number.
    fn size_on_marks(&self, camera: &FloorCamera, shot: (usize, usize)) -> Option<f64> {
        median(
            self.track.frames[shot.0..=shot.1]
                .iter()
                .filter_map(|f| f.body.as_ref())
                .filter_map(|b| {
                    let lowest = [Landmark::LeftHeel, Landmark::LeftToe, Landmark::RightHeel, Landmark::RightToe]
                        .into_iter()
                        .map(|l| b.at(l))
                        .max_by(|x, y| x.v.total_cmp(&y.v))?;
                    Some(b.px_per_m * camera.depth_m(camera.at_height(lowest, 0.0)?) / camera.focal_px)
                })
                .collect(),
        )
    }
}

impl Floor for ShotFloor<'_> {
    fn of(&self, shot: (usize, usize), stance: Option<&Span>) -> Option<(FloorCamera, f64)> {
        let marked = self
            .setting
            .marks_hold
            .is_none_or(|(first, last)| shot.0 >= first && shot.1 <= last);
        if let Some(marks) = self.setting.marks.filter(|_| marked) {
            let fits = match (self.first_size, self.size_on_marks(marks, shot)) {
                (Some(first), Some(here)) => (here / first - 1.0).abs() < SAME_CAMERA,
                _ => shot.0 == 0,
            };
            if fits {
                return Some((marks.clone(), self.setting.shank.mean_m));
            }
        }
        let stance = stance?;
        let held: Vec<(usize, &LegReading)> = (stance.first..=stance.last)
            .filter_map(|i| {
                self.track.frames[i]
                    .lower_leg
                    .as_deref()
                    .filter(|l| l.present >= 0.5)
                    .map(|l| (i, l))
            })
            .collect();
        (!held.is_empty()).then(|| {
            (
                body::fit(self.setting.image_size, &self.setting.clues(&held)),
                self.setting.shank.mean_m,
            )
        })
    }
}

/// Shots shorter than this are not spoken of, seconds.
const SHORTEST_SHOT_S: f64 = 0.5;

/// Shots that show the athlete but nothing that gives them a floor, in words: what happens in them is not read.
///
/// The body's own floor rests on the kneeling leg, whose elevation and size the lower-leg network reads. An upright body's landmarks give the camera's tilt only to several degrees (judged, not measured),
/// which at a few metres is decimetres in a foot's height: too little to tell a landing by, so none is made up.
pub(crate) fn unread_shots(track: &Track, setting: &Setting) -> Vec<String> {
    let mut starts = crate::phases::cuts::shots(track);
    if starts.len() < 2 {
        return Vec::new();
    }
    starts.push(track.frames.len());
    let floor = shot_floor(track, setting);
    let stances = crate::hold::spans::stances(track);
    starts
        .windows(2)
        .map(|s| (s[0], s[1] - 1))
        .filter(|(first, last)| !stances.iter().any(|s| s.first <= *last && s.last >= *first))
        .filter(|shot| floor.of(*shot, None).is_none())
        .filter_map(|(first, last)| {
            let seen: Vec<f64> = track.frames[first..=last].iter().filter(|f| f.body.is_some()).map(|f| f.time_s).collect();
            let (from, to) = (*seen.first()?, *seen.last()?);
            (to - from >= SHORTEST_SHOT_S).then(|| {
                format!(
                    "From {from:.2} s to {to:.2} s another shot shows the athlete but neither the stance nor marks of its own: without a floor nothing of what happens in it (landing, turn, steps) is read."
                )
            })
        })
        .collect()
}

/// Finds the repetitions.
pub(crate) fn find(track: &Track, setting: &Setting, rules: &RuleProfile, leg: Option<Leg>) -> Vec<Found> {
    let floor = shot_floor(track, setting);
    let asked = Asked {
        required_turn_deg: None,
        slow_motion: rules.movement.slow_motion_factor,
        leg,
    };
    phases::find(track, &floor, rules, &asked)
}

fn shot_floor<'a>(track: &'a Track, setting: &'a Setting<'a>) -> ShotFloor<'a> {
    let mut floor = ShotFloor {
        setting,
        track,
        first_size: None,
    };
    let second = crate::phases::cuts::shots(track).get(1).copied();
    if let (Some(marks), Some(second)) = (setting.marks, second) {
        floor.first_size = floor.size_on_marks(marks, (0, second - 1));
    }
    floor
}

/// The holds by real time: within a repetition's stance the repetition's own stillness counts (slow motion is allowed for, cuts end it); elsewhere the nominal one.
pub(crate) fn holds_by_real_time(nominal: Holds, found: &[Found]) -> Holds {
    let elsewhere = |s: &Span| {
        !found
            .iter()
            .filter_map(|f| f.stance)
            .any(|stance| s.start_s < stance.end_s && s.end_s > stance.start_s)
    };
    let mut holds = Holds {
        still: nominal.still.into_iter().filter(elsewhere).collect(),
        never_still: nominal.never_still.into_iter().filter(|(s, _)| elsewhere(s)).collect(),
        speed_m_per_s: nominal.speed_m_per_s,
    };
    for f in found {
        holds.still.extend(f.still.iter().copied());
        holds.never_still.extend(f.never_still.iter().copied());
    }
    holds.still.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
    holds.never_still.sort_by(|a, b| a.0.start_s.total_cmp(&b.0.start_s));
    holds
}
