//! Running a check over one recording or photograph.

use crate::camera_motion::{CameraWatcher, Registered};
use crate::check::hold_report::{Measured, Parts, Setting};
use crate::check::lines::{self, CarpetUse, Lines};
use crate::check::pictures::Reread;
use crate::check::{moving, repetitions, sheet, size};
use crate::clip;
use crate::error::{Error, Result};
use crate::floor::marks::{FloorFile, MarksFit};
use crate::floor::sheet::fit::Print;
use crate::floor::sheet::placement::Sheet;
use crate::floor::FloorCamera;
use crate::hold::{self, Span};
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::LegShape;
use crate::outcome::{
    FloorReport, FloorSource, InputKind, InputReport, MadeBy, NotJudged, NotJudgedReason, Outcome, Stillness, SCHEMA_VERSION,
};
use crate::pose::figure;
use crate::pose::lower_leg::LowerLegNetwork;
use crate::pose::photograph;
use crate::pose::track::{Body, Landmark, LegReading, PoseFrame, Track, TrackEvent};
use crate::pose::{FollowOptions, Follower, Networks};
use crate::rules::RuleProfile;
use crate::types::{CarpetPoint, Frame, ImagePoint, Leg, RgbImage};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Which leg to look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum LegChoice {
    /// Find it.
    Auto,
    /// The user said.
    Given(Leg),
}

impl LegChoice {
    /// The leg that the user said.
    pub const fn given(self) -> Option<Leg> {
        match self {
            Self::Auto => None,
            Self::Given(leg) => Some(leg),
        }
    }
}

/// What to do about a printed sheet on the carpet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SheetUse {
    /// Look for it. The length of a check line as measured, millimetres, where somebody measured it.
    Find(Option<f64>),
    /// Take no notice of it.
    Ignore,
}

impl SheetUse {
    /// The measured length of a check line, millimetres.
    pub const fn line_mm(self) -> Option<f64> {
        match self {
            Self::Find(line_mm) => line_mm,
            Self::Ignore => None,
        }
    }
}

/// Everything a check may be told.
#[derive(Debug, Clone)]
pub struct CheckOptions {
    /// Marks on the carpet.
    pub floor: Option<FloorFile>,
    /// The athlete's stature, metres.
    pub stature_m: Option<f64>,
    /// Which leg kneels.
    pub leg: LegChoice,
    /// Rules in force.
    pub rules: RuleProfile,
    /// Where the athlete is in the first frame, as fractions of the frame's width and height.
    pub athlete: Option<[f64; 2]>,
    /// What to do about a printed sheet on the carpet.
    pub sheet: SheetUse,
    /// What to do about the carpet's own lines.
    pub carpet: CarpetUse,
}

/// Every network a check needs, opened once.
pub struct Eyes {
    /// Person detector and body landmarks.
    pub people: Networks,
    /// Our own network for the lower leg.
    pub lower_leg: LowerLegNetwork,
    hashes: Vec<(String, String)>,
}

impl Eyes {
    /// Name and short hash of every network file, for naming what made an answer.
    pub fn hashes(&self) -> &[(String, String)] {
        &self.hashes
    }

    /// Opens the networks in a models folder, hashes checked.
    ///
    /// # Errors
    /// [`Error::Ours`] where a file is missing or not the listed one.
    pub fn open(models_dir: &Path) -> Result<Self> {
        let people = Networks::load(models_dir)?;
        let lower_leg = LowerLegNetwork::load(people.models())?;
        let hashes = people.models().short_hashes();
        Ok(Self { people, lower_leg, hashes })
    }
}

/// The answer and the pictures for its stills.
pub struct Checked {
    /// The answer.
    pub outcome: Outcome,
    /// The pictures for the report, read from the recording again when they are asked for.
    pub pictures: Reread,
    /// The track, for whoever wants more than the answer.
    pub track: Track,
    /// What each hold's gaps were joined from.
    pub parts: Vec<Parts>,
}

/// Cautions every answer carries.
pub const CAUTIONS: [&str; 4] = [
    "This tool advises. The judges on the floor and the rulebook in force decide.",
    "Kneeling low loads the inner knee: warm up, use a padded floor, stop on pain, and ask a clinician where pain stays.",
    "People who are filmed have a say in it, minors and their guardians above all. Nothing leaves this machine.",
    "Accuracy was measured on rendered bodies, not on athletes.",
];

/// Looks at a photograph, each from the window that the last one's landmarks give.
const PHOTOGRAPH_LOOKS: u64 = 3;

/// Probability of the stance, by the lower-leg network, from which a photograph is judged. Higher than a recording's 0.5, where many frames must agree: 98 of 100 rendered stills of
/// the stance reach 0.993, while a portrait of a seated person reached 0.983 in one of the closer look's many windows and a street with bicycles 0.84 (set on these; `tests/real_clip.rs`).
const PHOTOGRAPH_STANCE: f64 = 0.99;

/// Frames with the hips further from the middle of the ankles than this, in shank lengths, are not looked at for the stance (standing: 2.0; common practice, no source).
const LOW_STANCE_SHANKS: f64 = 1.7;

/// A recording or photograph that can be read, and the floor that goes with it. Whatever is wrong with the input or the marks shows here, before a network is opened.
pub struct Opened {
    path: PathBuf,
    source: Source,
    marks: Option<MarksFit>,
}

enum Source {
    Photograph(clip::Photograph),
    // Boxed: a clip holds its decoder and is much larger than a photograph's handle.
    Clip(Box<clip::Clip>),
}

impl Opened {
    /// Looks at the input, starts decoding it, and fits the marks where there are any.
    ///
    /// # Errors
    /// [`Error::Input`] for input or marks that cannot be used, [`Error::Ours`] where ffmpeg is missing.
    pub fn new(path: &Path, options: &CheckOptions) -> Result<Self> {
        let (source, width, height) = if clip::is_photograph(path)? {
            let photograph = clip::read_photograph(path)?;
            let (width, height) = (photograph.image.width, photograph.image.height);
            (Source::Photograph(photograph), width, height)
        } else {
            let clip = clip::Clip::open(path, &clip::OpenOptions::default())?;
            let (width, height) = (clip.info().width, clip.info().height);
            (Source::Clip(Box::new(clip)), width, height)
        };
        Ok(Self {
            path: path.to_path_buf(),
            source,
            marks: fit_marks(options, width, height)?,
        })
    }

    /// Looks for the printed sheet and follows the athlete. `progress` is told the frames done and, where known, the frames expected.
    ///
    /// # Errors
    /// [`Error::Input`] for input that turns out to be unusable, [`Error::Ours`] where a part of the program fails.
    pub fn follow(self, options: &CheckOptions, eyes: &mut Eyes, progress: &mut dyn FnMut(u64, Option<u64>)) -> Result<Followed> {
        let Self { path, source, marks } = self;
        // Marks that a person gave win over a sheet that was found.
        let print = Print::of_line(options.sheet.line_mm());
        let sheet = match &source {
            _ if marks.is_some() || options.sheet == SheetUse::Ignore => Sheet::default(),
            Source::Photograph(p) => sheet::in_photograph(&p.image, print)?,
            Source::Clip(clip) => {
                let info = clip.info();
                sheet::in_recording(&path, [info.width, info.height], info.duration_s, print)?
            }
        };
        let camera = marks.as_ref().map(|m| &m.camera).or_else(|| sheet::while_following(&sheet));
        let mut still = None;
        let (track, input) = match source {
            Source::Photograph(photograph) => {
                let track = follow_photograph(&photograph.image, camera, options, eyes)?;
                let input = InputReport {
                    path: path.to_string_lossy().into_owned(),
                    kind: InputKind::Photograph,
                    width: photograph.image.width,
                    height: photograph.image.height,
                    duration_s: 0.0,
                    frames_read: 1,
                    frames_expected: Some(1),
                    warnings: photograph.notes,
                    camera_motion: None,
                };
                still = Some(photograph.image);
                (track, input)
            }
            Source::Clip(clip) => follow_recording(&path, *clip, camera, options, eyes, progress)?,
        };
        if let Some(sentence) = sheet::contradiction(&track, &sheet) {
            // The leg was read with the sheet's elevation in mind: once more without.
            let without = CheckOptions {
                sheet: SheetUse::Ignore,
                ..options.clone()
            };
            let mut followed = Self::new(&path, &without)?.follow(&without, eyes, progress)?;
            followed.input.warnings.push(sentence);
            return Ok(followed);
        }
        // Marks and a sheet are known to be what they are; lines are a guess, however good.
        let lines = match options.carpet {
            CarpetUse::Find(carpet) if marks.is_none() && sheet.placements.is_empty() => match &still {
                Some(image) => lines::in_photograph(image, &track, options, carpet)?,
                None => lines::in_recording(&path, &track, options, carpet)?,
            },
            _ => Lines::default(),
        };
        Ok(Followed {
            path,
            still,
            track,
            input,
            marks,
            sheet,
            lines,
        })
    }

    /// Checks it: [`Opened::follow`], then everything that is told from the track.
    ///
    /// # Errors
    /// As [`Opened::follow`].
    pub fn check(self, options: &CheckOptions, eyes: &mut Eyes, progress: &mut dyn FnMut(u64, Option<u64>)) -> Result<Checked> {
        let Followed {
            path,
            still,
            track,
            input,
            marks,
            sheet,
            lines,
        } = self.follow(options, eyes, progress)?;
        let made_by = made_by(eyes.hashes(), &options.rules);
        let (outcome, parts) = judge_with(&track, input, marks.as_ref(), &sheet, &lines, options, made_by);
        let pictures = Reread::new(path, still, &outcome);
        Ok(Checked {
            outcome,
            pictures,
            track,
            parts,
        })
    }
}

/// A recording or photograph in which the athlete was followed; nothing is judged yet.
pub struct Followed {
    path: PathBuf,
    still: Option<RgbImage>,
    /// The athlete, frame by frame.
    pub track: Track,
    /// What was read, with the reading's own warnings.
    pub input: InputReport,
    /// The fit of the floor file, where there was one.
    pub marks: Option<MarksFit>,
    /// What was seen of a printed sheet.
    pub sheet: Sheet,
    /// What was seen of the carpet's own lines.
    pub lines: Lines,
}

/// Checks one recording or photograph: [`Opened::new`], then [`Opened::check`].
///
/// # Errors
/// [`Error::Input`] for input that cannot be used, [`Error::Ours`] where a part of the program fails.
pub fn check_recording(
    path: &Path,
    options: &CheckOptions,
    eyes: &mut Eyes,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<Checked> {
    Opened::new(path, options)?.check(options, eyes, progress)
}

/// The marks' camera, where marks were given.
///
/// # Errors
/// [`Error::Input`] where the floor file is for frames of another size, or its marks fit no camera.
pub fn fit_marks(options: &CheckOptions, width: usize, height: usize) -> Result<Option<MarksFit>> {
    let Some(file) = &options.floor else { return Ok(None) };
    if file.image_size != [width, height] {
        return Err(Error::input(format!(
            "The floor file is for {}×{} frames and this recording's upright frames are {width}×{height}; mark the floor on a frame of this recording.",
            file.image_size[0], file.image_size[1]
        )));
    }
    file.fit()
        .map(Some)
        .map_err(|e| Error::input(format!("The floor file cannot be used: {e}")))
}

/// Whether the body is low enough for the stance.
fn low_enough(body: &Body) -> bool {
    let world = |l: Landmark| nalgebra::Vector3::from(body.world_m(l as usize));
    let hips = 0.5 * (world(Landmark::LeftHip) + world(Landmark::RightHip));
    let ankles = 0.5 * (world(Landmark::LeftAnkle) + world(Landmark::RightAnkle));
    let shank = 0.5
        * ((world(Landmark::LeftKnee) - world(Landmark::LeftAnkle)).norm()
            + (world(Landmark::RightKnee) - world(Landmark::RightAnkle)).norm());
    (hips - ankles).norm() < LOW_STANCE_SHANKS * shank
}

/// Middle of the ankles, px.
fn ankles(body: &Body) -> ImagePoint {
    body.at(Landmark::LeftAnkle).towards(body.at(Landmark::RightAnkle), 0.5)
}

/// Elevation of the marks' camera over the carpet seen from the ankles, radians.
fn elevation_rad(camera: &FloorCamera, ankles: ImagePoint) -> f64 {
    let there = camera.at_height(ankles, 0.05).unwrap_or(CarpetPoint::new(0.0, 0.0, 0.0));
    camera.elevation_rad_from(there)
}

/// Reads the lower leg in one frame where the body is low enough. `elevation_rad`: the camera's, where marks give it.
fn look(
    network: &mut LowerLegNetwork,
    body: &Body,
    image: &RgbImage,
    elevation_rad: Option<f64>,
    leg: LegChoice,
) -> Result<Option<LegReading>> {
    if !low_enough(body) {
        return Ok(None);
    }
    network.read(image, body, elevation_rad, leg.given())
}

fn follow_options(options: &CheckOptions, width: usize, height: usize) -> FollowOptions {
    FollowOptions {
        athlete: options.athlete.map(|a| ImagePoint::new(a[0] * width as f64, a[1] * height as f64)),
        ..FollowOptions::default()
    }
}

/// The athlete in one picture: a track of one frame. `marks`: the camera, where it is known before.
///
/// # Errors
/// [`Error::Ours`] where a network fails.
pub(crate) fn follow_photograph(image: &RgbImage, marks: Option<&FloorCamera>, options: &CheckOptions, eyes: &mut Eyes) -> Result<Track> {
    let mut follower = Follower::new(&mut eyes.people, follow_options(options, image.width, image.height));
    // The window for the first look comes from the detector alone and may be off; each further look takes its window from the last one's landmarks.
    let mut body = None;
    for look in 0..PHOTOGRAPH_LOOKS {
        let frame = Frame {
            index: look,
            time_s: look as f64 / 30.0,
            image: image.clone(),
        };
        body = follower.step(&frame)?.body.or(body);
    }
    let mut track = follower.finish();
    let mut frame = track.frames.pop().unwrap_or(PoseFrame {
        index: 0,
        time_s: 0.0,
        body: None,
        lower_leg: None,
    });
    frame.index = 0;
    frame.time_s = 0.0;
    frame.body = frame.body.or(body);
    // Somebody else than the person pointed at is no answer: in a photograph there is no next frame in which to find the right one.
    let athlete = follow_options(options, image.width, image.height).athlete;
    if let (Some(body), Some(point)) = (&frame.body, athlete) {
        if !figure::is_at(body, point) {
            frame.body = None;
            track.events = vec![TrackEvent {
                time_s: 0.0,
                sentence: format!("Nobody was found at the point given ({:.0}, {:.0}).", point.u, point.v),
            }];
        }
    }
    if let Some(body) = &frame.body {
        frame.lower_leg = look(
            &mut eyes.lower_leg,
            body,
            image,
            marks.map(|c| elevation_rad(c, ankles(body))),
            options.leg,
        )?
        .map(Box::new);
    }
    if !shows_stance(&frame) {
        let Eyes { people, lower_leg, .. } = eyes;
        let mut read_leg = |body: &Body| look(lower_leg, body, image, marks.map(|c| elevation_rad(c, ankles(body))), options.leg);
        let closer = photograph::look_closer(people, image, athlete, &mut read_leg)?;
        if let Some((body, leg)) = closer.filter(|(_, leg)| leg.present >= PHOTOGRAPH_STANCE) {
            let at = body.hips();
            frame.body = Some(body);
            frame.lower_leg = Some(Box::new(leg));
            // What the first look said of people no longer holds.
            track.events = vec![TrackEvent {
                time_s: 0.0,
                sentence: format!(
                    "The stance was found only in a closer look, with the hips at ({:.0}, {:.0}): see in the picture that it is the athlete.",
                    at.u, at.v
                ),
            }];
        }
    }
    track.frames = vec![frame];
    Ok(track)
}

/// Follows the athlete on this thread while a second thread reads the lower leg in the frames already followed and a separate process decodes.
fn follow_recording(
    path: &Path,
    mut clip: clip::Clip,
    marks: Option<&FloorCamera>,
    options: &CheckOptions,
    eyes: &mut Eyes,
    progress: &mut dyn FnMut(u64, Option<u64>),
) -> Result<(Track, InputReport)> {
    let info = clip.info().clone();
    let Eyes { people, lower_leg, .. } = eyes;
    let mut follower = Follower::new(people, follow_options(options, info.width, info.height));
    // Few frames wait here, so that memory stays bounded whatever the recording's length.
    let (to_reader, frames) = crossbeam_channel::bounded::<(usize, Frame, Body, Option<f64>)>(3);
    let mut readings = Vec::new();
    let (mut cuts, mut cuts_s) = (clip::CutFinder::default(), Vec::new());
    let mut watcher = CameraWatcher::new();
    let marked_s = options.floor.as_ref().and_then(|f| f.time_s).unwrap_or(0.0);
    let followed: Result<()> = std::thread::scope(|scope| {
        let reader = scope.spawn(|| -> Result<Vec<(usize, LegReading)>> {
            let mut found = Vec::new();
            for (position, frame, body, elevation_rad) in frames {
                if let Some(reading) = look(lower_leg, &body, &frame.image, elevation_rad, options.leg)? {
                    found.push((position, reading));
                }
            }
            Ok(found)
        });
        let mut follow = || -> Result<()> {
            let mut position = 0;
            while let Some(frame) = clip.next_frame()? {
                let cut = cuts.is_cut(&frame.image);
                if cut {
                    cuts_s.push(frame.time_s);
                    follower.cut();
                }
                let body = follower.step(&frame)?.body;
                watcher.step(&frame.image, body.as_ref(), frame.time_s, cut)?;
                if let Some(body) = body {
                    // Once the camera moves, the marks' camera is known only in the first shot, and where they were read from its first frame; elsewhere the network goes without.
                    let known = !watcher.moves() || (options.floor.is_some() && watcher.shots_before() == 0 && marked_s <= 0.0);
                    let elevation_rad = marks
                        .filter(|_| known)
                        .and_then(|camera| watcher.in_first(ankles(&body)).map(|at| elevation_rad(camera, at)));
                    // A closed channel means that the reader failed; its error is taken below.
                    if to_reader.send((position, frame, body, elevation_rad)).is_err() {
                        break;
                    }
                }
                position += 1;
                progress(position as u64, info.frames_expected);
            }
            Ok(())
        };
        let outcome = follow();
        drop(to_reader);
        readings = reader
            .join()
            .map_err(|_| Error::ours("The lower-leg reader stopped unexpectedly; please report this."))??;
        outcome
    });
    followed?;
    let mut track = follower.finish();
    track.cuts_s = cuts_s;
    track.camera_motion = watcher.finish()?;
    for (position, reading) in readings {
        track.frames[position].lower_leg = Some(Box::new(reading));
    }
    let summary = clip.finish()?;
    let first_s = track.frames.first().map_or(0.0, |f| f.time_s);
    let last_s = track.frames.last().map_or(0.0, |f| f.time_s);
    let input = InputReport {
        path: path.to_string_lossy().into_owned(),
        kind: InputKind::Video,
        width: info.width,
        height: info.height,
        duration_s: info.duration_s.unwrap_or(last_s - first_s),
        frames_read: summary.frames_read,
        frames_expected: summary.frames_expected,
        warnings: summary.warnings.into_iter().chain(summary.notes).collect(),
        camera_motion: None,
    };
    Ok((track, input))
}

/// Everything after following: holds, floor, leg, rules. Pure: the same track gives the same answer. `marks` is the fit of the floor file ([`fit_marks`]).
pub fn judge_track(
    track: &Track,
    input: InputReport,
    marks: Option<&MarksFit>,
    options: &CheckOptions,
    made_by: MadeBy,
) -> (Outcome, Vec<Parts>) {
    judge_with(track, input, marks, &Sheet::default(), &Lines::default(), options, made_by)
}

/// As [`judge_track`], with what was seen of a printed sheet and of the carpet's lines; marks win over both, the sheet over the lines.
pub fn judge_with(
    track: &Track,
    mut input: InputReport,
    marks: Option<&MarksFit>,
    sheet: &Sheet,
    lines: &Lines,
    options: &CheckOptions,
    made_by: MadeBy,
) -> (Outcome, Vec<Parts>) {
    let shape = LegShape::shipped();
    let errors = FusionErrors::shipped();
    let photograph = input.kind == InputKind::Photograph;
    let marked_s = options.floor.as_ref().and_then(|f| f.time_s).unwrap_or(0.0);
    let focal_px = marks
        .map(|m| &m.camera)
        .or_else(|| sheet::while_following(sheet))
        .map(|c| c.focal_px);
    let registered = Registered::new(track, focal_px.map(|f| (f, marked_s)));
    // The sheet is measured in pictures that do not belong to the frame a moving camera's track is brought to.
    let none = Sheet::default();
    let sheet = if registered.moves() && marks.is_none() && !sheet.placements.is_empty() {
        input.warnings.push(sheet::CAMERA_MOVED.to_string());
        &none
    } else {
        sheet
    };
    let camera = marks.map(|m| &m.camera).or_else(|| sheet::while_following(sheet));
    let (moved, sentence) = registered.report();
    input.camera_motion = moved;
    input.warnings.extend(sentence);
    let setting = Setting {
        marks: camera,
        marks_hold: registered.marks_hold(),
        image_size: track.image_size,
        shank: size::from_stature(options.stature_m),
        shape: &shape,
        errors: &errors,
        rules: &options.rules,
        leg: options.leg.given(),
        stillness: if photograph { Stillness::NotShown } else { Stillness::Shown },
    };
    input.warnings.extend(track.events.iter().map(|e| {
        if photograph {
            e.sentence.clone()
        } else {
            format!("At {:.2} s: {}", e.time_s, e.sentence)
        }
    }));

    let mut not_judged = Vec::new();
    // Stillness, floor and what happened around a stance are read off points in one frame, whatever the camera did.
    let steady = registered.track(track);
    let mut found = if photograph {
        Vec::new()
    } else {
        repetitions::find(&steady, &setting, &options.rules, setting.leg)
    };
    if !photograph {
        input.warnings.extend(repetitions::unread_shots(&steady, &setting));
    }
    let adrift = moving::adrift(&registered, track, &setting);
    not_judged.extend(adrift.iter().filter_map(moving::Adrift::not_judged));
    input.warnings.extend(moving::take_out(&mut found, &adrift));
    let spans = if photograph {
        photograph_span(track)
    } else {
        let mut holds = repetitions::holds_by_real_time(hold::find(&steady, &options.rules.still), &found);
        holds.still.retain(|s| !moving::not_judged(&adrift, s.start_s, s.end_s));
        holds.never_still.retain(|(s, _)| !moving::not_judged(&adrift, s.start_s, s.end_s));
        for (span, lowest) in &holds.never_still {
            not_judged.push(NotJudged {
                reason: NotJudgedReason::NeverStill,
                detail: format!(
                    "The stance from {:.2} s to {:.2} s never came to rest: its slowest {:.1} s still moved at {:.2} m/s (limit {:.2} m/s). A stance that is not still is not judged.",
                    span.start_s, span.end_s, options.rules.still.for_at_least_s.min(span.duration_s()), lowest, options.rules.still.speed_limit_m_per_s
                ),
                start_s: Some(span.start_s),
                end_s: Some(span.end_s),
            });
        }
        holds.still
    };
    let mut holds = Vec::new();
    let mut parts = Vec::new();
    let mut floor: Option<FloorReport> = None;
    for span in &spans {
        let around = around(track, span);
        let placement = sheet.during(span.start_s, span.end_s);
        let of_span = Setting {
            marks: marks
                .map(|m| &m.camera)
                .or_else(|| placement.map(|p| &p.fit.camera))
                .or_else(|| lines.camera(span.start_s, span.end_s)),
            ..setting
        };
        match moving::report(&registered, &of_span, track, span, around) {
            Some(Measured {
                mut hold,
                floor: mut found,
                parts: of_hold,
            }) => {
                sheet::tell(sheet, placement, options.sheet.line_mm(), &mut found, &mut hold);
                lines::tell(lines, span.start_s, span.end_s, &mut found);
                holds.push(hold);
                parts.push(of_hold);
                floor.get_or_insert(found);
            }
            None => not_judged.push(NotJudged {
                reason: NotJudgedReason::LegHidden,
                detail: format!(
                    "From {:.2} s to {:.2} s the kneeling lower leg is not in view.",
                    span.start_s, span.end_s
                ),
                start_s: Some(span.start_s),
                end_s: Some(span.end_s),
            }),
        }
    }
    if holds.is_empty() && not_judged.is_empty() {
        not_judged.push(nothing_found(track, photograph, options.athlete.is_some()));
    }
    let mut floor = floor.unwrap_or_else(|| no_floor(camera));
    if registered.moves() && holds.len() > 1 {
        // The grid is drawn on every hold's still, and the camera stood otherwise in each.
        floor.grid.clear();
    }
    input.warnings.extend(sheet::too_little(sheet));
    input.warnings.extend(lines.not_looked.clone());
    if let Some(fit) = marks {
        floor.notes.extend(fit.notes.iter().cloned());
    }
    if options.stature_m.is_none() {
        floor.notes.push(format!(
            "No stature was given: {:.2} m ± {:.2} m was assumed; give --stature for tighter millimetres.",
            size::STATURE_PRIOR_M,
            size::STATURE_PRIOR_SD_M
        ));
    }
    let outcome = Outcome {
        schema_version: SCHEMA_VERSION,
        made_by,
        input,
        floor,
        holds,
        not_judged,
        cautions: CAUTIONS.iter().map(|c| (*c).to_string()).collect(),
        repetitions: found
            .into_iter()
            .map(|f| moving::in_pictures(&registered, track, f.report))
            .collect(),
    };
    (outcome, parts)
}

/// Code, networks and rules by version and hash.
pub fn made_by(networks: &[(String, String)], rules: &RuleProfile) -> MadeBy {
    MadeBy {
        shankline: env!("CARGO_PKG_VERSION").to_string(),
        networks: networks.to_vec(),
        rules: (rules.name.clone(), rules.sha256[..12].to_string()),
    }
}

/// Whether a photograph's only frame shows the stance surely enough.
fn shows_stance(frame: &PoseFrame) -> bool {
    frame.lower_leg.as_ref().is_some_and(|l| l.present >= PHOTOGRAPH_STANCE)
}

fn photograph_span(track: &Track) -> Vec<Span> {
    if track.frames.first().is_some_and(shows_stance) {
        vec![Span {
            first: 0,
            last: 0,
            start_s: 0.0,
            end_s: 0.0,
        }]
    } else {
        Vec::new()
    }
}

/// The hold and a second either side.
fn around(track: &Track, span: &Span) -> std::ops::Range<usize> {
    let first = track.frames[..span.first]
        .iter()
        .rposition(|f| span.start_s - f.time_s > 1.0)
        .map_or(0, |k| k + 1);
    let last = track.frames[span.last..]
        .iter()
        .position(|f| f.time_s - span.end_s > 1.0)
        .map_or(track.frames.len(), |k| span.last + k);
    first..last
}

fn nothing_found(track: &Track, photograph: bool, pointed: bool) -> NotJudged {
    let people = track.frames.iter().filter(|f| f.body.is_some()).count();
    let stance = track.frames.iter().filter(|f| hold::spans::in_stance(f)).count();
    let (reason, detail) = if people == 0 {
        (
            NotJudgedReason::NoPerson,
            match track.frames.len() {
                // Whoever else is in a photograph is left out on purpose.
                1 if pointed => "Nobody was found at the point given; point at the athlete's trunk or legs (--athlete), and see that the athlete is at least 80 pixels tall in the picture.".to_string(),
                1 => "Nobody was found in the picture; a person should stand at least 80 pixels tall in it.".to_string(),
                frames => format!("Nobody was found in {frames} frames; a person should stand at least 80 pixels tall in the frame."),
            },
        )
    } else if photograph {
        let sure = track
            .frames
            .iter()
            .filter_map(|f| f.lower_leg.as_ref())
            .map(|leg| leg.present)
            .reduce(f64::max);
        let sure = sure.filter(|sure| *sure < PHOTOGRAPH_STANCE);
        (
            NotJudgedReason::NoStance,
            sure.map_or_else(
                || "A person was found, but not in the low kneeling stance.".to_string(),
                |sure| {
                    let sure = (sure * 1000.0).floor() / 1000.0;
                    format!("A person was found; that it is the low kneeling stance is {sure} probable, and a photograph is judged from {PHOTOGRAPH_STANCE} on.")
                },
            ),
        )
    } else {
        (
            NotJudgedReason::NoStance,
            format!(
                "A person was followed in {people} of {} frames, the low kneeling stance was seen in {stance} of them, never for long enough to judge.",
                track.frames.len()
            ),
        )
    };
    NotJudged {
        reason,
        detail,
        start_s: None,
        end_s: None,
    }
}

fn no_floor(marks: Option<&FloorCamera>) -> FloorReport {
    let origin = CarpetPoint::new(0.0, 0.0, 0.0);
    FloorReport {
        source: marks.map_or(FloorSource::None, |c| c.source),
        camera_elevation_deg: marks.map(|c| c.elevation_rad_from(origin).to_degrees()),
        camera_elevation_sd_deg: marks.map(|c| c.sd_of(|c| c.elevation_rad_from(origin)).to_degrees()),
        camera_height_m: marks.map(|c| c.centre().z),
        camera_height_sd_m: marks.map(|c| c.sd_of(|c| c.centre().z)),
        camera_distance_m: marks.map(|c| c.distance_m(origin)),
        camera_distance_sd_m: marks.map(|c| c.sd_of(|c| c.distance_m(origin))),
        focal_px: marks.map(|c| c.focal_px),
        focal_sd_px: marks.map(|c| c.sd_of(|c| c.focal_px)),
        grid: marks.map_or(Vec::new(), |c| c.grid(origin, 2.0)),
        sheet: None,
        lines: None,
        notes: Vec::new(),
    }
}
