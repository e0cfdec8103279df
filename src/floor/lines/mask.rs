//! The athlete's part of a picture, where no line of the carpet is looked for.
//!
//! An arm or a shin is a stripe with two parallel edges too, about as broad as the line, so the body is left out by its bones, generously.

use crate::pose::track::Body;
use crate::types::ImagePoint;

/// Landmarks joined by a bone, and how far skin and clothes reach about it, metres of the network's typical body (our choice, generous).
const BONES: [(usize, usize, f64); 20] = [
    (11, 13, 0.15),
    (13, 15, 0.13),
    (15, 19, 0.14),
    (12, 14, 0.15),
    (14, 16, 0.13),
    (16, 20, 0.14),
    (23, 25, 0.19),
    (25, 27, 0.16),
    (27, 29, 0.14),
    (27, 31, 0.14),
    (24, 26, 0.19),
    (26, 28, 0.16),
    (28, 30, 0.14),
    (28, 32, 0.14),
    (11, 12, 0.18),
    (23, 24, 0.20),
    (11, 23, 0.20),
    (12, 24, 0.20),
    (0, 11, 0.20),
    (0, 12, 0.20),
];

/// Which pixels belong to an athlete.
#[derive(Debug, Clone)]
pub struct Mask {
    width: usize,
    height: usize,
    hidden: Vec<bool>,
}

impl Mask {
    /// Nobody is in the picture.
    pub fn empty(image_size: [usize; 2]) -> Self {
        Self {
            width: image_size[0],
            height: image_size[1],
            hidden: vec![false; image_size[0] * image_size[1]],
        }
    }

    /// What these bodies cover.
    pub fn of<'a>(image_size: [usize; 2], bodies: impl IntoIterator<Item = &'a Body>) -> Self {
        let mut mask = Self::empty(image_size);
        for body in bodies {
            let at: Vec<ImagePoint> = body.keypoints().map(|k| k.at).collect();
            for (a, b, reach_m) in BONES {
                mask.cover(at[a], at[b], reach_m * body.px_per_m);
            }
        }
        mask
    }

    /// Hides everything within `reach_px` of the segment from `a` to `b`.
    pub fn cover(&mut self, a: ImagePoint, b: ImagePoint, reach_px: f64) {
        if ![a.u, a.v, b.u, b.v, reach_px].iter().all(|x| x.is_finite()) {
            return;
        }
        let limit = |x: f64, most: usize| x.clamp(0.0, most as f64) as usize;
        let (left, right) = (
            limit(a.u.min(b.u) - reach_px, self.width),
            limit(a.u.max(b.u) + reach_px + 1.0, self.width),
        );
        let (top, bottom) = (
            limit(a.v.min(b.v) - reach_px, self.height),
            limit(a.v.max(b.v) + reach_px + 1.0, self.height),
        );
        let (du, dv) = (b.u - a.u, b.v - a.v);
        let square = (du * du + dv * dv).max(1e-9);
        for row in top..bottom {
            for column in left..right {
                let (u, v) = (column as f64 + 0.5 - a.u, row as f64 + 0.5 - a.v);
                let t = ((u * du + v * dv) / square).clamp(0.0, 1.0);
                if (u - t * du).hypot(v - t * dv) < reach_px {
                    self.hidden[row * self.width + column] = true;
                }
            }
        }
    }

    /// Whether an image point is covered; outside the picture nothing is.
    pub fn hides(&self, at: ImagePoint) -> bool {
        let inside = at.u >= 0.0 && at.v >= 0.0 && at.u < self.width as f64 && at.v < self.height as f64;
        inside && self.hidden[at.v as usize * self.width + at.u as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn covers_a_capsule_and_nothing_else() {
        let mut mask = Mask::empty([100, 60]);
        mask.cover(ImagePoint::new(20.0, 30.0), ImagePoint::new(60.0, 30.0), 5.0);
        assert!(mask.hides(ImagePoint::new(40.0, 33.0)));
        assert!(mask.hides(ImagePoint::new(63.0, 30.0)));
        assert!(!mask.hides(ImagePoint::new(40.0, 37.0)));
        assert!(!mask.hides(ImagePoint::new(67.0, 30.0)));
        assert!(!mask.hides(ImagePoint::new(-5.0, 30.0)));
        mask.cover(ImagePoint::new(f64::NAN, 0.0), ImagePoint::new(1.0, 1.0), 5.0);
    }
}
