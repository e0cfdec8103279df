//! Holds the map of `shankline where` against measured poses of rendered bodies: are lifts of the size that it foretells really shown nine times in ten?
//!
//!     cargo run --release --example where_bench > docs/bench-where.md
//!
//! Poses: `fixtures/bench/poses.csv`, test half (bodies whose like the leg's shape was not learnt from). Geometry only: exact projection, 1 px noise, the program's own floor fit, leg fit
//! and rules.

use shankline::viewpoint::bench::{self, Row};

fn main() -> shankline::Result<()> {
    let rows = bench::rows(&bench::VIEWS, 400, 1)?;
    println!("{}", bench::markdown(&rows));
    let _: &[Row] = &rows;
    Ok(())
}
