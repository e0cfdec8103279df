//! Where stripes may be: straight edges (OpenCV's line segment detector; Grompone von Gioi et al., IEEE PAMI 32(4), 2010), paired where one rises and the next, parallel and
//! close, falls, and the pairs strung together along one line over what stands in front.

use super::mask::Mask;
use crate::error::{Error, Result};
use crate::floor::sheet::align::Grey;
use crate::types::ImagePoint;
use nalgebra::Vector2;
use opencv::core::{Mat, Vec4f};
use opencv::prelude::*;

/// A straight edge.
#[derive(Debug, Clone, Copy)]
struct Edge {
    ends: [Vector2<f64>; 2],
    /// Unit vector across, towards the brighter side.
    brighter: Vector2<f64>,
}

/// A part of a stripe between two edges.
#[derive(Debug, Clone, Copy)]
struct Piece {
    /// Ends of its middle.
    ends: [Vector2<f64>; 2],
    /// Breadth there, px.
    width: [f64; 2],
    brighter: bool,
}

/// A line along which a stripe may lie: not measured yet.
#[derive(Debug, Clone)]
pub struct Guess {
    /// Ends of its middle as far as edges were found.
    pub ends: [ImagePoint; 2],
    /// Its breadth there, px.
    pub width_px: [f64; 2],
    /// Whether it is brighter than what is beside it.
    pub brighter: bool,
}

/// Shortest edge, px.
const LEAST_EDGE_PX: f64 = 10.0;
/// Edges of one stripe are parallel within this (perspective makes them meet), degrees.
const PARALLEL_DEG: f64 = 4.0;
/// Breadths of a stripe that are looked for, px.
const WIDTHS_PX: std::ops::Range<f64> = 0.7..45.0;
/// Shortest stripe that is looked for, as a share of the picture's longer side.
const LEAST_LENGTH: f64 = 0.04;
/// Most edges that are compared with each other, the longest first; a picture with more is all texture.
const MOST_EDGES: usize = 3000;

/// Grey level at an image point, between the pixels.
pub(super) fn level(grey: &Grey, u: f64, v: f64) -> f64 {
    let (x, y) = (
        (u - 0.5).clamp(0.0, grey.width as f64 - 1.001),
        (v - 0.5).clamp(0.0, grey.height as f64 - 1.001),
    );
    let (column, row) = (x as usize, y as usize);
    let (fx, fy) = (x - column as f64, y - row as f64);
    let at = |c: usize, r: usize| f64::from(grey.data[r.min(grey.height - 1) * grey.width + c.min(grey.width - 1)]);
    let top = at(column, row) * (1.0 - fx) + at(column + 1, row) * fx;
    let bottom = at(column, row + 1) * (1.0 - fx) + at(column + 1, row + 1) * fx;
    top * (1.0 - fy) + bottom * fy
}

/// Lines along which stripes may lie, longest first.
///
/// # Errors
/// [`Error::Ours`] where OpenCV fails.
pub fn guesses(grey: &Grey, mask: &Mask) -> Result<Vec<Guess>> {
    let edges = edges(grey, mask).map_err(|e| Error::ours(format!("OpenCV failed to look for lines ({e}).")))?;
    let longer = grey.width.max(grey.height) as f64;
    Ok(strung(pieces(&edges), LEAST_LENGTH * longer))
}

fn edges(grey: &Grey, mask: &Mask) -> opencv::Result<Vec<Edge>> {
    let picture = Mat::new_rows_cols_with_data(grey.height as i32, grey.width as i32, &grey.data)?;
    let mut detector = opencv::imgproc::create_line_segment_detector(opencv::imgproc::LSD_REFINE_STD, 0.8, 0.6, 2.0, 22.5, 0.0, 0.7, 1024)?;
    let mut lines = Mat::default();
    let mut none = opencv::core::no_array();
    let (mut none_2, mut none_3) = (opencv::core::no_array(), opencv::core::no_array());
    detector.detect(&picture, &mut lines, &mut none, &mut none_2, &mut none_3)?;
    let mut out = Vec::new();
    if lines.empty() {
        return Ok(out);
    }
    for line in lines.data_typed::<Vec4f>()? {
        // OpenCV counts from the middle of the first pixel.
        let a = Vector2::new(f64::from(line[0]) + 0.5, f64::from(line[1]) + 0.5);
        let b = Vector2::new(f64::from(line[2]) + 0.5, f64::from(line[3]) + 0.5);
        let along = b - a;
        let length = along.norm();
        let middle = 0.5 * (a + b);
        if length < LEAST_EDGE_PX || mask.hides(ImagePoint::new(middle.x, middle.y)) {
            continue;
        }
        let across = Vector2::new(-along.y, along.x) / length;
        let rise: f64 = (1..10)
            .map(|k| {
                let p = a + along * (f64::from(k) / 10.0);
                let (q, r) = (p + 1.2 * across, p - 1.2 * across);
                level(grey, q.x, q.y) - level(grey, r.x, r.y)
            })
            .sum();
        out.push(Edge {
            ends: [a, b],
            brighter: across * rise.signum(),
        });
    }
    out.sort_by(|x, y| (y.ends[1] - y.ends[0]).norm().total_cmp(&(x.ends[1] - x.ends[0]).norm()));
    out.truncate(MOST_EDGES);
    Ok(out)
}

/// Pairs of edges that face away from each other (a brighter stripe between them) or towards each other (a darker one), each with its nearest.
fn pieces(edges: &[Edge]) -> Vec<Piece> {
    let cosine = PARALLEL_DEG.to_radians().cos();
    let mut found: Vec<(usize, usize, f64, Piece)> = Vec::new();
    for (i, a) in edges.iter().enumerate() {
        let along = (a.ends[1] - a.ends[0]).normalize();
        let reach = (a.ends[1] - a.ends[0]).norm();
        for (k, b) in edges.iter().enumerate().skip(i + 1) {
            if a.brighter.dot(&b.brighter) > -cosine {
                continue;
            }
            let apart = (0.5 * (b.ends[0] + b.ends[1]) - a.ends[0]).dot(&a.brighter);
            if !WIDTHS_PX.contains(&apart.abs()) {
                continue;
            }
            let (mut s, mut t) = ((b.ends[0] - a.ends[0]).dot(&along), (b.ends[1] - a.ends[0]).dot(&along));
            let mut others = b.ends;
            if s > t {
                std::mem::swap(&mut s, &mut t);
                others.swap(0, 1);
            }
            let (from, to) = (s.max(0.0), t.min(reach));
            if to - from < 0.4 * reach.min(t - s) || to - from < LEAST_EDGE_PX.max(1.2 * apart.abs()) {
                continue;
            }
            // Both edges' points at the overlap's ends.
            let on_b = |x: f64| others[0] + (others[1] - others[0]) * ((x - s) / (t - s).max(1e-9));
            let on_a = |x: f64| a.ends[0] + along * x;
            let ends = [from, to].map(|x| 0.5 * (on_a(x) + on_b(x)));
            let width = [from, to].map(|x| (on_a(x) - on_b(x)).norm());
            found.push((
                i,
                k,
                apart.abs(),
                Piece {
                    ends,
                    width,
                    brighter: apart > 0.0,
                },
            ));
        }
    }
    let mut nearest = vec![[f64::INFINITY; 2]; edges.len()];
    for (i, k, apart, piece) in &found {
        for e in [i, k] {
            let best = &mut nearest[*e][usize::from(piece.brighter)];
            *best = best.min(*apart);
        }
    }
    found
        .into_iter()
        .filter(|(i, k, apart, piece)| [i, k].iter().any(|e| *apart <= nearest[**e][usize::from(piece.brighter)] + 1e-9))
        .map(|(_, _, _, piece)| piece)
        .collect()
}

/// A straight line by total least squares through points with weights: a point on it and its direction.
fn line_through(points: &[(Vector2<f64>, f64)]) -> (Vector2<f64>, Vector2<f64>) {
    let total: f64 = points.iter().map(|p| p.1).sum();
    let mean = points.iter().fold(Vector2::zeros(), |m, p| m + p.0 * (p.1 / total));
    let (mut a, mut b, mut c) = (0.0, 0.0, 0.0);
    for (p, w) in points {
        let d = p - mean;
        a += w * d.x * d.x;
        b += w * d.x * d.y;
        c += w * d.y * d.y;
    }
    let angle = 0.5 * (2.0 * b).atan2(a - c);
    (mean, Vector2::new(angle.cos(), angle.sin()))
}

/// Strings pieces together that lie on one line and are about as broad as the line's perspective lets them be.
fn strung(mut pieces: Vec<Piece>, least_px: f64) -> Vec<Guess> {
    let length = |p: &Piece| (p.ends[1] - p.ends[0]).norm();
    pieces.sort_by(|x, y| length(y).total_cmp(&length(x)));
    let mut used = vec![false; pieces.len()];
    let mut out = Vec::new();
    for seed in 0..pieces.len() {
        if used[seed] {
            continue;
        }
        used[seed] = true;
        let mut members = vec![seed];
        let (mean, along) = loop {
            let points: Vec<(Vector2<f64>, f64)> = members
                .iter()
                .flat_map(|m| pieces[*m].ends.map(|e| (e, length(&pieces[*m]))))
                .collect();
            let (mean, along) = line_through(&points);
            let across = Vector2::new(-along.y, along.x);
            let place = |p: &Vector2<f64>| (p - mean).dot(&along);
            let (from, to) = points
                .iter()
                .map(|p| place(&p.0))
                .fold((f64::INFINITY, f64::NEG_INFINITY), |r, t| (r.0.min(t), r.1.max(t)));
            let span = (to - from).max(1.0);
            let widths: Vec<f64> = members.iter().flat_map(|m| pieces[*m].width).collect();
            let (narrow, broad) = widths.iter().fold((f64::INFINITY, 0.0_f64), |r, w| (r.0.min(*w), r.1.max(*w)));
            let next = (0..pieces.len())
                .filter(|k| !used[*k] && pieces[*k].brighter == pieces[seed].brighter)
                .filter_map(|k| {
                    let p = &pieces[k];
                    let near = p
                        .ends
                        .iter()
                        .map(|e| (from - place(e)).max(place(e) - to).max(0.0))
                        .fold(f64::INFINITY, f64::min);
                    if near > span + 60.0 {
                        return None;
                    }
                    // How far off a piece may lie grows with the gap to it: the line's direction is only so well known.
                    let fits = p.ends.iter().all(|e| {
                        let beyond = (from - place(e)).max(place(e) - to).max(0.0);
                        (e - mean).dot(&across).abs() < 1.0 + 0.15 * broad.min(10.0) + 1.5 * beyond / span
                    });
                    let middle_width = 0.5 * (p.width[0] + p.width[1]);
                    let believable = middle_width > 0.4 * narrow - 0.7 && middle_width < 2.5 * broad + 0.7;
                    (fits && believable).then_some((k, near))
                })
                .min_by(|x, y| x.1.total_cmp(&y.1));
            let Some((k, _)) = next else { break (mean, along) };
            used[k] = true;
            members.push(k);
        };
        let mut ends: Vec<(f64, f64)> = members
            .iter()
            .flat_map(|m| pieces[*m].ends.into_iter().zip(pieces[*m].width))
            .map(|(e, width)| ((e - mean).dot(&along), width))
            .collect();
        ends.sort_by(|x, y| x.0.total_cmp(&y.0));
        let (first, last) = (ends[0], ends[ends.len() - 1]);
        let width = 0.5 * (first.1 + last.1);
        if last.0 - first.0 < least_px.max(6.0 * width) {
            continue;
        }
        let on_line = |t: f64| {
            let p = mean + along * t;
            ImagePoint::new(p.x, p.y)
        };
        out.push(Guess {
            ends: [on_line(first.0), on_line(last.0)],
            width_px: [first.1, last.1],
            brighter: pieces[seed].brighter,
        });
    }
    out.sort_by(|x, y| y.ends[0].distance_px(y.ends[1]).total_cmp(&x.ends[0].distance_px(x.ends[1])));
    out
}
