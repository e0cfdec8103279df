//! The CSV file: RFC 4180 (comma, CRLF, header line), UTF-8, a missing value is an empty field, numbers in the shortest form that reads back to the same value.

use super::{Cell, Field, WholeFile};
use crate::error::Result;
use crate::report::cannot_write;
use std::path::Path;

pub(super) struct CsvFile {
    writer: csv::Writer<WholeFile>,
    target: std::path::PathBuf,
}

impl CsvFile {
    pub(super) fn create(target: &Path, fields: &[Field]) -> Result<Self> {
        let file = WholeFile::create(target)?;
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(file);
        writer
            .write_record(fields.iter().map(|f| f.name.as_str()))
            .map_err(|e| refused(target, e))?;
        Ok(Self {
            writer,
            target: target.to_path_buf(),
        })
    }

    pub(super) fn row(&mut self, cells: &[Cell]) -> Result<()> {
        for cell in cells {
            let written = match cell {
                Cell::Missing => self.writer.write_field(""),
                Cell::Text(text) => self.writer.write_field(text),
                Cell::Number(value) if !value.is_finite() => self.writer.write_field(""),
                Cell::Number(value) => self.writer.write_field(value.to_string()),
                Cell::Integer(value) => self.writer.write_field(value.to_string()),
                Cell::Boolean(value) => self.writer.write_field(if *value { "true" } else { "false" }),
            };
            written.map_err(|e| refused(&self.target, e))?;
        }
        self.writer.write_record(None::<&[u8]>).map_err(|e| refused(&self.target, e))
    }

    pub(super) fn finish(self) -> Result<()> {
        let target = self.target;
        self.writer.into_inner().map_err(|e| cannot_write(&target, e.error()))?.finish()
    }
}

fn refused(target: &Path, error: csv::Error) -> crate::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(e) => cannot_write(target, &e),
        other => crate::Error::ours(format!("{} could not be written: {other:?}.", target.display())),
    }
}
