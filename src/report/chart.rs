//! Charts as inline SVG: the gap along the leg and the gap over time.
//!
//! Series differ in line style and marker shape, calls in filling, so that nothing rests on colour. Colours live in `style.css`.

use crate::outcome::{FrameGaps, HoldReport};
use crate::report::quantity::{self, COVERAGE_95};
use crate::report::sentence;
use crate::types::Station;
use maud::{html, Markup};

const WIDTH: f64 = 400.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 390.0;
const TOP: f64 = 22.0;

/// A coordinate, to a tenth of a unit.
pub(crate) fn c(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// An axis that maps `from`–`to` onto `at_from`–`at_to`.
struct Axis {
    from: f64,
    to: f64,
    at_from: f64,
    at_to: f64,
}

impl Axis {
    fn at(&self, value: f64) -> f64 {
        self.at_from + (value - self.from) / (self.to - self.from) * (self.at_to - self.at_from)
    }

    /// Ticks at 1, 2 or 5 times a power of ten, at most `most` intervals.
    fn ticks(&self, most: f64) -> (Vec<f64>, i32) {
        let rough = (self.to - self.from) / most;
        let power = rough.log10().floor();
        let (mut step, mut places) = (10f64.powf(power), -power as i32);
        for factor in [2.0, 5.0, 10.0] {
            if step >= rough {
                break;
            }
            step = factor * 10f64.powf(power);
            if factor == 10.0 {
                places -= 1;
            }
        }
        let first = (self.from / step - 1e-9).ceil() as i64;
        let last = (self.to / step + 1e-9).floor() as i64;
        ((first..=last).map(|i| i as f64 * step).collect(), places.max(0))
    }
}

/// The tolerance that the hold's checks set at `station`: the tightest of its part, where a check speaks of it.
pub(crate) fn tolerance_at(hold: &HoldReport, station: Station) -> Option<f64> {
    let heel = station == Station::Heel;
    hold.findings
        .iter()
        .filter(|f| (f.station == Station::Heel) == heel)
        .map(|f| f.tolerance_mm)
        .min_by(f64::total_cmp)
}

/// The calf station that the chart over time follows: the likeliest over the tolerance in the hold as a whole, one station throughout, since taking the worst of
/// each frame anew would read high.
pub(crate) fn calf_station(hold: &HoldReport) -> Station {
    hold.gaps
        .iter()
        .filter(|g| g.station != Station::Heel)
        .max_by(|a, b| {
            a.over_tolerance_probability
                .total_cmp(&b.over_tolerance_probability)
                .then(a.gap_mm.total_cmp(&b.gap_mm))
        })
        .map_or(Station::Calf50, |g| g.station)
}

fn gap_axis_marks(axis: &Axis) -> Markup {
    let (ticks, places) = axis.ticks(6.0);
    html! {
        @for tick in ticks {
            @let y = c(axis.at(tick));
            line class=(if tick == 0.0 { "carpet-line" } else { "grid-line" }) x1=(c(LEFT)) x2=(c(RIGHT)) y1=(y) y2=(y) {}
            text class="tick" x=(c(LEFT - 6.0)) y=(c(axis.at(tick) + 4.5)) text-anchor="end" { (quantity::rounded(tick, places)) }
        }
        text class="tick" x="4" y="12" { "mm off the carpet" }
        @if axis.from < 0.0 {
            rect class="under-carpet" x=(c(LEFT)) width=(c(RIGHT - LEFT)) y=(c(axis.at(0.0))) height=(c(axis.at_from - axis.at(0.0))) {}
        }
    }
}

/// The tolerance lines over a span of stations or time, one for each part that has its own.
fn tolerance_line(axis: &Axis, from_x: f64, to_x: f64, tolerance: Option<f64>) -> Markup {
    html! {
        @if let Some(tolerance) = tolerance {
            @let y = c(axis.at(tolerance));
            line class="tolerance" x1=(c(from_x)) x2=(c(to_x)) y1=(y) y2=(y) {}
        }
    }
}

/// `tolerance 15 mm`, or one for the calf and one for the heel.
pub(crate) fn tolerance_words(hold: &HoldReport) -> String {
    match (tolerance_at(hold, Station::Calf50), tolerance_at(hold, Station::Heel)) {
        (Some(calf), Some(heel)) if calf == heel => {
            format!("tolerance {}", quantity::millimetres(calf))
        }
        (Some(calf), Some(heel)) => format!(
            "tolerance {} (knee to ankle), {} (heel)",
            quantity::millimetres(calf),
            quantity::millimetres(heel)
        ),
        (Some(calf), None) => format!("tolerance {} (knee to ankle; none set for the heel)", quantity::millimetres(calf)),
        (None, Some(heel)) => format!("tolerance {} (heel; none set for knee to ankle)", quantity::millimetres(heel)),
        (None, None) => "no tolerance set".to_owned(),
    }
}

/// Gap along the leg: one 95 % bar a station.
pub(crate) fn profile(hold: &HoldReport) -> Markup {
    let bottom = 232.0;
    let lower = hold.gaps.iter().map(|g| g.gap_mm - COVERAGE_95 * g.sd_mm).fold(-4.0, f64::min);
    let upper = hold
        .gaps
        .iter()
        .map(|g| g.gap_mm + COVERAGE_95 * g.sd_mm)
        .chain(hold.findings.iter().map(|f| 1.4 * f.tolerance_mm))
        .fold(10.0, f64::max);
    let room = 0.04 * (upper - lower);
    let axis = Axis {
        from: lower - room,
        to: upper + room,
        at_from: bottom,
        at_to: TOP,
    };
    let slot = (RIGHT - LEFT) / hold.gaps.len().max(1) as f64;
    let x = |i: usize| LEFT + (i as f64 + 0.5) * slot;
    let label = format!(
        "Gap along the leg with 95 % bars, {}: {}.",
        tolerance_words(hold),
        hold.gaps
            .iter()
            .map(|g| format!("{} {}", sentence::place(g.station), quantity::with_unit(g.gap_mm, g.sd_mm, "mm")))
            .collect::<Vec<_>>()
            .join("; ")
    );
    html! {
        svg class="chart" role="img" aria-label=(label) viewBox=(format!("0 0 {WIDTH} 276")) {
            (gap_axis_marks(&axis))
            @for (i, gap) in hold.gaps.iter().enumerate() {
                (tolerance_line(&axis, x(i) - 0.5 * slot, x(i) + 0.5 * slot, tolerance_at(hold, gap.station)))
            }
            polyline class="profile" points=(hold.gaps.iter().enumerate().map(|(i, g)| format!("{},{}", c(x(i)), c(axis.at(g.gap_mm)))).collect::<Vec<_>>().join(" ")) {}
            @for (i, gap) in hold.gaps.iter().enumerate() {
                @let (low, high) = (axis.at(gap.gap_mm - COVERAGE_95 * gap.sd_mm), axis.at(gap.gap_mm + COVERAGE_95 * gap.sd_mm));
                path class="bar" d=(format!("M{x},{l}V{h}M{a},{l}H{b}M{a},{h}H{b}", x = c(x(i)), l = c(low), h = c(high), a = c(x(i) - 6.0), b = c(x(i) + 6.0))) {}
                circle class=(if gap.over_tolerance_probability > 0.5 { "point over" } else { "point" }) cx=(c(x(i))) cy=(c(axis.at(gap.gap_mm))) r="5" {}
                text class="tick" x=(c(x(i))) y=(c(bottom + 18.0)) text-anchor="middle" { (station_tick(gap.station)) }
            }
            @let first = hold.gaps.iter().position(|g| matches!(g.station, Station::Calf25 | Station::Calf50 | Station::Calf75));
            @let last = hold.gaps.iter().rposition(|g| matches!(g.station, Station::Calf25 | Station::Calf50 | Station::Calf75));
            @if let (Some(first), Some(last)) = (first, last) {
                path class="bracket" d=(format!("M{},{y}v4H{}v-4", c(x(first) - 0.4 * slot), c(x(last) + 0.4 * slot), y = c(bottom + 24.0))) {}
                text class="tick" x=(c(0.5 * (x(first) + x(last)))) y=(c(bottom + 41.0)) text-anchor="middle" { "calf, from the knee down" }
            }
        }
    }
}

const fn station_tick(station: Station) -> &'static str {
    match station {
        Station::Knee => "knee",
        Station::Calf25 => "25\u{a0}%",
        Station::Calf50 => "50\u{a0}%",
        Station::Calf75 => "75\u{a0}%",
        Station::Ankle => "ankle",
        Station::Heel => "heel",
    }
}

/// What the chart over time shows beside its curves.
pub(crate) struct OverTime {
    /// The SVG.
    pub(crate) chart: Markup,
    /// The calf station followed.
    pub(crate) calf: Station,
    /// Whether a curve leaves the chart at the top.
    pub(crate) cut_off: bool,
}

/// Gap over time around the hold; `None` where there are not two frames.
pub(crate) fn over_time(hold: &HoldReport, number: usize) -> Option<OverTime> {
    let frames = &hold.frames;
    let (first, last) = (frames.first()?, frames.last()?);
    if last.time_s <= first.time_s {
        return None;
    }
    let calf = calf_station(hold);
    let shown = [calf, Station::Heel];
    let highest = |in_hold_only: bool| {
        frames
            .iter()
            .filter(|f| f.in_hold || !in_hold_only)
            .flat_map(|f| shown.map(|s| f.gap_mm[s.index()] + COVERAGE_95 * f.sd_mm[s.index()]))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let tolerance = hold.findings.iter().map(|f| f.tolerance_mm).fold(5.0, f64::max);
    // Before and after the hold the leg may be a long way up; the hold itself must stay readable.
    let limit = (1.6 * highest(true)).max(2.5 * tolerance);
    let upper = highest(false).min(limit).max(1.4 * tolerance);
    let cut_off = highest(false) > limit;
    let lower = frames
        .iter()
        .filter(|f| f.in_hold)
        .flat_map(|f| shown.map(|s| f.gap_mm[s.index()] - COVERAGE_95 * f.sd_mm[s.index()]))
        .fold(-4.0, f64::min)
        .max(-limit);
    let bottom = 216.0;
    let room = 0.04 * (upper - lower);
    let y = Axis {
        from: lower - room,
        to: upper + room,
        at_from: bottom,
        at_to: TOP,
    };
    let x = Axis {
        from: first.time_s,
        to: last.time_s,
        at_from: LEFT,
        at_to: RIGHT,
    };
    let (ticks, places) = x.ticks(6.0);
    let (hold_from, hold_to) = (x.at(hold.start_s).clamp(LEFT, RIGHT), x.at(hold.end_s).clamp(LEFT, RIGHT));
    let clip_id = format!("time-{number}");
    let label = format!(
        "Gap over time with 95 % bands: {} and inner heel, from {} to {}, the hold from {} to {} shaded.",
        sentence::place(calf),
        quantity::seconds(first.time_s),
        quantity::seconds(last.time_s),
        quantity::seconds(hold.start_s),
        quantity::seconds(hold.end_s)
    );
    let chart = html! {
        svg class="chart" role="img" aria-label=(label) viewBox=(format!("0 0 {WIDTH} 258")) {
            clipPath id=(clip_id) { rect x=(c(LEFT)) y=(c(TOP)) width=(c(RIGHT - LEFT)) height=(c(bottom - TOP)) {} }
            rect class="hold" x=(c(hold_from)) y=(c(TOP)) width=(c(hold_to - hold_from)) height=(c(bottom - TOP)) {}
            (gap_axis_marks(&y))
            path class="hold-edge" d=(format!("M{a},{TOP}V{b}M{d},{TOP}V{b}", a = c(hold_from), b = c(bottom), d = c(hold_to))) {}
            text class="tick" x=(c((0.5 * (hold_from + hold_to)).clamp(150.0, RIGHT - 20.0))) y="12" text-anchor="middle" { "hold" }
            @for tick in ticks {
                path class="axis" d=(format!("M{},{}v5", c(x.at(tick)), c(bottom))) {}
                text class="tick" x=(c(x.at(tick).min(RIGHT - 6.0))) y=(c(bottom + 19.0)) text-anchor="middle" { (quantity::rounded(tick, places)) }
            }
            text class="tick" x=(c(0.5 * (LEFT + RIGHT))) y=(c(bottom + 37.0)) text-anchor="middle" { "time, s" }
            g clip-path=(format!("url(#{clip_id})")) {
                (tolerance_line(&y, LEFT, RIGHT, tolerance_at(hold, Station::Calf50)))
                (tolerance_line(&y, LEFT, RIGHT, tolerance_at(hold, Station::Heel)))
                @for run in runs(frames) {
                    (series(run, calf, "calf", &x, &y))
                    (series(run, Station::Heel, "heel", &x, &y))
                }
            }
        }
    };
    Some(OverTime { chart, calf, cut_off })
}

/// Stretches without a gap in time: a line is not drawn over frames that are missing.
fn runs(frames: &[FrameGaps]) -> Vec<&[FrameGaps]> {
    let mut steps: Vec<f64> = frames.windows(2).map(|p| p[1].time_s - p[0].time_s).collect();
    steps.sort_by(f64::total_cmp);
    let usual = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
    frames.chunk_by(|a, b| b.time_s - a.time_s <= 3.5 * usual).collect()
}

fn series(frames: &[FrameGaps], station: Station, class: &str, x: &Axis, y: &Axis) -> Markup {
    let i = station.index();
    let far = 20.0 * (y.to - y.from);
    let at = |f: &FrameGaps, offset: f64| {
        format!(
            "{},{}",
            c(x.at(f.time_s)),
            c(y.at((f.gap_mm[i] + offset * f.sd_mm[i]).clamp(-far, far)))
        )
    };
    let upper = frames.iter().map(|f| at(f, COVERAGE_95));
    let lower = frames.iter().rev().map(|f| at(f, -COVERAGE_95));
    let band = upper.chain(lower).collect::<Vec<_>>().join(" ");
    let line = frames.iter().map(|f| at(f, 0.0)).collect::<Vec<_>>().join(" ");
    html! {
        polygon class=(format!("band {class}")) points=(band) {}
        polyline class=(format!("series {class}")) points=(line) {}
    }
}

/// A sample of a line style or a mark for a legend.
pub(crate) fn swatch(kind: &str) -> Markup {
    html! {
        svg class="swatch" aria-hidden="true" viewBox="0 0 34 14" {
            @match kind {
                "bar" => { path class="bar" d="M17,1V13M12,1H22M12,13H22" {} }
                "over" => { circle class="point over" cx="17" cy="7" r="5" {} }
                "within" => { circle class="point" cx="17" cy="7" r="5" {} }
                "tolerance" => { line class="tolerance" x1="1" x2="33" y1="7" y2="7" {} }
                "hold" => { rect class="hold" x="3" y="1" width="28" height="12" {} path class="hold-edge" d="M3,1V13M31,1V13" {} }
                "carpet" => { line class="carpet-line" x1="1" x2="33" y1="3" y2="3" {} rect class="under-carpet" x="1" y="3" width="32" height="10" {} }
                series => { polygon class=(format!("band {series}")) points="1,2 33,2 33,12 1,12" {} line class=(format!("series {series}")) x1="1" x2="33" y1="7" y2="7" {} }
            }
        }
    }
}

/// The smallest lift that the view can show, as a bar for calf and heel against the tolerance.
pub(crate) fn smallest_lift(hold: &HoldReport) -> Markup {
    let rows = [("knee to ankle", Station::Calf50), ("heel", Station::Heel)];
    let lifts = rows.map(|(_, s)| sentence::of_part(&hold.view.smallest_lift_mm, s));
    let tolerances = rows.map(|(_, s)| tolerance_at(hold, s));
    let longest = lifts
        .iter()
        .copied()
        .chain(tolerances.iter().flatten().map(|t| 1.3 * t))
        .fold(10.0, f64::max);
    let x = Axis {
        from: 0.0,
        to: longest,
        at_from: 108.0,
        at_to: 380.0,
    };
    let words = |i: usize| {
        let verdict = if sentence::of_part(&hold.view.can_tell, rows[i].1) {
            "can tell"
        } else {
            "cannot tell"
        };
        format!("from about {}: {verdict}", quantity::limit_mm(lifts[i]))
    };
    let label = format!(
        "Smallest lift this view can show. Knee to ankle {}. Heel {}. {}.",
        words(0),
        words(1),
        tolerance_words(hold)
    );
    html! {
        svg class="chart" role="img" aria-label=(label) viewBox=(format!("0 0 {WIDTH} 104")) {
            @for (i, (name, station)) in rows.iter().enumerate() {
                @let top = 4.0 + 50.0 * i as f64;
                text class="tick" x="100" y=(c(top + 16.0)) text-anchor="end" { (name) }
                rect class=(if sentence::of_part(&hold.view.can_tell, *station) { "lift" } else { "lift blind" }) x="108" y=(c(top)) width=(c(x.at(lifts[i].clamp(0.0, longest)) - 108.0)) height="22" {}
                @if let Some(tolerance) = tolerances[i] {
                    path class="tolerance" d=(format!("M{},{}v28", c(x.at(tolerance)), c(top - 3.0))) {}
                }
                text class="tick" x="108" y=(c(top + 38.0)) { (words(i)) }
            }
        }
    }
}
