//! Over a recording: where the sheet lay still before a camera that stood still, and which of those floors holds when.

use super::align::Grey;
use super::artwork::MARKERS;
use super::detect::Found;
use super::fit::{self, Print, SheetFit};
use crate::types::ImagePoint;

/// One look at one frame.
#[derive(Debug, Clone)]
pub struct Look {
    /// Presentation time, seconds.
    pub time_s: f64,
    /// The markers in it.
    pub found: Vec<Found>,
    /// The frame made small ([`small`]), to tell a moved camera from a moved sheet.
    pub small: Grey,
    /// Pixels of the frame a pixel of `small`.
    pub reduced: f64,
}

/// A stretch over which neither sheet nor camera moved, and its floor.
#[derive(Debug, Clone)]
pub struct Placement {
    /// First look, seconds.
    pub start_s: f64,
    /// Last look, seconds.
    pub end_s: f64,
    /// How many looks.
    pub looks: usize,
    /// The markers, joined over the looks.
    pub found: Vec<Found>,
    /// The camera.
    pub fit: SheetFit,
    /// How the picture's background moved since the placement before, px; `None` for the first, infinite where nothing of it was found again (a cut).
    pub background_moved_px: Option<f64>,
}

impl Placement {
    /// The found markers' outlines, for drawing.
    pub fn outlines(&self) -> Vec<Vec<ImagePoint>> {
        self.found
            .iter()
            .map(|f| {
                let c = f.aligned.corners;
                vec![c[0], c[1], c[2], c[3], c[0]]
            })
            .collect()
    }
}

/// What the looks at a recording or photograph gave.
#[derive(Debug, Clone, Default)]
pub struct Sheet {
    /// Placements in time order.
    pub placements: Vec<Placement>,
    /// How many frames were looked at.
    pub looked: usize,
    /// Most markers that any frame showed.
    pub most_markers: usize,
}

/// Fewest markers that make a floor: one alone could be something else, and says nothing against itself.
pub const LEAST_MARKERS: usize = 2;

/// Whitened corner residuals (mean square) above which markers do not lie as on the sheet: it is creased, or they are not its own.
const LARGEST_MISFIT: f64 = 25.0;

/// The background moved by more than this, px of the frame: the camera was moved.
pub const CAMERA_MOVED_PX: f64 = 1.5;

impl Sheet {
    /// Sorts looks (in time order) into placements and fits each.
    pub fn of(image_size: [usize; 2], looks: &[Look], print: Print) -> Self {
        let mut groups: Vec<Vec<&Look>> = Vec::new();
        for look in looks.iter().filter(|l| !l.found.is_empty()) {
            match groups.last_mut() {
                Some(group) if same_place(group, look) => group.push(look),
                _ => groups.push(vec![look]),
            }
        }
        let mut placements: Vec<Placement> = Vec::new();
        let mut last: Option<&Look> = None;
        for group in groups {
            let found = fit::joined(&group.iter().map(|l| l.found.clone()).collect::<Vec<_>>());
            if found.len() < LEAST_MARKERS || !found.iter().any(|f| f.read) {
                continue;
            }
            let Some(fit) = fit::fit(image_size, &found, print).filter(|f| f.misfit < LARGEST_MISFIT) else {
                continue;
            };
            let (first, end) = (group[0], group[group.len() - 1]);
            placements.push(Placement {
                start_s: first.time_s,
                end_s: end.time_s,
                looks: group.len(),
                found,
                fit,
                background_moved_px: last.map(|l| background_shift_px(l, first)),
            });
            last = Some(end);
        }
        Self {
            placements,
            looked: looks.len(),
            most_markers: looks.iter().map(|l| l.found.len()).max().unwrap_or(0),
        }
    }

    /// Whether the camera stood still over all placements: then each placement's plane is the carpet's at all times.
    pub fn camera_still(&self) -> bool {
        self.placements
            .iter()
            .all(|p| p.background_moved_px.is_none_or(|moved| moved <= CAMERA_MOVED_PX))
    }

    /// The placement whose floor holds from `start_s` to `end_s`: the one seen longest in that time; with a camera that stood still else the nearest; `None` where the
    /// camera moved and the sheet was not seen then.
    pub fn during(&self, start_s: f64, end_s: f64) -> Option<&Placement> {
        // A look stands for the time around it, so that a short hold between two looks at one placement counts as seen.
        let apart = |p: &Placement| (p.start_s - end_s).max(start_s - p.end_s);
        let seen = self
            .placements
            .iter()
            .filter(|p| apart(p) <= SEEN_NEAR_S)
            .max_by(|a, b| apart(b).total_cmp(&apart(a)).then(a.looks.cmp(&b.looks)));
        seen.or_else(|| {
            self.camera_still()
                .then(|| self.placements.iter().min_by(|a, b| apart(a).total_cmp(&apart(b))))?
        })
    }
}

/// A placement seen this long before or after a hold still counts as seen in it, seconds (shorter than the time between looks at long recordings).
const SEEN_NEAR_S: f64 = 0.25;

/// Whether the look shows the sheet where the group has it.
fn same_place(group: &[&Look], look: &Look) -> bool {
    let (mut moved, mut allowed, mut n) = (0.0, 0.0, 0);
    for f in &look.found {
        // Against the group's latest look at that marker, so that slow drift is not summed up; and against its first, so that it is.
        for other in [
            group.iter().rev().find_map(|l| l.found.iter().find(|g| g.marker == f.marker)),
            group.iter().find_map(|l| l.found.iter().find(|g| g.marker == f.marker)),
        ]
        .into_iter()
        .flatten()
        {
            for c in 0..4 {
                moved += f.aligned.corners[c].distance_px(other.aligned.corners[c]).powi(2);
                let variance = |x: &Found| x.aligned.covariance[(2 * c, 2 * c)] + x.aligned.covariance[(2 * c + 1, 2 * c + 1)];
                allowed += variance(f) + variance(other);
                n += 1;
            }
        }
    }
    if n == 0 {
        return false;
    }
    let n = f64::from(n);
    // One pixel for a camera on a tripod that is breathed on, and three standard deviations.
    (moved / n).sqrt() < 1.0 + 3.0 * (allowed / n).sqrt()
}

/// Width of the small picture, px.
const SMALL_WIDTH: usize = 480;

/// A picture made small by averaging, and how many of its pixels one small pixel spans.
pub fn small(grey: &Grey) -> (Grey, f64) {
    let k = grey.width.div_ceil(SMALL_WIDTH).max(1);
    let (width, height) = (grey.width / k, grey.height / k);
    let mut data = Vec::with_capacity(width * height);
    for r in 0..height {
        for c in 0..width {
            let mut sum = 0u32;
            for y in 0..k {
                let row = (r * k + y) * grey.width + c * k;
                sum += grey.data[row..row + k].iter().map(|v| u32::from(*v)).sum::<u32>();
            }
            data.push((sum / (k * k) as u32) as u8);
        }
    }
    (Grey { width, height, data }, k as f64)
}

/// How far the background moved between two looks, px of the frame: the median over textured patches that are found again. Infinite where hardly any is.
fn background_shift_px(a: &Look, b: &Look) -> f64 {
    const PATCH: usize = 24;
    const REACH: i64 = 8;
    if a.small.width != b.small.width || a.small.height != b.small.height {
        return f64::INFINITY;
    }
    let (w, h) = (a.small.width, a.small.height);
    let edge = REACH as usize + 1;
    let (mut shifts, mut textured) = (Vec::new(), 0);
    let mut top = edge;
    while top + PATCH + edge < h {
        let mut left = edge;
        while left + PATCH + edge < w {
            if let Some(shift) = patch_shift(&a.small, &b.small, left, top, PATCH, REACH) {
                textured += 1;
                shifts.extend(shift);
            }
            left += PATCH;
        }
        top += PATCH;
    }
    // Athletes and the sheet itself move; most of a picture does not. Where not a third of it is found again it is another shot.
    if shifts.len() < 6 || 3 * shifts.len() < textured {
        return f64::INFINITY;
    }
    let median = |k: usize| {
        let mut v: Vec<f64> = shifts.iter().map(|s| s[k]).collect();
        v.sort_by(f64::total_cmp);
        v[v.len() / 2]
    };
    a.reduced * median(0).hypot(median(1))
}

/// Where a patch of `a` is in `b`, px, to a fraction of a pixel. Outer `None`: no texture. Inner `None`: not found again.
fn patch_shift(a: &Grey, b: &Grey, left: usize, top: usize, side: usize, reach: i64) -> Option<Option<[f64; 2]>> {
    let at = |g: &Grey, x: i64, y: i64| f64::from(g.data[y as usize * g.width + x as usize]);
    let n = (side * side) as f64;
    let (mut sum, mut squares) = (0.0, 0.0);
    let mut gradient = [0.0; 2];
    for y in 0..side {
        for x in 0..side {
            let (x, y) = ((left + x) as i64, (top + y) as i64);
            let v = at(a, x, y);
            sum += v;
            squares += v * v;
            gradient[0] += (at(a, x + 1, y) - at(a, x - 1, y)).powi(2);
            gradient[1] += (at(a, x, y + 1) - at(a, x, y - 1)).powi(2);
        }
    }
    let variance = squares / n - (sum / n).powi(2);
    if variance < 36.0 || gradient.iter().any(|g| g / n < 20.0) {
        return None;
    }
    let difference = |dx: i64, dy: i64| {
        let mut d = 0.0;
        for y in 0..side {
            for x in 0..side {
                let (x, y) = ((left + x) as i64, (top + y) as i64);
                d += (at(a, x, y) - at(b, x + dx, y + dy)).powi(2);
            }
        }
        d / n
    };
    let mut best = (f64::INFINITY, 0, 0);
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let d = difference(dx, dy);
            if d < best.0 {
                best = (d, dx, dy);
            }
        }
    }
    let (d, dx, dy) = best;
    if d > 0.35 * variance || dx.abs() == reach || dy.abs() == reach {
        return Some(None);
    }
    let refine = |before: f64, after: f64| {
        let curve = before - 2.0 * d + after;
        if curve > 1e-9 {
            (0.5 * (before - after) / curve).clamp(-0.5, 0.5)
        } else {
            0.0
        }
    };
    Some(Some([
        dx as f64 + refine(difference(dx - 1, dy), difference(dx + 1, dy)),
        dy as f64 + refine(difference(dx, dy - 1), difference(dx, dy + 1)),
    ]))
}

/// How many markers the sheet has.
pub const MARKER_COUNT: usize = MARKERS.len();
