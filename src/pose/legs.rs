//! Left and right legs over time: the network now and then swaps them; this finds where and swaps them back.
//!
//! Each frame gets one of a few labellings (as read; legs swapped; legs and hips swapped; feet only swapped). The sequence chosen is the one with the smallest total of
//! movement between frames, in the picture and in the metric landmarks together (legs that cross in the picture are apart in depth), plus a small price for every frame
//! that is not as read, so that of two mirror-image answers the one that the network gave more often wins. Dynamic programming (Viterbi 1967) finds it exactly.

use super::accuracy::SWAPPED_FACTOR;
use super::track::{Body, Landmark, PoseFrame, TrackEvent};
use std::ops::Range;

/// How one frame's labels are to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Labelling {
    AsRead,
    Legs,
    LegsAndHips,
    Feet,
}

const LABELLINGS: [Labelling; 4] = [Labelling::AsRead, Labelling::Legs, Labelling::LegsAndHips, Labelling::Feet];

/// Price of a frame that is not as read, in the unit of [`movement`]: small, so that it only decides between mirror images.
const PRICE: [f64; 4] = [0.0, 0.02, 0.02, 0.05];
/// Movement that costs nothing to speak of, metres, and its growth with time, m/s: the network's own jitter and a fast leg.
const JITTER_M: f64 = 0.06;
const SPEED_M_PER_S: f64 = 2.0;
/// Limit of one point's cost, in squared units of the scale above: one wild point must not decide.
const COST_LIMIT: f64 = 9.0;
/// Repaired stretches this close together, seconds, are told as one.
const JOIN_S: f64 = 0.3;
/// Share of repaired frames from which left and right are said to be unreliable.
const UNRELIABLE_SHARE: f64 = 0.3;

const PAIRS: [(usize, usize); 5] = [
    (Landmark::LeftHip as usize, Landmark::RightHip as usize),
    (Landmark::LeftKnee as usize, Landmark::RightKnee as usize),
    (Landmark::LeftAnkle as usize, Landmark::RightAnkle as usize),
    (Landmark::LeftHeel as usize, Landmark::RightHeel as usize),
    (Landmark::LeftToe as usize, Landmark::RightToe as usize),
];

impl Labelling {
    /// Which of [`PAIRS`] are exchanged.
    fn pairs(self) -> Range<usize> {
        match self {
            Labelling::AsRead => 0..0,
            Labelling::Legs => 1..5,
            Labelling::LegsAndHips => 0..5,
            Labelling::Feet => 2..5,
        }
    }

    /// The landmark that holds what should be called `landmark` (of pair `pair`).
    fn source(self, pair: usize, landmark: usize) -> usize {
        let (left, right) = PAIRS[pair];
        match (self.pairs().contains(&pair), landmark == left) {
            (false, _) => landmark,
            (true, true) => right,
            (true, false) => left,
        }
    }

    fn apply(self, body: &mut Body) {
        for (left, right) in &PAIRS[self.pairs()] {
            body.exchange(*left, *right);
            for index in [*left, *right] {
                let mut point = body.keypoint_at(index);
                point.covariance = point.covariance.scaled_sd(SWAPPED_FACTOR);
                body.set_keypoint(index, &point);
            }
        }
    }
}

/// How much the legs move from `before` under one labelling to `after` under another, dimensionless.
fn movement(before: &Body, before_labels: Labelling, after: &Body, after_labels: Labelling, dt_s: f64) -> f64 {
    let scale_m = JITTER_M + SPEED_M_PER_S * dt_s.max(0.0);
    let px_per_m = (before.px_per_m * after.px_per_m).sqrt().max(1e-3);
    let mut cost = 0.0;
    let mut weights = 0.0;
    for (pair, (left, right)) in PAIRS.iter().enumerate() {
        for landmark in [*left, *right] {
            let (i, j) = (before_labels.source(pair, landmark), after_labels.source(pair, landmark));
            let (p, q) = (before.keypoint_at(i), after.keypoint_at(j));
            let image_m = p.at.distance_px(q.at) / px_per_m;
            let (a, b) = (before.world_m(i), after.world_m(j));
            let world_m = ((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2) + (a[2] - b[2]).powi(2)).sqrt();
            let weight = 0.1 + p.visibility.min(q.visibility);
            let squared = 0.5 * (image_m * image_m + world_m * world_m) / (scale_m * scale_m);
            cost += weight * squared.min(COST_LIMIT);
            weights += weight;
        }
    }
    cost / weights
}

/// The labelling of each body in `bodies` (time and body), best over the whole sequence.
fn best_labels(bodies: &[(f64, &Body)]) -> Vec<Labelling> {
    let Some(((mut time_before, mut before), rest)) = bodies.split_first().map(|(f, r)| (*f, r)) else {
        return Vec::new();
    };
    let mut totals = PRICE;
    let mut came_from: Vec<[usize; 4]> = Vec::with_capacity(rest.len());
    for (time, body) in rest {
        let mut next = [f64::INFINITY; 4];
        let mut from = [0; 4];
        for (j, after_labels) in LABELLINGS.iter().enumerate() {
            for (i, before_labels) in LABELLINGS.iter().enumerate() {
                let total = totals[i] + PRICE[j] + movement(before, *before_labels, body, *after_labels, time - time_before);
                if total < next[j] {
                    (next[j], from[j]) = (total, i);
                }
            }
        }
        totals = next;
        came_from.push(from);
        (time_before, before) = (*time, body);
    }
    let mut state = (0..4).min_by(|a, b| totals[*a].total_cmp(&totals[*b])).unwrap_or(0);
    let mut labels = vec![LABELLINGS[state]];
    for from in came_from.iter().rev() {
        state = from[state];
        labels.push(LABELLINGS[state]);
    }
    labels.reverse();
    labels
}

/// Swaps left and right legs back where the network swapped them, widens the covariances there, and tells what was done.
pub fn repair(frames: &mut [PoseFrame]) -> Vec<TrackEvent> {
    let bodies: Vec<(f64, &Body)> = frames.iter().filter_map(|f| f.body.as_ref().map(|b| (f.time_s, b))).collect();
    let labels = best_labels(&bodies);
    let body_count = labels.len();
    let mut repaired: Vec<(f64, Labelling)> = Vec::new();
    let with_body = frames.iter_mut().filter(|f| f.body.is_some());
    for (frame, label) in with_body.zip(labels) {
        if label == Labelling::AsRead {
            continue;
        }
        if let Some(body) = frame.body.as_mut() {
            label.apply(body);
        }
        repaired.push((frame.time_s, label));
    }
    events(&repaired, body_count)
}

fn events(repaired: &[(f64, Labelling)], body_count: usize) -> Vec<TrackEvent> {
    let Some((first, _)) = repaired.first() else {
        return Vec::new();
    };
    if repaired.len() as f64 > UNRELIABLE_SHARE * body_count as f64 {
        return vec![TrackEvent {
            time_s: *first,
            sentence: format!(
                "The network swapped left and right legs in {} of {body_count} frames; they were put in order by their movement, but which leg is called left is not sure.",
                repaired.len()
            ),
        }];
    }
    let mut stretches: Vec<(f64, f64, usize)> = Vec::new();
    for (time, _) in repaired {
        match stretches.last_mut() {
            Some(last) if time - last.1 <= JOIN_S => (last.1, last.2) = (*time, last.2 + 1),
            _ => stretches.push((*time, *time, 1)),
        }
    }
    stretches
        .into_iter()
        .map(|(from, to, count)| TrackEvent {
            time_s: from,
            sentence: format!(
                "The network swapped left and right legs in {count} frame{} from {from:.2} to {to:.2} s; they were swapped back.",
                if count == 1 { "" } else { "s" }
            ),
        })
        .collect()
}
