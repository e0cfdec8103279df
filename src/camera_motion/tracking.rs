//! Points of the background from one frame to another, by OpenCV: corners (Shi and Tomasi 1994), pyramidal Lucas–Kanade there and back, RANSAC.

use crate::error::{Error, Result};
use crate::types::{ImagePoint, RgbImage};
use nalgebra::Matrix3;
use opencv::core::{Mat, Point2f, Size, TermCriteria, Vector, BORDER_CONSTANT, BORDER_REFLECT_101};
use opencv::prelude::*;
use opencv::{calib3d, imgproc, video};

/// Width to which frames are brought down, px.
const WIDTH_PX: i32 = 640;
/// One corner is kept in each block of this side, px of the small frame, so that they lie all over the picture.
const BLOCK_PX: i32 = 28;
/// Smaller eigenvalue of the gradient matrix that a corner has at least (grey 0–1, mean over 5 × 5 px): a plain surface's noise gives about a tenth of it.
const LEAST_EIGENVALUE: f32 = 6e-5;
/// Side of the window that Lucas–Kanade compares, px of the small frame.
const WINDOW_PX: i32 = 17;
/// Levels of the pyramid above the small frame.
const LEVELS: i32 = 3;
/// A point that comes back further than this from where it set out is dropped, px of the small frame.
const THERE_AND_BACK_PX: f32 = 0.4;
/// Distance from the plane up to which RANSAC counts a point to it, px of the small frame.
const RANSAC_PX: f64 = 1.5;

/// A frame made small and grey, with its pyramid.
pub struct SmallFrame {
    grey: Mat,
    pyramid: Option<Vector<Mat>>,
    /// Pixels of the upright frame a pixel of the small one.
    pub scale: f64,
}

fn failed(e: opencv::Error) -> Error {
    Error::ours(format!("The camera's motion cannot be followed: {e}; please report this."))
}

impl SmallFrame {
    /// Brings a frame down to 640 px of width at most.
    ///
    /// # Errors
    /// [`Error::Ours`] where OpenCV fails.
    pub fn new(image: &RgbImage) -> Result<Self> {
        Self::made(image).map_err(failed)
    }

    fn made(image: &RgbImage) -> opencv::Result<Self> {
        let flat = Mat::from_slice(&image.data)?;
        let rgb = flat.reshape(3, image.height as i32)?;
        let mut small = Mat::default();
        let scale = (image.width as f64 / f64::from(WIDTH_PX)).max(1.0);
        let mut grey = Mat::default();
        if scale > 1.0 {
            let height = (image.height as f64 / scale).round().max(1.0) as i32;
            imgproc::resize(&rgb, &mut small, Size::new(WIDTH_PX, height), 0.0, 0.0, imgproc::INTER_AREA)?;
            imgproc::cvt_color_def(&small, &mut grey, imgproc::COLOR_RGB2GRAY)?;
        } else {
            imgproc::cvt_color_def(&rgb, &mut grey, imgproc::COLOR_RGB2GRAY)?;
        }
        Ok(Self {
            grey,
            pyramid: None,
            scale,
        })
    }

    /// The small grey picture.
    pub fn grey(&self) -> &Mat {
        &self.grey
    }

    /// Pixel of the small frame (centre of the first at 0, as OpenCV counts) to the upright frame.
    pub fn to_frame(&self, p: Point2f) -> ImagePoint {
        ImagePoint::new((f64::from(p.x) + 0.5) * self.scale, (f64::from(p.y) + 0.5) * self.scale)
    }

    /// The other way.
    pub fn to_small(&self, p: ImagePoint) -> Point2f {
        Point2f::new((p.u / self.scale - 0.5) as f32, (p.v / self.scale - 0.5) as f32)
    }

    fn pyramid(&mut self) -> opencv::Result<&Vector<Mat>> {
        if self.pyramid.is_none() {
            let mut pyramid = Vector::<Mat>::new();
            video::build_optical_flow_pyramid(
                &self.grey,
                &mut pyramid,
                Size::new(WINDOW_PX, WINDOW_PX),
                LEVELS,
                true,
                BORDER_REFLECT_101,
                BORDER_CONSTANT,
                true,
            )?;
            self.pyramid = Some(pyramid);
        }
        self.pyramid
            .as_ref()
            .ok_or_else(|| opencv::Error::new(opencv::core::StsError, "no pyramid"))
    }

    /// Corners where `free` allows them (asked in px of the upright frame): the strongest of each block.
    ///
    /// # Errors
    /// [`Error::Ours`] where OpenCV fails.
    pub fn corners(&self, free: impl Fn(ImagePoint) -> bool) -> Result<Vec<Point2f>> {
        self.strongest(free).map_err(failed)
    }

    fn strongest(&self, free: impl Fn(ImagePoint) -> bool) -> opencv::Result<Vec<Point2f>> {
        let mut strength = Mat::default();
        imgproc::corner_min_eigen_val(&self.grey, &mut strength, 5, 3, BORDER_REFLECT_101)?;
        let (rows, cols) = (strength.rows(), strength.cols());
        let margin = 6;
        let mut out = Vec::new();
        for top in (margin..rows - margin).step_by(BLOCK_PX as usize) {
            for left in (margin..cols - margin).step_by(BLOCK_PX as usize) {
                let mut best = (LEAST_EIGENVALUE, None);
                for y in top..(top + BLOCK_PX).min(rows - margin) {
                    let row = strength.at_row::<f32>(y)?;
                    for x in left..(left + BLOCK_PX).min(cols - margin) {
                        let s = row[x as usize];
                        if s > best.0 && free(self.to_frame(Point2f::new(x as f32, y as f32))) {
                            best = (s, Some(Point2f::new(x as f32, y as f32)));
                        }
                    }
                }
                out.extend(best.1);
            }
        }
        Ok(out)
    }
}

/// Where `points` of `key` are in `now`, starting from `guess`; `None` for a point that is lost or does not come back.
///
/// # Errors
/// [`Error::Ours`] where OpenCV fails.
pub fn follow(key: &mut SmallFrame, now: &mut SmallFrame, points: &[Point2f], guess: &[Point2f]) -> Result<Vec<Option<Point2f>>> {
    if points.is_empty() {
        return Ok(Vec::new());
    }
    there_and_back(key, now, points, guess).map_err(failed)
}

fn there_and_back(
    key: &mut SmallFrame,
    now: &mut SmallFrame,
    points: &[Point2f],
    guess: &[Point2f],
) -> opencv::Result<Vec<Option<Point2f>>> {
    let (width, height) = (now.grey.cols() as f32, now.grey.rows() as f32);
    let criteria = TermCriteria::new(opencv::core::TermCriteria_COUNT + opencv::core::TermCriteria_EPS, 20, 0.01)?;
    let window = Size::new(WINDOW_PX, WINDOW_PX);
    let (from, into) = (key.pyramid()?, now.pyramid()?);
    let start = Vector::<Point2f>::from_slice(points);
    let mut there = Vector::<Point2f>::from_slice(guess);
    let follow = |from: &Vector<Mat>, into: &Vector<Mat>, points: &Vector<Point2f>, found: &mut Vector<Point2f>| {
        let (mut status, mut error) = (Vector::<u8>::new(), Vector::<f32>::new());
        let flags = video::OPTFLOW_USE_INITIAL_FLOW;
        video::calc_optical_flow_pyr_lk(
            from,
            into,
            points,
            found,
            &mut status,
            &mut error,
            window,
            LEVELS,
            criteria,
            flags,
            1e-4,
        )
        .map(|()| status)
    };
    let status = follow(from, into, &start, &mut there)?;
    let mut back = Vector::<Point2f>::from_slice(points);
    let status_back = follow(into, from, &there, &mut back)?;
    (0..points.len())
        .map(|i| {
            let (p, b) = (there.get(i)?, back.get(i)?);
            let off = (b.x - points[i].x).hypot(b.y - points[i].y);
            let inside = p.x > 1.0 && p.y > 1.0 && p.x < width - 2.0 && p.y < height - 2.0;
            Ok((status.get(i)? == 1 && status_back.get(i)? == 1 && inside && off < THERE_AND_BACK_PX).then_some(p))
        })
        .collect()
}

/// The homography most of the pairs agree on, and which do; `None` where there is none. Points and homography in px of the upright frame.
///
/// # Errors
/// [`Error::Ours`] where OpenCV fails.
pub fn most_agreed(pairs: &[(ImagePoint, ImagePoint)], scale: f64) -> Result<Option<(Matrix3<f64>, Vec<bool>)>> {
    if pairs.len() < 8 {
        return Ok(None);
    }
    let agreed = || -> opencv::Result<Option<(Matrix3<f64>, Vec<bool>)>> {
        let side = |of: fn(&(ImagePoint, ImagePoint)) -> ImagePoint| -> Vector<Point2f> {
            pairs.iter().map(|p| Point2f::new(of(p).u as f32, of(p).v as f32)).collect()
        };
        let (from, to) = (side(|p| p.0), side(|p| p.1));
        let mut mask = Mat::default();
        let h = calib3d::find_homography_ext(&from, &to, calib3d::RANSAC, RANSAC_PX * scale, &mut mask, 500, 0.995)?;
        if h.rows() != 3 {
            return Ok(None);
        }
        let h = Matrix3::from_fn(|i, k| h.at_2d::<f64>(i as i32, k as i32).copied().unwrap_or(f64::NAN));
        let inliers = (0..pairs.len())
            .map(|i| mask.at::<u8>(i as i32).map(|m| *m != 0))
            .collect::<opencv::Result<Vec<bool>>>()?;
        Ok(h.iter().all(|x| x.is_finite()).then_some((h, inliers)))
    };
    agreed().map_err(failed)
}
