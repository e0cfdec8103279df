//! The Parquet file (Apache Parquet format 2, snappy): every column optional, text as UTF-8 strings, numbers as doubles, whole numbers as 64-bit integers. The table's
//! schema (Frictionless Table Schema) is kept in the file's own metadata under `table_schema`.

use super::{Cell, Field, Kind, WholeFile};
use crate::error::{Error, Result};
use crate::report::cannot_write;
use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::path::Path;
use std::sync::Arc;

pub(super) struct ParquetFile {
    writer: SerializedFileWriter<WholeFile>,
    target: std::path::PathBuf,
}

impl ParquetFile {
    pub(super) fn create(target: &Path, name: &str, fields: &[Field], schema_json: String) -> Result<Self> {
        let columns = fields
            .iter()
            .map(|f| {
                let (physical, logical) = match f.kind {
                    Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
                    Kind::Number => (Physical::DOUBLE, None),
                    Kind::Integer => (Physical::INT64, None),
                    Kind::Boolean => (Physical::BOOLEAN, None),
                };
                Type::primitive_type_builder(&f.name, physical)
                    .with_repetition(Repetition::OPTIONAL)
                    .with_logical_type(logical)
                    .build()
                    .map(Arc::new)
            })
            .collect::<std::result::Result<Vec<_>, ParquetError>>()
            .map_err(|e| refused(target, e))?;
        let schema = Type::group_type_builder(name)
            .with_fields(columns)
            .build()
            .map_err(|e| refused(target, e))?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::SNAPPY)
            .set_created_by(format!("shankline {}", env!("CARGO_PKG_VERSION")))
            .set_key_value_metadata(Some(vec![KeyValue::new("table_schema".to_string(), schema_json)]))
            .build();
        let writer = SerializedFileWriter::new(WholeFile::create(target)?, Arc::new(schema), Arc::new(properties))
            .map_err(|e| refused(target, e))?;
        Ok(Self {
            writer,
            target: target.to_path_buf(),
        })
    }

    /// Writes one row group.
    pub(super) fn block(&mut self, rows: &[Vec<Cell>]) -> Result<()> {
        let target = self.target.clone();
        self.write_block(rows).map_err(|e| refused(&target, e))
    }

    fn write_block(&mut self, rows: &[Vec<Cell>]) -> std::result::Result<(), ParquetError> {
        let mut group = self.writer.next_row_group()?;
        let mut at = 0;
        while let Some(mut column) = group.next_column()? {
            let cells = || rows.iter().map(|r| &r[at]);
            let present: Vec<i16> = cells()
                .map(|c| match c {
                    Cell::Missing => 0,
                    Cell::Number(v) => i16::from(v.is_finite()),
                    _ => 1,
                })
                .collect();
            let levels = Some(present.as_slice());
            match column.untyped() {
                ColumnWriter::ByteArrayColumnWriter(w) => {
                    let values: Vec<ByteArray> = cells()
                        .filter_map(|c| match c {
                            Cell::Text(text) => Some(ByteArray::from(text.as_str())),
                            _ => None,
                        })
                        .collect();
                    w.write_batch(&values, levels, None)?;
                }
                ColumnWriter::DoubleColumnWriter(w) => {
                    let values: Vec<f64> = cells()
                        .filter_map(|c| match c {
                            Cell::Number(v) if v.is_finite() => Some(*v),
                            _ => None,
                        })
                        .collect();
                    w.write_batch(&values, levels, None)?;
                }
                ColumnWriter::Int64ColumnWriter(w) => {
                    let values: Vec<i64> = cells()
                        .filter_map(|c| match c {
                            Cell::Integer(v) => Some(*v),
                            _ => None,
                        })
                        .collect();
                    w.write_batch(&values, levels, None)?;
                }
                ColumnWriter::BoolColumnWriter(w) => {
                    let values: Vec<bool> = cells()
                        .filter_map(|c| match c {
                            Cell::Boolean(v) => Some(*v),
                            _ => None,
                        })
                        .collect();
                    w.write_batch(&values, levels, None)?;
                }
                _ => return Err(ParquetError::General("a column of a kind that is never made".into())),
            }
            column.close()?;
            at += 1;
        }
        group.close()?;
        Ok(())
    }

    pub(super) fn finish(self) -> Result<()> {
        let target = self.target;
        self.writer.into_inner().map_err(|e| refused(&target, e))?.finish()
    }
}

fn refused(target: &Path, error: ParquetError) -> Error {
    if let ParquetError::External(inner) = &error {
        if let Some(e) = inner.downcast_ref::<std::io::Error>() {
            return cannot_write(target, e);
        }
    }
    Error::ours(format!("{} could not be written: {error}.", target.display()))
}
