//! Call, evidence and advice, written for a person and for a program.
//!
//! [`write()`] puts into a folder `report.html` (one self-contained page), `call.json` (the [`Outcome`], described by `docs/call.schema.json`), `frames.csv` (one row a
//! frame and station) and `stills/` (for each hold the full frame, and the lower leg magnified with and without marks).

mod call_json;
mod chart;
mod files;
mod frames_csv;
pub(crate) mod head;
mod html;
mod joined;
mod picture;
mod place;
mod quantity;
mod raster;
pub(crate) mod repetition;
mod sentence;

use crate::error::{Error, Result};
use crate::outcome::Outcome;
use crate::types::RgbImage;
pub(crate) use files::cannot_write;
use files::Staged;
pub(crate) use files::{can_write, can_write_file, write_whole};
pub use joined::write_joined;
pub(crate) use raster::floor_png;
pub(crate) use sentence::{evidence, leading, of_part, reason};
use std::path::{Path, PathBuf};

/// Width of a moment's picture, px.
const MOMENT_WIDTH_PX: i32 = 640;

/// The files of one report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The page for a person.
    pub report_html: PathBuf,
    /// The answer for a program.
    pub call_json: PathBuf,
    /// One row a frame and station.
    pub frames_csv: PathBuf,
    /// The pictures, hold by hold: `hold-1.png` (full frame), `hold-1-leg.png` and `hold-1-leg-plain.png` (lower leg, magnified, with and without marks);
    /// then the moments, repetition by repetition: `repetition-1-1.png` and so on.
    pub stills: Vec<PathBuf>,
}

/// Writes the report on `outcome` into `out_dir`, made where it is missing.
///
/// `stills` holds, hold by hold, the upright frame named by the hold's `best_frame`, at the size of the recording (the points of `outcome` are its pixels), or
/// `None` where it could not be read.
///
/// Everything is written and flushed under temporary names first and then renamed, the page last; a failure before the renaming leaves an older report as it was.
/// Pictures of an older report's further holds are removed afterwards.
///
/// # Errors
/// [`Error::Input`] where the folder cannot be written; [`Error::Ours`] where the disk is full, where the numbers of stills and holds differ, or where a number of
/// `outcome` is not finite.
pub fn write(outcome: &Outcome, stills: &[Option<RgbImage>], out_dir: &Path) -> Result<Written> {
    write_with_moments(outcome, stills, &[], out_dir)
}

/// As [`write()`], with pictures of the repetitions' moments: repetition by repetition, moment by moment, the upright frame that the moment names, or `None`.
///
/// # Errors
/// As [`write()`].
pub fn write_with_moments(
    outcome: &Outcome,
    stills: &[Option<RgbImage>],
    moments: &[Vec<Option<RgbImage>>],
    out_dir: &Path,
) -> Result<Written> {
    if stills.len() != outcome.holds.len() {
        return Err(Error::ours(format!(
            "The report got {} stills for {} holds; there must be one each.",
            stills.len(),
            outcome.holds.len()
        )));
    }
    let json = call_json::bytes(outcome)?;
    let table = frames_csv::bytes(outcome)?;
    let layouts: Vec<Option<picture::LegPicture>> = outcome
        .holds
        .iter()
        .zip(stills)
        .map(|(hold, still)| {
            let still = still.as_ref()?;
            picture::lay_out(hold, &outcome.floor.grid, still.width, still.height)
        })
        .collect();
    let page = html::page(outcome, stills, &layouts, moments)?;

    let mut staged = Staged::new(out_dir)?;
    let mut pictures = Vec::new();
    let mut pictures_of_moments = Vec::new();
    for (i, hold) in outcome.holds.iter().enumerate() {
        let (number, layout) = (i + 1, layouts[i].as_ref());
        let Some(still) = &stills[i] else { continue };
        let frame = raster::frame_png(
            still,
            &outcome.floor,
            &hold.best_frame,
            layout.map(|l| l.cut),
            &sentence::hold(hold),
        )?;
        pictures.push(staged.add(format!("stills/hold-{number}.png"), &frame)?);
        if let Some(layout) = layout {
            pictures.push(staged.add(format!("stills/hold-{number}-leg.png"), &raster::leg_png(still, layout)?)?);
            pictures.push(staged.add(
                format!("stills/hold-{number}-leg-plain.png"),
                &raster::leg_plain_png(still, layout.cut)?,
            )?);
        }
    }
    for (i, (r, pictures)) in outcome.repetitions.iter().zip(moments).enumerate() {
        for (k, (moment, picture)) in r.moments.iter().zip(pictures).enumerate() {
            if let Some((picture, cut)) = picture.as_ref().and_then(|p| Some((p, repetition::cut_of(moment, p)?))) {
                let name = format!("stills/repetition-{}-{}.png", i + 1, k + 1);
                pictures_of_moments.push(staged.add(&name, &raster::cut_png(picture, cut, MOMENT_WIDTH_PX)?)?);
            }
        }
    }
    pictures.extend(pictures_of_moments);
    let frames_csv = staged.add("frames.csv", &table)?;
    let call_json = staged.add("call.json", &json)?;
    let report_html = staged.add("report.html", page.as_bytes())?;
    staged.finish()?;
    files::remove_older_stills(&out_dir.join("stills"), &pictures);
    Ok(Written {
        report_html,
        call_json,
        frames_csv,
        stills: pictures,
    })
}
