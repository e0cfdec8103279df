//! Judging under a camera that moves: which stretches cannot be judged, a hold in its own reference frame, and back to the pictures.

use crate::camera_motion::Registered;
use crate::check::hold_report::{Measured, Setting};
use crate::hold::{self, Span};
use crate::numerics::median;
use crate::outcome::{NotJudged, NotJudgedReason, RepetitionReport};
use crate::phases::repetition::Found;
use crate::pose::track::{PoseFrame, Track};
use crate::types::{CarpetPoint, ImagePoint};

/// Share of the tightest tolerance that the floor may be off by at the leg.
const FLOOR_SHARE: f64 = 0.5;
/// A longer stretch without registration is not read, seconds.
const BLIND_S: f64 = 0.2;

/// A stretch over which the floor could not be held.
pub(crate) struct Adrift {
    start_s: f64,
    end_s: f64,
    /// Why, for a stance; a stretch outside any stance has nothing to say of its own.
    detail: Option<String>,
}

impl Adrift {
    /// The stance that is not judged for it.
    pub(crate) fn not_judged(&self) -> Option<NotJudged> {
        Some(NotJudged {
            reason: NotJudgedReason::FloorUnknown,
            detail: self.detail.clone()?,
            start_s: Some(self.start_s),
            end_s: Some(self.end_s),
        })
    }
}

/// Whether a stretch of time touches a stance that is not judged.
pub(crate) fn not_judged(adrift: &[Adrift], start_s: f64, end_s: f64) -> bool {
    adrift
        .iter()
        .any(|a| a.detail.is_some() && a.start_s <= end_s && a.end_s >= start_s)
}

/// Takes out the repetitions that run over a stretch without a floor; in words which, where no stance says it already.
pub(crate) fn take_out(found: &mut Vec<Found>, adrift: &[Adrift]) -> Vec<String> {
    let mut said = Vec::new();
    found.retain(|f| {
        let (start_s, end_s) = (f.report.start_s, f.report.end_s);
        let Some(a) = adrift.iter().find(|a| a.start_s <= end_s && a.end_s >= start_s) else { return true };
        if !not_judged(adrift, start_s, end_s) {
            said.push(format!(
                "What happened around the stance between {start_s:.2} s and {end_s:.2} s was not read: from {:.2} s to {:.2} s the moving camera could not be followed well enough.",
                a.start_s, a.end_s
            ));
        }
        false
    });
    said
}

/// Every stance over which the floor could not be held, and every stretch over which the registration is not good enough to read what the body does.
pub(crate) fn adrift(registered: &Registered, track: &Track, setting: &Setting) -> Vec<Adrift> {
    if !registered.moves() {
        return Vec::new();
    }
    let tightest = setting.rules.checks.iter().map(|c| c.tolerance_mm).fold(f64::INFINITY, f64::min);
    let mut out = Vec::new();
    for stance in hold::spans::stances(track).iter().flat_map(|s| within_shots(registered, track, s)) {
        let mm_per_px = median(
            track.frames[stance.first..=stance.last]
                .iter()
                .filter_map(|f| f.lower_leg.as_deref())
                .map(|l| 1000.0 * setting.shank.mean_m / l.shank_px)
                .collect(),
        );
        let Some(mm_per_px) = mm_per_px else { continue };
        if let Some(detail) = registered.trouble(&stance, mm_per_px, FLOOR_SHARE * tightest) {
            out.push(Adrift {
                start_s: stance.start_s,
                end_s: stance.end_s,
                detail: Some(detail),
            });
        }
    }
    let mut blind: Option<(f64, f64)> = None;
    for (i, f) in track.frames.iter().enumerate() {
        let mm_per_px = f.body.as_ref().map_or(0.0, |b| 1000.0 / b.px_per_m);
        let lost = registered
            .miss_px(i)
            .is_none_or(|miss| miss * mm_per_px > 2.0 * FLOOR_SHARE * tightest);
        if lost {
            blind = Some((blind.map_or(f.time_s, |b| b.0), f.time_s));
        }
        if !lost || i + 1 == track.frames.len() {
            if let Some((start_s, end_s)) = blind.take().filter(|b| b.1 - b.0 > BLIND_S) {
                out.push(Adrift {
                    start_s,
                    end_s,
                    detail: None,
                });
            }
        }
    }
    out
}

/// A stretch cut where a new shot of the camera begins.
fn within_shots(registered: &Registered, track: &Track, span: &Span) -> Vec<Span> {
    let mut out = Vec::new();
    let mut first = span.first;
    while first <= span.last {
        let last = registered.path(first).map_or(span.last, |p| p.last.min(span.last)).max(first);
        out.push(Span {
            first,
            last,
            start_s: track.frames[first].time_s,
            end_s: track.frames[last].time_s,
        });
        first = last + 1;
    }
    out
}

/// Measures and judges one hold, in the frame its floor belongs to.
///
/// With marks of the same shot that is the marks' frame. Without, it is the hold's middle frame: the body's own floor needs no other. `None` where no frame shows the lower leg.
pub(crate) fn report(
    registered: &Registered,
    setting: &Setting,
    track: &Track,
    span: &Span,
    around: std::ops::Range<usize>,
) -> Option<Measured> {
    let marked = setting
        .marks_hold
        .is_none_or(|(first, last)| span.first >= first && span.last <= last);
    let marks = setting.marks.filter(|_| marked);
    let Some(path) = registered.moving(span.first) else {
        let still = Setting { marks, ..*setting };
        let mut measured = still.report(&track.frames, span, around)?;
        note_unmarked(setting, marked, &mut measured);
        return Some(measured);
    };
    let reference = if marks.is_some() {
        registered.reference(span.first)
    } else {
        (0..=span.last - span.first)
            .map(|k| (span.first + span.last) / 2 + k)
            .chain((span.first..=span.last).rev())
            .find(|i| path.pose(*i).is_some())?
    };
    // The shot's frames about the hold, mapped; those that could not be registered show nothing.
    let (from, to) = (around.start.max(path.first), around.end.min(path.last + 1));
    let frames: Vec<PoseFrame> = (from..to)
        .map(|i| {
            registered.mapped(&track.frames[i], i, reference).unwrap_or_else(|| PoseFrame {
                body: None,
                lower_leg: None,
                ..track.frames[i].clone()
            })
        })
        .collect();
    let moved = Span {
        first: span.first - from,
        last: span.last.min(to - 1) - from,
        ..*span
    };
    let motion = registered.over(span, reference)?;
    let widened = marks.and_then(|camera| {
        let leg = frames[moved.first..=moved.last].iter().find_map(|f| f.lower_leg.as_deref())?;
        let at = leg.points.first()?.at;
        let on_carpet = camera.at_height(at, 0.0).unwrap_or(CarpetPoint::new(0.0, 0.0, 0.0));
        let leg_m = camera.rotation * on_carpet.vector() + camera.translation_m;
        Some(registered.camera(camera, &motion, leg_m, camera.focal_px / leg_m.z.max(0.1)))
    });
    let here = Setting {
        marks: widened.as_ref(),
        ..*setting
    };
    let mut measured = here.report(&frames, &moved, 0..frames.len())?;
    note_unmarked(setting, marked, &mut measured);
    measured.hold.notes.push(format!(
        "The camera moved: every frame was brought to the frame at {:.2} s by the background, which near the feet fits to {:.1} px.",
        track.frames[reference].time_s, motion.miss_px
    ));
    // What is drawn goes back into the picture it is drawn on.
    let best = track
        .frames
        .iter()
        .position(|f| f.index == measured.hold.best_frame.index)
        .unwrap_or(reference);
    let back = |p: &mut ImagePoint| *p = registered.in_picture(*p, best, reference);
    let still = &mut measured.hold.best_frame;
    still.crop_side_px *= registered.picture_scale(still.crop_centre, best, reference);
    still.surface.iter_mut().chain(&mut still.carpet).for_each(back);
    back(&mut still.crop_centre);
    measured.floor.grid.iter_mut().flatten().for_each(back);
    Some(measured)
}

fn note_unmarked(setting: &Setting, marked: bool, measured: &mut Measured) {
    if setting.marks.is_some() && !marked {
        measured.hold.notes.push(
            "The marks belong to another shot and the camera moves in this recording: this hold's floor was taken from the athlete's own body."
                .to_string(),
        );
    }
}

/// A repetition's moments as its pictures show them.
pub(crate) fn in_pictures(registered: &Registered, track: &Track, mut report: RepetitionReport) -> RepetitionReport {
    for m in &mut report.moments {
        let position = track.frames.partition_point(|f| f.time_s < m.time_s - 1e-9);
        let reference = registered.reference(position);
        m.side_px *= registered.picture_scale(m.centre, position, reference);
        m.centre = registered.in_picture(m.centre, position, reference);
    }
    report
}
