//! High dynamic range and wide primaries to BT.709, as a table of colours.
//!
//! ffmpeg's own chain (`zscale` to linear light, `zscale` to BT.709 primaries, `tonemap`, `zscale` back) works in floating point and takes about 80 ms
//! of processor time for a 1920 × 1080 frame. It acts on each colour by itself, so it is run once on a lattice of colours, and ffmpeg's `lut3d` filter
//! interpolates in the result.

use super::options::OpenOptions;
use super::tool;
use crate::{Error, Result};
use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

/// The table's name in the decoder's working folder: a plain name, so that no path needs escaping in a filter description.
pub(super) const FILE_NAME: &str = "tone.cube";

/// Lattice points a side.
const SIDE: usize = 49;

/// Luminance that becomes 1.0 before tone mapping: the reference white of high-dynamic-range programmes, 203 cd/m² (Report ITU-R BT.2408).
const REFERENCE_WHITE_CD_M2: f64 = 203.0;

/// What the table undoes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ToneCurve {
    /// Transfer characteristic in ffmpeg's words.
    transfer: &'static str,
    /// Primaries in ffmpeg's words.
    primaries: &'static str,
    /// Brightest luminance over reference white; `None` where nothing is tone mapped.
    peak: Option<f64>,
}

impl ToneCurve {
    /// The table for a file's tags; `None` where the colours are already BT.709's or near enough (BT.601's primaries differ by a few levels and are
    /// left alone, as players do).
    pub fn for_tags(transfer: Option<&str>, primaries: Option<&str>, peak_cd_m2: Option<f64>) -> Option<Self> {
        let wide = match primaries {
            Some("bt2020") => Some("bt2020"),
            Some("smpte431") => Some("smpte431"),
            Some("smpte432") => Some("smpte432"),
            _ => None,
        };
        match transfer {
            // Hybrid log-gamma is relative; its nominal display peaks at 1000 cd/m² (Recommendation ITU-R BT.2100).
            Some("arib-std-b67") => Some(Self {
                transfer: "arib-std-b67",
                primaries: wide.unwrap_or("bt2020"),
                peak: Some(1000.0 / REFERENCE_WHITE_CD_M2),
            }),
            Some("smpte2084") => Some(Self {
                transfer: "smpte2084",
                primaries: wide.unwrap_or("bt2020"),
                peak: Some(peak_cd_m2.unwrap_or(1000.0).clamp(250.0, 10_000.0) / REFERENCE_WHITE_CD_M2),
            }),
            Some("iec61966-2-1") => wide.map(|primaries| Self {
                transfer: "iec61966-2-1",
                primaries,
                peak: None,
            }),
            _ => wide.map(|primaries| Self {
                transfer: "bt709",
                primaries,
                peak: None,
            }),
        }
    }

    /// For a sentence.
    pub fn words(&self) -> String {
        let primaries = match self.primaries {
            "bt2020" => "BT.2020",
            _ => "P3",
        };
        match self.transfer {
            "arib-std-b67" => format!("hybrid log-gamma, {primaries} primaries"),
            "smpte2084" => format!("perceptual quantizer, {primaries} primaries"),
            _ => format!("{primaries} primaries"),
        }
    }

    /// The floating-point chain, from planar RGB.
    pub fn filters(&self) -> String {
        let Self { transfer, primaries, .. } = self;
        let tone_mapping = self
            .peak
            .map_or(String::new(), |peak| format!("tonemap=tonemap=mobius:desat=0:peak={peak:.4},"));
        format!(
            "zscale=min=gbr:rin=full:pin={primaries}:tin={transfer}:m=gbr:p={primaries}:t=linear:npl={REFERENCE_WHITE_CD_M2},format=gbrpf32le,\
             zscale=m=gbr:p=bt709:t=linear,{tone_mapping}zscale=m=gbr:p=bt709:t=bt709:r=full"
        )
    }

    /// Computes the table and writes it into `folder`.
    ///
    /// # Errors
    /// [`Error::Ours`] where ffmpeg is missing or lacks the filters, or the folder cannot be written.
    pub fn write(&self, folder: &Path, options: &OpenOptions) -> Result<()> {
        let level = |i: usize| ((i * 65535 + (SIDE - 1) / 2) / (SIDE - 1)) as u16;
        let mut lattice = Vec::with_capacity(SIDE * SIDE * SIDE * 6);
        for blue in 0..SIDE {
            for green in 0..SIDE {
                for red in 0..SIDE {
                    for i in [red, green, blue] {
                        lattice.extend_from_slice(&level(i).to_le_bytes());
                    }
                }
            }
        }
        let length = lattice.len();
        let mut command = tool::command(&options.ffmpeg);
        command.args(["-hide_banner", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "rgb48le", "-s"]);
        command.arg(format!("{SIDE}x{}", SIDE * SIDE));
        command.args(["-i", "pipe:0", "-vf"]);
        command.arg(format!("format=gbrp16le,{},format=gbrp16le,format=rgb48le", self.filters()));
        command.args(["-frames:v", "1", "-f", "rawvideo", "pipe:1"]);
        let output = tool::run(&mut command, Some(lattice), Duration::from_secs(60), 2 * length as u64)?;
        if output.stdout.len() != length {
            return Err(Error::ours(format!(
                "ffmpeg cannot convert high dynamic range or wide colours here: install an ffmpeg built with the zscale filter ({}).",
                output.stderr.lines().next().unwrap_or("no message").trim()
            )));
        }
        let mut text = format!("LUT_3D_SIZE {SIDE}\n");
        for colour in output.stdout.chunks_exact(6) {
            let value = |i: usize| f64::from(u16::from_le_bytes([colour[i], colour[i + 1]])) / 65535.0;
            let _ = writeln!(text, "{:.5} {:.5} {:.5}", value(0), value(2), value(4));
        }
        std::fs::write(folder.join(FILE_NAME), text).map_err(|e| {
            Error::ours(format!(
                "A table of colours cannot be written to the temporary folder ({e}): make room there."
            ))
        })
    }
}
