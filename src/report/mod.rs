//! Call, evidence and advice, written for a person and for a program.
//!
//! `write(outcome: &Outcome, stills: &StillSource, out_dir: &Path, tolerance/rules needed) -> Result<Written>` writes `report.html` (one self-contained file), `call.json`,
//! `frames.csv` and `stills/` into a folder, each under a temporary name first. Anything from a file name or metadata is escaped.
