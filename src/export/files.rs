//! Writing the tables of one or several recordings into a folder.

use super::columns::{self, Layout};
use super::{markers, rows};
use crate::error::{Error, Result};
use crate::floor::FloorCamera;
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::LegShape;
use crate::outcome::Outcome;
use crate::pose::track::Track;
use crate::table::{data_package, Resource, TableWriter, WholeFile};
use std::path::{Path, PathBuf};

/// What to write beside the tables of holds and frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ExportOptions {
    /// Covariance of the gaps along the leg.
    pub covariance: bool,
    /// Every keypoint of every frame.
    pub keypoints: bool,
    /// Marker trajectories (C3D).
    pub markers: bool,
}

/// One recording to export.
pub struct Source {
    /// How the tables call it.
    pub recording: String,
    /// The answer.
    pub outcome: Outcome,
    /// The track; `None` where only an earlier report is at hand.
    pub track: Option<Track>,
    /// The camera over the carpet, hold by hold; empty without a track.
    pub cameras: Vec<FloorCamera>,
    /// The athlete's stature as given for the check, metres.
    pub stature_m: Option<f64>,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exported {
    /// The data dictionary.
    pub dictionary: PathBuf,
    /// Table names and how many rows each has.
    pub tables: Vec<(&'static str, u64)>,
    /// Marker files.
    pub markers: Vec<PathBuf>,
    /// What could not be written and why.
    pub notes: Vec<String>,
}

/// The tables being written.
pub struct Exporter {
    folder: PathBuf,
    options: ExportOptions,
    tables: Vec<(Layout, TableWriter)>,
    markers: Vec<PathBuf>,
    notes: Vec<String>,
    recordings: usize,
    shape: LegShape,
    errors: FusionErrors,
}

impl Exporter {
    /// Starts the tables in `folder`, made where it is missing.
    ///
    /// # Errors
    /// A sentence on why nothing can be written there.
    pub fn create(folder: &Path, options: ExportOptions) -> Result<Self> {
        let mut layouts = vec![columns::holds(), columns::stations_table()];
        if options.covariance {
            layouts.extend([columns::hold_covariance(), columns::frame_covariance()]);
        }
        if options.keypoints {
            layouts.push(columns::keypoints());
        }
        let tables = layouts
            .into_iter()
            .map(|l| {
                let writer = TableWriter::create(folder, l.name, l.fields.clone(), l.key)?;
                Ok((l, writer))
            })
            .collect::<Result<Vec<_>>>()?;
        Ok(Self {
            folder: folder.to_path_buf(),
            options,
            tables,
            markers: Vec::new(),
            notes: Vec::new(),
            recordings: 0,
            shape: LegShape::shipped(),
            errors: FusionErrors::shipped(),
        })
    }

    /// Adds one recording.
    ///
    /// # Errors
    /// [`Error::Input`] where the recording has no track and keypoints or markers are asked for; else a sentence on why nothing can be written.
    pub fn add(&mut self, source: &Source) -> Result<()> {
        if source.track.is_none() && (self.options.keypoints || self.options.markers) {
            return Err(Error::input(format!(
                "{} is an earlier report, which keeps no keypoints: give the recording itself, or leave out the keypoints and markers.",
                source.recording
            )));
        }
        self.recordings += 1;
        if source.track.is_none() && self.options.covariance {
            self.notes.push(format!(
                "{}: an earlier report keeps no covariance frame by frame; only the holds' covariance is written.",
                source.recording
            ));
        }
        for (layout, table) in &mut self.tables {
            match layout.name {
                "holds" => rows::holds(source, table)?,
                "frames" => rows::frames(source, &self.shape, table)?,
                "hold_covariance" => rows::hold_covariance(source, table)?,
                "frame_covariance" => rows::frame_covariance(source, &self.shape, &self.errors, table)?,
                _ => rows::keypoints(source, table)?,
            }
        }
        if self.options.markers {
            for k in 0..source.outcome.holds.len() {
                let name = format!("markers/recording-{}-hold-{}.c3d", self.recordings, k + 1);
                let made = markers::of_hold(source, k, &self.shape).and_then(|m| m.bytes());
                match made {
                    Ok(bytes) => {
                        let path = self.folder.join(name);
                        WholeFile::write(&path, &bytes)?;
                        self.markers.push(path);
                    }
                    Err(why) => self
                        .notes
                        .push(format!("{}, hold {}: no marker file, because {why}.", source.recording, k + 1)),
                }
            }
        }
        Ok(())
    }

    /// Gives the files their names and writes the data dictionary, last.
    ///
    /// # Errors
    /// A sentence on why they cannot be written.
    pub fn finish(self) -> Result<Exported> {
        let mut layouts = Vec::new();
        let mut tables = Vec::new();
        for (layout, table) in self.tables {
            tables.push((layout.name, table.finish()?));
            layouts.push(layout);
        }
        let resources: Vec<Resource> = layouts
            .iter()
            .map(|l| Resource {
                name: l.name,
                description: l.description,
                fields: &l.fields,
                primary_key: l.key,
            })
            .collect();
        let package = data_package(
            &self.folder,
            "shankline-export",
            "Gaps between the inner side of the kneeling lower leg and the carpet. Frames of reference: image (x right, y down, origin at the top-left pixel's corner, upright), px; \
             carpet (Z up, Z = 0 on the carpet), m. Measured on rendered bodies, not on athletes. Advice only: the judges and the rulebook in force decide.",
            &resources,
        )?;
        let dictionary = self.folder.join("datapackage.json");
        let text =
            serde_json::to_string_pretty(&package).map_err(|e| Error::ours(format!("The data dictionary cannot be written ({e}).")))?;
        WholeFile::write(&dictionary, text.as_bytes())?;
        Ok(Exported {
            dictionary,
            tables,
            markers: self.markers,
            notes: self.notes,
        })
    }
}
