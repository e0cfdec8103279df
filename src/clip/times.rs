//! Presentation times: from the decoder's ticks to seconds since the first frame, and what is odd about them.

/// A clock that jumps back by more than this has been restarted, s.
const RESTART_S: f64 = 1.0;

/// A step longer than this many typical steps is a gap.
const GAP_STEPS: f64 = 2.5;

/// Turns ticks into times that always grow.
#[derive(Debug, Clone)]
pub(super) struct Times {
    time_base: (i64, i64),
    nominal_step_s: f64,
    first_ticks: Option<i64>,
    shift_s: f64,
    delivered: Vec<f64>,
    /// Frames whose time the decoder did not know.
    pub unknown: u64,
    /// Frames whose time did not grow.
    pub not_growing: u64,
}

impl Times {
    /// For a stream with ticks of `time_base` seconds (a fraction) and a nominal rate for frames whose time is unknown.
    pub fn new(time_base: (i64, i64), frame_rate_hz: Option<f64>) -> Self {
        Self {
            time_base,
            nominal_step_s: 1.0 / frame_rate_hz.unwrap_or(30.0),
            first_ticks: None,
            shift_s: 0.0,
            delivered: Vec::new(),
            unknown: 0,
            not_growing: 0,
        }
    }

    /// Seconds between two tick counts.
    pub fn seconds(time_base: (i64, i64), ticks: i64, first_ticks: i64) -> f64 {
        // The difference of two counts that fit 64 bits fits 65, and times a numerator it stays within 128.
        ((i128::from(ticks) - i128::from(first_ticks)) * i128::from(time_base.0)) as f64 / time_base.1 as f64
    }

    /// The time of the next frame, s since the first.
    pub fn next(&mut self, ticks: Option<i64>) -> f64 {
        let expected = self.delivered.last().map_or(0.0, |last| last + self.nominal_step_s);
        let time_s = match (ticks, self.first_ticks) {
            (None, _) => {
                self.unknown += 1;
                expected
            }
            (Some(ticks), None) => {
                self.first_ticks = Some(ticks);
                self.shift_s = expected;
                expected
            }
            (Some(ticks), Some(first)) => {
                let time_s = Self::seconds(self.time_base, ticks, first) + self.shift_s;
                match self.delivered.last() {
                    Some(last) if time_s <= *last => {
                        self.not_growing += 1;
                        if last - time_s > RESTART_S {
                            self.shift_s += expected - time_s;
                            expected
                        } else {
                            last + 0.1 * self.nominal_step_s
                        }
                    }
                    _ => time_s,
                }
            }
        };
        self.delivered.push(time_s);
        time_s
    }

    /// Frames so far.
    pub fn count(&self) -> u64 {
        self.delivered.len() as u64
    }

    /// The last frame's time, s.
    pub fn last_s(&self) -> Option<f64> {
        self.delivered.last().copied()
    }

    /// Steps between frames in ascending order, s.
    fn sorted_steps(&self) -> Vec<f64> {
        let mut steps: Vec<f64> = self.delivered.windows(2).map(|w| w[1] - w[0]).collect();
        steps.sort_by(f64::total_cmp);
        steps
    }

    /// The median step between frames, s; the nominal one where there is none.
    pub fn typical_step_s(&self) -> f64 {
        let steps = self.sorted_steps();
        steps.get(steps.len() / 2).copied().unwrap_or(self.nominal_step_s)
    }

    /// A sentence on the gaps: steps more than two and a half times the typical one; `None` where there are none.
    pub fn gaps(&self) -> Option<String> {
        let typical = self.typical_step_s();
        let gaps: Vec<(f64, f64)> = self
            .delivered
            .windows(2)
            .map(|w| (w[0], w[1]))
            .filter(|(from, to)| to - from > GAP_STEPS * typical)
            .collect();
        let longest = gaps.iter().copied().max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))?;
        Some(if gaps.len() == 1 {
            format!(
                "Between {:.3} s and {:.3} s no frame is shown (frames are usually {:.1} ms apart).",
                longest.0,
                longest.1,
                1e3 * typical
            )
        } else {
            format!(
                "There are {} gaps of more than {GAP_STEPS} usual steps ({:.1} ms); the longest is from {:.3} s to {:.3} s, the first from {:.3} s to {:.3} s.",
                gaps.len(),
                1e3 * typical,
                longest.0,
                longest.1,
                gaps[0].0,
                gaps[0].1
            )
        })
    }

    /// A note where the rate varies: the middle nine tenths of the steps, s, where they spread by more than a fifth of the typical one.
    pub fn variable_rate(&self) -> Option<String> {
        let steps = self.sorted_steps();
        if steps.len() < 10 {
            return None;
        }
        let at = |fraction: f64| steps[((steps.len() - 1) as f64 * fraction).round() as usize];
        let (low, high) = (at(0.05), at(0.95));
        (high - low > 0.2 * at(0.5)).then(|| format!("The frame rate varies: frames are {:.1} to {:.1} ms apart.", 1e3 * low, 1e3 * high))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_and_backward_times_are_counted_and_times_still_grow() {
        let mut times = Times::new((1, 1000), Some(25.0));
        let ticks = [None, Some(5000), Some(5040), None, Some(5040), Some(5120), Some(100), Some(140)];
        let got: Vec<f64> = ticks.into_iter().map(|t| times.next(t)).collect();
        let want = [0.0, 0.04, 0.08, 0.12, 0.124, 0.16, 0.2, 0.24];
        for (g, w) in got.iter().zip(want) {
            assert!((g - w).abs() < 1e-9, "{got:?}");
        }
        assert_eq!((times.unknown, times.not_growing), (2, 2));
    }

    #[test]
    fn a_gap_is_told_with_its_times() {
        let mut times = Times::new((1, 30), Some(30.0));
        for t in (0..30).chain(45..60) {
            times.next(Some(t));
        }
        assert!(times.gaps().unwrap().contains("Between 0.967 s and 1.500 s"), "{:?}", times.gaps());
        assert_eq!(times.variable_rate(), None);
    }

    #[test]
    fn extreme_ticks_do_not_overflow() {
        let mut times = Times::new((i64::MAX, 1), None);
        times.next(Some(i64::MIN));
        assert!(times.next(Some(i64::MAX)).is_finite());
    }
}
