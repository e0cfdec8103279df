//! `shankline where`: where to stand with the camera.

use crate::check::size;
use crate::cli::arguments::{LegArgument, WhereArguments};
use crate::cli::print;
use crate::error::{Error, Result};
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::LegShape;
use crate::outcome::PerPart;
use crate::report::write_whole;
use crate::rules::RuleProfile;
use crate::types::Leg;
use crate::viewpoint::errors::ViewErrors;
use crate::viewpoint::map::{self, Asked, Cell, Stances};
use crate::viewpoint::picture::{self, Sheet};
use crate::viewpoint::simulate::{Floor, Place, Reading, Setting};
use crate::viewpoint::stances::Lifted;
use crate::viewpoint::words;
use serde::Serialize;
use std::fmt::Write as _;
use std::path::Path;

/// Horizontal field of view assumed where none is given, degrees: a phone's main camera held across (common practice, no source).
const PHONE_WIDTH_DEG: f64 = 65.0;
/// Frames of a hold that are assumed: as many as `check` fits at most.
const HOLD_FRAMES: usize = 15;

/// What `--json` writes.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    what: &'static str,
    layout: u32,
    tolerance_mm: f64,
    confidence: f64,
    image_size: [usize; 2],
    focal_px: f64,
    distance_m: f64,
    stature_m: f64,
    stature_given: bool,
    floor: Floor,
    stances: &'a [Lifted],
    draws: usize,
    azimuth: &'static str,
    headline: &'a str,
    best: Option<&'a Cell>,
    best_stands_out_nine_in_ten: &'a [Sure],
    cells: &'a [Cell],
    first: Option<Place>,
    second_headline: Option<&'a str>,
    second_best: Option<&'a Cell>,
    second_cells: Option<&'a [Cell]>,
    made_by: &'a str,
    cautions: [&'static str; 2],
}

const CAUTIONS: [&str; 2] = [
    "Simulated from what the networks stated on rendered bodies, not on athletes; clothes and light make a view better or worse.",
    "What stands between camera and leg is not simulated: see that the whole kneeling leg is in view.",
];

/// Runs the command.
///
/// # Errors
/// [`Error::Input`] where the numbers given make no map or a file cannot be written.
pub fn run(arguments: &WhereArguments) -> Result<()> {
    let mut rules = RuleProfile::of(arguments.rules.as_deref())?;
    if let Some(tolerance_mm) = arguments.tolerance {
        for check in &mut rules.checks {
            check.tolerance_mm = tolerance_mm;
        }
    }
    let tolerance_mm = rules.checks.iter().map(|c| c.tolerance_mm).fold(f64::INFINITY, f64::min);
    if !tolerance_mm.is_finite() {
        return Err(Error::input("The rule profile sets no tolerance; give --tolerance in millimetres."));
    }
    let width = arguments.frame[0] as f64;
    let focal_px = arguments.focal.unwrap_or_else(|| {
        let field = arguments.phone_width_deg.unwrap_or(PHONE_WIDTH_DEG).to_radians();
        0.5 * width / (0.5 * field).tan()
    });
    let (shape, errors, view_errors) = (LegShape::shipped(), FusionErrors::shipped(), ViewErrors::shipped());
    let stature_m = arguments.stature.unwrap_or(size::STATURE_PRIOR_M);
    let setting = Setting {
        image_size: arguments.frame,
        focal_px,
        stature_m,
        shank: size::from_stature(arguments.stature),
        floor: arguments.floor,
        reading: Reading::Networks(&view_errors),
        frames: if arguments.photograph { 1 } else { HOLD_FRAMES },
        shape: &shape,
        errors: &errors,
        rules: &rules,
    };
    let lifted = match arguments.stance {
        Some(one) => vec![one],
        None => vec![Lifted::Calf, Lifted::Heel, Lifted::Nothing],
    };
    let asked = Asked {
        tolerance_mm,
        lifted,
        draws: arguments.draws,
        distance_m: arguments.distance,
        threads: std::thread::available_parallelism().map_or(1, usize::from),
    };
    // A file that cannot be written is known before the work is done.
    for path in [&arguments.out, &arguments.json]
        .into_iter()
        .flatten()
        .filter(|p| p.as_os_str() != "-")
    {
        crate::report::can_write_file(path)?;
    }
    let cells = map::of(&setting, &asked, None)?;
    let per_part = PerPart {
        calf: tolerance_mm,
        heel: tolerance_mm,
    };
    let headline = words::headline(&cells, per_part);
    let json_on_screen = arguments.json.as_deref() == Some(Path::new("-"));
    let mut notes: Vec<String> = [words::also(&cells), words::clear_words(&cells, tolerance_mm)]
        .into_iter()
        .flatten()
        .collect();
    let sure = match map::best(&cells) {
        Some(best) => sure_from(&setting, &[best.place], &asked.lifted)?,
        None => Vec::new(),
    };
    notes.extend(sure_words(&sure, "there"));
    let common: Vec<String> = std::iter::once(assumed(&setting, arguments, focal_px))
        .chain(CAUTIONS.map(String::from))
        .collect();
    notes.extend(common.iter().cloned());
    let mut text = format!("{headline}\n");
    if let Some(best) = map::best(&cells) {
        let shown = best.shown.as_ref().map(words::lifts).unwrap_or_default();
        let _ = writeln!(
            text,
            "Smallest lift there, middle (and 10th to 90th of a hundred pictures): {shown}."
        );
    }
    let _ = writeln!(
        text,
        "\nSmallest lift in mm, larger of calf and heel, by height of the camera and direction, {} m away:",
        asked.distance_m
    );
    text += &words::table(&cells, tolerance_mm);
    let _ = writeln!(text, "{}\n", words::TABLE_KEY);
    for note in &notes {
        let _ = writeln!(text, "{note}");
    }
    let (second_cells, first, second_headline) = match &arguments.with {
        None => (None, None, None),
        Some(wanted) => {
            let first = match wanted {
                FirstCamera::Best => map::best(&cells).map(|c| c.place),
                FirstCamera::At([azimuth_deg, elevation_deg]) => Some(Place {
                    azimuth_deg: map::wrapped_deg(*azimuth_deg),
                    elevation_deg: *elevation_deg,
                    distance_m: asked.distance_m,
                }),
            };
            let Some(first) = first else {
                return Err(Error::input(headline));
            };
            let alone = map::shown(&setting, &[first], &Stances::draw(&setting, &asked)?)
                .map_err(|_| Error::input("The first camera cannot be used there: the athlete does not fit into its frame, or the leg is too small in it; choose another place."))?;
            let pairs = map::of(&setting, &asked, Some(&first))?;
            let said = second_words(&first, alone.worst_mm(), &pairs, tolerance_mm);
            let _ = writeln!(text, "\n{said}\n");
            text += &words::table(&pairs, tolerance_mm);
            (Some(pairs), Some(first), Some(said))
        }
    };
    if let Some(pairs) = &second_cells {
        // The picture is that of the second camera.
        notes = [words::also(pairs), words::clear_words(pairs, tolerance_mm)]
            .into_iter()
            .flatten()
            .chain(common)
            .collect();
    }
    if let Some(path) = &arguments.out {
        let leg = if arguments.leg == LegArgument::Left {
            Leg::Left
        } else {
            Leg::Right
        };
        let sheet = Sheet {
            cells: second_cells.as_deref().unwrap_or(&cells),
            headline: second_headline.as_deref().unwrap_or(&headline),
            below: &notes,
            tolerance_mm,
            leg,
            first,
        };
        let drawing = picture::draw(&sheet);
        let png = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("png"));
        let bytes = if png { drawing.png()? } else { drawing.svg().into_bytes() };
        write_whole(path, &bytes)?;
        let _ = writeln!(text, "picture: {}", path.display());
    }
    if let Some(path) = &arguments.json {
        let answer = Answer {
            what: "where to stand: smallest lift that a camera at each place can show, mm",
            layout: 1,
            tolerance_mm,
            confidence: rules.call_confidence,
            image_size: arguments.frame,
            focal_px,
            distance_m: asked.distance_m,
            stature_m,
            stature_given: arguments.stature.is_some(),
            floor: arguments.floor,
            stances: &asked.lifted,
            draws: asked.draws,
            azimuth: "degrees about the vertical: 0 beyond the kneeling foot in line with the shin, 90 square to it on the side its toes point to, 180 beyond the knee, -90 on the seat's side",
            headline: &headline,
            best: map::best(&cells),
            best_stands_out_nine_in_ten: &sure,
            cells: &cells,
            first,
            second_headline: second_headline.as_deref(),
            second_best: second_cells.as_deref().and_then(map::best),
            second_cells: second_cells.as_deref(),
            made_by: &view_errors.made_by,
            cautions: CAUTIONS,
        };
        let json = serde_json::to_string_pretty(&answer).map_err(|e| Error::ours(e.to_string()))? + "\n";
        if json_on_screen {
            return print(&json, true);
        }
        write_whole(path, json.as_bytes())?;
        let _ = writeln!(text, "JSON: {}", path.display());
    }
    print(&text, true)
}

/// From which lift nine in ten stand out.
#[derive(Debug, Clone, Copy, Serialize)]
struct Sure {
    lifted: Lifted,
    /// `None`: not even the largest that was tried.
    from_mm: Option<f64>,
}

/// Stances a lift for that.
const SURE_DRAWS: usize = 30;

fn sure_from(setting: &Setting, places: &[Place], lifted: &[Lifted]) -> Result<Vec<Sure>> {
    lifted
        .iter()
        .filter(|l| **l != Lifted::Nothing)
        .map(|l| {
            Ok(Sure {
                lifted: *l,
                from_mm: map::sure_from_mm(setting, places, *l, SURE_DRAWS)?,
            })
        })
        .collect()
}

fn sure_words(sure: &[Sure], there: &str) -> Option<String> {
    let parts: Vec<String> = sure
        .iter()
        .map(|s| {
            let name = if s.lifted == Lifted::Heel { "heel" } else { "calf" };
            match s.from_mm {
                Some(mm) => format!("{name} from {mm:.0} mm"),
                None => format!(
                    "{name} from no lift up to {:.0} mm",
                    map::TRIED_LIFTS_MM[map::TRIED_LIFTS_MM.len() - 1]
                ),
            }
        })
        .collect();
    (!parts.is_empty()).then(|| format!("Of simulated lifts nine in ten really stand out {there}: {}.", parts.join(", ")))
}

/// Where the first of two cameras stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FirstCamera {
    /// At the best place for one.
    Best,
    /// Azimuth and elevation, degrees.
    At([f64; 2]),
}

fn second_words(first: &Place, alone_mm: f64, pairs: &[Cell], tolerance_mm: f64) -> String {
    let begin = format!(
        "With a first camera {} (alone {alone_mm:.0} mm)",
        words::place(first).trim_start_matches("camera ")
    );
    match map::best(pairs) {
        None => format!("{begin}, no second place can be used."),
        Some(b) => {
            let together = map::worst_mm(b);
            let so = if together <= tolerance_mm { "within" } else { "still over" };
            format!(
                "{begin}, the best place for a second: {}; the two together show lifts from {together:.0} mm ({so} the tolerance of {tolerance_mm:.0} mm).",
                words::place(&b.place)
            )
        }
    }
}

fn assumed(setting: &Setting, arguments: &WhereArguments, focal_px: f64) -> String {
    let [w, h] = setting.image_size;
    let field = 2.0 * (0.5 * w as f64 / focal_px).atan().to_degrees();
    let lens = if arguments.focal.is_none() && arguments.phone_width_deg.is_none() {
        " (a phone's main camera, assumed)"
    } else {
        ""
    };
    let stature = if arguments.stature.is_some() {
        format!("stature {:.2} m", setting.stature_m)
    } else {
        format!(
            "stature not given, {:.2} m ± {:.2} m assumed",
            size::STATURE_PRIOR_M,
            size::STATURE_PRIOR_SD_M
        )
    };
    format!(
        "For {w} × {h} pixels, field of view {field:.0}° across{lens}, {} m away; {}; {stature}; {}.",
        arguments.distance,
        words::floor(setting.floor),
        if setting.frames > 1 {
            "a hold of half a second or more"
        } else {
            "one photograph"
        }
    )
}
