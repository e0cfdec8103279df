//! What is on the printed sheet: where its markers lie, and their bits.
//!
//! The sheet's frame: origin in the middle of the block of markers, x to the page's right, y to the page's top, so that z counts up when the page lies face up. Millimetres
//! here, metres from [`fit`](super::fit) on. The artwork is the same on every paper, so that whoever finds it need not know the paper.

use crate::error::{Error, Result};
use opencv::core::{Mat, MatTraitConst};
use std::sync::OnceLock;

/// Cells along a marker's side: a black border of one cell about 4 × 4 bits.
pub const CELLS: usize = 6;

/// One marker of the sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Marker {
    /// Its number in OpenCV's dictionary of 50 markers of 4 × 4 bits (`DICT_4X4_50`).
    pub id: i32,
    /// Left edge, mm.
    pub left_mm: f64,
    /// Upper edge, mm.
    pub top_mm: f64,
    /// Length of the side of its black square, mm.
    pub side_mm: f64,
}

/// Size of the block of markers, mm.
pub const BLOCK_MM: [f64; 2] = [180.0, 236.0];

/// The markers, largest first. One is as large as the page allows, because a camera near the carpet sees a sheet strongly foreshortened and reads only large cells; the others
/// make up for a marker that is covered, and measure. These five of the dictionary's fifty differ most from one another (six bits or more, turned anyhow).
pub const MARKERS: [Marker; 5] = [
    marker(22, 0.0, 0.0, 120.0),
    marker(12, 0.0, 144.0, 92.0),
    marker(11, 112.0, 144.0, 68.0),
    marker(13, 140.0, 0.0, 40.0),
    marker(39, 140.0, 80.0, 40.0),
];

/// A marker from its place in the block, measured to the right and down from the block's upper left corner.
const fn marker(id: i32, right_mm: f64, down_mm: f64, side_mm: f64) -> Marker {
    Marker {
        id,
        left_mm: right_mm - 0.5 * BLOCK_MM[0],
        top_mm: 0.5 * BLOCK_MM[1] - down_mm,
        side_mm,
    }
}

impl Marker {
    /// Corners in the order in which OpenCV gives them: upper left, upper right, lower right, lower left of the page, mm.
    pub fn corners_mm(&self) -> [[f64; 2]; 4] {
        let (l, t, s) = (self.left_mm, self.top_mm, self.side_mm);
        [[l, t], [l + s, t], [l + s, t - s], [l, t - s]]
    }

    /// Which of its cells are white, rows from the top: OpenCV's own drawing of the marker, one pixel a cell.
    ///
    /// # Errors
    /// [`Error::Ours`] where OpenCV cannot draw it.
    pub fn cells(&self) -> Result<[[bool; CELLS]; CELLS]> {
        static ALL: OnceLock<std::result::Result<Vec<[[bool; CELLS]; CELLS]>, String>> = OnceLock::new();
        let all = ALL.get_or_init(|| MARKERS.iter().map(|m| draw(m.id).map_err(|e| e.to_string())).collect());
        let index = MARKERS.iter().position(|m| m.id == self.id);
        match (all, index) {
            (Ok(all), Some(i)) => Ok(all[i]),
            (Err(e), _) => Err(Error::ours(format!("OpenCV cannot draw the sheet's markers ({e})."))),
            (Ok(_), None) => Err(Error::ours("A marker that is not on the sheet was asked for; please report this.")),
        }
    }
}

/// The dictionary that the markers come from.
///
/// # Errors
/// OpenCV's own.
pub(super) fn dictionary() -> opencv::Result<opencv::core::Ptr<opencv::aruco::Dictionary>> {
    opencv::aruco::get_predefined_dictionary(opencv::aruco::PREDEFINED_DICTIONARY_NAME::DICT_4X4_50)
}

fn draw(id: i32) -> opencv::Result<[[bool; CELLS]; CELLS]> {
    let mut picture = Mat::default();
    opencv::aruco::draw_marker(&dictionary()?, id, CELLS as i32, &mut picture, 1)?;
    let mut cells = [[false; CELLS]; CELLS];
    for (r, row) in cells.iter_mut().enumerate() {
        for (c, cell) in row.iter_mut().enumerate() {
            *cell = *picture.at_2d::<u8>(r as i32, c as i32)? > 127;
        }
    }
    Ok(cells)
}

/// The lines to measure after printing, each from end to end, mm in the sheet's frame: one along the page's width, one along its length.
pub const CHECK_LINES_MM: [[[f64; 2]; 2]; 2] = [[[-90.0, -127.0], [10.0, -127.0]], [[-99.0, -50.0], [-99.0, 50.0]]];

/// Length of each check line, mm.
pub const CHECK_LINE_MM: f64 = 100.0;

/// The line of text, and where it starts, mm.
pub const TEXT: &str = "Print at 100 %. Lay flat on the carpet beside the kneeling leg. Both lines must measure 100 mm.";
/// Start of the text's base line, mm.
pub const TEXT_AT_MM: [f64; 2] = [-90.0, -134.0];
/// Height of the text's letters, mm (type size).
pub const TEXT_SIZE_MM: f64 = 3.6;

/// Middle of all that is printed, against the sheet's frame, mm: the page is centred on this.
pub const MIDDLE_MM: [f64; 2] = [0.0, -8.5];
