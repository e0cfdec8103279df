//! A small canvas for plots, written as PNG.

use crate::error::{Error, Result};
use image::{ImageFormat, Rgb, RgbImage};
use noto_sans_mono_bitmap::{get_raster, get_raster_width, FontWeight, RasterHeight};
use std::io::Cursor;

/// Ink of axes and words.
pub const INK: [u8; 3] = [34, 34, 34];
/// Grid lines.
pub const GRID: [u8; 3] = [208, 208, 208];
/// Marks.
pub const MARK: [u8; 3] = [27, 94, 138];
/// A band that values should lie in.
pub const BAND: [u8; 3] = [218, 235, 218];
/// A limit.
pub const LIMIT: [u8; 3] = [150, 40, 40];

/// Where a text stands to its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Begins there.
    Start,
    /// Its middle is there.
    Middle,
    /// Ends there.
    End,
}

/// White paper of a size in pixels.
pub struct Canvas {
    picture: RgbImage,
}

impl Canvas {
    /// New paper.
    pub fn new(width: f64, height: f64) -> Self {
        Self {
            picture: RgbImage::from_pixel(width.ceil() as u32, height.ceil() as u32, Rgb([255; 3])),
        }
    }

    fn put(&mut self, x: f64, y: f64, colour: [u8; 3], strength: f64) {
        if x < 0.0 || y < 0.0 {
            return;
        }
        if let Some(pixel) = self.picture.get_pixel_mut_checked(x as u32, y as u32) {
            for (old, new) in pixel.0.iter_mut().zip(colour) {
                *old = (f64::from(*old) + strength * (f64::from(new) - f64::from(*old))).round() as u8;
            }
        }
    }

    /// A filled rectangle.
    pub fn rectangle(&mut self, x: f64, y: f64, width: f64, height: f64, colour: [u8; 3]) {
        for row in 0..height.round() as i64 {
            for column in 0..width.round() as i64 {
                self.put(x + column as f64, y + row as f64, colour, 1.0);
            }
        }
    }

    /// A line `thick` pixels wide; drawn with gaps where `dashed`.
    pub fn line(&mut self, from: [f64; 2], to: [f64; 2], thick: i32, dashed: bool, colour: [u8; 3]) {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let steps = dx.abs().max(dy.abs()).ceil().max(1.0);
        for k in 0..=steps as i64 {
            if dashed && (k / 6) % 2 == 1 {
                continue;
            }
            let t = k as f64 / steps;
            for w in 0..thick {
                let off = f64::from(w) - 0.5 * f64::from(thick - 1);
                // Widened across its longer side.
                let (ox, oy) = if dx.abs() > dy.abs() { (0.0, off) } else { (off, 0.0) };
                self.put((from[0] + t * dx + ox).round(), (from[1] + t * dy + oy).round(), colour, 1.0);
            }
        }
    }

    /// A filled disc.
    pub fn disc(&mut self, x: f64, y: f64, radius: f64, colour: [u8; 3]) {
        let reach = radius.ceil() as i64;
        for row in -reach..=reach {
            for column in -reach..=reach {
                if (row * row + column * column) as f64 <= radius * radius {
                    self.put(x.round() + column as f64, y.round() + row as f64, colour, 1.0);
                }
            }
        }
    }

    /// One line of text, 16 px high, its middle at height `y`. Signs the font lacks are left out.
    pub fn text(&mut self, x: f64, y: f64, anchor: Anchor, what: &str) {
        let (weight, height) = (FontWeight::Regular, RasterHeight::Size16);
        let advance = get_raster_width(weight, height) as f64;
        let long = advance * what.chars().count() as f64;
        let mut at = match anchor {
            Anchor::Start => x,
            Anchor::Middle => x - 0.5 * long,
            Anchor::End => x - long,
        };
        for letter in what.chars() {
            if let Some(raster) = get_raster(letter, weight, height) {
                for (row, line) in raster.rows().enumerate() {
                    for (column, value) in line.iter().enumerate() {
                        if *value > 0 {
                            self.put(
                                at.round() + column as f64,
                                (y - 8.0).round() + row as f64,
                                INK,
                                f64::from(*value) / 255.0,
                            );
                        }
                    }
                }
            }
            at += advance;
        }
    }

    /// The picture as PNG.
    ///
    /// # Errors
    /// [`Error::Ours`] where it cannot be encoded.
    pub fn png(&self) -> Result<Vec<u8>> {
        let mut bytes = Cursor::new(Vec::new());
        self.picture
            .write_to(&mut bytes, ImageFormat::Png)
            .map_err(|e| Error::ours(format!("A plot cannot be encoded ({e}).")))?;
        Ok(bytes.into_inner())
    }
}
