//! A drawing that can be written as SVG or as PNG: polygons, lines, words. Nothing rests on colour: areas carry hatching and numbers as well.

use crate::error::{Error, Result};
use noto_sans_mono_bitmap::{get_raster, get_raster_width, FontWeight, RasterHeight};
use opencv::core::{Mat, Point, Scalar, Size, Vec3b, Vector};
use opencv::prelude::*;
use opencv::{imgcodecs, imgproc};
use std::fmt::Write as _;

/// Red, green, blue.
pub type Colour = [u8; 3];

/// Where words stand to their point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// They begin there.
    Start,
    /// Their middle is there.
    Middle,
}

/// Height of words, drawing units.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Letters {
    /// 16.
    Small,
    /// 24.
    Large,
    /// 32.
    Title,
}

impl Letters {
    fn height(self) -> RasterHeight {
        match self {
            Letters::Small => RasterHeight::Size16,
            Letters::Large => RasterHeight::Size24,
            Letters::Title => RasterHeight::Size32,
        }
    }

    /// Width of one letter (the typeface has one width), drawing units.
    pub fn advance(self) -> f64 {
        get_raster_width(FontWeight::Regular, self.height()) as f64
    }
}

/// One thing drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// A filled polygon, with an edge where `edge` is wider than 0.
    Area {
        /// Corners.
        corners: Vec<[f64; 2]>,
        /// Filling.
        fill: Colour,
        /// Edge.
        ink: Colour,
        /// Width of the edge.
        edge: f64,
        /// A name for whoever reads the file.
        class: &'static str,
    },
    /// A line through points.
    Line {
        /// Its points.
        points: Vec<[f64; 2]>,
        /// Colour.
        ink: Colour,
        /// Width.
        width: f64,
    },
    /// One line of words; their middle height is at `at`.
    Words {
        /// Where.
        at: [f64; 2],
        /// How they stand to it.
        anchor: Anchor,
        /// Size.
        letters: Letters,
        /// Colour.
        ink: Colour,
        /// What they say.
        text: String,
        /// A name for whoever reads the file.
        class: &'static str,
    },
}

/// A drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width, drawing units (pixels of the PNG).
    pub width: f64,
    /// Height.
    pub height: f64,
    /// What is drawn, back to front.
    pub shapes: Vec<Shape>,
    /// What the drawing shows, for those who cannot see it.
    pub said: String,
}

/// Lines that fill a polygon at 45 degrees, `spacing` apart (the other way where `falling`).
pub fn hatch(corners: &[[f64; 2]], spacing: f64, falling: bool) -> Vec<[[f64; 2]; 2]> {
    let s = std::f64::consts::FRAC_1_SQRT_2 * if falling { -1.0 } else { 1.0 };
    let c = std::f64::consts::FRAC_1_SQRT_2;
    // In turned coordinates the lines are level.
    let turned: Vec<[f64; 2]> = corners.iter().map(|p| [c * p[0] - s * p[1], s * p[0] + c * p[1]]).collect();
    let (low, high) = turned
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(p[1]), h.max(p[1])));
    let mut lines = Vec::new();
    let mut level = (low / spacing).ceil() * spacing;
    while level < high {
        let mut crossings: Vec<f64> = (0..turned.len())
            .filter_map(|i| {
                let (a, b) = (turned[i], turned[(i + 1) % turned.len()]);
                ((a[1] <= level) != (b[1] <= level)).then(|| a[0] + (level - a[1]) / (b[1] - a[1]) * (b[0] - a[0]))
            })
            .collect();
        crossings.sort_by(f64::total_cmp);
        for pair in crossings.chunks_exact(2) {
            lines.push([pair[0], pair[1]].map(|x| [c * x + s * level, -s * x + c * level]));
        }
        level += spacing;
    }
    lines
}

/// Breaks a text into lines of at most `columns` letters.
pub fn lines_of(text: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= columns => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_string()),
        }
    }
    lines
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

fn hex(colour: Colour) -> String {
    format!("#{:02x}{:02x}{:02x}", colour[0], colour[1], colour[2])
}

impl Drawing {
    /// As an SVG file's text; nothing in it is fetched or runs.
    pub fn svg(&self) -> String {
        let mut out = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\">\n<title>{}</title>\n<rect class=\"paper\" width=\"{w}\" height=\"{h}\" fill=\"#ffffff\"/>\n",
            escaped(&self.said),
            w = self.width,
            h = self.height
        );
        let list = |points: &[[f64; 2]]| {
            points
                .iter()
                .map(|p| format!("{:.1},{:.1}", p[0], p[1]))
                .collect::<Vec<_>>()
                .join(" ")
        };
        for shape in &self.shapes {
            let _ = match shape {
                Shape::Area {
                    corners,
                    fill,
                    ink,
                    edge,
                    class,
                } => writeln!(
                    out,
                    "<polygon class=\"{class}\" points=\"{}\" fill=\"{}\" stroke=\"{}\" stroke-width=\"{edge}\"/>",
                    list(corners),
                    hex(*fill),
                    hex(*ink)
                ),
                Shape::Line { points, ink, width } => writeln!(
                    out,
                    "<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{width}\"/>",
                    list(points),
                    hex(*ink)
                ),
                Shape::Words {
                    at,
                    anchor,
                    letters,
                    ink,
                    text,
                    class,
                } => writeln!(
                    out,
                    "<text class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" font-family=\"monospace\" font-size=\"{:.0}\" text-anchor=\"{}\" dominant-baseline=\"central\" fill=\"{}\">{}</text>",
                    at[0],
                    at[1],
                    // A monospaced letter is about 0.6 of its size wide.
                    letters.advance() / 0.6,
                    if *anchor == Anchor::Start { "start" } else { "middle" },
                    hex(*ink),
                    escaped(text)
                ),
            };
        }
        out += "</svg>\n";
        out
    }

    /// As a PNG file.
    ///
    /// # Errors
    /// [`Error::Ours`] where it cannot be drawn.
    pub fn png(&self) -> Result<Vec<u8>> {
        let failed = |e: opencv::Error| Error::ours(format!("The picture could not be drawn: {}.", e.message));
        // Fraction bits of the drawing calls' coordinates.
        const SHIFT: i32 = 4;
        let fixed = |p: &[f64; 2]| Point::new((p[0] * 16.0).round() as i32, (p[1] * 16.0).round() as i32);
        let colour = |c: Colour| Scalar::new(f64::from(c[2]), f64::from(c[1]), f64::from(c[0]), 0.0);
        let size = Size::new(self.width.ceil() as i32, self.height.ceil() as i32);
        let mut canvas = Mat::new_size_with_default(size, Vec3b::opencv_type(), Scalar::all(255.0)).map_err(failed)?;
        for shape in &self.shapes {
            match shape {
                Shape::Area {
                    corners, fill, ink, edge, ..
                } => {
                    let all = polygon(corners.iter().map(fixed).collect());
                    imgproc::fill_poly(&mut canvas, &all, colour(*fill), imgproc::LINE_AA, SHIFT, Point::default()).map_err(failed)?;
                    if *edge > 0.0 {
                        let thick = (edge.round() as i32).max(1);
                        imgproc::polylines(&mut canvas, &all, true, colour(*ink), thick, imgproc::LINE_AA, SHIFT).map_err(failed)?;
                    }
                }
                Shape::Line { points, ink, width } => {
                    let all = polygon(points.iter().map(fixed).collect());
                    let thick = (width.round() as i32).max(1);
                    imgproc::polylines(&mut canvas, &all, false, colour(*ink), thick, imgproc::LINE_AA, SHIFT).map_err(failed)?;
                }
                Shape::Words {
                    at,
                    anchor,
                    letters,
                    ink,
                    text,
                    ..
                } => {
                    let left = match anchor {
                        Anchor::Start => at[0],
                        Anchor::Middle => at[0] - 0.5 * letters.advance() * text.chars().count() as f64,
                    };
                    write(
                        &mut canvas,
                        text,
                        [left, at[1] - 0.5 * letters.height().val() as f64],
                        *letters,
                        *ink,
                    )
                    .map_err(failed)?;
                }
            }
        }
        let mut bytes = Vector::<u8>::new();
        imgcodecs::imencode(".png", &canvas, &mut bytes, &Vector::new()).map_err(failed)?;
        Ok(bytes.to_vec())
    }
}

/// One polygon as OpenCV wants it.
fn polygon(points: Vec<Point>) -> Vector<Vector<Point>> {
    let mut all = Vector::<Vector<Point>>::new();
    all.push(Vector::from_slice(&points));
    all
}

/// Writes one line with its top left corner at `at`; letters the typeface lacks are shown as a question mark.
fn write(canvas: &mut Mat, text: &str, at: [f64; 2], letters: Letters, ink: Colour) -> opencv::Result<()> {
    for (k, letter) in text.chars().enumerate() {
        let raster =
            get_raster(letter, FontWeight::Regular, letters.height()).or_else(|| get_raster('?', FontWeight::Regular, letters.height()));
        let Some(raster) = raster else { continue };
        let left = (at[0] + k as f64 * letters.advance()).round() as i32;
        for (row, line) in raster.rows().enumerate() {
            for (column, value) in line.iter().enumerate() {
                let (x, y) = (left + column as i32, at[1].round() as i32 + row as i32);
                if *value == 0 || x < 0 || y < 0 || x >= canvas.cols() || y >= canvas.rows() {
                    continue;
                }
                let pixel = canvas.at_2d_mut::<Vec3b>(y, x)?;
                for (i, c) in [ink[2], ink[1], ink[0]].into_iter().enumerate() {
                    let (old, new) = (f64::from(pixel[i]), f64::from(c));
                    pixel[i] = (old + (new - old) * f64::from(*value) / 255.0).round() as u8;
                }
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hatching_stays_inside() {
        let square = [[10.0, 10.0], [50.0, 10.0], [50.0, 30.0], [10.0, 30.0]];
        for falling in [false, true] {
            let lines = hatch(&square, 6.0, falling);
            let length: f64 = lines.iter().map(|l| (l[0][0] - l[1][0]).hypot(l[0][1] - l[1][1])).sum();
            // Lines a spacing apart cover area / spacing in length.
            assert!((length - 40.0 * 20.0 / 6.0).abs() < 15.0, "{length}");
            assert!(lines
                .iter()
                .flatten()
                .all(|p| (9.99..50.01).contains(&p[0]) && (9.99..30.01).contains(&p[1])));
        }
    }

    #[test]
    fn signs_are_escaped() {
        let drawing = Drawing {
            width: 10.0,
            height: 10.0,
            shapes: vec![],
            said: "a < b & \"c\"".to_string(),
        };
        assert!(drawing.svg().contains("<title>a &lt; b &amp; &quot;c&quot;</title>"));
    }
}
