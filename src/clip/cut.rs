//! Cuts between shots, from the pictures: everything changes at once.

use crate::types::RgbImage;
use std::collections::VecDeque;

/// Cells of the coarse picture across and down.
const CELLS: [usize; 2] = [32, 18];
/// Mean change of a cell's brightness that a cut makes at least, of 255.
const LEAST_CHANGE: f64 = 9.0;
/// And at least so many times the usual change of the frames before (a moving camera changes all of the picture all the time).
const TIMES_USUAL: f64 = 5.0;
/// Frames that "usual" looks back on.
const LOOK_BACK: usize = 12;

/// Looks at one frame after the other.
#[derive(Debug, Clone, Default)]
pub struct CutFinder {
    last: Option<Vec<f64>>,
    changes: VecDeque<f64>,
}

impl CutFinder {
    /// Whether a cut lies between the frame before and this one.
    pub fn is_cut(&mut self, image: &RgbImage) -> bool {
        let now = coarse(image);
        let Some(before) = self.last.replace(now.clone()) else {
            return false;
        };
        if before.len() != now.len() {
            return true;
        }
        let change = before.iter().zip(&now).map(|(a, b)| (a - b).abs()).sum::<f64>() / now.len() as f64;
        let mut usual: Vec<f64> = self.changes.iter().copied().collect();
        usual.sort_by(f64::total_cmp);
        let usual = usual.get(usual.len() / 2).copied().unwrap_or(0.0);
        let cut = change >= LEAST_CHANGE && change >= TIMES_USUAL * usual;
        if cut {
            self.changes.clear();
        } else {
            self.changes.push_back(change);
            if self.changes.len() > LOOK_BACK {
                self.changes.pop_front();
            }
        }
        cut
    }
}

/// Mean brightness (of 255) of each cell, from every few pixels.
fn coarse(image: &RgbImage) -> Vec<f64> {
    let [across, down] = CELLS;
    let mut sums = vec![(0.0, 0.0); across * down];
    let step = (image.width.min(image.height) / 120).max(1);
    for y in (0..image.height).step_by(step) {
        for x in (0..image.width).step_by(step) {
            let i = 3 * (y * image.width + x);
            let Some([r, g, b]) = image.data.get(i..i + 3).and_then(|p| <[u8; 3]>::try_from(p).ok()) else {
                continue;
            };
            let cell = &mut sums[(y * down / image.height) * across + x * across / image.width];
            // Luma of BT.709.
            cell.0 += 0.2126 * f64::from(r) + 0.7152 * f64::from(g) + 0.0722 * f64::from(b);
            cell.1 += 1.0;
        }
    }
    sums.into_iter().filter(|s| s.1 > 0.0).map(|s| s.0 / s.1).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(seed: usize, shift: usize) -> RgbImage {
        let mut image = RgbImage::filled(320, 180, [0, 0, 0]);
        for y in 0..180 {
            for x in 0..320 {
                let v = (((x + shift) / 20 * 37 + y / 20 * 91 + seed * 53) % 200) as u8;
                image.data[3 * (y * 320 + x)..][..3].fill(v);
            }
        }
        image
    }

    #[test]
    fn a_cut_is_found_and_a_slow_pan_is_none() {
        let mut finder = CutFinder::default();
        let cuts: Vec<bool> = (0..30).map(|k| finder.is_cut(&picture(usize::from(k >= 20), k))).collect();
        assert_eq!(cuts.iter().filter(|c| **c).count(), 1);
        assert!(cuts[20]);
    }
}
