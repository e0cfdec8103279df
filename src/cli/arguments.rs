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
    /// Join several views of the same repetition into one call.
    Join(JoinArguments),
    /// Build and check a floor file from marks on the carpet, and draw the carpet grid on a frame.
    Floor(FloorArguments),
    /// Make a page of markers to print and lay on the carpet; `check` finds it by itself and gets a better floor from it.
    Sheet(SheetArguments),
    /// Check every recording in folders: one table, one page, and each recording's report.
    Screen(ScreenArguments),
    /// One worker of `screen`, which starts it by itself.
    #[command(hide = true)]
    ScreenWorker,
    /// Write measurements for research: tidy tables (CSV and Parquet) with a data dictionary, and marker trajectories (C3D).
    Export(ExportArguments),
    /// How well do the tool and the judges, or several judges, agree?
    Agree(AgreeArguments),
    /// Where to stand with the camera: the smallest lift that each place about the athlete can show.
    Where(WhereArguments),
    /// Print the rule profile in force in plain words.
    Rules(RulesArguments),
    /// Measure how often the call is right, on cases whose truth is known.
    Bench(BenchArguments),
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
    /// Length of a check line on the printed sheet as measured with a ruler, millimetres; without it a true print (100 mm, within 2 %) is assumed.
    #[arg(long, value_name = "MM", value_parser = sheet_line)]
    pub sheet_line_mm: Option<f64>,
    /// Take no notice of a printed sheet (where it lies creased, or not on the carpet).
    #[arg(long, conflicts_with = "sheet_line_mm")]
    pub ignore_sheet: bool,
    /// Look for the carpet's boundary line and take the floor from it where that is sure enough; metres of its sides over the line's outer edges, 14x8 where not said. A still camera
    /// only; marks and a printed sheet win over it. See first what is found: `shankline floor --carpet-lines --draw`.
    #[arg(long, value_name = "LENGTHxWIDTH", value_parser = carpet, num_args = 0..=1, require_equals = true, default_missing_value = "14x8")]
    pub carpet_lines: Option<crate::floor::lines::CarpetSize>,
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

/// Arguments of `join`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  shankline join phone.mp4 broadcast.mp4 --stature 1.68 --out reports/both
  shankline join low.mp4 high.mp4 --floor low.floor.json --floor high.floor.json
  shankline join final.mp4@12.5-16 final.mp4@31-40.2 --slow-motion 1,4

The recordings must show one and the same repetition; that they do is your word. Two cameras square to one another settle most. The first one's clock and carpet are everybody's.")]
pub struct JoinArguments {
    /// Two or more recordings, or photographs of one instant; FILE@FROM-TO (seconds) takes a stretch of one.
    #[arg(required = true, num_args = 2.., value_name = "INPUT", value_hint = ValueHint::FilePath)]
    pub input: Vec<PathBuf>,
    /// Floor file of each input, in their order (`-`: none); without any, NAME.floor.json beside each is taken where there is one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub floor: Vec<PathBuf>,
    /// The athlete's stature in metres; without it 1.70 m ± 0.11 m is assumed.
    #[arg(long, value_name = "M", value_parser = stature)]
    pub stature: Option<f64>,
    /// Which leg kneels.
    #[arg(long, value_enum, default_value_t = LegArgument::Auto)]
    pub leg: LegArgument,
    /// Where the athlete is in each input's first frame, in their order, as fractions of width and height.
    #[arg(long, value_name = "U,V", value_parser = fraction_pair)]
    pub athlete: Vec<[f64; 2]>,
    /// How many times slower than real time each input runs, in their order; without it recordings are taken to run at one speed, and stretches of one file are compared at many.
    #[arg(long, value_name = "TIMES,…", value_delimiter = ',', value_parser = times_slower)]
    pub slow_motion: Vec<f64>,
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
    /// Folder for the report; without it `reports/` and the inputs' names.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub out: Option<PathBuf>,
    /// Also write the answer as JSON to FILE, or to standard output with `-` (then nothing else is printed there).
    #[arg(long, value_name = "FILE|-", value_hint = ValueHint::FilePath)]
    pub json: Option<PathBuf>,
}

/// Arguments of `floor`.
#[derive(Debug, Args)]
#[command(after_help = "Example, a sheet of A4 paper's corners on the carpet:
  shankline floor stance.mp4 --mark 812,903=0,0 --mark 1020,900=0.297,0 --mark 1003,861=0.297,0.21 --mark 815,863=0,0.21 \\
      --write stance.floor.json --draw stance.floor.png

Look at the drawn grid: its lines must lie on the carpet and run along the marks.

The carpet's own boundary line, for check --carpet-lines:
  shankline floor stance.mp4 --carpet-lines --at 2.5 --draw lines.png")]
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
    /// Instead of marks: look for the boundary line of a carpet with sides of these metres (14x8 where not said), say and draw what is found and how sure it is.
    #[arg(long, value_name = "LENGTHxWIDTH", value_parser = carpet, num_args = 0..=1, require_equals = true, default_missing_value = "14x8", conflicts_with_all = ["marks", "floor", "write", "focal", "sigma"])]
    pub carpet_lines: Option<crate::floor::lines::CarpetSize>,
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

/// Arguments of `sheet`.
#[derive(Debug, Args)]
#[command(after_help = "Example:
  shankline sheet --paper a4 --out sheet.pdf

Print at 100 %, measure the two lines (100 mm each), lay the sheet flat on the carpet beside the kneeling leg, in full view of the camera. One pixel and a half a cell is needed
to read it: at 4 m a 1080p phone reads it from about 12 degrees over the carpet on, not from knee height.")]
pub struct SheetArguments {
    /// Paper.
    #[arg(long, value_enum, default_value_t = crate::floor::sheet::page::Paper::A4)]
    pub paper: crate::floor::sheet::page::Paper,
    /// Format; without it, by the file's name.
    #[arg(long, value_enum)]
    pub format: Option<crate::floor::sheet::page::Format>,
    /// Write the page here.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub out: PathBuf,
}

/// Arguments of `screen`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  shankline screen evening/ --out results/evening
  shankline screen evening/ --manifest evening.csv --out results/evening
  parallel shankline screen evening/ --shard {}/4 --out results/evening ::: 1 2 3 4 && shankline screen --merge --out results/evening

Stop it anyhow and start it again: it goes on where it was. A recording is checked again when its content, the networks, the rules, the program or what is said of it changes,
and only then. A broken recording is a row with its reason. Results: screen.csv, screen.parquet, index.html, reports/, screen.sqlite (keeps the history).

A manifest is a CSV file with a column recording (path under the folder) and any of athlete, session, label, stature_m, leg (left or right), floor (a floor file). A floor file
NAME.floor.json beside a recording is used by itself.")]
pub struct ScreenArguments {
    /// Folders with recordings (MP4, MOV, M4V, MKV, AVI, WebM) and photographs (JPEG, PNG), looked through to the bottom.
    #[arg(required_unless_present = "merge", conflicts_with = "merge", value_name = "FOLDER", value_hint = ValueHint::DirPath)]
    pub folder: Vec<PathBuf>,
    /// Folder for the results.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, default_value = "screen")]
    pub out: PathBuf,
    /// Athlete, session and label from this CSV file instead of folder names.
    #[arg(long, value_name = "CSV", value_hint = ValueHint::FilePath)]
    pub manifest: Option<PathBuf>,
    /// What the folders between FOLDER and a recording stand for, from the top: athlete, session, label, or - for nothing.
    #[arg(long, value_name = "NAMES", default_value = "athlete/session", conflicts_with = "manifest")]
    pub folders: String,
    /// Recordings at a time; as many as cores and memory allow where not given.
    #[arg(long, value_name = "N", value_parser = at_least_one)]
    pub jobs: Option<usize>,
    /// Memory that all workers together may hold, GiB; three quarters of what is free where not given.
    #[arg(long, value_name = "GIB", value_parser = gibibytes)]
    pub memory: Option<f64>,
    /// Only part I of N, for a batch system; every part into the same results folder.
    #[arg(long, value_name = "I/N", value_parser = crate::screen::Shard::parse)]
    pub shard: Option<crate::screen::Shard>,
    /// Join the parts that --shard made.
    #[arg(long)]
    pub merge: bool,
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
    /// Check everything again.
    #[arg(long)]
    pub again: bool,
}

/// Arguments of `export`.
#[derive(Debug, Args)]
#[command(after_help = "Example:
  shankline export stance.mp4 --covariance --keypoints --markers --out export/stance

Tables: holds (a row a hold and station), frames (a row a frame and station), with --covariance hold_covariance and frame_covariance, with --keypoints keypoints.
datapackage.json says what every column means (Frictionless Data Package).")]
pub struct ExportArguments {
    /// Recordings, photographs, or folders of earlier reports (those keep no keypoints).
    #[arg(required = true, value_name = "INPUT", value_hint = ValueHint::AnyPath)]
    pub input: Vec<PathBuf>,
    /// Folder for the tables.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, default_value = "export")]
    pub out: PathBuf,
    /// Also write the covariance of the gaps along the leg.
    #[arg(long)]
    pub covariance: bool,
    /// Also write every keypoint of every frame with its covariance.
    #[arg(long)]
    pub keypoints: bool,
    /// Also write the fitted leg's points as marker trajectories (C3D), one file a hold.
    #[arg(long)]
    pub markers: bool,
    /// Floor file: marks on the carpet with known coordinates (see `shankline floor`).
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub floor: Option<PathBuf>,
    /// The athlete's stature in metres; without it 1.70 m ± 0.11 m is assumed.
    #[arg(long, value_name = "M", value_parser = stature)]
    pub stature: Option<f64>,
    /// Which leg kneels; without it, it is found.
    #[arg(long, value_enum)]
    pub leg: Option<LegArgument>,
    /// Where the athlete is in the first frame, as fractions of width and height.
    #[arg(long, value_name = "U,V", value_parser = fraction_pair)]
    pub athlete: Option<[f64; 2]>,
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
}

/// Arguments of `agree`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  shankline agree results/evening labels.csv --out agreement
  shankline agree judge-1.csv judge-2.csv
  shankline agree results/evening labels.csv --write-rules rules/club.toml

Labels are a CSV file with the columns recording (as in screen.csv) and label (clear, fault or cannot_tell), and any of hold (its number), check (inner_calf, inner_heel, …;
empty for the stance as a whole) and rater. A label without a hold is held against the recording's worst hold.")]
pub struct AgreeArguments {
    /// Results folder of `shankline screen`, its screen.csv, or a table of labels to compare judges alone.
    #[arg(value_name = "RESULTS", value_hint = ValueHint::AnyPath)]
    pub results: PathBuf,
    /// What judges said (CSV).
    #[arg(value_name = "LABELS", value_hint = ValueHint::FilePath)]
    pub labels: PathBuf,
    /// Folder for agreement.html and agreement.json.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, default_value = "agreement")]
    pub out: PathBuf,
    /// Rule profile (TOML) that the results were made with; without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
    /// Write a copy of the rule file with the tolerance that the labels suggest, where it is better than the one in force on recordings held out.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub write_rules: Option<PathBuf>,
}

/// Arguments of `where`.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  shankline where
  shankline where --distance 5 --phone-width-deg 40 --out where.svg
  shankline where --floor marks --stature 1.68 --tolerance 10 --json -
  shankline where --distance 12 --with best --out two-cameras.png

The number at a place is what `check` would print there as the smallest lift that the view can show: a lift of that size would stand off zero at the confidence of the rule
profile nine times in ten. Simulated from what was measured on rendered bodies; what stands in the way is not simulated.")]
pub struct WhereArguments {
    /// The lift that matters, millimetres; without it the rule profile's tolerance.
    #[arg(long, value_name = "MM", value_parser = lift)]
    pub tolerance: Option<f64>,
    /// Focal length in pixels of the recorded frame.
    #[arg(long, value_name = "PX", value_parser = focal, conflicts_with = "phone_width_deg")]
    pub focal: Option<f64>,
    /// Horizontal field of view in degrees; without it 65, a phone's main camera held across.
    #[arg(long, value_name = "DEG", value_parser = field_of_view)]
    pub phone_width_deg: Option<f64>,
    /// Width and height of the recorded frame, pixels.
    #[arg(long, value_name = "WxH", value_parser = frame_size, default_value = "1920x1080")]
    pub frame: [usize; 2],
    /// From the camera to the kneeling leg, metres.
    #[arg(long, value_name = "M", value_parser = distance, default_value_t = 3.0)]
    pub distance: f64,
    /// The athlete's stature in metres; without it 1.70 m ± 0.11 m is assumed.
    #[arg(long, value_name = "M", value_parser = stature)]
    pub stature: Option<f64>,
    /// Where the floor will come from.
    #[arg(long, value_enum, default_value_t = crate::viewpoint::simulate::Floor::Body)]
    pub floor: crate::viewpoint::simulate::Floor,
    /// Only this lift; without it calf, heel and a clean stance.
    #[arg(long, value_enum)]
    pub stance: Option<crate::viewpoint::stances::Lifted>,
    /// One photograph, not a recording.
    #[arg(long)]
    pub photograph: bool,
    /// Also the best place for a second camera, the first standing at this azimuth and elevation (degrees), or at the best place with `best`.
    #[arg(long, value_name = "AZ,EL|best", value_parser = first_camera, allow_hyphen_values = true)]
    pub with: Option<crate::cli::stand::FirstCamera>,
    /// Which leg kneels in the picture.
    #[arg(long, value_enum, default_value_t = LegArgument::Right)]
    pub leg: LegArgument,
    /// Simulated stances of each kind at every place; more are slower and smoother.
    #[arg(long, value_name = "N", value_parser = at_least_one, default_value_t = 16)]
    pub draws: usize,
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub rules: Option<PathBuf>,
    /// Draw the map here (PNG for a name that ends so, else SVG).
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub out: Option<PathBuf>,
    /// Also write the map as JSON to FILE, or to standard output with `-` (then nothing else is printed there).
    #[arg(long, value_name = "FILE|-", value_hint = ValueHint::FilePath)]
    pub json: Option<PathBuf>,
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

/// Arguments of `bench`.
#[derive(Debug, Args)]
#[command(
    after_help = "Without --measured: measured poses of rendered bodies are projected exactly into cameras at 2 to 50 degrees, all round, 1.5 to 15 m away, pixel noise is
added to the leg's points and to the marks, and the program's own geometry and rules judge them. No pictures, no networks; not athletes.

With --measured: tables from rendered stills that `cargo run --release --example measure_stills -- FOLDER > measured.jsonl` put through the whole program.

Examples:
  shankline bench --cases 3000 --out bench
  shankline bench --floor marks --floor body --noise-px 2
  shankline bench --measured measured.jsonl --out bench"
)]
pub struct BenchArguments {
    /// How many cases each floor gets.
    #[arg(long, value_name = "N", default_value_t = 3000)]
    pub cases: usize,
    /// Standard deviation of the noise on every point and mark, pixels.
    #[arg(long, value_name = "PX", default_value_t = 1.0, value_parser = noise)]
    pub noise_px: f64,
    /// Where the floor comes from; may be given more than once [default: marks].
    #[arg(long, value_enum)]
    pub floor: Vec<crate::bench::keypoints::Floor>,
    /// Which bodies: those that numbers may be set on, or those that are reported.
    #[arg(long, value_enum, default_value_t = crate::bench::poses::Half::Test)]
    pub half: crate::bench::poses::Half,
    /// Seed; the same seed gives the same cases.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Threads; without it all cores.
    #[arg(long, value_name = "N")]
    pub threads: Option<usize>,
    /// Give every leg a second camera and set two views beside one, by the angle between them.
    #[arg(long, conflicts_with = "measured")]
    pub two_views: bool,
    /// Make the tables from measured stills instead (one JSON text a line).
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, conflicts_with_all = ["floor", "cases", "noise_px", "half", "seed", "threads"])]
    pub measured: Option<PathBuf>,
    /// Rule profile (TOML); without it the shipped one.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, conflicts_with = "measured")]
    pub rules: Option<PathBuf>,
    /// Folder for `bench.md`, `classes.csv`, `reliability.csv`, `reliability.png` and `classes.png`; without it the tables are printed only.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub out: Option<PathBuf>,
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

fn at_least_one(text: &str) -> Result<usize, String> {
    text.parse()
        .ok()
        .filter(|n| *n >= 1)
        .ok_or_else(|| "give a whole number from 1".to_string())
}

fn gibibytes(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|g: &f64| (0.01..=65536.0).contains(g))
        .ok_or_else(|| "give GiB from 0.01, such as 4".to_string())
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

fn carpet(text: &str) -> Result<crate::floor::lines::CarpetSize, String> {
    text.split_once(['x', 'X', '×'])
        .and_then(|(a, b)| Some((a.trim().parse().ok()?, b.trim().parse().ok()?)))
        .ok_or_else(|| "give metres x metres, such as 14x8".to_string())
        .and_then(|(a, b)| crate::floor::lines::CarpetSize::new(a, b).map_err(|e| e.to_string()))
}

fn sheet_line(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|mm: &f64| (50.0..=200.0).contains(mm))
        .ok_or_else(|| "give millimetres from 50 to 200, such as 98.5".to_string())
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

fn within(text: &str, least: f64, most: f64, what: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|x: &f64| (least..=most).contains(x))
        .ok_or_else(|| format!("give {what}"))
}

fn lift(text: &str) -> Result<f64, String> {
    within(text, 3.0, 60.0, "millimetres from 3 to 60, such as 15")
}

fn focal(text: &str) -> Result<f64, String> {
    within(text, 50.0, 200_000.0, "a focal length in pixels from 50 to 200000, such as 1500")
}

fn field_of_view(text: &str) -> Result<f64, String> {
    within(text, 1.0, 130.0, "degrees from 1 to 130, such as 65 for a phone's main camera")
}

fn distance(text: &str) -> Result<f64, String> {
    within(text, 0.5, 60.0, "metres from 0.5 to 60, such as 3")
}

fn frame_size(text: &str) -> Result<[usize; 2], String> {
    text.split_once(['x', 'X', '×'])
        .and_then(|(w, h)| Some([w.trim().parse().ok()?, h.trim().parse().ok()?]))
        .filter(|s: &[usize; 2]| s.iter().all(|x| (16..=16_384).contains(x)))
        .ok_or_else(|| "give width x height in pixels, such as 1920x1080".to_string())
}

fn first_camera(text: &str) -> Result<crate::cli::stand::FirstCamera, String> {
    use crate::cli::stand::FirstCamera;
    if text == "best" {
        return Ok(FirstCamera::Best);
    }
    pair(text)
        .filter(|p| p[0].abs() <= 360.0 && (1.0..=60.0).contains(&p[1]))
        .map(FirstCamera::At)
        .ok_or_else(|| "give azimuth and elevation in degrees, such as 90,5, or best".to_string())
}

fn noise(text: &str) -> Result<f64, String> {
    text.parse()
        .ok()
        .filter(|px: &f64| (0.0..=50.0).contains(px))
        .ok_or_else(|| "give pixels from 0 to 50, such as 1.5".to_string())
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
