//! A whole evening of recordings in one go: every recording of a folder checked by worker processes, each result kept in a database as soon as it is whole, and from the
//! database one table and one page.
//!
//! ```text
//! walk ──► pool ──► worker (check, report) ──► database ──► table (CSV, Parquet), page
//! manifest ─┘
//! ```

mod database;
mod fingerprint;
mod lock;
mod manifest;
mod memory;
mod merge;
mod page;
mod place;
mod pool;
mod run;
mod table;
mod trend;
mod walk;
mod worker;

pub use database::{Database, Entry, Key, State, Stored};
pub use fingerprint::Fingerprint;
pub use manifest::{FolderNames, Manifest, Who};
pub use merge::merge;
pub use page::page;
pub use place::report_name;
pub use run::{screen, ScreenOptions, Screened, Shard};
pub use table::{fields, rows_of, write_tables};
pub use trend::{trends, AthleteTrend, SessionPoint};
pub use walk::{walk, Found, Walked};
pub use worker::work;
