//! The sheet's markers in one picture.

use super::align::{self, square_to_quad, Aligned, Grey};
use super::artwork::{self, MARKERS};
use crate::error::{Error, Result};
use crate::types::ImagePoint;
use nalgebra::{Matrix3, Vector3};
use opencv::core::{Mat, Point2f, Ptr, Size, Vector};
use opencv::prelude::*;

/// A marker of the sheet, measured in a picture.
#[derive(Debug, Clone)]
pub struct Found {
    /// Its position in [`MARKERS`].
    pub marker: usize,
    /// Corners and their covariance.
    pub aligned: Aligned,
    /// Whether OpenCV read its number here; else it was looked for where the others say it must be.
    pub read: bool,
}

/// Pictures are looked at as they are, and where nothing is found stretched: a sheet seen from near the carpet is only a few pixels tall, and OpenCV finds squares better when
/// they are not that flat.
const STRETCHES: [(f64, f64); 3] = [(1.0, 1.0), (1.0, 2.5), (2.0, 5.0)];

/// Stretched pictures are not made larger than this; of a larger one only the lower part is looked at, where the carpet is.
const LARGEST_PX: f64 = 16.0e6;

/// Correlation of a marker's drawing with the picture below which it is not there (hidden, or something else). A random patch of a picture seldom passes 0.6.
const LEAST_CORRELATION: f64 = 0.80;

/// The sheet's markers in a picture: read by OpenCV, measured by [`align`], and those that OpenCV could not read looked for where the read ones say.
/// `thorough`: stretched as well, which takes some times longer.
///
/// # Errors
/// [`Error::Ours`] where OpenCV fails.
pub fn markers(grey: &Grey, thorough: bool) -> Result<Vec<Found>> {
    let mut found: Vec<Found> = Vec::new();
    let area = grey.width as f64 * grey.height as f64;
    for (k, stretch) in STRETCHES.into_iter().enumerate() {
        if k > 0 && !thorough || k > 1 && area * stretch.0 * stretch.1 > LARGEST_PX {
            break;
        }
        let seen = read(grey, stretch).map_err(|e| Error::ours(format!("OpenCV failed to look for markers ({e}).")))?;
        for (marker, corners) in seen {
            if found.iter().any(|f| f.marker == marker) {
                continue;
            }
            if let Some(aligned) = align::align(grey, &MARKERS[marker], &corners)?.filter(|a| a.correlation >= LEAST_CORRELATION) {
                found.push(Found {
                    marker,
                    aligned,
                    read: true,
                });
            }
        }
        if !found.is_empty() {
            break;
        }
    }
    look_for_the_others(grey, &mut found)?;
    found.sort_by_key(|f| f.marker);
    Ok(found)
}

/// Markers read by OpenCV in the picture stretched by `stretch` along u and v: position in [`MARKERS`] and corners.
fn read(grey: &Grey, stretch: (f64, f64)) -> opencv::Result<Vec<(usize, [ImagePoint; 4])>> {
    let whole = Mat::new_rows_cols_with_data(grey.height as i32, grey.width as i32, &grey.data)?;
    let area = grey.width as f64 * grey.height as f64 * stretch.0 * stretch.1;
    // The lower part of the picture, as much of it as fits.
    let rows = ((grey.height as f64 * (LARGEST_PX / area).min(1.0)) as i32).max(1);
    let top = grey.height as i32 - rows;
    let part = whole.row_bounds(top, grey.height as i32)?;
    let mut stretched = Mat::default();
    let size = Size::new(
        (grey.width as f64 * stretch.0).round() as i32,
        (f64::from(rows) * stretch.1).round() as i32,
    );
    let scale = (f64::from(size.width) / grey.width as f64, f64::from(size.height) / f64::from(rows));
    if stretch == (1.0, 1.0) {
        part.copy_to(&mut stretched)?;
    } else {
        opencv::imgproc::resize(&part, &mut stretched, size, 0.0, 0.0, opencv::imgproc::INTER_CUBIC)?;
    }
    let mut parameters = opencv::aruco::DetectorParameters::create()?;
    let longer = f64::from(size.width.max(size.height));
    // A square with a side of nine pixels is the smallest that six cells can be read from.
    parameters.set_min_marker_perimeter_rate((36.0 / longer).min(0.03));
    parameters.set_min_corner_distance_rate(0.03);
    parameters.set_polygonal_approx_accuracy_rate(0.05);
    parameters.set_adaptive_thresh_win_size_min(5);
    parameters.set_adaptive_thresh_win_size_max(53);
    parameters.set_adaptive_thresh_win_size_step(16);
    let (mut corners, mut ids) = (Vector::<Vector<Point2f>>::new(), Vector::<i32>::new());
    let parameters: Ptr<_> = parameters;
    opencv::aruco::detect_markers(
        &stretched,
        &artwork::dictionary()?,
        &mut corners,
        &mut ids,
        &parameters,
        &mut opencv::core::no_array(),
    )?;
    let mut seen = Vec::new();
    for (id, quad) in ids.iter().zip(corners.iter()) {
        let Some(marker) = MARKERS.iter().position(|m| m.id == id) else {
            continue;
        };
        if quad.len() != 4 {
            continue;
        }
        // OpenCV counts from the middle of the first pixel.
        let at = |k: usize| -> opencv::Result<ImagePoint> {
            let p = quad.get(k)?;
            Ok(ImagePoint::new(
                (f64::from(p.x) + 0.5) / scale.0,
                (f64::from(p.y) + 0.5) / scale.1 + f64::from(top),
            ))
        };
        seen.push((marker, [at(0)?, at(1)?, at(2)?, at(3)?]));
    }
    Ok(seen)
}

/// Homography from the sheet (mm) to the picture by one measured marker.
fn by_one(found: &Found) -> Matrix3<f64> {
    let m = &MARKERS[found.marker];
    let to_square = Matrix3::new(
        1.0 / m.side_mm,
        0.0,
        -m.left_mm / m.side_mm,
        0.0,
        -1.0 / m.side_mm,
        m.top_mm / m.side_mm,
        0.0,
        0.0,
        1.0,
    );
    square_to_quad(&found.aligned.corners) * to_square
}

fn look_for_the_others(grey: &Grey, found: &mut Vec<Found>) -> Result<()> {
    for (marker, printed) in MARKERS.iter().enumerate() {
        if found.iter().any(|f| f.marker == marker) {
            continue;
        }
        // The largest marker tells best where the others are.
        let Some(by) = found.iter().min_by_key(|f| f.marker) else {
            return Ok(());
        };
        let h = by_one(by);
        let corners = printed.corners_mm().map(|c| {
            let p = h * Vector3::new(c[0], c[1], 1.0);
            ImagePoint::new(p.x / p.z, p.y / p.z)
        });
        if corners.iter().any(|c| !c.u.is_finite() || !c.v.is_finite()) {
            continue;
        }
        let contrast = by.aligned.contrast;
        let there = align::align(grey, printed, &corners)?
            .filter(|a| a.correlation >= LEAST_CORRELATION && a.contrast > 0.5 * contrast && a.contrast < 2.0 * contrast);
        if let Some(aligned) = there {
            found.push(Found {
                marker,
                aligned,
                read: false,
            });
        }
    }
    Ok(())
}
