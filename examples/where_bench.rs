//! Holds the map of `shankline where` against measured poses of rendered bodies: are lifts of the size that it foretells really shown nine times in ten?
//!
//!     cargo run --release --example where_bench                         # poses against the map, geometry only
//!     cargo run --release --example where_bench -- measured.jsonl       # the whole program on stills (examples/measure_stills.rs) against the map
//!
//! Poses: `fixtures/bench/poses.csv`, test half (bodies whose like the leg's shape was not learnt from). Geometry only: exact projection, 1 px noise, the program's own floor fit, leg fit
//! and rules.

use shankline::bench::poses::Half;
use shankline::viewpoint::bench;

fn main() -> shankline::Result<()> {
    match std::env::args_os().nth(1) {
        Some(path) => {
            let text = std::fs::read_to_string(&path)
                .map_err(|e| shankline::Error::input(format!("{} cannot be read ({e}); check the path.", path.to_string_lossy())))?;
            println!("{}", bench::against_markdown(&bench::against_stills(&text, 24)?));
        }
        None => {
            for (half, name) in [(Half::Calibration, "calibration"), (Half::Test, "test")] {
                println!("{name} half\n\n{}", bench::markdown(&bench::rows(&bench::VIEWS, half, 100, 1)?));
            }
        }
    }
    Ok(())
}
