//! A table written to CSV and Parquet at once.

use super::csv_file::CsvFile;
use super::parquet_file::ParquetFile;
use super::{table_schema, Cell, Field, Kind};
use crate::error::{Error, Result};
use std::path::{Path, PathBuf};

/// Rows that wait in memory for the next row group.
const BLOCK_ROWS: usize = 16_384;

/// Writes one table to `NAME.csv` and `NAME.parquet`.
pub struct TableWriter {
    fields: Vec<Field>,
    csv: CsvFile,
    parquet: ParquetFile,
    block: Vec<Vec<Cell>>,
    rows: u64,
}

impl TableWriter {
    /// Starts the table `name` in `folder`. Columns of `fields` and cells of a row go together by position; `primary_key` names the columns that tell rows apart.
    ///
    /// # Errors
    /// A sentence on why nothing can be written there.
    pub fn create(folder: &Path, name: &str, fields: Vec<Field>, primary_key: &[&str]) -> Result<Self> {
        let schema = table_schema(&fields, primary_key).to_string();
        Ok(Self {
            csv: CsvFile::create(&folder.join(format!("{name}.csv")), &fields)?,
            parquet: ParquetFile::create(&folder.join(format!("{name}.parquet")), name, &fields, schema)?,
            fields,
            block: Vec::new(),
            rows: 0,
        })
    }

    /// Adds a row.
    ///
    /// # Errors
    /// [`Error::Ours`] where the row does not go with the columns or the disk fails.
    pub fn row(&mut self, cells: Vec<Cell>) -> Result<()> {
        let fits = cells.len() == self.fields.len()
            && cells.iter().zip(&self.fields).all(|(c, f)| {
                matches!(
                    (c, f.kind),
                    (Cell::Missing, _)
                        | (Cell::Text(_), Kind::Text)
                        | (Cell::Number(_), Kind::Number)
                        | (Cell::Integer(_), Kind::Integer)
                        | (Cell::Boolean(_), Kind::Boolean)
                )
            });
        if !fits {
            return Err(Error::ours(
                "A table's row does not go with its columns; this is a fault of the program.",
            ));
        }
        self.csv.row(&cells)?;
        self.block.push(cells);
        self.rows += 1;
        if self.block.len() == BLOCK_ROWS {
            self.parquet.block(&self.block)?;
            self.block.clear();
        }
        Ok(())
    }

    /// Gives both files their names and tells how many rows they have.
    ///
    /// # Errors
    /// A sentence on why they could not be written; files of those names from before are then unchanged, or the Parquet file alone is.
    pub fn finish(mut self) -> Result<u64> {
        if !self.block.is_empty() {
            self.parquet.block(&self.block)?;
        }
        self.csv.finish()?;
        self.parquet.finish()?;
        Ok(self.rows)
    }

    /// The columns.
    pub fn fields(&self) -> &[Field] {
        &self.fields
    }
}

/// The CSV file of the table `name` in `folder`.
pub(super) fn csv_path(folder: &Path, name: &str) -> PathBuf {
    folder.join(format!("{name}.csv"))
}
