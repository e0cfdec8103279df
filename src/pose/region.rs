//! A square, possibly turned, window of a picture, and its pixels at a network's input size.

use crate::types::{ImagePoint, RgbImage};
use crate::{Error, Result};
use opencv::core::{Mat, MatTraitConst, MatTraitConstManual, Scalar, Size, BORDER_CONSTANT, BORDER_REPLICATE};
use opencv::imgproc::{warp_affine, INTER_LINEAR, WARP_INVERSE_MAP};

/// A square window of a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Region {
    /// Its middle, upright frame, px.
    pub centre: ImagePoint,
    /// Length of its sides, px.
    pub side_px: f64,
    /// Its turn, radians; positive turns the window's x axis towards the picture's y axis (clockwise as seen).
    pub rotation_rad: f64,
}

/// What lies outside the picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Border {
    /// Black.
    Black,
    /// The nearest pixel of the picture.
    Nearest,
}

impl Region {
    /// The window about a body: centred on the hips, upright along the line from the hips to the point that gives the body's size and lean, its side
    /// 2.5 times that line.
    ///
    /// Source: the networks' original pipeline (target angle 90°, window twice the circle's radius, grown by 1.25), checked against it in `tests/pose_networks.rs`.
    pub fn about_body(hips: ImagePoint, size_point: ImagePoint) -> Self {
        let (du, dv) = (size_point.u - hips.u, size_point.v - hips.v);
        let turn = std::f64::consts::FRAC_PI_2 - (-dv).atan2(du);
        let full = 2.0 * std::f64::consts::PI;
        Self {
            centre: hips,
            side_px: 2.5 * du.hypot(dv),
            rotation_rad: turn - full * ((turn + std::f64::consts::PI) / full).floor(),
        }
    }

    /// The smallest upright square about the whole of a picture.
    pub fn whole(width: usize, height: usize) -> Self {
        // Half a pixel off the middle, as in the original pipeline, so that the same pixels are read.
        Self {
            centre: ImagePoint::new(width as f64 / 2.0 + 0.5, height as f64 / 2.0 + 0.5),
            side_px: width.max(height) as f64,
            rotation_rad: 0.0,
        }
    }

    /// Where a point of the window lies in the picture. `x` and `y` are fractions of the side, from the window's first corner.
    pub fn to_image(&self, x: f64, y: f64) -> ImagePoint {
        let (sin, cos) = self.rotation_rad.sin_cos();
        let (du, dv) = ((x - 0.5) * self.side_px, (y - 0.5) * self.side_px);
        ImagePoint::new(self.centre.u + cos * du - sin * dv, self.centre.v + sin * du + cos * dv)
    }

    /// Whether a point of the picture lies in the window.
    pub fn contains(&self, point: ImagePoint) -> bool {
        let (sin, cos) = self.rotation_rad.sin_cos();
        let (du, dv) = (point.u - self.centre.u, point.v - self.centre.v);
        let half = 0.5 * self.side_px;
        (cos * du + sin * dv).abs() <= half && (cos * dv - sin * du).abs() <= half
    }

    /// The window's pixels, `side` × `side` × 3 floats, each channel value `v` (0–255) as `v * scale + offset`.
    ///
    /// Plain bilinear sampling: pixel (0, 0) of the result is read at the window's first corner less half a pixel of the picture, as the networks were trained
    /// (a network's point (x, y), in pixels of its input, therefore goes back by [`Region::to_image`] with x / side, y / side).
    ///
    /// # Errors
    /// [`Error::Input`] where the picture is empty or its byte count is wrong; [`Error::Ours`] where the sampling fails.
    pub fn sample(&self, image: &RgbImage, side: usize, border: Border, scale: f32, offset: f32) -> Result<Vec<f32>> {
        let size_fits = image.width > 0 && image.height > 0 && image.data.len() == image.width * image.height * 3;
        if !size_fits || image.width > i32::MAX as usize / 4 || image.height > i32::MAX as usize / 4 {
            return Err(Error::input(format!(
                "a picture of {} × {} pixels with {} bytes cannot be read; it needs width × height × 3 bytes",
                image.width,
                image.height,
                image.data.len()
            )));
        }
        if !(self.side_px.is_finite() && self.side_px > 0.0 && self.centre.u.is_finite() && self.centre.v.is_finite()) {
            return Err(Error::ours(
                "A window without a size was to be read; this is a fault of the program: please report it.",
            ));
        }
        self.warp(image, side, border)
            .map(|pixels| pixels.iter().map(|&v| f32::from(v) * scale + offset).collect())
            .map_err(|e| Error::ours(format!("A window of the picture cannot be sampled: {e}; please report this.")))
    }

    fn warp(&self, image: &RgbImage, side: usize, border: Border) -> opencv::Result<Vec<u8>> {
        let (sin, cos) = self.rotation_rad.sin_cos();
        let step = self.side_px / side as f64;
        let half = self.side_px / 2.0;
        let (cu, cv) = (self.centre.u - 0.5, self.centre.v - 0.5);
        let from_window = Mat::from_slice_2d(&[
            [cos * step, -sin * step, cu - cos * half + sin * half],
            [sin * step, cos * step, cv - sin * half - cos * half],
        ])?;
        let flat = Mat::from_slice(&image.data)?;
        let source = flat.reshape(3, image.height as i32)?;
        let mut window = Mat::default();
        warp_affine(
            &source,
            &mut window,
            &from_window,
            Size::new(side as i32, side as i32),
            INTER_LINEAR | WARP_INVERSE_MAP,
            match border {
                Border::Black => BORDER_CONSTANT,
                Border::Nearest => BORDER_REPLICATE,
            },
            Scalar::default(),
        )?;
        Ok(window.data_bytes()?.to_vec())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// A picture whose red is the column and whose green is the row.
    fn ramp(width: usize, height: usize) -> RgbImage {
        let data = (0..height)
            .flat_map(|y| (0..width).flat_map(move |x| [x as u8, y as u8, 0]))
            .collect();
        RgbImage { width, height, data }
    }

    #[test]
    fn pixels_and_points_of_a_turned_window_agree() {
        let image = ramp(200, 180);
        let region = Region {
            centre: ImagePoint::new(101.3, 88.1),
            side_px: 64.0,
            rotation_rad: 0.6,
        };
        let side = 32;
        let pixels = region.sample(&image, side, Border::Nearest, 1.0, 0.0).unwrap();
        for (x, y) in [(0, 0), (31, 0), (10, 25), (16, 16)] {
            let at = region.to_image(x as f64 / side as f64, y as f64 / side as f64);
            let index = (y * side + x) * 3;
            // Red and green hold pixel indices, half a pixel less than the corner-based coordinate.
            assert_abs_diff_eq!(f64::from(pixels[index]), at.u - 0.5, epsilon = 0.6);
            assert_abs_diff_eq!(f64::from(pixels[index + 1]), at.v - 0.5, epsilon = 0.6);
        }
    }

    #[test]
    fn a_body_upright_gives_an_upright_window() {
        let region = Region::about_body(ImagePoint::new(50.0, 80.0), ImagePoint::new(50.0, 40.0));
        assert_abs_diff_eq!(region.rotation_rad, 0.0, epsilon = 1e-12);
        assert_abs_diff_eq!(region.side_px, 100.0, epsilon = 1e-12);
        let lying = Region::about_body(ImagePoint::new(50.0, 80.0), ImagePoint::new(90.0, 80.0));
        assert_abs_diff_eq!(lying.rotation_rad, std::f64::consts::FRAC_PI_2, epsilon = 1e-12);
        let top = lying.to_image(0.5, 0.0);
        assert_abs_diff_eq!(top.u, 100.0, epsilon = 1e-9);
        assert_abs_diff_eq!(top.v, 80.0, epsilon = 1e-9);
    }

    #[test]
    fn a_picture_with_a_wrong_byte_count_gives_a_sentence() {
        let broken = RgbImage {
            width: 10,
            height: 10,
            data: vec![0; 7],
        };
        let error = Region::whole(10, 10).sample(&broken, 8, Border::Black, 1.0, 0.0).unwrap_err();
        assert_eq!(error.exit_code(), 2);
    }

    #[test]
    fn outside_is_black_or_the_nearest_pixel() {
        let image = RgbImage::filled(20, 10, [200, 100, 50]);
        let region = Region::whole(20, 10);
        let black = region.sample(&image, 20, Border::Black, 1.0, 0.0).unwrap();
        assert_eq!(&black[..3], &[0.0, 0.0, 0.0]);
        let nearest = region.sample(&image, 20, Border::Nearest, 1.0, 0.0).unwrap();
        assert_eq!(&nearest[..3], &[200.0, 100.0, 50.0]);
    }
}
