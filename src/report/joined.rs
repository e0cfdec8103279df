//! The report on several views of one repetition: every view's still of one instant side by side, what each could show alone and what they show together.

use crate::error::Result;
use crate::join::outcome::{AlignedBy, Alignment, HoldJoin, JoinedOutcome, TiedBy, ViewAnswer};
use crate::join::Joined;
use crate::outcome::{Call, HoldReport};
use crate::report::files::Staged;
use crate::report::head::head;
use crate::report::html::{
    call_class, call_sentence, call_words, cautions, findings_table, footer, hatches, leg_figure, profile_figure, STYLE,
};
use crate::report::sentence::capital;
use crate::report::{call_json, chart, files, picture, quantity, raster, sentence, Written};
use crate::types::Station;
use maud::{html, Markup, DOCTYPE};
use std::path::Path;

/// Writes `report.html`, `call.json` and `stills/` of a joined answer into `out_dir`; `frames_csv` names no file.
///
/// # Errors
/// As [`crate::report::write()`].
pub fn write_joined(joined: &Joined, out_dir: &Path) -> Result<Written> {
    let answer = &joined.outcome;
    let json = call_json::bytes_of(answer, &answer.outcome)?;
    let names: Vec<String> = (0..answer.views.len()).map(|k| name(answer, k)).collect();
    let mut staged = Staged::new(out_dir)?;
    let mut stills = Vec::new();
    let mut holds = Vec::new();
    for (h, (hold, join)) in answer.outcome.holds.iter().zip(&answer.joins).enumerate() {
        let mut figures = Vec::new();
        for (k, view) in answer.views.iter().enumerate() {
            let seen = as_seen(hold, join, k).and_then(|of_view| Some((joined.pictures.view(k, of_view.best_frame.time_s)?, of_view)));
            let Some((still, of_view)) = seen else {
                figures.push(html! { p.soft { (names[k]) ": no picture of this instant." } });
                continue;
            };
            let layout = picture::lay_out(&of_view, &view.floor.grid, still.width, still.height);
            let file = format!("stills/hold-{}-view-{}", h + 1, k + 1);
            let words = format!("{}: {}", sentence::file_name(&view.input.path), sentence::hold(hold));
            let frame = raster::frame_png(&still, &view.floor, &of_view.best_frame, layout.as_ref().map(|l| l.cut), &words)?;
            stills.push(staged.add(format!("{file}.png"), &frame)?);
            if let Some(layout) = &layout {
                stills.push(staged.add(format!("{file}-leg.png"), &raster::leg_png(&still, layout)?)?);
                let off_by_s = join.shown[k].as_ref().map_or(0.0, |s| s.off_by_s);
                figures.push(view_figure(&names[k], leg_figure(&of_view, &still, layout)?, off_by_s));
            }
        }
        holds.push(hold_section(answer, hold, join, h + 1, &figures, &names));
    }
    let page = page(answer, &holds, &names);
    let call_json = staged.add("call.json", &json)?;
    let report_html = staged.add("report.html", page.as_bytes())?;
    staged.finish()?;
    files::remove_older_stills(&out_dir.join("stills"), &stills);
    Ok(Written {
        report_html,
        call_json,
        frames_csv: std::path::PathBuf::new(),
        stills,
    })
}

/// The joined hold with one view's frame for its picture.
fn as_seen(hold: &HoldReport, join: &HoldJoin, view: usize) -> Option<HoldReport> {
    let shown = join.shown.get(view)?.as_ref()?;
    Some(HoldReport {
        best_frame: shown.still.clone(),
        ..hold.clone()
    })
}

fn page(answer: &JoinedOutcome, holds: &[Markup], names: &[String]) -> String {
    let outcome = &answer.outcome;
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("Low kneeling stance, {} views", names.len()), STYLE, None, true))
            body {
                (hatches())
                header {
                    h1 { "Is the kneeling leg down on the carpet? " (names.len()) " views together" }
                    @for (view, name) in answer.views.iter().zip(names) { p.soft { (name) " (" (sentence::input(&view.input)) ")" } }
                }
                main {
                    section aria-labelledby="the-call" {
                        h2 id="the-call" { "The call" }
                        ul.calls {
                            @for hold in &outcome.holds { li class=(call_class(hold.call)) { (call_sentence(hold)) } }
                            @if outcome.holds.is_empty() { li.none { p.sentence { strong { "No call: " } "the views gave no hold of the stance that could be judged together." } } }
                        }
                        @for item in &outcome.not_judged {
                            p { strong { (capital(sentence::reason(item.reason))) ". " } (item.detail) }
                            p.advice { strong { "What to do: " } (sentence::remedy(item.reason)) }
                        }
                    }
                    @for section in holds { (section) }
                    section.keep {
                        h2 { "How the clocks were aligned" }
                        @for (view, name) in answer.views.iter().zip(names).skip(1) {
                            @if let Some(alignment) = &view.alignment { (alignment_part(&names[0], name, alignment)) }
                        }
                    }
                    @for (view, name) in answer.views.iter().zip(names) { (view_section(view, name)) }
                    (cautions(outcome))
                }
                (footer(outcome))
            }
        }
    };
    page.into_string()
}

/// `View 1: clip.mp4`, with the stretch where one was asked for.
fn name(answer: &JoinedOutcome, view: usize) -> String {
    let v = &answer.views[view];
    let stretch = v.range_s.map_or_else(String::new, |[a, b]| {
        format!(", {} to {}", quantity::seconds(a), quantity::seconds(b))
    });
    format!("View {}: {}{stretch}", view + 1, sentence::file_name(&v.input.path))
}

fn view_figure(name: &str, leg: Markup, off_by_s: f64) -> Markup {
    html! {
        div {
            h3 { (name) }
            (leg)
            @if off_by_s.abs() > 5e-4 { p.small.soft { "This frame is " (quantity::rounded(1000.0 * off_by_s.abs(), 0)) "\u{a0}ms " @if off_by_s > 0.0 { "after" } @else { "before" } " the exact instant." } }
        }
    }
}

fn hold_section(answer: &JoinedOutcome, hold: &HoldReport, join: &HoldJoin, number: usize, figures: &[Markup], names: &[String]) -> Markup {
    html! {
        section.hold-section id=(format!("hold-{number}")) {
            h2 { "Hold " (number) ": " (sentence::leg_and_time(hold)) @if answer.views[0].input.duration_s > 0.0 { " (time of view 1)" } }
            @if let Some(words) = &join.contradiction {
                ul.calls { li.cannot { p.sentence { strong { "The views contradict each other. " } (words) } } }
            }
            p { "The same instant in every view, with what all views show together marked on it." }
            div.pair { @for figure in figures { (figure) } }
            (places_table(answer, hold, join, names))
            (views_table(answer, hold, join, names))
            div.pair { (profile_figure(hold)) (tie_part(hold, join, names)) }
            (findings_table(hold))
            @if !hold.notes.is_empty() { ul { @for note in &hold.notes { li { (note) } } } }
        }
    }
}

/// Each view's own hold in this joined one.
fn own<'a>(answer: &'a JoinedOutcome, join: &HoldJoin, view: usize) -> Option<&'a HoldReport> {
    answer.views[view].holds.get((*join.holds.get(view)?)?)
}

fn places_table(answer: &JoinedOutcome, hold: &HoldReport, join: &HoldJoin, names: &[String]) -> Markup {
    let gap = |h: &HoldReport, s: Station| {
        h.gaps
            .iter()
            .find(|g| g.station == s)
            .map_or_else(|| "none".to_owned(), |g| quantity::with_unit(g.gap_mm, g.sd_mm, "mm"))
    };
    html! {
        table.stack role="table" {
            caption { "Gap at each place, alone and together" }
            thead role="rowgroup" { tr role="row" {
                th scope="col" role="columnheader" { "Place" }
                @for k in 0..names.len() { th.num scope="col" role="columnheader" { "View " (k + 1) " alone" } }
                th.num scope="col" role="columnheader" { "Together" }
                th.num scope="col" role="columnheader" { "Tolerance" }
            } }
            tbody role="rowgroup" {
                @for station in Station::ALL {
                    tr role="row" {
                        th scope="row" role="rowheader" { (capital(&sentence::place(station))) }
                        @for k in 0..names.len() {
                            td.num role="cell" data-label=(format!("View {} alone", k + 1)) { (own(answer, join, k).map_or_else(|| "not in view".to_owned(), |h| gap(h, station))) }
                        }
                        td.num role="cell" data-label="Together" { (gap(hold, station)) }
                        td.num role="cell" data-label="Tolerance" { (chart::tolerance_at(hold, station).map_or_else(|| "none set".to_owned(), quantity::millimetres)) }
                    }
                }
            }
        }
    }
}

fn views_table(answer: &JoinedOutcome, hold: &HoldReport, join: &HoldJoin, names: &[String]) -> Markup {
    let row = |title: &str, h: Option<&HoldReport>, place: Option<(f64, f64)>| {
        html! {
            tr role="row" {
                th scope="row" role="rowheader" { (title) }
                @match h {
                    Some(h) => {
                        td role="cell" data-label="Call" { (call_words(h.call)) }
                        td role="cell" data-label="Smallest lift, knee to ankle" { (quantity::limit_mm(h.view.smallest_lift_mm.calf)) @if !h.view.can_tell.calf { span.basis { "more than the tolerance" } } }
                        td role="cell" data-label="Smallest lift, heel" { (quantity::limit_mm(h.view.smallest_lift_mm.heel)) @if !h.view.can_tell.heel { span.basis { "more than the tolerance" } } }
                        td role="cell" data-label="Camera" {
                            @if let Some((elevation, azimuth)) = place { (quantity::rounded(elevation, 0)) "° over the carpet, " (quantity::rounded(azimuth, 0)) "° from the shank" } @else { "all of them" }
                        }
                    }
                    None => { td role="cell" data-label="Call" { "shows no hold at that time" } td role="cell" {} td role="cell" {} td role="cell" {} }
                }
            }
        }
    };
    html! {
        table.stack role="table" {
            caption { "What each view could show alone, and all together" }
            thead role="rowgroup" { tr role="row" {
                @for title in ["View", "Call", "Smallest lift, knee to ankle", "Smallest lift, heel", "Camera"] { th scope="col" role="columnheader" { (title) } }
            } }
            tbody role="rowgroup" {
                @for (k, name) in names.iter().enumerate() {
                    @let h = own(answer, join, k);
                    (row(name, h, h.map(|h| (h.view.elevation_deg, h.view.azimuth_deg))))
                }
                (row("Together", Some(hold), None))
            }
        }
        p.small.soft { "The smallest lift is the one that the stated uncertainty would show nine times in ten; of rendered poses lifted by about that much three in four were shown. All views are read by one network and share some of its errors; that is counted." }
    }
}

fn tie_part(hold: &HoldReport, join: &HoldJoin, names: &[String]) -> Markup {
    html! {
        figure {
            h3 { "How the views were put together" }
            dl {
                dt { "One leg fitted at" } dd { (join.instants) " instants" @if hold.call == Call::CannotTell && join.contradiction.is_some() { ", for what it is worth" } }
                @for tie in &join.ties {
                    dt { "Carpet of view " (tie.view + 1) }
                    dd {
                        @match tie.by { TiedBy::SameMarks => "tied to view 1\u{2019}s by the same marks", TiedBy::Body => "tied to view 1\u{2019}s by the body\u{2019}s own points" }
                        ": turned by " (quantity::with_unit(tie.yaw_rad.to_degrees(), tie.sd[2].to_degrees(), "°"))
                        ", moved by " (quantity::with_unit(tie.x_m, tie.sd[0], "m")) " and " (quantity::with_unit(tie.y_m, tie.sd[1], "m"))
                    }
                }
                @for d in &join.differences {
                    dt { "Views " (d.views[0] + 1) " and " (d.views[1] + 1) " apart" }
                    dd {
                        "most at the " (sentence::place(d.station)) ", by " (quantity::with_unit(d.difference_mm, d.difference_sd_mm, "mm")) ". "
                        @if d.contradicts { strong { "A contradiction" } } @else { "They agree" }
                        ": differences this large have a probability of " (quantity::per_cent(d.probability)) " where both see one leg (below 1\u{a0}% is called a contradiction)."
                    }
                }
                @for (rms, k) in join.residual_rms.iter().zip(join.holds.iter().enumerate().filter(|(_, h)| h.is_some()).map(|(k, _)| k)) {
                    dt { (names[k].split(':').next().unwrap_or("View")) " misses the one leg by" }
                    dd { (quantity::rounded(*rms, 1)) " times its points\u{2019} uncertainty" }
                }
            }
        }
    }
}

fn alignment_part(first: &str, name: &str, a: &Alignment) -> Markup {
    let frames = if a.frame_interval_s > 0.0 {
        a.offset_sd_s / a.frame_interval_s
    } else {
        0.0
    };
    html! {
        h3 { (name) }
        dl {
            dt { "By" }
            dd {
                @match a.by {
                    AlignedBy::Motion => "the motion that both show",
                    AlignedBy::Sound => "what both heard",
                    AlignedBy::MotionAndSound => "the motion that both show and what both heard, which agree",
                    AlignedBy::AssumedInstant => "nothing: one instant was assumed",
                    AlignedBy::Nothing => "nothing that could be relied on",
                }
            }
            @if !matches!(a.by, AlignedBy::AssumedInstant | AlignedBy::Nothing) {
                dt { "Time" }
                dd { "this view\u{2019}s clock reads " (quantity::with_unit(a.offset_s, a.offset_sd_s, "s")) " when " (first.split(':').next().unwrap_or("view 1")) "\u{2019}s reads 0 (that is ± " (quantity::rounded(quantity::COVERAGE_95 * frames, 2)) " of its frames)" }
                @if (a.factor - 1.0).abs() > 1e-6 || a.factor_sd > 0.0 { dt { "Slower than view 1" } dd { (quantity::with_unit(a.factor, a.factor_sd, "times")) } }
            }
            @if let Some(m) = &a.motion { dt { "Motion" } dd { "correlation " (quantity::rounded(m.correlation, 2)) "; another place is at best " (quantity::per_cent(m.rival.min(1.0))) " as good" } }
            @if let Some(s) = &a.sound { dt { "Sound" } dd { (quantity::with_unit(s.offset_s, s.offset_sd_s, "s")) ", " (quantity::rounded(s.over_second, 1)) " times the next best" } }
        }
        @if !a.notes.is_empty() { ul { @for note in &a.notes { li { (note) } } } }
    }
}

fn view_section(view: &ViewAnswer, name: &str) -> Markup {
    let floor = &view.floor;
    html! {
        section.keep {
            h2 { (name) }
            dl {
                dt { "File" } dd { (view.input.path) }
                dt { "Floor from" }
                dd {
                    (sentence::floor_from(floor.source))
                }
                @if let (Some(e), Some(sd)) = (floor.camera_elevation_deg, floor.camera_elevation_sd_deg) { dt { "Camera elevation" } dd { (quantity::with_unit(e, sd, "°")) } }
                @if let (Some(d), Some(sd)) = (floor.camera_distance_m, floor.camera_distance_sd_m) { dt { "Camera to leg" } dd { (quantity::with_unit(d, sd, "m")) } }
            }
            ul {
                @for h in &view.holds { li { "Alone: " (sentence::hold(h)) } }
                @for item in &view.not_judged { li { "Not judged alone: " (item.detail) } }
                @for note in floor.notes.iter().chain(&view.input.warnings) { li { (note) } }
            }
        }
    }
}
