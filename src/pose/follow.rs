//! Following the athlete from frame to frame: who it is, where to look next, when to look again, and never slipping to a neighbour unnoticed.
//!
//! The window for the next frame comes from the last landmarks. A new reading counts only if the body moved and grew no more than a body can in that time (a *gate*).
//! Otherwise the detector looks at the whole picture, and the athlete is the find that fits the expected place and is not one of the *others*, the people seen
//! elsewhere before. Where none fits, the frame stays without a body. Whatever of this a person should know becomes an event.

use super::detector::Detection;
use super::figure;
use super::landmarks::Reading;
use super::legs;
use super::networks::People;
use super::region::Region;
use super::stance::Lowness;
use super::track::{LegReading, PoseFrame, Track, TrackEvent};
use crate::types::{Frame, ImagePoint, RgbImage};
use crate::Result;

/// Presence from which a reading is a person (the original pipeline's).
pub const PRESENCE_THRESHOLD: f64 = 0.5;

/// How the athlete is followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FollowOptions {
    /// A point on the athlete in the first frame that shows anyone, upright frame, px. `None`: whoever is in the low stance, else the largest.
    pub athlete: Option<ImagePoint>,
    /// Time between looks at the whole picture for other people, seconds.
    pub look_around_s: f64,
    /// Largest change of the hips' speed times the time between frames that is believed, m/s. Common practice, no source: a landing from a jump stops ≈ 5 m/s
    /// within a tenth of a second.
    pub speed_change_m_per_s: f64,
    /// Jitter of the hips that is always believed, as a fraction of the body's circle.
    pub jitter_of_radius: f64,
    /// Largest ratio of apparent sizes between frames that is believed.
    pub size_ratio: f64,
    /// Time out of sight after which the only person in the picture is believed to be the athlete, seconds.
    pub forget_s: f64,
}

impl Default for FollowOptions {
    fn default() -> Self {
        Self {
            athlete: None,
            look_around_s: 0.5,
            speed_change_m_per_s: 4.0,
            jitter_of_radius: 0.12,
            size_ratio: 1.35,
            forget_s: 2.0,
        }
    }
}

/// Largest number of people that are read closely when the athlete is chosen.
const CANDIDATE_LIMIT: usize = 8;
/// People nearer to each other than this fraction of the body's circle are one person seen twice.
const SAME_PERSON_OF_RADIUS: f64 = 0.3;
/// Another person nearer than this fraction of the body's circle is reported.
const NEAR_OF_RADIUS: f64 = 1.2;
/// Looks in a row that must find another person low, and the followed one never low, before that one is followed instead.
const LOOKS_BEFORE_SWITCH: u32 = 2;
/// With nobody in sight for longer than this, seconds, the whole picture is looked at only every [`LOOK_AGAIN_S`]: a camera that runs on over an empty carpet costs little then, and
/// whoever walks onto it is found long before the stance.
const EMPTY_FOR_S: f64 = 3.0;
/// Time between looks over an empty carpet, seconds.
const LOOK_AGAIN_S: f64 = 0.15;
/// Movement of the hips over the recording that tells an athlete from somebody who watches, metres. Not measured.
const TRAVEL_M: f64 = 1.0;
/// Least size, as a fraction of the followed person's, at which somebody else in the stance is followed instead.
const SWITCH_SIZE_RATIO: f64 = 0.6;
/// Most that the expected place may be off after a time out of sight, as a fraction of the body's circle.
const REACH_OF_RADIUS: f64 = 2.5;

/// The person followed, as last seen.
#[derive(Debug, Clone)]
struct Target {
    hips: ImagePoint,
    velocity_px_per_s: [f64; 2],
    px_per_m: f64,
    radius_px: f64,
    region: Region,
    time_s: f64,
    ever_low: bool,
    /// Box of the hips since following began: left, top, right, bottom.
    range_px: [f64; 4],
}

impl Target {
    fn first(reading: &Reading, time_s: f64) -> Self {
        let at = reading.body.hips();
        Self {
            hips: at,
            range_px: [at.u, at.v, at.u, at.v],
            velocity_px_per_s: [0.0, 0.0],
            px_per_m: reading.body.px_per_m,
            radius_px: reading.radius_px,
            region: reading.next_region,
            time_s,
            ever_low: Lowness::of(&reading.body).is_low(),
        }
    }

    fn expected(&self, time_s: f64) -> ImagePoint {
        // The speed of one step says little about half a second later.
        let dt = (time_s - self.time_s).clamp(0.0, 0.15);
        ImagePoint::new(
            self.hips.u + self.velocity_px_per_s[0] * dt,
            self.hips.v + self.velocity_px_per_s[1] * dt,
        )
    }

    fn update(&mut self, reading: &Reading, time_s: f64) {
        let at = reading.body.hips();
        let dt = time_s - self.time_s;
        self.velocity_px_per_s = if dt > 1e-6 && dt < 0.5 {
            [(at.u - self.hips.u) / dt, (at.v - self.hips.v) / dt]
        } else {
            [0.0, 0.0]
        };
        self.hips = at;
        // Sizes are smoothed: one frame's jitter must not open or shut the gate.
        self.px_per_m = 0.7 * self.px_per_m + 0.3 * reading.body.px_per_m;
        self.radius_px = 0.7 * self.radius_px + 0.3 * reading.radius_px;
        self.region = reading.next_region;
        self.time_s = time_s;
        self.ever_low |= Lowness::of(&reading.body).is_low();
        let [left, top, right, bottom] = self.range_px;
        self.range_px = [left.min(at.u), top.min(at.v), right.max(at.u), bottom.max(at.v)];
    }

    /// Whether the hips covered more ground than somebody who stands and watches.
    fn has_travelled(&self) -> bool {
        let [left, top, right, bottom] = self.range_px;
        (right - left).hypot(bottom - top) > TRAVEL_M * self.px_per_m
    }
}

/// Somebody else, as last seen.
#[derive(Debug, Clone)]
struct Other {
    hips: ImagePoint,
    radius_px: f64,
    low_looks: u32,
    reported_near: bool,
}

/// Follows one athlete through a recording.
pub struct Follower<P> {
    people: P,
    options: FollowOptions,
    image_size: [usize; 2],
    frames: Vec<PoseFrame>,
    events: Vec<TrackEvent>,
    target: Option<Target>,
    others: Vec<Other>,
    lost_since_s: Option<f64>,
    looked_around_s: f64,
    /// When a frame was last looked at.
    looked_s: f64,
    /// Whether the next frame is the first after a cut.
    cut: bool,
    /// Whether the athlete was chosen before: the point given is one in the first frame.
    chosen_before: bool,
}

fn people_word(count: usize) -> String {
    if count == 1 {
        "one other person".into()
    } else {
        format!("{count} other people")
    }
}

impl<P: People> Follower<P> {
    /// A follower that has seen nothing yet.
    pub fn new(people: P, options: FollowOptions) -> Self {
        Self {
            people,
            options,
            image_size: [0, 0],
            frames: Vec::new(),
            events: Vec::new(),
            target: None,
            others: Vec::new(),
            lost_since_s: None,
            looked_around_s: f64::NEG_INFINITY,
            looked_s: f64::NEG_INFINITY,
            cut: false,
            chosen_before: false,
        }
    }

    /// Says that the picture was cut before the next frame: where the athlete was says nothing of where the athlete is.
    pub fn cut(&mut self) {
        self.cut = true;
    }

    /// Reads the next frame. Frames come in order of time. The left and right legs are put in order only by [`Follower::finish`].
    ///
    /// # Errors
    /// [`crate::Error::Input`] for a broken picture, [`crate::Error::Ours`] where a network fails.
    pub fn step(&mut self, frame: &Frame) -> Result<PoseFrame> {
        self.image_size = [frame.image.width, frame.image.height];
        let cut = std::mem::take(&mut self.cut);
        let reading = if !cut && self.may_wait(frame.time_s) {
            None
        } else {
            self.looked_s = frame.time_s;
            match self.target.is_some() {
                false => self.choose(frame)?,
                true if cut => self.after_cut(frame)?,
                true => self.follow(frame)?,
            }
        };
        let pose = PoseFrame {
            index: frame.index,
            time_s: frame.time_s,
            body: reading.map(|r| r.body),
            lower_leg: None,
        };
        self.frames.push(pose.clone());
        Ok(pose)
    }

    /// Whether the carpet has been empty for so long that this frame need not be looked at.
    fn may_wait(&self, time_s: f64) -> bool {
        let empty_since = match self.target {
            Some(_) => self.lost_since_s,
            None => self.frames.first().map(|f| f.time_s),
        };
        empty_since.is_some_and(|since| time_s - since > EMPTY_FOR_S) && time_s - self.looked_s < LOOK_AGAIN_S
    }

    /// Puts the lower leg's reading to the last frame stepped.
    pub fn attach(&mut self, lower_leg: LegReading) {
        if let Some(last) = self.frames.last_mut() {
            last.lower_leg = Some(Box::new(lower_leg));
        }
    }

    /// The networks, for further use on the same frame.
    pub fn people_mut(&mut self) -> &mut P {
        &mut self.people
    }

    /// Ends the recording: puts left and right legs in order over time and hands the track on.
    pub fn finish(mut self) -> Track {
        if let Some(from) = self.lost_since_s {
            let last = self.frames.last().map_or(from, |f| f.time_s);
            self.tell(
                from,
                format!("The athlete was out of sight from {from:.2} s to the end at {last:.2} s."),
            );
        }
        if self.target.is_none() && !self.frames.is_empty() {
            self.tell(
                0.0,
                "Nobody was found in any frame; a person must be at least about a twentieth of the picture's larger side tall.".into(),
            );
        }
        self.events.extend(legs::repair(&mut self.frames));
        self.events.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
        Track {
            image_size: self.image_size,
            frames: self.frames,
            events: self.events,
            cuts_s: Vec::new(),
            camera_motion: crate::camera_motion::CameraMotion::default(),
        }
    }

    fn tell(&mut self, time_s: f64, sentence: String) {
        self.events.push(TrackEvent { time_s, sentence });
    }

    fn tell_once(&mut self, time_s: f64, sentence: &str) {
        if !self.events.iter().any(|e| e.sentence == sentence) {
            self.tell(time_s, sentence.into());
        }
    }

    /// Reads a person from a first window, then once more from the window that the landmarks themselves give; `None` where no person is there.
    fn settle(&mut self, image: &RgbImage, region: &Region) -> Result<Option<Reading>> {
        let first = self.people.read(image, region)?;
        if first.body.presence < PRESENCE_THRESHOLD {
            return Ok(None);
        }
        let second = self.people.read(image, &first.next_region)?;
        // The second window can slip to a neighbour, too.
        let same = second.body.hips().distance_px(first.body.hips()) < SAME_PERSON_OF_RADIUS * first.radius_px;
        let better = same && second.body.presence >= PRESENCE_THRESHOLD;
        Ok(Some(if better { second } else { first }))
    }

    /// Everybody found, read closely, the same person once.
    fn candidates(&mut self, image: &RgbImage) -> Result<Vec<Reading>> {
        let mut found = self.people.find(image)?;
        found.sort_by(|a, b| b.radius_px().total_cmp(&a.radius_px()));
        let mut candidates: Vec<Reading> = Vec::new();
        for detection in found.into_iter().take(CANDIDATE_LIMIT) {
            if let Some(reading) = self.settle(image, &detection.region())? {
                let at = reading.body.hips();
                let known = candidates
                    .iter()
                    .any(|c| c.body.hips().distance_px(at) < SAME_PERSON_OF_RADIUS * c.radius_px.min(reading.radius_px));
                if !known {
                    candidates.push(reading);
                }
            }
        }
        Ok(candidates)
    }

    /// Chooses the athlete among everybody found.
    fn choose(&mut self, frame: &Frame) -> Result<Option<Reading>> {
        let mut candidates = self.candidates(&frame.image)?;
        if candidates.is_empty() {
            return Ok(None);
        }
        let pointed = self.options.athlete.filter(|_| !std::mem::replace(&mut self.chosen_before, true));
        let (index, why) = match pointed {
            Some(point) => self.nearest(&candidates, point, frame.time_s),
            None => most_likely(&candidates, self.image_size),
        };
        let chosen = candidates.swap_remove(index);
        if !candidates.is_empty() {
            let at = chosen.body.hips();
            self.tell(
                frame.time_s,
                format!(
                    "{} in view; the person with the hips at ({:.0}, {:.0}) is followed, {why}.",
                    capital(&people_word(candidates.len())),
                    at.u,
                    at.v
                ),
            );
        }
        self.others = candidates.iter().map(other).collect();
        self.looked_around_s = frame.time_s;
        self.target = Some(Target::first(&chosen, frame.time_s));
        Ok(Some(chosen))
    }

    fn nearest(&mut self, candidates: &[Reading], point: ImagePoint, time_s: f64) -> (usize, &'static str) {
        let distance = |r: &Reading| figure::distance_px(&r.body, point);
        let index = (0..candidates.len())
            .min_by(|a, b| distance(&candidates[*a]).total_cmp(&distance(&candidates[*b])))
            .unwrap_or(0);
        if !figure::is_at(&candidates[index].body, point) {
            let off = distance(&candidates[index]);
            self.tell(
                time_s,
                format!(
                    "Nobody was found at the athlete's point ({:.0}, {:.0}); the nearest person, {off:.0} px away, is followed. Give a point on the athlete in the first frame.",
                    point.u, point.v
                ),
            );
        }
        (index, "nearest to the point given")
    }

    /// Whether a reading can be the person followed.
    fn passes(&self, target: &Target, at: ImagePoint, px_per_m: f64, time_s: f64) -> bool {
        let dt = (time_s - target.time_s).max(0.0);
        let reach = self.reach_px(target, dt);
        let ratio = self.options.size_ratio * (1.0 + 0.2 * dt.min(2.0));
        let size = px_per_m / target.px_per_m;
        at.distance_px(target.expected(time_s)) <= reach && size <= ratio && size >= 1.0 / ratio
    }

    /// How far from the expected place the hips may be after `dt_s`, px.
    fn reach_px(&self, target: &Target, dt_s: f64) -> f64 {
        let moved = self.options.speed_change_m_per_s * dt_s * target.px_per_m;
        (self.options.jitter_of_radius * target.radius_px + moved).min(REACH_OF_RADIUS * target.radius_px)
    }

    fn follow(&mut self, frame: &Frame) -> Result<Option<Reading>> {
        let Some(target) = self.target.clone() else {
            return Ok(None);
        };
        if self.lost_since_s.is_none() {
            let doubtful = match self.read_on(frame, &target)? {
                Some((reading, true)) => {
                    self.keep(&reading, frame.time_s);
                    return self.look_around(frame, reading).map(Some);
                }
                other => other.map(|(reading, _)| reading),
            };
            let found = self.search(frame, &target, doubtful.as_ref())?;
            if found.is_none() {
                self.lost_since_s = Some(frame.time_s);
            }
            return Ok(found);
        }
        self.search(frame, &target, None)
    }

    /// Who is read in the window that the last reading gave, if anybody, and whether that can be the person followed.
    fn read_on(&mut self, frame: &Frame, target: &Target) -> Result<Option<(Reading, bool)>> {
        let reading = self.people.read(&frame.image, &target.region)?;
        if reading.body.presence < PRESENCE_THRESHOLD {
            return Ok(None);
        }
        let fits = self.passes(target, reading.body.hips(), reading.body.px_per_m, frame.time_s);
        Ok(Some((reading, fits)))
    }

    /// The first frame after a cut: the athlete is followed on where the picture goes on as before (a flash can look like a cut), else chosen anew.
    fn after_cut(&mut self, frame: &Frame) -> Result<Option<Reading>> {
        let Some(target) = self.target.clone() else {
            return Ok(None);
        };
        if self.lost_since_s.is_none() {
            if let Some((reading, true)) = self.read_on(frame, &target)? {
                self.keep(&reading, frame.time_s);
                return Ok(Some(reading));
            }
        }
        if let Some(since) = self.lost_since_s.take() {
            self.tell(
                frame.time_s,
                format!(
                    "The athlete was out of sight from {since:.2} s to the cut at {:.2} s.",
                    frame.time_s
                ),
            );
        }
        self.target = None;
        self.others.clear();
        self.tell(
            frame.time_s,
            "The picture was cut here; the athlete is chosen anew and may be somebody else.".into(),
        );
        self.choose(frame)
    }

    fn keep(&mut self, reading: &Reading, time_s: f64) {
        if let Some(target) = self.target.as_mut() {
            target.update(reading, time_s);
        }
    }

    /// Whether a place is that of somebody seen elsewhere before.
    fn is_other(&self, at: ImagePoint) -> bool {
        self.others
            .iter()
            .any(|o| o.hips.distance_px(at) < 2.0 * SAME_PERSON_OF_RADIUS * o.radius_px)
    }

    /// Looks for the athlete in the whole picture, after a doubt or out of sight.
    fn search(&mut self, frame: &Frame, target: &Target, doubtful: Option<&Reading>) -> Result<Option<Reading>> {
        let expected = target.expected(frame.time_s);
        let mut found = self.people.find(&frame.image)?;
        // A closer look at the expected place: small and low people are missed in the whole picture.
        let window = Region {
            centre: expected,
            side_px: 4.0 * target.radius_px,
            rotation_rad: 0.0,
        };
        for detection in self.people.find_in(&frame.image, &window)? {
            let known = found
                .iter()
                .any(|d| d.hips.distance_px(detection.hips) < SAME_PERSON_OF_RADIUS * d.radius_px());
            if !known {
                found.push(detection);
            }
        }
        found.sort_by(|a, b| a.hips.distance_px(expected).total_cmp(&b.hips.distance_px(expected)));
        let dt = frame.time_s - target.time_s;
        let reach = self.reach_px(target, dt) + SAME_PERSON_OF_RADIUS * target.radius_px;
        let long_lost = dt >= self.options.forget_s;
        let alone = found.len() == 1;
        for detection in &found {
            let near = detection.hips.distance_px(expected) <= reach;
            if !(near || (long_lost && alone)) {
                continue;
            }
            let Some(reading) = self.settle(&frame.image, &detection.region())? else {
                continue;
            };
            let at = reading.body.hips();
            let fits = self.passes(target, at, reading.body.px_per_m, frame.time_s);
            let someone_else = self.is_other(at) && at.distance_px(expected) >= SAME_PERSON_OF_RADIUS * target.radius_px;
            if (fits && !someone_else) || (long_lost && alone) {
                self.accept(frame.time_s, target, &reading, doubtful, fits && !someone_else);
                return Ok(Some(reading));
            }
        }
        self.accept_doubtful(frame.time_s, target, &found, doubtful)
    }

    /// A reading that failed the gate is still believed where the detector sees one person only, at that very place, and nobody else was ever seen: then the body just
    /// moved fast.
    fn accept_doubtful(
        &mut self,
        time_s: f64,
        target: &Target,
        found: &[Detection],
        doubtful: Option<&Reading>,
    ) -> Result<Option<Reading>> {
        let Some(reading) = doubtful else {
            return Ok(None);
        };
        let at = reading.body.hips();
        let confirmed = found.len() == 1 && found[0].hips.distance_px(at) < SAME_PERSON_OF_RADIUS * target.radius_px;
        if !(confirmed && self.others.is_empty()) {
            self.tell(
                time_s,
                format!(
                    "The reading jumped {:.0} px from where the athlete was expected and was not believed; the athlete is looked for anew.",
                    at.distance_px(target.expected(time_s))
                ),
            );
            return Ok(None);
        }
        self.tell(
            time_s,
            format!(
                "The body moved {:.0} px in {:.2} s, more than expected; nobody else is in view, so it is still followed.",
                at.distance_px(target.hips),
                time_s - target.time_s
            ),
        );
        self.keep(reading, time_s);
        Ok(Some(reading.clone()))
    }

    fn accept(&mut self, time_s: f64, target: &Target, reading: &Reading, doubtful: Option<&Reading>, fits: bool) {
        let at = reading.body.hips();
        if let Some(since) = self.lost_since_s.take() {
            let trust = if fits {
                "at the expected place"
            } else {
                "as the only person in view, which may be somebody else"
            };
            self.tell(
                time_s,
                format!("The athlete was out of sight from {since:.2} to {time_s:.2} s and was found again {trust}."),
            );
        } else if let Some(doubtful) = doubtful {
            let slipped = doubtful.body.hips().distance_px(at) > SAME_PERSON_OF_RADIUS * target.radius_px;
            if slipped {
                self.tell(
                    time_s,
                    "The reading slipped to somebody beside the athlete; the athlete was found again at the expected place.".into(),
                );
            }
        }
        if fits {
            self.keep(reading, time_s);
        } else {
            let ever_low = target.ever_low;
            self.target = Some(Target {
                ever_low,
                ..Target::first(reading, time_s)
            });
            self.others.clear();
        }
    }

    /// Every [`FollowOptions::look_around_s`]: who else is there, is anybody near, and is somebody else in the stance while the followed one never was?
    fn look_around(&mut self, frame: &Frame, reading: Reading) -> Result<Reading> {
        if frame.time_s - self.looked_around_s < self.options.look_around_s {
            return Ok(reading);
        }
        self.looked_around_s = frame.time_s;
        let at = reading.body.hips();
        let may_switch = self.options.athlete.is_none() && self.target.as_ref().is_some_and(|t| !t.ever_low);
        let found = self.people.find(&frame.image)?;
        let before = std::mem::take(&mut self.others);
        let mut switch_to = None;
        for detection in found {
            let away = detection.hips.distance_px(at);
            if away < SAME_PERSON_OF_RADIUS * reading.radius_px {
                continue;
            }
            let known = before
                .iter()
                .filter(|o| o.hips.distance_px(detection.hips) < o.radius_px.max(detection.radius_px()))
                .min_by(|a, b| a.hips.distance_px(detection.hips).total_cmp(&b.hips.distance_px(detection.hips)));
            let mut seen = Other {
                hips: detection.hips,
                radius_px: detection.radius_px(),
                low_looks: known.map_or(0, |o| o.low_looks),
                reported_near: known.is_some_and(|o| o.reported_near),
            };
            if may_switch && self.others.len() < CANDIDATE_LIMIT {
                if let Some(close) = self.settle(&frame.image, &detection.region())? {
                    seen.low_looks = if Lowness::of(&close.body).is_low() { seen.low_looks + 1 } else { 0 };
                    let apart = close.body.hips().distance_px(at) > SAME_PERSON_OF_RADIUS * reading.radius_px;
                    let large = close.body.px_per_m > SWITCH_SIZE_RATIO * reading.body.px_per_m;
                    let larger = switch_to.as_ref().is_none_or(|s: &Reading| close.body.px_per_m > s.body.px_per_m);
                    if seen.low_looks >= LOOKS_BEFORE_SWITCH && apart && large && larger {
                        switch_to = Some(close);
                    }
                }
            }
            if away < NEAR_OF_RADIUS * reading.radius_px && !seen.reported_near {
                seen.reported_near = true;
                self.tell(
                    frame.time_s,
                    format!("Another person is {away:.0} px from the athlete's hips; points may be mixed up while they are so near."),
                );
            }
            self.others.push(seen);
        }
        // Whoever the detector missed this time is remembered, unless the athlete now stands there.
        for old in before {
            let seen_again = self
                .others
                .iter()
                .any(|o| o.hips.distance_px(old.hips) < o.radius_px.max(old.radius_px));
            if !seen_again && old.hips.distance_px(at) > SAME_PERSON_OF_RADIUS * reading.radius_px {
                self.others.push(old);
            }
        }
        let travelled = self.target.as_ref().is_some_and(Target::has_travelled);
        match switch_to {
            // Somebody crouching beside the carpet must not take the place of an athlete who is still on the way to the stance.
            Some(_) if travelled => {
                self.tell_once(
                    frame.time_s,
                    "Somebody else is low while the followed person was not yet; the followed person moves about and is kept. Give the athlete's point if that is wrong.",
                );
                Ok(reading)
            }
            Some(chosen) => Ok(self.switch(frame.time_s, &reading, chosen)),
            None => Ok(reading),
        }
    }

    /// Follows somebody else, who is in the stance; frames before are emptied, so that a track never holds two people.
    fn switch(&mut self, time_s: f64, old: &Reading, chosen: Reading) -> Reading {
        let emptied = self.frames.iter_mut().filter_map(|f| {
            f.lower_leg = None;
            f.body.take()
        });
        let emptied = emptied.count();
        let at = chosen.body.hips();
        self.tell(
            time_s,
            format!(
                "The person followed so far was never low; somebody else, with the hips at ({:.0}, {:.0}), is in the low stance and is followed from here on. {emptied} earlier frames were given up.",
                at.u, at.v
            ),
        );
        self.others
            .retain(|o| o.hips.distance_px(at) > SAME_PERSON_OF_RADIUS * chosen.radius_px);
        self.others.push(other(old));
        self.target = Some(Target::first(&chosen, time_s));
        chosen
    }
}

fn other(reading: &Reading) -> Other {
    Other {
        hips: reading.body.hips(),
        radius_px: reading.radius_px,
        low_looks: u32::from(Lowness::of(&reading.body).is_low()),
        reported_near: false,
    }
}

/// Whoever is in the low stance, else the largest near the middle.
fn most_likely(candidates: &[Reading], image_size: [usize; 2]) -> (usize, &'static str) {
    let middle = ImagePoint::new(image_size[0] as f64 / 2.0, image_size[1] as f64 / 2.0);
    let weight = |r: &Reading| {
        let off = r.body.hips().distance_px(middle) / middle.u.hypot(middle.v).max(1.0);
        r.body.px_per_m * (1.0 - 0.5 * off.min(1.0))
    };
    let low = |r: &Reading| Lowness::of(&r.body).is_low();
    let best = (0..candidates.len())
        .max_by(|a, b| {
            let (a, b) = (&candidates[*a], &candidates[*b]);
            low(a).cmp(&low(b)).then(weight(a).total_cmp(&weight(b)))
        })
        .unwrap_or(0);
    let low_count = candidates.iter().filter(|c| low(c)).count();
    let why = match low_count {
        0 => "the largest and nearest to the middle of the picture, as nobody is in the low stance yet",
        1 => "the only one in the low stance",
        _ => "the largest of several in the low stance",
    };
    (best, why)
}

fn capital(words: &str) -> String {
    let mut characters = words.chars();
    characters
        .next()
        .map_or_else(String::new, |c| c.to_uppercase().chain(characters).collect())
}
