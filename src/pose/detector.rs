//! Finding people in a whole picture: the detector's input, anchors, decoding, and merging of overlapping finds.

use super::region::{Border, Region};
use crate::types::{ImagePoint, RgbImage};
use crate::{Error, Result};
use ort::session::Session;
use ort::value::TensorRef;

/// Side of the detector's square input, px.
pub const INPUT_SIDE: usize = 224;
/// Candidates that the detector gives.
pub const ANCHOR_COUNT: usize = 2254;
/// Score from which a candidate counts (the original pipeline's).
pub const SCORE_THRESHOLD: f64 = 0.5;
/// Overlap (intersection over union of the boxes) from which two candidates are one person (the original pipeline's).
pub const OVERLAP_THRESHOLD: f64 = 0.3;
const LOGIT_LIMIT: f32 = 100.0;
const STRIDES: [usize; 5] = [8, 16, 32, 32, 32];
const ANCHORS_A_CELL: usize = 2;

/// A person found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detection {
    /// The detector's own score, 0–1.
    pub score: f64,
    /// Middle of the box about the face, px.
    pub box_centre: ImagePoint,
    /// Width and height of that box, px.
    pub box_size_px: [f64; 2],
    /// Middle of the hips, px.
    pub hips: ImagePoint,
    /// A point whose distance from the hips is the radius of a circle about the whole body, in the direction of its lean, px.
    pub size_point: ImagePoint,
}

impl Detection {
    /// Radius of the circle about the whole body, px.
    pub fn radius_px(&self) -> f64 {
        self.hips.distance_px(self.size_point)
    }

    /// The window for the landmark network.
    pub fn region(&self) -> Region {
        Region::about_body(self.hips, self.size_point)
    }
}

/// Centres of the anchors as fractions of the input: strides 8, 16 and three of 32, two anchors at each cell.
pub(crate) fn anchors() -> Vec<[f64; 2]> {
    let mut anchors = Vec::with_capacity(ANCHOR_COUNT);
    let mut layer = 0;
    while layer < STRIDES.len() {
        // Layers of one stride share their cells: all their anchors follow each other at each cell.
        let same = STRIDES[layer..].iter().take_while(|&&s| s == STRIDES[layer]).count();
        let cells = INPUT_SIDE / STRIDES[layer];
        for row in 0..cells {
            for column in 0..cells {
                for _ in 0..ANCHORS_A_CELL * same {
                    anchors.push([(column as f64 + 0.5) / cells as f64, (row as f64 + 0.5) / cells as f64]);
                }
            }
        }
        layer += same;
    }
    anchors
}

/// Candidates over [`SCORE_THRESHOLD`] from the network's raw outputs, in the picture's frame, best first.
///
/// `boxes`: 2254 × 12, centre, size and four points in px of the input relative to the anchors; `logits`: 2254.
pub(crate) fn decode(boxes: &[f32], logits: &[f32], anchors: &[[f64; 2]], region: &Region) -> Vec<Detection> {
    let side = INPUT_SIDE as f64;
    let mut found: Vec<Detection> = anchors
        .iter()
        .zip(boxes.chunks_exact(12))
        .zip(logits)
        .filter_map(|((anchor, row), logit)| {
            let score = 1.0 / (1.0 + f64::from(-logit.clamp(-LOGIT_LIMIT, LOGIT_LIMIT)).exp());
            let point = |i: usize| region.to_image(anchor[0] + f64::from(row[i]) / side, anchor[1] + f64::from(row[i + 1]) / side);
            let size = |i: usize| f64::from(row[i]) / side * region.side_px;
            let usable = score >= SCORE_THRESHOLD && row.iter().all(|v| v.is_finite()) && row[2] > 0.0 && row[3] > 0.0;
            usable.then(|| Detection {
                score,
                box_centre: point(0),
                box_size_px: [size(2), size(3)],
                hips: point(4),
                size_point: point(6),
            })
        })
        .filter(|d| d.radius_px() > 1.0)
        .collect();
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found
}

/// Intersection over union of two detections' boxes (upright), 0–1.
pub(crate) fn overlap(a: &Detection, b: &Detection) -> f64 {
    let span = |ca: f64, sa: f64, cb: f64, sb: f64| ((ca + sa / 2.0).min(cb + sb / 2.0) - (ca - sa / 2.0).max(cb - sb / 2.0)).max(0.0);
    let common = span(a.box_centre.u, a.box_size_px[0], b.box_centre.u, b.box_size_px[0])
        * span(a.box_centre.v, a.box_size_px[1], b.box_centre.v, b.box_size_px[1]);
    let area = |d: &Detection| d.box_size_px[0] * d.box_size_px[1];
    let union = area(a) + area(b) - common;
    if union > 0.0 {
        common / union
    } else {
        0.0
    }
}

/// Merges candidates that overlap into one each: the best keeps its score, boxes and points are averaged by score
/// (the original pipeline's weighted non-maximum suppression). `found` is sorted best first.
pub(crate) fn merge(mut found: Vec<Detection>) -> Vec<Detection> {
    let mut merged = Vec::new();
    while !found.is_empty() {
        let best = found[0];
        let (same, rest): (Vec<_>, Vec<_>) = found.into_iter().partition(|d| overlap(&best, d) > OVERLAP_THRESHOLD);
        found = rest;
        if same.is_empty() {
            // A box without area overlaps nothing, not even itself.
            merged.push(best);
            found.retain(|d| *d != best);
            continue;
        }
        let total: f64 = same.iter().map(|d| d.score).sum();
        let mean = |of: &dyn Fn(&Detection) -> f64| same.iter().map(|d| d.score * of(d)).sum::<f64>() / total;
        merged.push(Detection {
            score: best.score,
            box_centre: ImagePoint::new(mean(&|d| d.box_centre.u), mean(&|d| d.box_centre.v)),
            box_size_px: [mean(&|d| d.box_size_px[0]), mean(&|d| d.box_size_px[1])],
            hips: ImagePoint::new(mean(&|d| d.hips.u), mean(&|d| d.hips.v)),
            size_point: ImagePoint::new(mean(&|d| d.size_point.u), mean(&|d| d.size_point.v)),
        });
    }
    merged
}

/// The detector's session.
pub struct Detector {
    session: Session,
    anchors: Vec<[f64; 2]>,
}

impl Detector {
    /// A detector on an open session.
    pub(crate) fn new(session: Session) -> Self {
        Self {
            session,
            anchors: anchors(),
        }
    }

    /// People in one square window, best first.
    ///
    /// # Errors
    /// [`Error::Input`] for a broken picture, [`Error::Ours`] where the network fails.
    pub fn find_in(&mut self, image: &RgbImage, region: &Region) -> Result<Vec<Detection>> {
        let input = region.sample(image, INPUT_SIDE, Border::Black, 1.0 / 127.5, -1.0)?;
        let (boxes, logits) = self.run(&input).map_err(failed)?;
        Ok(merge(decode(&boxes, &logits, &self.anchors, region)))
    }

    /// People in the whole picture, best first. Where nobody is found, overlapping windows of half the picture's larger side are searched too: people under about
    /// 80 px of a 224-px input are missed.
    ///
    /// # Errors
    /// As [`Detector::find_in`].
    pub fn find(&mut self, image: &RgbImage) -> Result<Vec<Detection>> {
        let found = self.find_in(image, &Region::whole(image.width, image.height))?;
        if !found.is_empty() {
            return Ok(found);
        }
        let mut found = Vec::new();
        for window in closer_windows(image.width, image.height) {
            found.extend(self.find_in(image, &window)?);
        }
        found.sort_by(|a, b| b.score.total_cmp(&a.score));
        Ok(merge(found))
    }

    /// The raw outputs for one input: boxes (2254 × 12, px of the input) and score logits (2254).
    ///
    /// `input`: 224 × 224 × 3 values in [-1, 1].
    ///
    /// # Errors
    /// ONNX Runtime's own.
    pub fn run(&mut self, input: &[f32]) -> ort::Result<(Vec<f32>, Vec<f32>)> {
        let tensor = TensorRef::from_array_view(([1, INPUT_SIDE, INPUT_SIDE, 3], input))?;
        let outputs = self.session.run(ort::inputs!["image" => tensor])?;
        let boxes = outputs["boxes"].try_extract_tensor::<f32>()?.1.to_vec();
        let logits = outputs["score_logits"].try_extract_tensor::<f32>()?.1.to_vec();
        Ok((boxes, logits))
    }
}

fn failed(error: ort::Error) -> Error {
    Error::ours(format!("The person detector failed: {error}; please report this."))
}

/// Square windows of half the larger side, overlapping by at least half, that cover the picture.
fn closer_windows(width: usize, height: usize) -> Vec<Region> {
    let side = width.max(height) as f64 / 2.0;
    let starts = |length: usize| {
        let length = length as f64;
        let count = if length <= side {
            1
        } else {
            ((length - side) / (side / 2.0)).ceil() as usize + 1
        };
        (0..count)
            .map(|i| {
                if count == 1 {
                    (length - side) / 2.0
                } else {
                    (length - side) * i as f64 / (count - 1) as f64
                }
            })
            .collect::<Vec<_>>()
    };
    let columns = starts(width);
    starts(height)
        .into_iter()
        .flat_map(|v| {
            columns.iter().map(move |u| Region {
                centre: ImagePoint::new(u + side / 2.0, v + side / 2.0),
                side_px: side,
                rotation_rad: 0.0,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn detection(u: f64, v: f64, size: f64, score: f64) -> Detection {
        Detection {
            score,
            box_centre: ImagePoint::new(u, v),
            box_size_px: [size, size],
            hips: ImagePoint::new(u, v + 3.0 * size),
            size_point: ImagePoint::new(u, v - size),
        }
    }

    #[test]
    fn anchors_match_the_networks_output_rows() {
        // 28² × 2 + 14² × 2 + 7² × 6 = 2254 rows of the network's boxes.
        let anchors = anchors();
        assert_eq!(anchors.len(), ANCHOR_COUNT);
        assert_eq!(anchors[0], [0.5 / 28.0, 0.5 / 28.0]);
        assert_eq!(anchors[ANCHOR_COUNT - 1], [6.5 / 7.0, 6.5 / 7.0]);
    }

    #[test]
    fn overlap_of_known_squares() {
        // Two unit squares shifted by half a side share 1/2 of 3/2.
        let a = detection(0.0, 0.0, 1.0, 0.9);
        let b = detection(0.5, 0.0, 1.0, 0.9);
        assert!((overlap(&a, &b) - 1.0 / 3.0).abs() < 1e-12);
        assert_eq!(overlap(&a, &detection(5.0, 0.0, 1.0, 0.9)), 0.0);
    }

    #[test]
    fn one_person_seen_twice_is_merged_and_a_neighbour_is_kept() {
        let merged = merge(vec![
            detection(100.0, 50.0, 20.0, 0.9),
            detection(300.0, 50.0, 20.0, 0.8),
            detection(102.0, 50.0, 20.0, 0.6),
        ]);
        assert_eq!(merged.len(), 2);
        assert!((merged[0].box_centre.u - (0.9 * 100.0 + 0.6 * 102.0) / 1.5).abs() < 1e-9);
        assert_eq!(merged[0].score, 0.9);
        assert_eq!(merged[1].box_centre.u, 300.0);
    }

    #[test]
    fn closer_windows_cover_the_picture() {
        for (width, height) in [(1920, 1080), (1080, 1920), (640, 640), (100, 1000)] {
            let windows = closer_windows(width, height);
            for point in [
                (1.0, 1.0),
                (width as f64 - 1.0, height as f64 - 1.0),
                (width as f64 / 2.0, height as f64 / 2.0),
            ] {
                assert!(windows.iter().any(|w| w.contains(ImagePoint::new(point.0, point.1))));
            }
            assert!(windows.len() <= 9, "{}", windows.len());
        }
    }
}
