//! Watching the camera while the recording is decoded.
//!
//! The background's corners in a shot's first frame are looked for in later frames. As long as they stay where they were the camera is still, and only every few frames are
//! looked at. Once they move, every frame is registered to a key frame: the oldest one that still shows enough of the same, so that errors do not add up from frame to frame.

use super::plane::{self, Match};
use super::series::{CameraMotion, CameraState, FrameMotion, NearFeet, ShotMotion, LOST_PX};
use super::tracking::{self, SmallFrame};
use crate::error::Result;
use crate::pose::track::{Body, Landmark};
use crate::types::{ImagePoint, RgbImage};
use nalgebra::Matrix3;
use opencv::core::Point2f;
use opencv::prelude::MatTraitConst;

/// While the camera is still, every so many frames are looked at.
const EVERY: usize = 4;
/// A corner that moved less than this stands still, px of the small frame. On the shipped clips from a still camera 95 % of the corners move less than 0.15 px.
const STILL_PX: f64 = 0.35;
/// Share of the corners that must stand still for the camera to be still; somebody may cross the picture.
const STILL_SHARE: f64 = 0.4;
/// Fewer corners than this tell nothing.
const LEAST_POINTS: usize = 16;
/// Share of the followed corners that must fit one homography.
const INLIER_SHARE: f64 = 0.5;
/// A key frame is good while this share of its corners is expected in view.
const KEY_IN_VIEW: f64 = 0.6;
/// And while its scale differs by no more than this.
const KEY_SCALE: f64 = 1.12;
/// Key frames kept.
const KEY_LIMIT: usize = 12;
/// After this long without registration the thread is lost, and a new shot begins, seconds.
const LOST_S: f64 = 0.5;
/// What no scatter of points shows (lens, rolling shutter, sampling), px of the small frame, on every corner of the frame.
const SYSTEMATIC_PX: f64 = 0.1;
/// Carpet about the feet, as far as it can be told from walls behind: to either side of the ankles, above them (further away) and below them in the picture, metres at the body's
/// scale. At 4° over the carpet a wall's foot 7 m behind the athlete is seen 0.2 m over the ankles.
const CARPET_M: [f64; 3] = [2.0, 0.15, 1.5];
/// Fewer followed points of that carpet tell nothing of it.
const CARPET_POINTS: usize = 6;
/// Nor does a smaller share of those that should be in view.
const CARPET_SHARE: f64 = 0.35;
/// At this distance from the ankles a background point counts half, metres at the body's scale.
const HALF_WEIGHT_M: f64 = 0.8;

struct Key {
    position: usize,
    small: SmallFrame,
    points: Vec<Point2f>,
    /// This key frame to the shot's first, px of the upright frame.
    to_first: Matrix3<f64>,
}

/// The athlete's part of a frame.
#[derive(Debug, Clone, Copy)]
struct Where {
    /// Left, top, right, bottom of the box that is left out, px.
    box_px: [f64; 4],
    ankles: ImagePoint,
    px_per_m: f64,
}

impl Where {
    fn of(body: &Body) -> Self {
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for k in body.keypoints() {
            low = [low[0].min(k.at.u), low[1].min(k.at.v)];
            high = [high[0].max(k.at.u), high[1].max(k.at.v)];
        }
        // Hair, hands and clothes reach past the landmarks.
        let margin = 0.12 * body.px_per_m;
        Self {
            box_px: [low[0] - margin, low[1] - 1.5 * margin, high[0] + margin, high[1] + margin],
            ankles: body.at(Landmark::LeftAnkle).towards(body.at(Landmark::RightAnkle), 0.5),
            px_per_m: body.px_per_m,
        }
    }

    fn on_carpet(&self, p: ImagePoint) -> bool {
        let [side, over, under] = CARPET_M.map(|m| m * self.px_per_m);
        (p.u - self.ankles.u).abs() < side && p.v > self.ankles.v - over && p.v < self.ankles.v + under
    }

    fn holds(&self, p: ImagePoint) -> bool {
        let [left, top, right, bottom] = self.box_px;
        p.u > left && p.u < right && p.v > top && p.v < bottom
    }
}

struct Shot {
    first: usize,
    keys: Vec<Key>,
    state: CameraState,
    frames: Vec<FrameMotion>,
    waiting: Vec<(usize, SmallFrame, Option<Where>, f64)>,
    still_until: usize,
    seen: usize,
    not_seen: usize,
    unseen_shift_px: f64,
    lost_since_s: Option<f64>,
    /// The last registered frame to the shot's first.
    last: Matrix3<f64>,
    registered_now: bool,
}

/// Watches the camera, one frame after the other.
pub struct CameraWatcher {
    shots: Vec<ShotMotion>,
    shot: Option<Shot>,
    count: usize,
    image_size: [usize; 2],
}

impl Default for CameraWatcher {
    fn default() -> Self {
        Self::new()
    }
}

impl CameraWatcher {
    /// One that has seen nothing yet.
    pub fn new() -> Self {
        Self {
            shots: Vec::new(),
            shot: None,
            count: 0,
            image_size: [0, 0],
        }
    }

    /// Looks at the next frame. `body`: the athlete, who is no background. `cut`: whether a new shot begins with this frame.
    ///
    /// # Errors
    /// [`crate::Error::Ours`] where OpenCV fails.
    pub fn step(&mut self, image: &RgbImage, body: Option<&Body>, time_s: f64, cut: bool) -> Result<()> {
        let position = self.count;
        self.count += 1;
        let size = [image.width, image.height];
        let athlete = body.map(Where::of);
        if cut || self.shot.is_none() || size != self.image_size {
            self.image_size = size;
            return self.begin(position, SmallFrame::new(image)?, athlete);
        }
        let Some(shot) = self.shot.as_mut() else { return Ok(()) };
        if shot.state != CameraState::Moving {
            shot.waiting.push((position, SmallFrame::new(image)?, athlete, time_s));
            if shot.waiting.len() < EVERY {
                return Ok(());
            }
            if !shot.still_moves(size)? {
                return Ok(());
            }
            shot.state = CameraState::Moving;
            for (position, small, athlete, time_s) in std::mem::take(&mut shot.waiting) {
                shot.register(size, position, small, athlete, time_s)?;
            }
        } else {
            shot.register(size, position, SmallFrame::new(image)?, athlete, time_s)?;
        }
        if shot.lost_since_s.is_some_and(|since| time_s - since > LOST_S) {
            self.begin(position, SmallFrame::new(image)?, athlete)?;
        }
        Ok(())
    }

    fn begin(&mut self, position: usize, small: SmallFrame, athlete: Option<Where>) -> Result<()> {
        self.close(position)?;
        let points = small.corners(|p| athlete.is_none_or(|a| !a.holds(p)))?;
        self.shot = Some(Shot {
            first: position,
            keys: vec![Key {
                position,
                small,
                points,
                to_first: Matrix3::identity(),
            }],
            state: CameraState::Still,
            frames: Vec::new(),
            waiting: Vec::new(),
            still_until: position,
            seen: 0,
            not_seen: 0,
            unseen_shift_px: 0.0,
            lost_since_s: None,
            last: Matrix3::identity(),
            registered_now: true,
        });
        Ok(())
    }

    fn close(&mut self, next: usize) -> Result<()> {
        let Some(mut shot) = self.shot.take() else { return Ok(()) };
        if shot.state != CameraState::Moving && !shot.waiting.is_empty() && shot.still_moves(self.image_size)? {
            shot.state = CameraState::Moving;
            for (position, small, athlete, time_s) in std::mem::take(&mut shot.waiting) {
                shot.register(self.image_size, position, small, athlete, time_s)?;
            }
        }
        let state = match shot.state {
            // Most looks must have shown something.
            CameraState::Still if shot.not_seen > shot.seen => CameraState::NotSeen,
            state => state,
        };
        self.shots.push(ShotMotion {
            first: shot.first,
            last: next - 1,
            state,
            unseen_shift_px: shot.unseen_shift_px,
            still_until: if state == CameraState::Moving { shot.still_until } else { next - 1 },
            frames: shot.frames,
        });
        Ok(())
    }

    /// Where a point of the last frame lies in its shot's first frame, as far as known by now; the point itself while the camera is still, `None` where the frame is not registered.
    pub fn in_first(&self, at: ImagePoint) -> Option<ImagePoint> {
        let shot = self.shot.as_ref()?;
        match shot.state {
            CameraState::Moving if !shot.registered_now => None,
            CameraState::Moving => plane::apply(&shot.last, at),
            CameraState::Still | CameraState::NotSeen => Some(at),
        }
    }

    /// Number of shots begun before the present one.
    pub fn shots_before(&self) -> usize {
        self.shots.len()
    }

    /// Whether the camera moved in this shot or an earlier one, as far as known by now.
    pub fn moves(&self) -> bool {
        let moving = |state: CameraState| state == CameraState::Moving;
        self.shot.as_ref().is_some_and(|s| moving(s.state)) || self.shots.iter().any(|s| moving(s.state))
    }

    /// Ends the recording.
    ///
    /// # Errors
    /// [`crate::Error::Ours`] where OpenCV fails.
    pub fn finish(mut self) -> Result<CameraMotion> {
        self.close(self.count)?;
        Ok(CameraMotion { shots: self.shots })
    }
}

/// One corner followed: in the frame, and in the key frame, px of the upright frame.
type Pair = (ImagePoint, ImagePoint);

/// The corners followed from a key frame.
struct Followed {
    pairs: Vec<Pair>,
    /// How many corners were expected on the carpet about the feet.
    expected_on_carpet: usize,
}

impl Shot {
    /// Follows a key frame's corners into `now`. `now_to_key` guesses where.
    fn pairs(key: &mut Key, now: &mut SmallFrame, athlete: Option<Where>, now_to_key: &Matrix3<f64>) -> Result<Followed> {
        let mut followed = Followed {
            pairs: Vec::new(),
            expected_on_carpet: 0,
        };
        let Some(key_to_now) = now_to_key.try_inverse() else {
            return Ok(followed);
        };
        let (width, height) = (f64::from(now.grey().cols()) * now.scale, f64::from(now.grey().rows()) * now.scale);
        let (mut points, mut guess) = (Vec::new(), Vec::new());
        for p in &key.points {
            let Some(expected) = plane::apply(&key_to_now, key.small.to_frame(*p)) else {
                continue;
            };
            if athlete.is_some_and(|a| a.holds(expected)) {
                continue;
            }
            let inside = expected.u > 0.0 && expected.v > 0.0 && expected.u < width && expected.v < height;
            followed.expected_on_carpet += usize::from(inside && athlete.is_some_and(|a| a.on_carpet(expected)));
            points.push(*p);
            guess.push(now.to_small(expected));
        }
        let found = tracking::follow(&mut key.small, now, &points, &guess)?;
        followed.pairs = points
            .iter()
            .zip(found)
            .filter_map(|(p, f)| f.map(|f| (now.to_frame(f), key.small.to_frame(*p))))
            .filter(|(now, _)| athlete.is_none_or(|a| !a.holds(*now)))
            .collect();
        Ok(followed)
    }

    /// Looks at the last waiting frame: has the camera moved? What waits is forgotten where it has not.
    fn still_moves(&mut self, size: [usize; 2]) -> Result<bool> {
        let Some((position, small, athlete, _)) = self.waiting.last_mut() else {
            return Ok(false);
        };
        let (position, scale) = (*position, small.scale);
        let followed = Self::pairs(&mut self.keys[0], small, *athlete, &Matrix3::identity())?;
        let mut shifts: Vec<f64> = followed.pairs.iter().map(|(a, b)| a.distance_px(*b)).collect();
        shifts.sort_by(f64::total_cmp);
        let standing = shifts.partition_point(|d| *d < STILL_PX * scale);
        let still = shifts.len() >= LEAST_POINTS && standing as f64 >= STILL_SHARE * shifts.len() as f64;
        if still {
            self.seen += 1;
            self.unseen_shift_px = self.unseen_shift_px.max(shifts[standing / 2]);
        } else {
            let moved = match register_pairs(size, &followed, *athlete, scale)? {
                Some(found) => found.1.points >= LEAST_POINTS,
                None => false,
            };
            if moved {
                self.seen += 1;
                return Ok(true);
            }
            self.not_seen += 1;
        }
        self.still_until = position;
        self.waiting.clear();
        Ok(false)
    }

    /// Registers a frame of a moving shot to the oldest key frame that serves.
    fn register(&mut self, size: [usize; 2], position: usize, mut small: SmallFrame, athlete: Option<Where>, time_s: f64) -> Result<()> {
        let middle = ImagePoint::new(size[0] as f64 / 2.0, size[1] as f64 / 2.0);
        // Where the frame lies is guessed to be where the last one lay; Lucas–Kanade's pyramid reaches some 60 px (of the small frame) from there.
        let mut serves: Vec<(usize, f64)> = Vec::new();
        for (k, key) in self.keys.iter().enumerate() {
            let Some(first_to_key) = key.to_first.try_inverse() else { continue };
            let guess = first_to_key * self.last;
            let scale = plane::scale_at(&guess, middle);
            if !(1.0 / KEY_SCALE..=KEY_SCALE).contains(&scale) {
                continue;
            }
            let Some(key_to_now) = guess.try_inverse() else { continue };
            let inside = |p: &Point2f| {
                plane::apply(&key_to_now, key.small.to_frame(*p))
                    .is_some_and(|q| q.u > 0.0 && q.v > 0.0 && q.u < size[0] as f64 && q.v < size[1] as f64)
            };
            let share = key.points.iter().filter(|p| inside(p)).count() as f64 / key.points.len().max(1) as f64;
            serves.push((k, share));
        }
        let oldest = serves.iter().find(|(_, share)| *share >= KEY_IN_VIEW).map(|(k, _)| *k);
        let newest = self.keys.len() - 1;
        let mut tried = Vec::new();
        for k in [oldest, Some(newest)].into_iter().flatten() {
            if tried.contains(&k) {
                continue;
            }
            tried.push(k);
            let key = &mut self.keys[k];
            let Some(first_to_key) = key.to_first.try_inverse() else { continue };
            let followed = Self::pairs(key, &mut small, athlete, &(first_to_key * self.last))?;
            let Some((h, mut motion)) = register_pairs(size, &followed, athlete, small.scale)? else {
                continue;
            };
            if motion.points < LEAST_POINTS {
                continue;
            }
            motion.position = position;
            motion.key = key.position;
            self.last = key.to_first * h;
            self.last /= self.last[(2, 2)];
            let few = motion.points < key.points.len() / 2 || motion.points < 40 || 2 * motion.near.points < motion.near.expected;
            self.frames.push(motion);
            self.lost_since_s = None;
            self.registered_now = true;
            if (oldest != Some(k) || few) && k == newest && position > self.keys[newest].position + 2 {
                self.new_key(position, small, athlete)?;
            }
            return Ok(());
        }
        self.registered_now = false;
        self.lost_since_s.get_or_insert(time_s);
        Ok(())
    }

    fn new_key(&mut self, position: usize, small: SmallFrame, athlete: Option<Where>) -> Result<()> {
        let points = small.corners(|p| athlete.is_none_or(|a| !a.holds(p)))?;
        if points.len() < LEAST_POINTS {
            return Ok(());
        }
        if self.keys.len() == KEY_LIMIT {
            self.keys.remove(1);
        }
        self.keys.push(Key {
            position,
            small,
            points,
            to_first: self.last,
        });
        Ok(())
    }
}

/// The homography frame → key frame and what is told of it; `None` where the corners agree on none.
fn register_pairs(
    size: [usize; 2],
    followed: &Followed,
    athlete: Option<Where>,
    scale: f64,
) -> Result<Option<(Matrix3<f64>, FrameMotion)>> {
    let pairs = followed.pairs.as_slice();
    let Some((start, inliers)) = tracking::most_agreed(pairs, scale)? else {
        return Ok(None);
    };
    let agreed = inliers.iter().filter(|i| **i).count();
    let share = agreed as f64 / pairs.len() as f64;
    if share < INLIER_SHARE || !spread_out(size, pairs, &inliers) {
        return Ok(None);
    }
    // The floor is wanted where the athlete stands: background near the feet counts more.
    let weight = |p: ImagePoint| {
        athlete.map_or(1.0, |a| {
            let d = p.distance_px(a.ankles) / (HALF_WEIGHT_M * a.px_per_m);
            (1.0 / (1.0 + d * d)).max(0.03)
        })
    };
    let matches: Vec<Match> = pairs
        .iter()
        .zip(&inliers)
        .filter(|(_, inlier)| **inlier)
        .map(|((from, to), _)| Match {
            from: *from,
            to: *to,
            weight: weight(*from),
        })
        .collect();
    let Some(fit) = plane::fit(size, &matches, &start) else {
        return Ok(None);
    };
    let mut covariance = fit.covariance;
    for i in 0..8 {
        covariance[(i, i)] += (SYSTEMATIC_PX * scale).powi(2);
    }
    let miss = |(from, to): &Pair| plane::apply(&fit.homography, *from).map(|q| q.distance_px(*to));
    let squares: Vec<f64> = matches.iter().filter_map(|m| miss(&(m.from, m.to))).map(|d| d * d).collect();
    let residual_px = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
    let near = near_feet(followed, athlete, &miss);
    let corners_px = fit.corners_px;
    Ok(Some((
        fit.homography,
        FrameMotion {
            position: 0,
            key: 0,
            corners_px,
            covariance_px2: (0..8).flat_map(|i| (i..8).map(move |k| (i, k))).map(|e| covariance[e]).collect(),
            points: agreed,
            inlier_share: share,
            residual_px,
            near,
        },
    )))
}

/// Whether the agreeing corners lie all over the picture rather than on one thing: in half of the cells that have any corners, and in four at least.
fn spread_out(size: [usize; 2], pairs: &[Pair], inliers: &[bool]) -> bool {
    let (mut any, mut agreeing) = ([false; 24], [false; 24]);
    for ((p, _), inlier) in pairs.iter().zip(inliers) {
        let x = ((p.u / size[0] as f64 * 6.0) as usize).min(5);
        let y = ((p.v / size[1] as f64 * 4.0) as usize).min(3);
        any[6 * y + x] = true;
        agreeing[6 * y + x] |= *inlier;
    }
    let count = |cells: &[bool; 24]| cells.iter().filter(|c| **c).count();
    count(&agreeing) >= 4 && 2 * count(&agreeing) >= count(&any)
}

/// How well the fit holds on the carpet about the feet, on all its followed points, whether RANSAC counted them in or not. Where too few of the points expected there were found
/// again, nothing is known of it: then the walls were followed and the carpet may have gone elsewhere.
fn near_feet(followed: &Followed, athlete: Option<Where>, miss: &impl Fn(&Pair) -> Option<f64>) -> NearFeet {
    let near: Vec<&Pair> = followed.pairs.iter().filter(|p| athlete.is_none_or(|a| a.on_carpet(p.0))).collect();
    let n = near.len().max(1) as f64;
    let at = near.iter().fold([0.0, 0.0], |m, p| [m[0] + p.0.u / n, m[1] + p.0.v / n]);
    let spread = near
        .iter()
        .fold([0.0, 0.0], |m, p| {
            [m[0] + (p.0.u - at[0]).powi(2) / n, m[1] + (p.0.v - at[1]).powi(2) / n]
        })
        .map(f64::sqrt);
    let known = near.len() >= CARPET_POINTS && near.len() as f64 >= CARPET_SHARE * followed.expected_on_carpet as f64;
    let mut misses: Vec<f64> = near.iter().map(|p| miss(p).unwrap_or(LOST_PX)).collect();
    misses.sort_by(f64::total_cmp);
    let median = misses.get(misses.len() / 2).copied().filter(|_| known).unwrap_or(LOST_PX);
    NearFeet {
        at_px: at,
        spread_px: spread,
        points: near.len(),
        expected: followed.expected_on_carpet,
        residual_px: std::f64::consts::SQRT_2 * plane::rayleigh_sd(median),
    }
}
