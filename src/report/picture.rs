//! The magnified lower leg as a drawing: which part of the still is cut out, where each mark lies on it, and where its label stands below it.
//!
//! One layout serves the page's SVG and the PNG files. Its coordinates are *canvas units*: the cut is [`CANVAS_WIDTH`] wide, the labels lie in a strip of
//! [`STRIP_HEIGHT`] under it, so that they cover nothing of the picture and cannot run into one another however close together the marks are.

use crate::outcome::{HoldReport, StillFrame};
use crate::report::quantity;
use crate::types::{ImagePoint, Station};

/// Width of the magnified cut, canvas units.
pub(crate) const CANVAS_WIDTH: f64 = 400.0;
/// Height of the strip of labels under the cut, canvas units.
pub(crate) const STRIP_HEIGHT: f64 = 88.0;
/// First text line of the upper and the lower row of labels, measured from the cut's lower edge, canvas units.
pub(crate) const LABEL_ROWS: [f64; 2] = [25.0, 65.0];
/// The first and last label's middle from the canvas's edges, half the width of `−1.6 ± 2.3 mm` in a wide face.
pub(crate) const LABEL_INSET: f64 = 54.0;
/// From a label's first line to its second, canvas units.
pub(crate) const LABEL_LINE: f64 = 15.0;

/// A point on the canvas, canvas units, y down.
pub(crate) type CanvasPoint = (f64, f64);

/// The part of the still that is magnified, whole pixels of the upright frame, inside the frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Cut {
    pub(crate) left: usize,
    pub(crate) top: usize,
    pub(crate) width: usize,
    pub(crate) height: usize,
}

/// One station's mark and label.
#[derive(Debug, Clone)]
pub(crate) struct Mark {
    /// Inner surface as measured.
    pub(crate) surface: CanvasPoint,
    /// Carpet straight below.
    pub(crate) carpet: CanvasPoint,
    /// `heel`, `calf 50 %`.
    pub(crate) name: &'static str,
    /// `31 ± 6 mm`.
    pub(crate) value: String,
    /// Whether the gap is more likely over the tolerance than not.
    pub(crate) over: bool,
    /// Middle of the label.
    pub(crate) label_x: f64,
    /// Row of the label, 0 or 1.
    pub(crate) label_row: usize,
}

/// Everything drawn over the cut.
#[derive(Debug, Clone)]
pub(crate) struct LegPicture {
    pub(crate) cut: Cut,
    /// Height of the cut, canvas units.
    pub(crate) height: f64,
    /// In label order, left to right.
    pub(crate) marks: Vec<Mark>,
    /// The leg's inner surface from knee to heel.
    pub(crate) surface: Vec<Vec<CanvasPoint>>,
    /// The carpet below it.
    pub(crate) carpet: Vec<Vec<CanvasPoint>>,
    /// The carpet's grid.
    pub(crate) grid: Vec<Vec<CanvasPoint>>,
}

/// A station's name where room is short.
pub(crate) const fn short_name(station: Station) -> &'static str {
    match station {
        Station::Knee => "knee",
        Station::Calf25 => "calf 25\u{a0}%",
        Station::Calf50 => "calf 50\u{a0}%",
        Station::Calf75 => "calf 75\u{a0}%",
        Station::Ankle => "ankle",
        Station::Heel => "heel",
    }
}

/// The cut that shows the lower leg of a still `width` × `height` px: three quarters as high as wide, grown where the marks need more, kept inside the frame.
pub(crate) fn cut_for(best: &StillFrame, width: usize, height: usize) -> Option<Cut> {
    if width == 0 || height == 0 {
        return None;
    }
    let side = best.crop_side_px.max(32.0);
    let (centre, margin) = (best.crop_centre, 0.08 * side);
    let (mut left, mut right) = (centre.u - 0.5 * side, centre.u + 0.5 * side);
    let (mut top, mut bottom) = (centre.v - 0.375 * side, centre.v + 0.375 * side);
    let near = |p: &&ImagePoint| p.distance_px(centre) < 1.5 * side;
    for p in best.surface.iter().chain(&best.carpet).filter(near) {
        left = left.min(p.u - margin);
        right = right.max(p.u + margin);
        top = top.min(p.v - margin);
        bottom = bottom.max(p.v + margin);
    }
    let (left, width) = fit(left, right, width)?;
    let (top, height) = fit(top, bottom, height)?;
    Some(Cut { left, top, width, height })
}

/// Moves the span `from`–`to` into 0–`limit`, shortened only where it is longer; `None` where it lies wholly outside.
fn fit(from: f64, to: f64, limit: usize) -> Option<(usize, usize)> {
    let end = limit as f64;
    if !(from < end && to > 0.0) {
        return None;
    }
    let length = (to - from).round().clamp(1.0, end);
    let start = from.round().clamp(0.0, end - length);
    Some((start as usize, length as usize))
}

/// The layout for one hold, on a still `width` × `height` px, with the carpet's `grid` (image polylines, px).
pub(crate) fn lay_out(hold: &HoldReport, grid: &[Vec<ImagePoint>], width: usize, height: usize) -> Option<LegPicture> {
    let best = &hold.best_frame;
    let cut = cut_for(best, width, height)?;
    let scale = CANVAS_WIDTH / cut.width as f64;
    let canvas_height = cut.height as f64 * scale;
    let place = |p: &ImagePoint| ((p.u - cut.left as f64) * scale, (p.v - cut.top as f64) * scale);
    let clipped = |points: &[ImagePoint]| clip(&points.iter().map(place).collect::<Vec<_>>(), CANVAS_WIDTH, canvas_height);

    let mut marks: Vec<Mark> = hold
        .gaps
        .iter()
        .zip(best.surface.iter().zip(&best.carpet))
        .map(|(gap, (surface, carpet))| Mark {
            surface: place(surface),
            carpet: place(carpet),
            name: short_name(gap.station),
            value: quantity::compact(gap.gap_mm, gap.sd_mm, "mm"),
            over: gap.over_tolerance_probability > 0.5,
            label_x: 0.0,
            label_row: 0,
        })
        .collect();
    // Labels follow the order of the marks from left to right, so that their leaders do not cross, in two rows, so that neighbours have twice the room.
    marks.sort_by(|a, b| a.carpet.0.total_cmp(&b.carpet.0));
    let step = (CANVAS_WIDTH - 2.0 * LABEL_INSET) / marks.len().saturating_sub(1).max(1) as f64;
    for (i, mark) in marks.iter_mut().enumerate() {
        mark.label_x = LABEL_INSET + i as f64 * step;
        mark.label_row = i % 2;
    }
    Some(LegPicture {
        cut,
        height: canvas_height,
        marks,
        surface: clipped(&best.surface),
        carpet: clipped(&best.carpet),
        grid: grid.iter().flat_map(|line| clipped(line)).collect(),
    })
}

impl LegPicture {
    /// Whole height with the strip of labels, canvas units.
    pub(crate) fn total_height(&self) -> f64 {
        self.height + if self.marks.is_empty() { 0.0 } else { STRIP_HEIGHT }
    }

    /// From a mark's lower end to its label: down to the cut's edge at the label's place, then on to the label.
    pub(crate) fn leader(&self, mark: &Mark) -> [CanvasPoint; 3] {
        let from = if mark.surface.1 > mark.carpet.1 {
            mark.surface
        } else {
            mark.carpet
        };
        [
            from,
            (mark.label_x, self.height),
            (mark.label_x, self.height + LABEL_ROWS[mark.label_row] - 12.0),
        ]
    }
}

/// The parts of a polyline inside 0–`width` × 0–`height` (Liang and Barsky 1984, each segment's parameter range cut by the four edges). A carpet line that
/// runs to the horizon may have points a million pixels away, which no drawing program takes kindly.
pub(crate) fn clip(points: &[CanvasPoint], width: f64, height: f64) -> Vec<Vec<CanvasPoint>> {
    let mut parts: Vec<Vec<CanvasPoint>> = Vec::new();
    for pair in points.windows(2) {
        let Some((a, b)) = clip_segment(pair[0], pair[1], width, height) else {
            continue;
        };
        match parts.last_mut() {
            Some(part) if part.last() == Some(&a) => part.push(b),
            _ => parts.push(vec![a, b]),
        }
    }
    parts
}

fn clip_segment(a: CanvasPoint, b: CanvasPoint, width: f64, height: f64) -> Option<(CanvasPoint, CanvasPoint)> {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for (p, q) in [(-dx, a.0), (dx, width - a.0), (-dy, a.1), (dy, height - a.1)] {
        if p == 0.0 {
            if q < 0.0 {
                return None;
            }
        } else if p < 0.0 {
            enter = enter.max(q / p);
        } else {
            leave = leave.min(q / p);
        }
    }
    if enter > leave {
        return None;
    }
    let at = |t: f64| {
        // The ends themselves, not their rounded copies, so that neighbouring segments join.
        if t == 0.0 {
            a
        } else if t == 1.0 {
            b
        } else {
            (a.0 + t * dx, a.1 + t * dy)
        }
    };
    Some((at(enter), at(leave)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn best(centre: (f64, f64), side: f64) -> StillFrame {
        StillFrame {
            time_s: 0.0,
            index: 0,
            surface: vec![],
            carpet: vec![],
            crop_centre: ImagePoint::new(centre.0, centre.1),
            crop_side_px: side,
        }
    }

    #[test]
    fn a_cut_at_the_edge_moves_inside() {
        let cut = cut_for(&best((20.0, 700.0), 200.0), 1280, 720).unwrap();
        assert_eq!((cut.left, cut.width, cut.height), (0, 200, 150));
        assert_eq!(cut.top + cut.height, 720);
    }

    #[test]
    fn a_cut_outside_the_frame_is_none() {
        assert!(cut_for(&best((-500.0, 100.0), 200.0), 1280, 720).is_none());
        assert!(cut_for(&best((10.0, 10.0), 200.0), 0, 0).is_none());
    }

    proptest! {
        #[test]
        fn a_cut_never_leaves_the_frame(u in -300.0..900.0f64, v in -300.0..900.0f64, side in 0.0..2000.0f64, w in 1usize..700, h in 1usize..700) {
            if let Some(cut) = cut_for(&best((u, v), side), w, h) {
                prop_assert!(cut.width >= 1 && cut.left + cut.width <= w);
                prop_assert!(cut.height >= 1 && cut.top + cut.height <= h);
            }
        }

        #[test]
        fn clipped_lines_stay_inside_and_on_the_line(ax in -1e6..1e6f64, ay in -500.0..500.0f64, bx in -500.0..500.0f64, by in -1e6..1e6f64) {
            for part in clip(&[(ax, ay), (bx, by)], 400.0, 300.0) {
                for (x, y) in part {
                    prop_assert!((-1e-6..=400.0 + 1e-6).contains(&x) && (-1e-6..=300.0 + 1e-6).contains(&y));
                    let off_line = (bx - ax) * (y - ay) - (by - ay) * (x - ax);
                    prop_assert!(off_line.abs() / (bx - ax).hypot(by - ay).max(1.0) < 1e-3);
                }
            }
        }
    }

    #[test]
    fn a_line_inside_stays_whole() {
        let line = [(1.0, 1.0), (50.0, 60.0), (399.0, 2.0)];
        assert_eq!(clip(&line, 400.0, 300.0), vec![line.to_vec()]);
    }
}
