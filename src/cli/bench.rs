//! `shankline bench`: how often the call is right on cases whose truth is known.

use crate::bench::keypoints::{self, Floor, Options};
use crate::bench::{csv_file, joined, markdown, pictures, plot, poses, table};
use crate::cli::arguments::BenchArguments;
use crate::cli::print;
use crate::error::{Error, Result};
use crate::leg::shape::LegShape;
use crate::report::write_whole;
use crate::rules::RuleProfile;
use std::fmt::Write as _;
use std::time::Instant;

/// Runs the command.
///
/// # Errors
/// [`Error::Input`] where a file cannot be read or written.
pub fn run(arguments: &BenchArguments) -> Result<()> {
    if arguments.two_views {
        return two_views(arguments);
    }
    let (cases, head, tail) = match &arguments.measured {
        Some(path) => {
            let text = std::fs::read_to_string(path).map_err(|e| {
                Error::input(format!(
                    "The measured stills {} cannot be read ({e}); check the path.",
                    path.display()
                ))
            })?;
            let stills = pictures::parse(&text)?;
            let cases = stills.iter().map(pictures::Still::case).collect::<Result<Vec<_>>>()?;
            let head = format!(
                "Measured on {} rendered stills, each with every kind of floor. Rendered bodies, not athletes.\n\n",
                stills.iter().filter(|s| s.floor == stills[0].floor).count()
            );
            (cases, head, format!("\n{}", pictures::further_tables(&stills)?))
        }
        None => keypoint_cases(arguments)?,
    };
    let rows = table::rows(&cases);
    let text = format!("{head}{}{tail}", markdown::tables(&rows));
    if let Some(folder) = &arguments.out {
        std::fs::create_dir_all(folder)
            .map_err(|e| Error::input(format!("The folder {} cannot be made ({e}); choose another.", folder.display())))?;
        write_whole(&folder.join("classes.csv"), csv_file::classes(&rows)?.as_bytes())?;
        write_whole(&folder.join("reliability.csv"), csv_file::reliability(&rows)?.as_bytes())?;
        write_whole(&folder.join("reliability.png"), &plot::reliability(&rows)?)?;
        write_whole(&folder.join("classes.png"), &plot::classes(&rows)?)?;
        write_whole(&folder.join("bench.md"), text.as_bytes())?;
    }
    print(&text, true)
}

/// Two views beside one.
fn two_views(arguments: &BenchArguments) -> Result<()> {
    let rules = RuleProfile::of(arguments.rules.as_deref())?;
    let (poses, shape) = (poses::shipped()?, LegShape::shipped());
    let mut cases = Vec::new();
    for floor in floors(arguments) {
        let options = options(arguments, *floor);
        cases.extend(joined::run(&poses, &options, &shape, &rules)?);
    }
    let text = format!(
        "Keypoint bench, two views: measured poses of rendered bodies, exact projection, {} px noise on points and marks, seed {}, {} pairs of views a floor. Rendered bodies, not athletes.\n\n{}",
        arguments.noise_px,
        arguments.seed,
        arguments.cases,
        joined::tables(&cases)
    );
    if let Some(folder) = &arguments.out {
        std::fs::create_dir_all(folder)
            .map_err(|e| Error::input(format!("The folder {} cannot be made ({e}); choose another.", folder.display())))?;
        write_whole(&folder.join("bench-joined.md"), text.as_bytes())?;
    }
    print(&text, true)
}

/// The kinds of floor asked for.
fn floors(arguments: &BenchArguments) -> &[Floor] {
    if arguments.floor.is_empty() {
        &[Floor::Marks]
    } else {
        &arguments.floor
    }
}

fn options(arguments: &BenchArguments, floor: Floor) -> Options {
    Options {
        cases: arguments.cases,
        noise_px: arguments.noise_px,
        floor,
        half: arguments.half,
        seed: arguments.seed,
        threads: arguments
            .threads
            .unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from)),
    }
}

fn keypoint_cases(arguments: &BenchArguments) -> Result<(Vec<crate::bench::case::Case>, String, String)> {
    let rules = RuleProfile::of(arguments.rules.as_deref())?;
    let poses = poses::shipped()?;
    let shape = LegShape::shipped();
    let mut cases = Vec::new();
    let mut head = format!(
        "Keypoint bench: {} measured poses of rendered bodies ({} half), exact projection, {} px noise on points and marks, seed {}. Rendered bodies, not athletes.\n\n",
        poses.iter().filter(|p| p.half == arguments.half).count(),
        match arguments.half {
            poses::Half::Calibration => "calibration",
            poses::Half::Test => "test",
        },
        arguments.noise_px,
        arguments.seed
    );
    for floor in floors(arguments) {
        let begin = Instant::now();
        let options = options(arguments, *floor);
        let threads = options.threads;
        cases.extend(keypoints::run(&poses, &options, &shape, &rules)?);
        let seconds = begin.elapsed().as_secs_f64().max(1e-9);
        eprintln!(
            "{}: {} cases in {seconds:.1} s, {:.0} a second on {threads} threads",
            floor.key(),
            arguments.cases,
            arguments.cases as f64 / seconds
        );
    }
    let _ = writeln!(head, "{} cases a floor.\n", arguments.cases);
    Ok((cases, head, String::new()))
}
