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
mod pictures;
mod place;
pub(crate) mod quantity;
mod raster;
pub(crate) mod repetition;
mod sentence;

use crate::error::Result;
use crate::outcome::Outcome;
pub(crate) use files::cannot_write;
use files::Staged;
pub(crate) use files::{can_write, can_write_file, write_whole};
pub use joined::write_joined;
pub use pictures::Pictures;
pub(crate) use raster::{floor_png, lines_png};
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

/// Writes the report on `outcome` into `out_dir`, made where it is missing. The points of `outcome` are pixels of the pictures that `pictures` hands out.
///
/// Everything is written and flushed under temporary names first and then renamed, the page last; a failure before the renaming leaves an older report as it was.
/// Pictures of an older report's further holds are removed afterwards.
///
/// # Errors
/// [`Error::Input`](crate::error::Error::Input) where the folder cannot be written; [`Error::Ours`](crate::error::Error::Ours) where the disk is full or where a number of
/// `outcome` is not finite.
pub fn write(outcome: &Outcome, pictures: &(impl Pictures + ?Sized), out_dir: &Path) -> Result<Written> {
    let json = call_json::bytes(outcome)?;
    let table = frames_csv::bytes(outcome)?;
    let mut staged = Staged::new(out_dir)?;
    let mut stills = Vec::new();
    let mut holds = Vec::new();
    for (i, hold) in outcome.holds.iter().enumerate() {
        let still = pictures.hold(i);
        let layout = still
            .as_ref()
            .and_then(|s| picture::lay_out(hold, &outcome.floor.grid, s.width, s.height));
        holds.push(html::hold_section(outcome, hold, i + 1, still.as_deref(), layout.as_ref())?);
        let Some(still) = still else { continue };
        let frame = raster::frame_png(
            &still,
            &outcome.floor,
            &hold.best_frame,
            layout.as_ref().map(|l| l.cut),
            &sentence::hold(hold),
        )?;
        let number = i + 1;
        stills.push(staged.add(format!("stills/hold-{number}.png"), &frame)?);
        if let Some(layout) = &layout {
            stills.push(staged.add(format!("stills/hold-{number}-leg.png"), &raster::leg_png(&still, layout)?)?);
            stills.push(staged.add(
                format!("stills/hold-{number}-leg-plain.png"),
                &raster::leg_plain_png(&still, layout.cut)?,
            )?);
        }
    }
    let mut repetitions = Vec::new();
    for (i, r) in outcome.repetitions.iter().enumerate() {
        let mut strip = Vec::new();
        for (k, moment) in r.moments.iter().enumerate() {
            let Some(picture) = pictures.moment(i, k) else { continue };
            let Some(cut) = repetition::cut_of(moment, &picture) else {
                continue;
            };
            let name = format!("stills/repetition-{}-{}.png", i + 1, k + 1);
            stills.push(staged.add(&name, &raster::cut_png(&picture, cut, MOMENT_WIDTH_PX)?)?);
            strip.push((moment, repetition::embedded(&picture, cut)?));
        }
        repetitions.push(repetition::section(r, i + 1, &strip));
    }
    let page = html::page(outcome, &holds, &repetitions);
    let frames_csv = staged.add("frames.csv", &table)?;
    let call_json = staged.add("call.json", &json)?;
    let report_html = staged.add("report.html", page.as_bytes())?;
    staged.finish()?;
    files::remove_older_stills(&out_dir.join("stills"), &stills);
    Ok(Written {
        report_html,
        call_json,
        frames_csv,
        stills,
    })
}
