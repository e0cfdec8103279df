//! Holds the map of `shankline where` against measured poses of rendered bodies: are lifts of the size that it foretells really shown nine times in ten?
//!
//!     cargo run --release --example where_bench -- 30                   # poses against the map, geometry only, up to so many poses of each size a view
//!     cargo run --release --example where_bench -- measured.jsonl       # the whole program on stills (examples/measure_stills.rs) against the map
//!
//! Poses: `fixtures/bench/poses.csv`, test half (the map's own stances are of the other half). Geometry only: exact projection, 1 px noise, the program's own floor fit, leg fit and rules.

use shankline::bench::poses::Half;
use shankline::viewpoint::bench;

fn main() -> shankline::Result<()> {
    let argument = std::env::args().nth(1).unwrap_or_else(|| "30".to_string());
    if let Ok(most) = argument.parse() {
        println!("{}", bench::markdown(&bench::rows(&bench::VIEWS, Half::Test, most, 1)?));
        return Ok(());
    }
    let text = std::fs::read_to_string(&argument).map_err(|e| {
        shankline::Error::input(format!(
            "{argument} cannot be read ({e}); give a number of poses or a file of measured stills."
        ))
    })?;
    println!("{}", bench::against_markdown(&bench::against_stills(&text, 24)?));
    Ok(())
}
