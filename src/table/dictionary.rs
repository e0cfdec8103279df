//! The data dictionary, in the Frictionless standards: Table Schema for a table, Data Package for a folder of tables.

use super::writer::csv_path;
use super::{Field, Kind};
use crate::error::{Error, Result};
use crate::hash::hex;
use serde_json::{json, Map, Value};
use sha2::{Digest, Sha256};
use std::path::Path;

/// The columns as a Frictionless Table Schema.
pub fn table_schema(fields: &[Field], primary_key: &[&str]) -> Value {
    let fields: Vec<Value> = fields
        .iter()
        .map(|f| {
            let mut constraints = Map::new();
            if f.required {
                constraints.insert("required".into(), true.into());
            }
            if !f.values.is_empty() {
                constraints.insert("enum".into(), json!(f.values));
            }
            let bound = |v: f64| if f.kind == Kind::Integer { json!(v as i64) } else { json!(v) };
            if let Some(v) = f.minimum {
                constraints.insert("minimum".into(), bound(v));
            }
            if let Some(v) = f.maximum {
                constraints.insert("maximum".into(), bound(v));
            }
            let mut field = json!({
                "name": f.name,
                "type": match f.kind {
                    Kind::Text => "string",
                    Kind::Number => "number",
                    Kind::Integer => "integer",
                    Kind::Boolean => "boolean",
                },
                "description": f.description,
            });
            if f.kind == Kind::Boolean {
                field["trueValues"] = json!(["true"]);
                field["falseValues"] = json!(["false"]);
            }
            if !constraints.is_empty() {
                field["constraints"] = Value::Object(constraints);
            }
            field
        })
        .collect();
    let mut schema = json!({ "fields": fields, "missingValues": [""] });
    if !primary_key.is_empty() {
        schema["primaryKey"] = json!(primary_key);
    }
    schema
}

/// One table of a data package; its CSV file must lie in the folder already.
pub struct Resource<'a> {
    /// Name of the table and, with `.csv` and `.parquet`, of its files.
    pub name: &'a str,
    /// What a row is.
    pub description: &'a str,
    /// Its columns.
    pub fields: &'a [Field],
    /// The columns that tell rows apart.
    pub primary_key: &'a [&'a str],
}

/// The folder's `datapackage.json`, with size and SHA-256 of every CSV file.
///
/// # Errors
/// [`Error::Ours`] where a CSV file cannot be read again.
pub fn data_package(folder: &Path, name: &str, description: &str, resources: &[Resource]) -> Result<Value> {
    let mut listed = Vec::new();
    for r in resources {
        let path = csv_path(folder, r.name);
        let unreadable = |e: std::io::Error| Error::ours(format!("{} cannot be read again ({e}).", path.display()));
        let mut file = std::fs::File::open(&path).map_err(unreadable)?;
        let mut hasher = Sha256::new();
        let bytes = std::io::copy(&mut file, &mut hasher).map_err(unreadable)?;
        listed.push(json!({
            "name": r.name,
            "description": r.description,
            "profile": "tabular-data-resource",
            "path": format!("{}.csv", r.name),
            "format": "csv",
            "mediatype": "text/csv",
            "encoding": "utf-8",
            "bytes": bytes,
            "hash": format!("sha256:{}", hex(&hasher.finalize())),
            "dialect": { "delimiter": ",", "lineTerminator": "\r\n", "quoteChar": "\"", "doubleQuote": true, "header": true },
            "schema": table_schema(r.fields, r.primary_key),
            "same_table_as_parquet": format!("{}.parquet", r.name),
        }));
    }
    Ok(json!({
        "profile": "tabular-data-package",
        "name": name,
        "description": description,
        "resources": listed,
    }))
}
