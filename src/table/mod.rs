//! Tables for other programs: one description of the columns gives the CSV file, the Parquet file and the data dictionary.
//!
//! A table is written row by row and held in memory only a block at a time; a file is whole under its name or not there.

mod csv_file;
mod dictionary;
mod parquet_file;
pub(crate) mod spreadsheet;
mod text;
mod whole_file;
mod writer;

pub use dictionary::{data_package, table_schema, Resource};
pub use text::path_text;
pub(crate) use whole_file::make_folder;
pub use whole_file::WholeFile;
pub use writer::TableWriter;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Text, UTF-8.
    Text,
    /// A floating-point number.
    Number,
    /// A whole number.
    Integer,
    /// True or false.
    Boolean,
}

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub struct Field {
    /// Its name, with the unit in it where it has one (`gap_mm`).
    pub name: String,
    /// What it holds.
    pub kind: Kind,
    /// What it means, in a sentence.
    pub description: String,
    /// The only values it may have; empty where there is no such list.
    pub values: Vec<String>,
    /// Smallest value, where there is one.
    pub minimum: Option<f64>,
    /// Largest value, where there is one.
    pub maximum: Option<f64>,
    /// Whether every row has a value.
    pub required: bool,
}

impl Field {
    /// A column that may be empty.
    pub fn new(name: impl Into<String>, kind: Kind, description: impl Into<String>) -> Self {
        Self {
            name: name.into(),
            kind,
            description: description.into(),
            values: Vec::new(),
            minimum: None,
            maximum: None,
            required: false,
        }
    }

    /// The same column with a value in every row.
    pub fn required(mut self) -> Self {
        self.required = true;
        self
    }

    /// The same column with a list of the values it may have.
    pub fn one_of(mut self, values: &[&str]) -> Self {
        self.values = values.iter().map(|v| (*v).to_string()).collect();
        self
    }

    /// The same column, bounded.
    pub fn between(mut self, minimum: Option<f64>, maximum: Option<f64>) -> Self {
        self.minimum = minimum;
        self.maximum = maximum;
        self
    }
}

/// One value.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing known.
    Missing,
    /// Text.
    Text(String),
    /// A number; one that is not finite is written as missing.
    Number(f64),
    /// A whole number.
    Integer(i64),
    /// True or false.
    Boolean(bool),
}

impl Cell {
    /// Text, or missing where it is empty (a CSV file cannot tell the two apart).
    pub fn text(text: impl Into<String>) -> Self {
        let text = text.into();
        if text.is_empty() {
            Cell::Missing
        } else {
            Cell::Text(text)
        }
    }

    /// The word that a value without fields is written as in JSON.
    pub fn word(value: &impl serde::Serialize) -> Self {
        let value = serde_json::to_value(value).ok();
        Self::text(value.as_ref().and_then(serde_json::Value::as_str).unwrap_or_default())
    }

    /// A number, or missing.
    pub fn number(value: Option<f64>) -> Self {
        value.filter(|v| v.is_finite()).map_or(Cell::Missing, Cell::Number)
    }

    /// A number rounded to `places` decimal places, or missing.
    pub fn rounded(value: Option<f64>, places: i32) -> Self {
        let scale = 10f64.powi(places);
        // Adding zero turns a negative zero into zero.
        Self::number(value.map(|v| (v * scale).round() / scale + 0.0))
    }
}
