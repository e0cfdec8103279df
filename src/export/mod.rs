//! Measurements for research: tidy tables (CSV and Parquet) with a data dictionary, and marker trajectories (C3D).

mod c3d;
mod columns;
mod files;
mod markers;
mod rows;

pub use c3d::{MarkerFile, MarkerFrame};
pub use files::{ExportOptions, Exported, Exporter, Source};
