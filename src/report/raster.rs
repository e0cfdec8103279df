//! Pictures as files: the PNG stills with their marks, and the JPEG copies embedded in the page.

use crate::error::{Error, Result};
use crate::outcome::{FloorReport, StillFrame};
use crate::report::picture::{self, CanvasPoint, Cut, LegPicture, CANVAS_WIDTH, LABEL_LINE, LABEL_ROWS};
use crate::types::{ImagePoint, RgbImage};
use noto_sans_mono_bitmap::{get_raster, get_raster_width, FontWeight, RasterHeight};
use opencv::core::{self, Mat, Point, Rect, Scalar, Size, Vec3b, Vector};
use opencv::prelude::*;
use opencv::{imgcodecs, imgproc};

/// Pixels a canvas unit in the magnified PNG.
const LEG_PX_PER_UNIT: f64 = 2.4;
/// Width of the magnified cut embedded in the page, px.
const EMBEDDED_LEG_WIDTH: i32 = 960;
/// Largest width or height of the full frame embedded in the page, px.
const EMBEDDED_FRAME_LIMIT: f64 = 1280.0;
const JPEG_QUALITY: i32 = 88;
/// Fraction bits of the drawing calls' integer coordinates.
const SHIFT: i32 = 4;

// Blue, green, red, as OpenCV orders them. Light lines with a dark casing are legible on any picture.
const CASING: (u8, u8, u8) = (22, 17, 15);
const LEG_LINE: (u8, u8, u8) = (255, 255, 255);
const CARPET_LINE: (u8, u8, u8) = (235, 205, 150);
const GAP_MARK: (u8, u8, u8) = (96, 190, 255);
const PAPER: (u8, u8, u8) = (255, 255, 255);
const INK: (u8, u8, u8) = (45, 38, 32);

fn scalar(c: (u8, u8, u8)) -> Scalar {
    Scalar::new(f64::from(c.0), f64::from(c.1), f64::from(c.2), 0.0)
}

fn failed(e: opencv::Error) -> Error {
    Error::ours(format!("A picture of the report could not be drawn: {}.", e.message))
}

/// The picture as OpenCV holds it, blue first.
fn mat(image: &RgbImage) -> Result<Mat> {
    let (rows, cols) = (i32::try_from(image.height), i32::try_from(image.width));
    let (Ok(rows), Ok(cols)) = (rows, cols) else {
        return Err(Error::ours("A still is too large to draw."));
    };
    if rows == 0 || cols == 0 || image.data.len() != image.width * image.height * 3 {
        return Err(Error::ours(format!(
            "A still of {} × {} px came with {} bytes instead of {}.",
            image.width,
            image.height,
            image.data.len(),
            image.width * image.height * 3
        )));
    }
    let rgb = Mat::new_rows_cols_with_bytes::<Vec3b>(rows, cols, &image.data).map_err(failed)?;
    let mut bgr = Mat::default();
    imgproc::cvt_color_def(&rgb, &mut bgr, imgproc::COLOR_RGB2BGR).map_err(failed)?;
    Ok(bgr)
}

fn encode(extension: &str, picture: &Mat, parameters: &[i32]) -> Result<Vec<u8>> {
    let mut bytes = Vector::<u8>::new();
    let done = imgcodecs::imencode(extension, picture, &mut bytes, &Vector::from_slice(parameters)).map_err(failed)?;
    if done {
        Ok(bytes.to_vec())
    } else {
        Err(Error::ours("A picture of the report could not be encoded."))
    }
}

fn png(picture: &Mat) -> Result<Vec<u8>> {
    encode(".png", picture, &[])
}

fn jpeg(picture: &Mat) -> Result<Vec<u8>> {
    encode(".jpg", picture, &[imgcodecs::IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
}

/// The cut, `width_px` wide: smooth between pixels when magnified, averaged when made smaller.
fn cut_out(frame: &Mat, cut: Cut, width_px: i32) -> Result<Mat> {
    let rect = Rect::new(cut.left as i32, cut.top as i32, cut.width as i32, cut.height as i32);
    let part = Mat::roi(frame, rect).map_err(failed)?;
    let height_px = (f64::from(width_px) * cut.height as f64 / cut.width as f64).round().max(1.0) as i32;
    let how = if width_px as usize >= cut.width {
        imgproc::INTER_CUBIC
    } else {
        imgproc::INTER_AREA
    };
    let mut out = Mat::default();
    imgproc::resize(&part, &mut out, Size::new(width_px, height_px), 0.0, 0.0, how).map_err(failed)?;
    Ok(out)
}

/// JPEG of the magnified cut without marks, for the page.
pub(crate) fn embedded_leg(still: &RgbImage, cut: Cut) -> Result<Vec<u8>> {
    jpeg(&cut_out(&mat(still)?, cut, EMBEDDED_LEG_WIDTH)?)
}

/// JPEG of a cut, `width_px` wide, for the page.
pub(crate) fn embedded_cut(still: &RgbImage, cut: Cut, width_px: i32) -> Result<Vec<u8>> {
    jpeg(&cut_out(&mat(still)?, cut, width_px)?)
}

/// PNG of a cut, `width_px` wide.
pub(crate) fn cut_png(still: &RgbImage, cut: Cut, width_px: i32) -> Result<Vec<u8>> {
    png(&cut_out(&mat(still)?, cut, width_px)?)
}

/// JPEG of the full frame without marks, for the page, no larger than a screen needs.
pub(crate) fn embedded_frame(still: &RgbImage) -> Result<Vec<u8>> {
    let frame = mat(still)?;
    let factor = EMBEDDED_FRAME_LIMIT / still.width.max(still.height) as f64;
    if factor >= 1.0 {
        return jpeg(&frame);
    }
    let size = |n: usize| ((n as f64 * factor).round() as i32).max(1);
    let mut small = Mat::default();
    imgproc::resize(
        &frame,
        &mut small,
        Size::new(size(still.width), size(still.height)),
        0.0,
        0.0,
        imgproc::INTER_AREA,
    )
    .map_err(failed)?;
    jpeg(&small)
}

/// PNG of the magnified cut without marks.
pub(crate) fn leg_plain_png(still: &RgbImage, cut: Cut) -> Result<Vec<u8>> {
    png(&cut_out(&mat(still)?, cut, (CANVAS_WIDTH * LEG_PX_PER_UNIT) as i32)?)
}

/// PNG of the magnified cut with carpet grid, surface line, gap marks, and labels in a strip below.
pub(crate) fn leg_png(still: &RgbImage, layout: &LegPicture) -> Result<Vec<u8>> {
    let leg = cut_out(&mat(still)?, layout.cut, (CANVAS_WIDTH * LEG_PX_PER_UNIT) as i32)?;
    let strip_px = ((layout.total_height() - layout.height) * LEG_PX_PER_UNIT).round() as i32;
    let mut canvas = with_strip(&leg, strip_px)?;
    let k = LEG_PX_PER_UNIT;
    let scaled = |p: &CanvasPoint| (p.0 * k, p.1 * k);
    let grid: Vec<Vec<CanvasPoint>> = layout.grid.iter().map(|line| line.iter().map(scaled).collect()).collect();
    faint(&mut canvas, &grid)?;
    for line in &layout.carpet {
        for dash in dashes(&line.iter().map(scaled).collect::<Vec<_>>(), 16.0, 9.0) {
            cased(&mut canvas, &dash, CARPET_LINE, 2, 2)?;
        }
    }
    for mark in &layout.marks {
        let [from, edge, end] = layout.leader(mark);
        for dash in dashes(&[scaled(&from), scaled(&edge)], 3.0, 7.0) {
            cased(&mut canvas, &dash, LEG_LINE, 2, 1)?;
        }
        stroke(&mut canvas, &[scaled(&edge), scaled(&end)], INK, 2)?;
    }
    for line in &layout.surface {
        cased(&mut canvas, &line.iter().map(scaled).collect::<Vec<_>>(), LEG_LINE, 3, 2)?;
    }
    for mark in &layout.marks {
        let (surface, carpet) = (scaled(&mark.surface), scaled(&mark.carpet));
        cased(&mut canvas, &[carpet, surface], GAP_MARK, 4, 2)?;
        cased(
            &mut canvas,
            &[(carpet.0 - 9.0, carpet.1), (carpet.0 + 9.0, carpet.1)],
            GAP_MARK,
            3,
            2,
        )?;
        disc(&mut canvas, surface, 8.0, mark.over)?;
    }
    for mark in &layout.marks {
        let top = layout.height + LABEL_ROWS[mark.label_row];
        for (line, text) in [mark.name, &mark.value].into_iter().enumerate() {
            let baseline = (top + line as f64 * LABEL_LINE) * k;
            let width = text_width(text, RasterHeight::Size32);
            let left = (mark.label_x * k - 0.5 * width).clamp(2.0, (f64::from(canvas.cols()) - width - 2.0).max(2.0));
            text_at(&mut canvas, text, left, baseline - 25.0, RasterHeight::Size32)?;
        }
    }
    png(&canvas)
}

/// PNG of the full frame at its own size with carpet grid, surface line and the cut's outline; `sentence` stands in a strip below.
pub(crate) fn frame_png(still: &RgbImage, floor: &FloorReport, best: &StillFrame, cut: Option<Cut>, sentence: &str) -> Result<Vec<u8>> {
    let frame = mat(still)?;
    let size = match still.width {
        0..=699 => RasterHeight::Size16,
        700..=1399 => RasterHeight::Size24,
        _ => RasterHeight::Size32,
    };
    let line_px = size.val() as i32 + size.val() as i32 / 4;
    let margin = size.val() as f64 * 0.5;
    let columns = ((still.width as f64 - 2.0 * margin) / get_raster_width(FontWeight::Regular, size) as f64).max(8.0) as usize;
    let lines = wrapped(sentence, columns);
    let mut canvas = with_strip(&frame, lines.len() as i32 * line_px + 2 * margin as i32)?;
    let points = |line: &[ImagePoint]| {
        let all: Vec<CanvasPoint> = line.iter().map(|p| (p.u, p.v)).collect();
        picture::clip(&all, still.width as f64, still.height as f64)
    };
    let grid: Vec<Vec<CanvasPoint>> = floor.grid.iter().flat_map(|l| points(l)).collect();
    faint(&mut canvas, &grid)?;
    if let Some(lines) = &floor.lines {
        let outline: Vec<Vec<CanvasPoint>> = lines.outline.iter().flat_map(|l| points(l)).collect();
        faint(&mut canvas, &outline)?;
        for line in lines.found.iter().flat_map(|l| points(l)) {
            cased(&mut canvas, &line, CARPET_LINE, 2, 1)?;
        }
    }
    for line in points(&best.surface) {
        cased(&mut canvas, &line, LEG_LINE, 2, 2)?;
    }
    if let Some(cut) = cut {
        let (l, t) = (cut.left as f64 + 0.5, cut.top as f64 + 0.5);
        let (r, b) = (l + cut.width as f64 - 1.0, t + cut.height as f64 - 1.0);
        for side in [[(l, t), (r, t)], [(r, t), (r, b)], [(r, b), (l, b)], [(l, b), (l, t)]] {
            cased(&mut canvas, &side, LEG_LINE, 1, 1)?;
        }
    }
    for (i, line) in lines.iter().enumerate() {
        let top = still.height as f64 + margin + (i as i32 * line_px) as f64;
        text_at(&mut canvas, line, margin, top, size)?;
    }
    png(&canvas)
}

/// PNG of a frame with the carpet grid and the marks it was fitted to, for a person to see whether the floor is right.
pub(crate) fn floor_png(still: &RgbImage, grid: &[Vec<ImagePoint>], marks: &[ImagePoint]) -> Result<Vec<u8>> {
    let mut canvas = mat(still)?;
    for line in grid {
        let all: Vec<CanvasPoint> = line.iter().map(|p| (p.u, p.v)).collect();
        for part in picture::clip(&all, still.width as f64, still.height as f64) {
            cased(&mut canvas, &part, CARPET_LINE, 1, 1)?;
        }
    }
    for mark in marks {
        disc(&mut canvas, (mark.u, mark.v), 6.0, false)?;
    }
    png(&canvas)
}

/// PNG of a frame with straight lines found on it (thin), those taken for the carpet's sides and their corners (heavy), and the carpet's sides and grid where they were fitted, for a
/// person to see whether they are right.
pub(crate) fn lines_png(still: &RgbImage, shown: &crate::check::lines::Shown) -> Result<Vec<u8>> {
    let mut canvas = mat(still)?;
    let points = |line: &[ImagePoint]| {
        let all: Vec<CanvasPoint> = line.iter().map(|p| (p.u, p.v)).collect();
        picture::clip(&all, still.width as f64, still.height as f64)
    };
    let grid: Vec<Vec<CanvasPoint>> = shown.grid.iter().flat_map(|l| points(l)).collect();
    faint(&mut canvas, &grid)?;
    for line in shown.stripes.iter().chain(&shown.sides).flat_map(|l| points(l)) {
        cased(&mut canvas, &line, CARPET_LINE, 1, 1)?;
    }
    for line in shown.taken.iter().flat_map(|l| points(l)) {
        cased(&mut canvas, &line, LEG_LINE, 3, 2)?;
    }
    for corner in &shown.corners {
        disc(&mut canvas, (corner.u, corner.v), 9.0, false)?;
    }
    png(&canvas)
}

/// `picture` with a blank strip of `strip_px` rows below.
fn with_strip(picture: &Mat, strip_px: i32) -> Result<Mat> {
    let mut out = Mat::default();
    core::copy_make_border(picture, &mut out, 0, strip_px, 0, 0, core::BORDER_CONSTANT, scalar(PAPER)).map_err(failed)?;
    Ok(out)
}

fn fixed(p: CanvasPoint) -> Point {
    // Ours has its origin at the first pixel's corner, OpenCV's at its centre.
    let one = f64::from(1 << SHIFT);
    Point::new(((p.0 - 0.5) * one).round() as i32, ((p.1 - 0.5) * one).round() as i32)
}

fn stroke(canvas: &mut Mat, line: &[CanvasPoint], colour: (u8, u8, u8), thickness: i32) -> Result<()> {
    for pair in line.windows(2) {
        imgproc::line(
            canvas,
            fixed(pair[0]),
            fixed(pair[1]),
            scalar(colour),
            thickness,
            imgproc::LINE_AA,
            SHIFT,
        )
        .map_err(failed)?;
    }
    Ok(())
}

/// A line with a dark casing `casing` px wide on either side.
fn cased(canvas: &mut Mat, line: &[CanvasPoint], colour: (u8, u8, u8), thickness: i32, casing: i32) -> Result<()> {
    stroke(canvas, line, CASING, thickness + 2 * casing)?;
    stroke(canvas, line, colour, thickness)
}

/// The carpet's grid, half transparent, since it also runs over the athlete.
fn faint(canvas: &mut Mat, grid: &[Vec<CanvasPoint>]) -> Result<()> {
    let mut drawn = canvas.clone();
    for line in grid {
        cased(&mut drawn, line, CARPET_LINE, 1, 1)?;
    }
    let mut mixed = Mat::default();
    core::add_weighted(canvas, 0.5, &drawn, 0.5, 0.0, &mut mixed, -1).map_err(failed)?;
    *canvas = mixed;
    Ok(())
}

/// A station's end mark: filled where the gap is over the tolerance, open where it is not.
fn disc(canvas: &mut Mat, centre: CanvasPoint, radius: f64, filled: bool) -> Result<()> {
    let mut ring = |r: f64, colour: (u8, u8, u8)| {
        let r = (r * f64::from(1 << SHIFT)).round() as i32;
        imgproc::circle(canvas, fixed(centre), r, scalar(colour), imgproc::FILLED, imgproc::LINE_AA, SHIFT).map_err(failed)
    };
    ring(radius + 2.0, CASING)?;
    ring(radius, GAP_MARK)?;
    if !filled {
        ring(radius - 3.5, CASING)?;
    }
    Ok(())
}

/// The drawn parts of a dashed polyline.
fn dashes(line: &[CanvasPoint], on: f64, off: f64) -> Vec<Vec<CanvasPoint>> {
    let mut out = Vec::new();
    for pair in line.windows(2) {
        let ((ax, ay), (bx, by)) = (pair[0], pair[1]);
        let length = (bx - ax).hypot(by - ay);
        let at = |d: f64| (ax + (bx - ax) * d / length, ay + (by - ay) * d / length);
        let mut from = 0.0;
        while length > 0.0 && from < length {
            out.push(vec![at(from), at((from + on).min(length))]);
            from += on + off;
        }
    }
    out
}

/// The text with what the bitmap font lacks put in its own words.
fn printable(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\u{2212}' | '\u{2013}' => '-',
            '\u{a0}' => ' ',
            c => c,
        })
        .collect()
}

fn text_width(text: &str, size: RasterHeight) -> f64 {
    (text.chars().count() * get_raster_width(FontWeight::Regular, size)) as f64
}

/// Writes `text` in ink with its top left corner at (`left`, `top`) px; what falls outside the canvas is left out.
fn text_at(canvas: &mut Mat, text: &str, left: f64, top: f64, size: RasterHeight) -> Result<()> {
    let advance = get_raster_width(FontWeight::Regular, size) as i32;
    let (rows, cols) = (canvas.rows(), canvas.cols());
    let (mut x, y) = (left.round() as i32, top.round() as i32);
    for c in printable(text).chars() {
        let glyph = get_raster(c, FontWeight::Regular, size).or_else(|| get_raster('?', FontWeight::Regular, size));
        for (dy, row) in glyph.iter().flat_map(|g| g.rows().enumerate()) {
            for (dx, &cover) in row.iter().enumerate() {
                let (px, py) = (x + dx as i32, y + dy as i32);
                if cover == 0 || px < 0 || py < 0 || px >= cols || py >= rows {
                    continue;
                }
                let pixel = canvas.at_2d_mut::<Vec3b>(py, px).map_err(failed)?;
                for (channel, ink) in [INK.0, INK.1, INK.2].into_iter().enumerate() {
                    let (under, cover) = (u32::from(pixel[channel]), u32::from(cover));
                    pixel[channel] = ((under * (255 - cover) + u32::from(ink) * cover + 127) / 255) as u8;
                }
            }
        }
        x += advance;
    }
    Ok(())
}

/// Lines of at most `columns` characters, broken between words where that can be done.
fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= columns => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_png_holds_the_pixels_it_was_given() {
        let mut still = RgbImage::filled(64, 48, [10, 120, 230]);
        still.data[(20 * 64 + 30) * 3] = 255;
        let cut = Cut {
            left: 0,
            top: 0,
            width: 64,
            height: 48,
        };
        let bytes = encode(".png", &mat(&still).unwrap(), &[]).unwrap();
        let back = imgcodecs::imdecode(&Vector::<u8>::from_slice(&bytes), imgcodecs::IMREAD_COLOR).unwrap();
        assert_eq!(back.at_2d::<Vec3b>(20, 30).unwrap().0, [230, 120, 255]);
        assert_eq!(back.at_2d::<Vec3b>(0, 0).unwrap().0, [230, 120, 10]);
        assert_eq!(&leg_plain_png(&still, cut).unwrap()[1..4], b"PNG");
    }

    #[test]
    fn a_still_of_the_wrong_length_is_refused() {
        let mut still = RgbImage::filled(8, 8, [0; 3]);
        still.data.pop();
        assert!(embedded_frame(&still).unwrap_err().to_string().contains("191 bytes instead of 192"));
    }

    #[test]
    fn words_wrap() {
        assert_eq!(wrapped("one two three", 7), ["one two", "three"]);
        assert_eq!(wrapped("unbreakable", 4), ["unbreakable"]);
    }
}
