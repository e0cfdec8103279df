//! A closer look for the stance in a photograph, where there is no next frame that could put a bad first look right.
//!
//! The detector looks through windows of several sizes, and the landmark network reads each find in windows of several sizes about it. Which reading is right, the networks say
//! themselves: the reading counts in which the lower-leg network is surest of a leg in the stance.

use super::detector::{windows, Detection};
use super::figure::is_at;
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
    let mut best: Option<(Body, LegReading)> = None;
    for find in finds(people, image)? {
        for scale in WINDOW_SCALES {
            let mut region = find.region();
            region.side_px *= scale;
            // The second reading takes its window from the first one's landmarks.
            for _ in 0..2 {
                let reading = people.read(image, &region)?;
                if reading.body.presence < PERSON {
                    break;
                }
                region = reading.next_region;
                if athlete.is_some_and(|point| !is_at(&reading.body, point)) {
                    continue;
                }
                if !Lowness::of(&reading.body).is_low() {
                    continue;
                }
                let Some(leg) = read_leg(&reading.body)? else { continue };
                if best.as_ref().is_none_or(|(_, b)| leg.present > b.present) {
                    best = Some((reading.body, leg));
                }
            }
            if best.as_ref().is_some_and(|(_, b)| b.present > SURE) {
                return Ok(best);
            }
        }
    }
    Ok(best)
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
