//! A carpet of known size and where a camera sees the two edges of the line along each of its sides.

use super::stripe::Stripe;
use crate::error::{Error, Result};
use crate::floor::FloorCamera;
use crate::types::{CarpetPoint, ImagePoint};
use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

/// Breadth of the boundary line, metres (common practice for the individual carpet).
pub const LINE_M: f64 = 0.05;

/// Lengths of a carpet's sides, metres, over the outer edges of its boundary line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CarpetSize {
    /// The longer side, metres.
    pub long_m: f64,
    /// The shorter side, metres.
    pub short_m: f64,
}

impl Default for CarpetSize {
    /// The carpet for individual routines.
    fn default() -> Self {
        Self {
            long_m: 14.0,
            short_m: 8.0,
        }
    }
}

impl CarpetSize {
    /// From two lengths in any order, metres.
    ///
    /// # Errors
    /// [`Error::Input`] where they are not between 0.5 and 60 m.
    pub fn new(one_m: f64, other_m: f64) -> Result<Self> {
        let believable = |m: f64| (0.5..=60.0).contains(&m);
        if !believable(one_m) || !believable(other_m) {
            return Err(Error::input("a carpet's sides must be between 0.5 and 60 metres, such as 14x8."));
        }
        Ok(Self {
            long_m: one_m.max(other_m),
            short_m: one_m.min(other_m),
        })
    }

    /// Extent along the carpet's x axis (its longer side) and its y axis, metres.
    pub const fn extent_m(self) -> [f64; 2] {
        [self.long_m, self.short_m]
    }
}

/// One of the carpet's four sides, in a frame with its origin in the middle of the carpet and x along the longer side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Side {
    /// The axis on which the side lies at a constant place: 0 for x (a short side), 1 for y (a long side).
    pub axis: usize,
    /// Whether that place is positive.
    pub positive: bool,
}

/// All four sides.
pub const SIDES: [Side; 4] = [
    Side { axis: 0, positive: true },
    Side { axis: 0, positive: false },
    Side { axis: 1, positive: true },
    Side { axis: 1, positive: false },
];

impl Side {
    /// `long` or `short`.
    pub const fn words(self) -> &'static str {
        if self.axis == 0 {
            "short"
        } else {
            "long"
        }
    }
}

/// Lengths that a fit may move a little: the carpet's extents and the line's breadth, metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lengths {
    /// Extent along x and y over the line's outer edges.
    pub extent_m: [f64; 2],
    /// Breadth of the line.
    pub line_m: f64,
}

impl Lengths {
    /// Place of the line's outer and inner edge on the side's axis, metres.
    fn edges_m(&self, side: Side) -> [f64; 2] {
        let sign = if side.positive { 1.0 } else { -1.0 };
        let outer = 0.5 * self.extent_m[side.axis];
        [sign * outer, sign * (outer - self.line_m)]
    }

    /// Place of the line's middle on the side's axis, metres.
    pub fn middle_m(&self, side: Side) -> f64 {
        let [outer, inner] = self.edges_m(side);
        0.5 * (outer + inner)
    }

    /// The corner where two sides meet, middle of the line; `None` for two sides that do not.
    pub fn corner(&self, one: Side, other: Side) -> Option<CarpetPoint> {
        if one.axis == other.axis {
            return None;
        }
        let (x, y) = if one.axis == 0 { (one, other) } else { (other, one) };
        Some(CarpetPoint::new(self.middle_m(x), self.middle_m(y), 0.0))
    }

    /// The point of a side `fraction` of the way along it, middle of the line.
    pub fn along(&self, side: Side, fraction: f64) -> CarpetPoint {
        let across = self.middle_m(side);
        let half = 0.5 * self.extent_m[1 - side.axis] - 0.5 * self.line_m;
        let place = (2.0 * fraction - 1.0) * half;
        if side.axis == 0 {
            CarpetPoint::new(across, place, 0.0)
        } else {
            CarpetPoint::new(place, across, 0.0)
        }
    }
}

/// Takes carpet lines to image lines: the inverse transpose of the carpet's homography. `None` for a camera in the carpet's plane.
pub fn line_map(camera: &FloorCamera) -> Option<Matrix3<f64>> {
    let p = camera.principal();
    let k = Matrix3::new(camera.focal_px, 0.0, p.u, 0.0, camera.focal_px, p.v, 0.0, 0.0, 1.0);
    let r = &camera.rotation;
    let h = k * Matrix3::from_columns(&[r.column(0).into_owned(), r.column(1).into_owned(), camera.translation_m]);
    Some(h.try_inverse()?.transpose())
}

/// Where a side's line is seen across a stripe at one of its stations: middle over the station and breadth, px.
pub fn seen_at(map: &Matrix3<f64>, lengths: &Lengths, side: Side, stripe: &Stripe, station: usize) -> Option<(f64, f64)> {
    let at = stripe.stations[station];
    let edges = lengths.edges_m(side).map(|place| {
        let mut line = Vector3::new(0.0, 0.0, -place);
        line[side.axis] = 1.0;
        let l = map * line;
        -(l.x * at.u + l.y * at.v + l.z) / (l.x * stripe.across[0] + l.y * stripe.across[1])
    });
    let seen = (0.5 * (edges[0] + edges[1]), (edges[0] - edges[1]).abs());
    (seen.0.is_finite() && seen.1.is_finite()).then_some(seen)
}

/// A side as image points, where it is in front of the camera and within the picture: `count` places along it, with the fraction of the way.
pub fn visible(camera: &FloorCamera, lengths: &Lengths, side: Side, count: usize) -> Vec<(f64, ImagePoint)> {
    let [w, h] = camera.image_size.map(|s| s as f64);
    (0..=count)
        .filter_map(|k| {
            let fraction = k as f64 / count as f64;
            let p = camera.project(lengths.along(side, fraction))?;
            (p.u > 2.0 && p.v > 2.0 && p.u < w - 2.0 && p.v < h - 2.0).then_some((fraction, p))
        })
        .collect()
}
