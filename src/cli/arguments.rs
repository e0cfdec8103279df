//! The commands and options, said once: help, shell completions and manual page come from here.

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};
use std::path::PathBuf;

/// Tells from a recording whether the inner side of the kneeling lower leg is down on the carpet in the low kneeling stance, with millimetres, uncertainty, and whether
/// this camera could have shown a fault. It advises; judges and the rulebook in force decide. Nothing leaves this machine.
#[derive(Debug, Parser)]
#[command(
    name = "shankline",
    propagate_version = false,
    subcommand_required = true,
    arg_required_else_help = true
)]
#[command(after_help = "Exit code: 0 checked (whatever the call), 2 bad use or bad input, 1 our failure.")]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Check recordings or photographs: call, millimetres, report.
    Check(CheckArguments),
    /// Build and check a floor file from marks on the carpet, and draw the carpet grid on a frame.
    Floor(FloorArguments),
    /// Print the rule profile in force in plain words.
    Rules(RulesArguments),
    /// Print shell completions.
    Completions {
        /// For which shell.
        shell: clap_complete::Shell,
    },
    /// Print the manual page (roff).
    Manual,
}

/// Arguments of `check`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  shankline check stance.mp4
  shankline check stance.mp4 --floor stance.floor.json --stature 1.68 --out reports/stance
  shankline check photograph.jpg --json -

Film from knee height, square to the shin, the whole body in the frame, the camera still. A raised or distant camera often cannot show a lifted heel; then the
answer is \"cannot tell\".

Kneeling low loads the inner knee: warm up, use a padded floor, stop on pain, ask a clinician where pain stays.")]
pub struct CheckArguments {
    /// Recordings (MP4, MOV, MKV, AVI, WebM) or photographs (JPEG, PNG).
    #[arg(required = true, value_name = "INPUT", value_hint = ValueHint::FilePath)]
    pub input: Vec<PathBuf>,
    /// Floor file: marks on the carpet with known coordinates (see `shankline floor`); without it the floor is taken from the body.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub floor: Option<PathBuf>,
    /// The athlete's stature in metres; without it 1.70 m ± 0.11 m is assumed.
    #[arg(long, value_name = "M", value_parser = stature)]
    pub stature: Option<f64>,
    /// Which leg kneels.
    #[arg(long, value_enum, default_value_t = LegArgument::Auto)]
    pub leg: LegArgument,
    /// Where the athlete is in the first frame, as fractions of width and height (0.5,0.6 is just below the middle).
    #[arg(long, value_name = "U,V", value_parser = fraction_pair)]
    pub athlete: Option<[f64; 2]>,
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
    /// The turn asked for, degrees; without it the rule file's, and without that the turn is measured, not judged.
    #[arg(long, value_name = "DEG", value_parser = degrees)]
    pub turn: Option<f64>,
    /// How many times slower than real time the recording is; without it that is found from the free fall in the jump.
    #[arg(long, value_name = "TIMES", value_parser = times_slower)]
    pub slow_motion: Option<f64>,
    /// Folder for the report; without it `reports/` and the input's name. Several inputs get a folder each in it.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub out: Option<PathBuf>,
    /// Also write the answer as JSON to FILE, or to standard output with `-` (then nothing else is printed there). Several inputs give one JSON text a line.
    #[arg(long, value_name = "FILE|-", value_hint = ValueHint::FilePath)]
    pub json: Option<PathBuf>,
}

/// Arguments of `floor`.
#[derive(Debug, Args)]
#[command(after_help = "Example, a sheet of A4 paper's corners on the carpet:
  shankline floor stance.mp4 --mark 812,903=0,0 --mark 1020,900=0.297,0 --mark 1003,861=0.297,0.21 --mark 815,863=0,0.21 \\
      --write stance.floor.json --draw stance.floor.png

Look at the drawn grid: its lines must lie on the carpet and run along the marks.")]
pub struct FloorArguments {
    /// The recording or photograph that the marks were read from.
    #[arg(value_name = "INPUT", value_hint = ValueHint::FilePath)]
    pub input: PathBuf,
    /// A mark: image point in pixels of the upright frame = carpet point in metres. Four or more.
    #[arg(long = "mark", value_name = "U,V=X,Y", value_parser = mark)]
    pub marks: Vec<crate::floor::marks::Mark>,
    /// Start from this floor file's marks.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub floor: Option<PathBuf>,
    /// Focal length in pixels, where known.
    #[arg(long, value_name = "PX")]
    pub focal: Option<f64>,
    /// How well the marks were read off, pixels.
    #[arg(long, value_name = "PX")]
    pub sigma: Option<f64>,
    /// Draw on the frame shown at this time, seconds.
    #[arg(long, value_name = "S", default_value_t = 0.0)]
    pub at: f64,
    /// Write the floor file here.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub write: Option<PathBuf>,
    /// Draw the carpet grid on the frame and write it here (PNG).
    #[arg(long, value_name = "PNG", value_hint = ValueHint::FilePath)]
    pub draw: Option<PathBuf>,
}

/// Arguments of `rules`.
#[derive(Debug, Args)]
pub struct RulesArguments {
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
    /// Print the shipped profile's file instead, to edit a copy of it.
    #[arg(long, conflicts_with = "rules")]
    pub file: bool,
}

/// Which leg kneels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LegArgument {
    /// Find it.
    Auto,
    /// The athlete's left.
    Left,
    /// The athlete's right.
    Right,
}

fn stature(text: &str) -> Result<f64, String> {
    let m: f64 = text.parse().map_err(|_| "give metres, such as 1.68".to_string())?;
    if (0.9..=2.4).contains(&m) {
        Ok(m)
    } else {
        Err(format!(
            "{m} m is no athlete's stature; give metres between 0.9 and 2.4, such as 1.68"
        ))
    }
}

fn degrees(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|d: &f64| (0.0..=3600.0).contains(d))
        .ok_or_else(|| "give degrees from 0 to 3600, such as 540".to_string())
}

fn times_slower(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|f: &f64| (0.1..=100.0).contains(f))
        .ok_or_else(|| "give a factor from 0.1 to 100, such as 4 for a quarter of the speed".to_string())
}

fn pair(text: &str) -> Option<[f64; 2]> {
    let (a, b) = text.split_once(',')?;
    let (a, b) = (a.trim().parse::<f64>().ok()?, b.trim().parse::<f64>().ok()?);
    (a.is_finite() && b.is_finite()).then_some([a, b])
}

fn fraction_pair(text: &str) -> Result<[f64; 2], String> {
    pair(text)
        .filter(|p| p.iter().all(|x| (0.0..=1.0).contains(x)))
        .ok_or_else(|| "give two fractions from 0 to 1, such as 0.5,0.6".to_string())
}

fn mark(text: &str) -> Result<crate::floor::marks::Mark, String> {
    text.split_once('=')
        .and_then(|(image, carpet)| {
            Some(crate::floor::marks::Mark {
                image: pair(image)?,
                carpet_m: pair(carpet)?,
            })
        })
        .ok_or_else(|| "give U,V=X,Y: pixels, then metres, such as 812,903=0,0".to_string())
}
