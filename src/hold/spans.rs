//! Stretches of stance, and of stance held still.

use crate::hold::motion::speeds_m_per_s;
use crate::pose::track::{PoseFrame, Track};
use crate::rules::profile::Still;

/// A stretch of frames, both ends included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// First frame (position in the track).
    pub first: usize,
    /// Last frame.
    pub last: usize,
    /// Time of the first frame, seconds.
    pub start_s: f64,
    /// Time of the last frame, seconds.
    pub end_s: f64,
}

impl Span {
    /// Duration, seconds.
    pub fn duration_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Holds {
    /// Stance held still for long enough.
    pub still: Vec<Span>,
    /// Stance that never came to rest, with the lowest speed that was kept for the needed time, m/s.
    pub never_still: Vec<(Span, f64)>,
    /// Speed at every frame, m/s.
    pub speed_m_per_s: Vec<Option<f64>>,
}

/// Interruptions of the stance shorter than this are bridged, seconds (a frame or two missed by the network).
const BRIDGE_S: f64 = 0.15;

/// A stance seen for less than this is not spoken of, seconds.
const SHORTEST_STANCE_S: f64 = 0.25;

/// Finds stretches of stance and of stillness within them.
pub fn find(track: &Track, still: &Still) -> Holds {
    let speed = speeds_m_per_s(track);
    let mut holds = Holds {
        still: Vec::new(),
        never_still: Vec::new(),
        speed_m_per_s: speed.clone(),
    };
    for span in stances(track) {
        let quiet: Vec<bool> = (0..track.frames.len())
            .map(|i| i >= span.first && i <= span.last && speed[i].is_some_and(|s| s <= still.speed_limit_m_per_s))
            .collect();
        let rests: Vec<Span> = spans(track, &quiet, 0.07)
            .into_iter()
            .filter(|s| s.duration_s() >= still.for_at_least_s)
            .collect();
        if rests.is_empty() {
            holds.never_still.push((span, quietest(track, &speed, &span, still.for_at_least_s)));
        }
        holds.still.extend(rests);
    }
    holds
}

/// Stretches of stance, still or not.
pub fn stances(track: &Track) -> Vec<Span> {
    let stance: Vec<bool> = track.frames.iter().map(in_stance).collect();
    spans(track, &stance, BRIDGE_S)
        .into_iter()
        .filter(|s| s.duration_s() >= SHORTEST_STANCE_S)
        .collect()
}

/// Whether a frame shows the stance: the lower-leg network says so.
pub fn in_stance(frame: &PoseFrame) -> bool {
    frame.lower_leg.as_ref().is_some_and(|l| l.present >= 0.5)
}

fn spans(track: &Track, flags: &[bool], bridge_s: f64) -> Vec<Span> {
    let mut out: Vec<Span> = Vec::new();
    for (i, _) in flags.iter().enumerate().filter(|(_, f)| **f) {
        let t = track.frames[i].time_s;
        match out.last_mut() {
            Some(s) if t - s.end_s <= bridge_s || i == s.last + 1 => {
                s.last = i;
                s.end_s = t;
            }
            _ => out.push(Span {
                first: i,
                last: i,
                start_s: t,
                end_s: t,
            }),
        }
    }
    out
}

/// The lowest speed that was not exceeded for `for_s` within the span.
fn quietest(track: &Track, speed: &[Option<f64>], span: &Span, for_s: f64) -> f64 {
    let mut best = f64::INFINITY;
    for i in span.first..=span.last {
        let end = track.frames[i].time_s + for_s.min(span.duration_s());
        let window: Vec<f64> = (i..=span.last)
            .take_while(|k| track.frames[*k].time_s <= end + 1e-9)
            .map(|k| speed[k].unwrap_or(f64::INFINITY))
            .collect();
        if track.frames[span.last].time_s + 1e-9 >= end {
            best = best.min(window.iter().copied().fold(0.0, f64::max));
        }
    }
    best
}
