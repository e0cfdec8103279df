//! `frames.csv`: one row a frame and station, RFC 4180 (comma, CRLF, header line).

use crate::error::{Error, Result};
use crate::outcome::Outcome;
use crate::types::Station;

/// The columns: presentation time in seconds, position among the delivered frames, number of the hold from 1, whether the frame lies in the hold, station,
/// gap and its standard deviation in millimetres.
pub(crate) const HEADER: [&str; 7] = ["time_s", "frame", "hold", "in_hold", "station", "gap_mm", "gap_sd_mm"];

/// The whole file.
pub(crate) fn bytes(outcome: &Outcome) -> Result<Vec<u8>> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    let failed = |e: csv::Error| Error::ours(format!("The table of frames could not be written: {e}."));
    writer.write_record(HEADER).map_err(failed)?;
    for (position, hold) in outcome.holds.iter().enumerate() {
        for frame in &hold.frames {
            for station in Station::ALL {
                writer
                    .write_record([
                        format!("{:.6}", frame.time_s),
                        frame.index.to_string(),
                        (position + 1).to_string(),
                        frame.in_hold.to_string(),
                        station.key().to_owned(),
                        format!("{:.3}", frame.gap_mm[station.index()]),
                        format!("{:.3}", frame.sd_mm[station.index()]),
                    ])
                    .map_err(failed)?;
            }
        }
    }
    writer
        .into_inner()
        .map_err(|e| Error::ours(format!("The table of frames could not be written: {e}.")))
}
