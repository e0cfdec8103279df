//! The fitted leg's points as marker trajectories, one file a hold.

use super::c3d::{MarkerFile, MarkerFrame};
use super::files::Source;
use super::rows;
use crate::leg::shape::{LegShape, POINT_COUNT};
use crate::pose::track::LEG_POINT_NAMES;

/// The markers of one hold and a second either side, or why there are none.
///
/// C3D knows one constant rate; a recording's frames need not keep one. The rate is that of the median interval and every frame goes to the nearest place on that grid;
/// places without a frame or without a fit are marked invalid. Nothing is interpolated.
pub(super) fn of_hold(source: &Source, at: usize, shape: &LegShape) -> Result<MarkerFile, String> {
    let hold = &source.outcome.holds[at];
    let times: Vec<f64> = hold.frames.iter().map(|f| f.time_s).collect();
    let mut intervals: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).filter(|d| *d > 0.0).collect();
    intervals.sort_by(f64::total_cmp);
    let Some(interval) = intervals.get(intervals.len() / 2).copied() else {
        return Err("it has one frame only, and markers over time need more".into());
    };
    let start_s = times[0];
    let place = |t: f64| ((t - start_s) / interval).round() as usize;
    let count = place(times[times.len() - 1]) + 1;
    let mut frames: Vec<MarkerFrame> = vec![vec![None; POINT_COUNT]; count];
    let mut fitted = 0;
    for frame in &hold.frames {
        let Some(fit) = rows::seen(source, at, frame.index, shape).and_then(|s| s.fit) else {
            continue;
        };
        fitted += 1;
        frames[place(frame.time_s)] = fit
            .points
            .iter()
            .map(|p| Some([1000.0 * p.x, 1000.0 * p.y, 1000.0 * p.z].map(|v| v as f32)))
            .collect();
    }
    if fitted == 0 {
        return Err("the leg's points could be fitted to the carpet in none of its frames".into());
    }
    Ok(MarkerFile {
        labels: LEG_POINT_NAMES[..POINT_COUNT].iter().map(|n| n.to_uppercase()).collect(),
        rate_hz: (1.0 / interval) as f32,
        start_s: start_s as f32,
        frames,
    })
}
