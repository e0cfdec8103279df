//! The answer in words.

use crate::outcome::{Call, Finding, FloorSource, HoldReport, InputKind, InputReport, NotJudgedReason, PerPart, Stillness};
use crate::report::quantity;
use crate::types::Station;

/// The finding that carries the hold's call: among those that agree with it, the one with the likeliest fault.
pub(crate) fn leading(hold: &HoldReport) -> Option<&Finding> {
    let likeliest = |a: &&Finding, b: &&Finding| {
        a.fault_probability
            .total_cmp(&b.fault_probability)
            .then(a.gap_mm.total_cmp(&b.gap_mm))
    };
    hold.findings
        .iter()
        .filter(|f| f.call == hold.call)
        .max_by(likeliest)
        .or_else(|| hold.findings.iter().max_by(likeliest))
}

/// The value that speaks of `station`: the heel's own, or the calf's for knee, calf and ankle.
pub(crate) const fn of_part<T: Copy>(parts: &PerPart<T>, station: Station) -> T {
    match station {
        Station::Heel => parts.heel,
        _ => parts.calf,
    }
}

/// The station in words, with its per cent kept on one line.
pub(crate) fn place(station: Station) -> String {
    station.words().replace(" %", "\u{a0}%")
}

/// `2.1 s to 3.4 s`, or that a photograph shows no stillness.
pub(crate) fn when(hold: &HoldReport) -> String {
    match hold.stillness {
        Stillness::Shown => format!("{} to {}", quantity::seconds(hold.start_s), quantity::seconds(hold.end_s)),
        Stillness::NotShown => "photograph, stillness not shown".to_owned(),
    }
}

/// `right leg down, 2.1 s to 3.4 s`.
pub(crate) fn leg_and_time(hold: &HoldReport) -> String {
    match hold.stillness {
        Stillness::Shown => format!("{} leg down, {}", hold.kneeling_leg.name(), when(hold)),
        Stillness::NotShown => format!("{} leg down ({})", hold.kneeling_leg.name(), when(hold)),
    }
}

/// `text` with its first letter made a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

/// What was measured, after the call's word: `the inner heel stood 31 mm ± 6 mm off the carpet (tolerance 15 mm)`.
pub(crate) fn evidence(hold: &HoldReport) -> String {
    let Some(finding) = leading(hold) else {
        return "no check of the rule profile applied to this hold".to_owned();
    };
    let gap = quantity::with_unit(finding.gap_mm, finding.sd_mm, "mm");
    let tolerance = quantity::millimetres(finding.tolerance_mm);
    let place = place(finding.station);
    match hold.call {
        Call::Suspected => format!("the {place} stood {gap} off the carpet (tolerance {tolerance})"),
        Call::Clear => format!("no checked part of the inner lower leg was off the carpet beyond the tolerance; nearest to it came the {place}, at {gap} (tolerance {tolerance})"),
        Call::CannotTell => {
            let limit = quantity::limit_mm(of_part(&hold.view.smallest_lift_mm, finding.station));
            let why = if of_part(&hold.view.can_tell, finding.station) {
                "too near the tolerance to call either way".to_owned()
            } else {
                format!("and this view shows a lift there only from about {limit}")
            };
            format!("the {place} measured {gap} off the carpet, {why} (tolerance {tolerance})")
        }
    }
}

/// One hold in one sentence.
pub(crate) fn hold(hold: &HoldReport) -> String {
    format!(
        "{}: {} \u{2013} {}.",
        capital(&leg_and_time(hold)),
        hold.call.words(),
        evidence(hold)
    )
}

/// The recording in one line: `video, 1920 × 1080 px, 6.2 s, 186 frames`.
pub(crate) fn input(input: &InputReport) -> String {
    let size = format!("{}\u{a0}×\u{a0}{}\u{a0}px", input.width, input.height);
    match input.kind {
        InputKind::Photograph => format!("photograph, {size}"),
        InputKind::Video => {
            let frames = match input.frames_expected {
                Some(expected) if expected != input.frames_read => {
                    format!("{} frames read of {expected} promised", input.frames_read)
                }
                _ => format!("{} frames", input.frames_read),
            };
            format!("video, {size}, {}, {frames}", quantity::seconds(input.duration_s))
        }
    }
}

/// The file's own name, without its folder.
pub(crate) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).find(|part| !part.is_empty()).unwrap_or(path)
}

/// Where the floor came from.
pub(super) const fn floor_from(source: FloorSource) -> &'static str {
    match source {
        FloorSource::Marks => "marks on the carpet with known places",
        FloorSource::Sheet => "the printed sheet on the carpet, found by itself",
        FloorSource::Lines => "the carpet\u{2019}s own lines, found by themselves",
        FloorSource::Body => "the athlete\u{2019}s own body (no marks on the carpet)",
        FloorSource::None => "nothing: no floor was found",
    }
}

/// The reason in words.
pub(crate) const fn reason(reason: NotJudgedReason) -> &'static str {
    match reason {
        NotJudgedReason::NoPerson => "nobody found",
        NotJudgedReason::NoStance => "no low kneeling stance found",
        NotJudgedReason::NeverStill => "never came to rest",
        NotJudgedReason::FloorUnknown => "the floor could not be held",
        NotJudgedReason::LegHidden => "the lower leg is out of the frame or hidden",
        NotJudgedReason::ViewsDoNotMatch => "the views do not match",
    }
}

/// What to do about it next time.
pub(crate) const fn remedy(reason: NotJudgedReason) -> &'static str {
    match reason {
        NotJudgedReason::NoPerson => "Film one athlete from head to foot, close enough that the body fills a good part of the picture, and in even light.",
        NotJudgedReason::NoStance => "Check that the recording holds the low kneeling stance and that the whole body can be seen in it.",
        NotJudgedReason::NeverStill => "Let the recording run until the athlete has come to rest and has held the stance; a stance that is left at once is not judged.",
        NotJudgedReason::FloorUnknown => "Put the camera on a stand, do not turn or zoom it, and keep the carpet around the leg in view; marks with known distances on the carpet help most.",
        NotJudgedReason::LegHidden => "Move the camera so that knee, shin and heel of the kneeling leg are in view together, with nobody in between.",
        NotJudgedReason::ViewsDoNotMatch => "Give recordings of one and the same repetition, each with the athlete coming down into the stance in view, or name the stretches that belong together (FILE@FROM-TO).",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names() {
        assert_eq!(file_name("a/b/clip.mp4"), "clip.mp4");
        assert_eq!(file_name("C:\\films\\clip.mp4"), "clip.mp4");
        assert_eq!(file_name("clip.mp4"), "clip.mp4");
        assert_eq!(file_name("folder/"), "folder");
        assert_eq!(file_name(""), "");
    }
}
