//! A closer look for the stance in a photograph, where there is no next frame that could put a bad first look right.
//!
//! The detector looks through windows of several sizes, and the landmark network reads each find in windows of several sizes about it. Which reading is right, the networks say
//! themselves: the reading counts in which the lower-leg network is surest of a leg in the stance. Where none is sure and the athlete is pointed at, windows about the point are read
//! without the detector.

use super::detector::{windows, Detection};
use super::figure::is_at;
use super::follow::PRESENCE_THRESHOLD;
use super::lower_leg::apparent_shank_px;
use super::networks::People;
use super::region::Region;
use super::stance::Lowness;
use super::track::{Body, LegReading};
use crate::types::{ImagePoint, RgbImage};
use crate::Result;

/// Sides of the detector's windows as fractions of the picture's larger side.
const WINDOW_SHARES: [f64; 3] = [1.0, 0.5, 0.25];

/// Sizes of the landmark network's window about a find, relative to the detector's own.
const WINDOW_SCALES: [f64; 3] = [1.0, 0.8, 1.25];

/// How often the window about a find is read: the second reading takes its window from the first one's landmarks.
const FOUND_READINGS: usize = 2;

/// Sides of the windows that are read about a point on the athlete where no find shows the stance there, as fractions of the picture's larger side. Seen from
/// above or small, many who kneel are missed by the detector and read by the landmark network all the same.
const POINTED_SHARES: [f64; 4] = [0.36, 0.25, 0.17, 0.12];

/// How far over the point such a window's middle lies, as fractions of its side: a point on the legs lies under the hips, about which the landmark network wants its window.
const POINTED_RISES: [f64; 2] = [0.0, 0.15];

/// How many readings follow from such a window. One counts only where the next one agrees: a guessed window may hold two people, and of those one body was put together (head of one,
/// legs of the other) on a calibration still.
const POINTED_READINGS: usize = 4;

/// How far apart the hips of two readings that agree are, in shank lengths.
const AGREEING_SHANKS: f64 = 0.3;

/// At most this many finds are read closely, the detector's surest first.
const FIND_LIMIT: usize = 12;

/// Probability of a person from which a reading counts. Higher than when following: many windows are tried, and one that holds no whole person must not win. Of ten rendered stills
/// whose stance only a closer look finds, all reach this and are low; of nine real photographs in which the lower-leg network alone was sure of a stance, none does both.
const PERSON: f64 = 0.9;

/// Finds nearer to each other than this fraction of the smaller one's circle, and alike in size to [`SAME_SIZE_RATIO`], are the same find.
const SAME_FIND_OF_RADIUS: f64 = 0.15;
/// See [`SAME_FIND_OF_RADIUS`].
const SAME_SIZE_RATIO: f64 = 1.15;

/// Probability of the stance from which no further window is tried.
const SURE: f64 = 0.99;

/// The body with the leg that is surest to be in the stance, among everybody in the picture; with `athlete` (px), only bodies at that point. `None` where no body was found
/// that is low enough for `read_leg` to look at its leg.
///
/// # Errors
/// Where the picture is broken or a network fails.
pub fn look_closer<P: People>(
    people: &mut P,
    image: &RgbImage,
    athlete: Option<ImagePoint>,
    read_leg: &mut dyn FnMut(&Body) -> Result<Option<LegReading>>,
) -> Result<Option<(Body, LegReading)>> {
    let found = finds(people, image)?;
    let mut look = Look {
        people,
        image,
        athlete,
        read_leg,
        best: None,
    };
    for find in found {
        for scale in WINDOW_SCALES {
            let mut region = find.region();
            region.side_px *= scale;
            if look.read(region)? {
                return Ok(look.best);
            }
        }
    }
    let Some(point) = athlete else { return Ok(look.best) };
    for share in POINTED_SHARES {
        for rise in POINTED_RISES {
            let side_px = share * image.width.max(image.height) as f64;
            let region = Region {
                centre: ImagePoint::new(point.u, point.v - rise * side_px),
                side_px,
                rotation_rad: 0.0,
            };
            if look.settle(region)? {
                return Ok(look.best);
            }
        }
    }
    Ok(look.best)
}

/// What a closer look reads with, and the best that it has read.
struct Look<'a, P> {
    people: &'a mut P,
    image: &'a RgbImage,
    athlete: Option<ImagePoint>,
    read_leg: &'a mut dyn FnMut(&Body) -> Result<Option<LegReading>>,
    best: Option<(Body, LegReading)>,
}

impl<P: People> Look<'_, P> {
    /// Reads the window about a find, and the one that its landmarks set. Whether the best is sure.
    fn read(&mut self, mut region: Region) -> Result<bool> {
        for _ in 0..FOUND_READINGS {
            let reading = self.people.read(self.image, &region)?;
            if reading.body.presence < PERSON {
                break;
            }
            region = reading.next_region;
            if self.counts(&reading.body) {
                self.consider(reading.body)?;
            }
        }
        Ok(self.sure())
    }

    /// Reads a guessed window and follows it to where it settles: of two readings in a row that agree, the second is considered. Whether the best is sure.
    fn settle(&mut self, mut region: Region) -> Result<bool> {
        let mut before: Option<Body> = None;
        for _ in 0..=POINTED_READINGS {
            let reading = self.people.read(self.image, &region)?;
            if reading.body.presence < PRESENCE_THRESHOLD {
                break;
            }
            region = reading.next_region;
            let body = Some(reading.body).filter(|body| self.counts(body));
            if let (Some(b), Some(body)) = (&before, &body) {
                if b.hips().distance_px(body.hips()) < AGREEING_SHANKS * apparent_shank_px(body) {
                    self.consider(body.clone())?;
                }
            }
            before = body;
        }
        Ok(self.sure())
    }

    /// Whether a body is surely one, is at the point given, and is low.
    fn counts(&self, body: &Body) -> bool {
        body.presence >= PERSON && self.athlete.is_none_or(|point| is_at(body, point)) && Lowness::of(body).is_low()
    }

    /// Reads the body's leg and keeps both where it is surer to be in the stance than the best so far.
    fn consider(&mut self, body: Body) -> Result<()> {
        let leg = (self.read_leg)(&body)?;
        if let Some(leg) = leg.filter(|leg| self.best.as_ref().is_none_or(|(_, b)| leg.present > b.present)) {
            self.best = Some((body, leg));
        }
        Ok(())
    }

    fn sure(&self) -> bool {
        self.best.as_ref().is_some_and(|(_, b)| b.present > SURE)
    }
}

/// Everybody that the detector finds in windows of all sizes, surest first, the same find once.
fn finds<P: People>(people: &mut P, image: &RgbImage) -> Result<Vec<Detection>> {
    let mut all: Vec<Detection> = Vec::new();
    for share in WINDOW_SHARES {
        let side_px = share * image.width.max(image.height) as f64;
        let searched = if share < 1.0 {
            windows(image.width, image.height, side_px)
        } else {
            vec![Region::whole(image.width, image.height)]
        };
        for window in searched {
            all.extend(people.find_in(image, &window)?);
        }
    }
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Detection> = Vec::new();
    for find in all {
        let same = |k: &Detection| {
            let (small, large) = (k.radius_px().min(find.radius_px()), k.radius_px().max(find.radius_px()));
            k.hips.distance_px(find.hips) < SAME_FIND_OF_RADIUS * small && large < SAME_SIZE_RATIO * small
        };
        if !kept.iter().any(same) {
            kept.push(find);
        }
    }
    kept.truncate(FIND_LIMIT);
    Ok(kept)
}
