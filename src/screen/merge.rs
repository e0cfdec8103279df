//! Joining what shards have done.

use super::database::Database;
use super::lock::Lock;
use super::table::write_tables;
use super::walk::DATABASE_NAME;
use super::worker::remove_unfinished;
use crate::error::{Error, Result};
use crate::table::make_folder;
use std::path::Path;

/// Joins the databases of every shard under `out` into one and writes table and page from it; tells how many shards were joined and how many rows there are. Doing it again
/// changes nothing.
///
/// # Errors
/// [`Error::Input`] where there is no shard; a sentence on why a database cannot be read or the results folder not written.
pub fn merge(out: &Path) -> Result<(usize, u64)> {
    let shards = out.join("shards");
    let mut databases: Vec<_> = std::fs::read_dir(&shards)
        .map(|entries| {
            entries
                .flatten()
                .map(|e| e.path().join(DATABASE_NAME))
                .filter(|p| p.is_file())
                .collect::<Vec<_>>()
        })
        .unwrap_or_default();
    databases.sort();
    if databases.is_empty() {
        return Err(Error::input(format!(
            "{} holds no results of shards: run `shankline screen FOLDER --shard I/N --out {}` first.",
            shards.display(),
            out.display()
        )));
    }
    make_folder(out)?;
    let _lock = Lock::take(&out.join(".screen.lock"))?;
    remove_unfinished(out);
    let database = Database::open(&out.join(DATABASE_NAME))?;
    for shard in &databases {
        database.join(shard)?;
    }
    Ok((databases.len(), write_tables(&database, out)?))
}
