//! The sheet as a page to print: PDF or SVG, true to size.
//!
//! PDF written by hand after ISO 32000-1 (a catalogue, a page tree, one page, one
//! content stream, one of the standard 14 fonts), since a page of rectangles and a line of text needs no library; SVG with its size in millimetres.

use super::artwork::{CELLS, CHECK_LINES_MM, MARKERS, MIDDLE_MM, TEXT, TEXT_AT_MM, TEXT_SIZE_MM};
use crate::error::Result;
use std::fmt::Write as _;

/// Paper to print on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Paper {
    /// 210 mm × 297 mm (ISO 216).
    A4,
    /// 8.5 in × 11 in (ANSI/ASME Y14.1).
    Letter,
}

impl Paper {
    /// Width and height, mm.
    pub const fn size_mm(self) -> [f64; 2] {
        match self {
            Paper::A4 => [210.0, 297.0],
            Paper::Letter => [215.9, 279.4],
        }
    }
}

/// File format of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// PDF.
    Pdf,
    /// SVG.
    Svg,
}

/// A filled rectangle on the page: left, top, width, height, mm from the page's upper left corner.
type Rectangle = [f64; 4];

/// Thickness of the check lines and of the ticks at their ends, mm.
const LINE_MM: f64 = 0.35;
/// Length of a tick, mm.
const TICK_MM: f64 = 4.0;

/// The whole page as a file's bytes.
///
/// # Errors
/// [`crate::Error::Ours`] where OpenCV cannot draw the markers.
pub fn write(paper: Paper, format: Format) -> Result<Vec<u8>> {
    let shapes = shapes(paper)?;
    Ok(match format {
        Format::Pdf => pdf(paper, &shapes),
        Format::Svg => svg(paper, &shapes).into_bytes(),
    })
}

/// Sheet's frame to page, mm from the upper left corner.
fn on_page(paper: Paper, at_mm: [f64; 2]) -> [f64; 2] {
    let [w, h] = paper.size_mm();
    [0.5 * w + at_mm[0] - MIDDLE_MM[0], 0.5 * h - (at_mm[1] - MIDDLE_MM[1])]
}

/// Black rectangles: a list for each marker, then one for the check lines.
fn shapes(paper: Paper) -> Result<Vec<Vec<Rectangle>>> {
    let mut all = Vec::new();
    for marker in &MARKERS {
        let cell = marker.side_mm / CELLS as f64;
        let [left, top] = on_page(paper, [marker.left_mm, marker.top_mm]);
        let mut black = Vec::new();
        for (r, row) in marker.cells()?.iter().enumerate() {
            let mut c = 0;
            while c < CELLS {
                let run = row[c..].iter().take_while(|white| !**white).count();
                if run > 0 {
                    black.push([left + c as f64 * cell, top + r as f64 * cell, run as f64 * cell, cell]);
                }
                c += run.max(1);
            }
        }
        all.push(black);
    }
    let mut lines = Vec::new();
    for ends in CHECK_LINES_MM {
        let [a, b] = ends.map(|e| on_page(paper, e));
        let along_x = (a[1] - b[1]).abs() < 1e-9;
        let (left, top) = (a[0].min(b[0]), a[1].min(b[1]));
        let length = (a[0] - b[0]).hypot(a[1] - b[1]);
        let h = 0.5 * LINE_MM;
        // The ticks' outer edges are the ends: 100 mm from outer edge to outer edge.
        if along_x {
            lines.push([left, top - h, length, LINE_MM]);
            lines.push([left, top - 0.5 * TICK_MM, LINE_MM, TICK_MM]);
            lines.push([left + length - LINE_MM, top - 0.5 * TICK_MM, LINE_MM, TICK_MM]);
        } else {
            lines.push([left - h, top, LINE_MM, length]);
            lines.push([left - 0.5 * TICK_MM, top, TICK_MM, LINE_MM]);
            lines.push([left - 0.5 * TICK_MM, top + length - LINE_MM, TICK_MM, LINE_MM]);
        }
    }
    all.push(lines);
    Ok(all)
}

fn svg(paper: Paper, shapes: &[Vec<Rectangle>]) -> String {
    use ::svg::node::element::{Path, Rectangle as Background, Text};
    let [w, h] = paper.size_mm();
    let background = Background::new().set("width", w).set("height", h).set("fill", "#fff");
    let mut document = ::svg::Document::new()
        .set("width", format!("{w}mm"))
        .set("height", format!("{h}mm"))
        .set("viewBox", (0.0, 0.0, w, h))
        .add(background);
    for group in shapes {
        let mut outline = String::new();
        for [x, y, w, h] in group {
            let _ = write!(outline, "M{x:.4} {y:.4}h{w:.4}v{h:.4}h-{w:.4}z");
        }
        document = document.add(Path::new().set("fill", "#000").set("d", outline));
    }
    let [x, y] = on_page(paper, TEXT_AT_MM);
    let text = Text::new(TEXT)
        .set("x", x)
        .set("y", y)
        .set("font-family", "Helvetica, Arial, sans-serif")
        .set("font-size", TEXT_SIZE_MM);
    document.add(text).to_string()
}

fn pdf(paper: Paper, shapes: &[Vec<Rectangle>]) -> Vec<u8> {
    // 1 pt = 1/72 in; from here on lengths are millimetres and y counts up from the page's lower edge.
    const PT_PER_MM: f64 = 72.0 / 25.4;
    let [w, h] = paper.size_mm();
    let mut content = format!("q {PT_PER_MM:.9} 0 0 {PT_PER_MM:.9} 0 0 cm 0 g\n");
    for group in shapes {
        for [x, y, rw, rh] in group {
            let _ = writeln!(content, "{x:.4} {:.4} {rw:.4} {rh:.4} re", h - y - rh);
        }
        content.push_str("f\n");
    }
    let [x, y] = on_page(paper, TEXT_AT_MM);
    let _ = write!(
        content,
        "BT /F1 {TEXT_SIZE_MM} Tf 1 0 0 1 {x:.3} {:.3} Tm ({TEXT}) Tj ET\nQ\n",
        h - y
    );
    let objects = [
        "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>".to_owned(),
        "<< /Type /Pages /Kids [3 0 R] /Count 1 >>".to_owned(),
        format!(
            "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {:.4} {:.4}] /Contents 4 0 R /Resources << /Font << /F1 5 0 R >> >> >>",
            w * PT_PER_MM,
            h * PT_PER_MM
        ),
        format!("<< /Length {} >>\nstream\n{content}endstream", content.len()),
        "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>".to_owned(),
    ];
    // The comment's four bytes above 127 tell transfer programs that the file is binary (ISO 32000-1, 7.5.2).
    let mut out = b"%PDF-1.6\n%\xe2\xe3\xcf\xd3\n".to_vec();
    let mut offsets = Vec::new();
    for (k, object) in objects.iter().enumerate() {
        offsets.push(out.len());
        out.extend(format!("{} 0 obj\n{object}\nendobj\n", k + 1).bytes());
    }
    let start = out.len();
    out.extend(format!("xref\n0 {}\n0000000000 65535 f \n", objects.len() + 1).bytes());
    for offset in offsets {
        out.extend(format!("{offset:010} 00000 n \n").bytes());
    }
    out.extend(
        format!(
            "trailer\n<< /Size {} /Root 1 0 R >>\nstartxref\n{start}\n%%EOF\n",
            objects.len() + 1
        )
        .bytes(),
    );
    out
}
