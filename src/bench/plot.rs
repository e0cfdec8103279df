//! Plots: reliability of the stated probabilities; coverage and wrong calls by class of view.

use crate::bench::canvas::{Anchor, Canvas, BAND, GRID, INK, LIMIT, MARK};
use crate::bench::markdown::is_whole;
use crate::bench::table::Row;
use crate::error::Result;
use crate::statistics::wilson::Count;

/// Reliability curve of every floor (PNG): share of faults against mean stated probability, with 95 % Wilson intervals; the dashed diagonal is perfect. How many checks fell
/// into each bin is drawn below.
///
/// # Errors
/// [`crate::Error::Ours`] where it cannot be encoded.
pub fn reliability(rows: &[Row]) -> Result<Vec<u8>> {
    let whole: Vec<&Row> = rows.iter().filter(|r| is_whole(r)).collect();
    let (side, left, top, below) = (400.0, 60.0, 60.0, 80.0);
    let panel = side + left + 40.0;
    let mut canvas = Canvas::new(panel * whole.len().max(1) as f64, top + side + below + 70.0);
    for (k, r) in whole.iter().enumerate() {
        let x0 = k as f64 * panel + left;
        let at = |x: f64, y: f64| [x0 + x * side, top + (1.0 - y) * side];
        canvas.text(x0 + side / 2.0, 16.0, Anchor::Middle, &format!("floor: {}", r.floor));
        canvas.text(x0 - left + 8.0, 42.0, Anchor::Start, "share of faults");
        for t in 0..=5 {
            let v = f64::from(t) / 5.0;
            canvas.line(at(0.0, v), at(1.0, v), 1, false, GRID);
            canvas.line(at(v, 0.0), at(v, 1.0), 1, false, GRID);
            canvas.text(at(0.0, v)[0] - 8.0, at(0.0, v)[1], Anchor::End, &format!("{v:.1}"));
            canvas.text(at(v, 0.0)[0], at(v, 0.0)[1] + 16.0, Anchor::Middle, &format!("{v:.1}"));
        }
        canvas.line(at(0.0, 0.0), at(1.0, 1.0), 2, true, LIMIT);
        let most = r.reliability.iter().map(|b| b.total).max().unwrap_or(1).max(1) as f64;
        let foot = top + side + below + 20.0;
        for b in r.reliability.iter().filter(|b| b.total > 0) {
            let count = Count {
                of: b.happened,
                total: b.total,
            };
            let [low, high] = count.wilson(0.95);
            let [x, y] = at(b.mean_stated, count.share().unwrap_or(0.0));
            canvas.line([x, at(0.0, low)[1]], [x, at(0.0, high)[1]], 3, false, MARK);
            canvas.disc(x, y, 6.0, MARK);
            let height = (below - 30.0) * b.total as f64 / most;
            canvas.rectangle(at(b.low, 0.0)[0] + 2.0, foot - height, (b.high - b.low) * side - 4.0, height, MARK);
        }
        canvas.line([x0, foot], [x0 + side, foot], 1, false, INK);
        canvas.text(
            x0 + side / 2.0,
            foot + 16.0,
            Anchor::Middle,
            "stated probability of a fault; below: checks",
        );
        canvas.text(
            x0 + side / 2.0,
            foot + 36.0,
            Anchor::Middle,
            &format!("(tallest bar {most:.0} checks)"),
        );
    }
    canvas.png()
}

/// Coverage of the 95 % interval and wrong confident calls of every class of view (PNG), each with its 95 % Wilson interval. The band is 93 to 97 %, the dashed line 1 % of wrong
/// calls.
///
/// # Errors
/// [`crate::Error::Ours`] where it cannot be encoded.
pub fn classes(rows: &[Row]) -> Result<Vec<u8>> {
    let (label, width, step, top) = (330.0, 320.0, 24.0, 66.0);
    let foot = top + step * rows.len() as f64;
    let (covered_from, wrong_to) = (0.80, 0.06);
    let second = label + width + 60.0;
    let x_covered = |v: f64| label + ((v - covered_from) / (1.0 - covered_from)).clamp(0.0, 1.0) * width;
    let x_wrong = |v: f64| second + (v / wrong_to).clamp(0.0, 1.0) * width;
    let mut canvas = Canvas::new(second + width + 40.0, foot + 20.0);
    canvas.rectangle(x_covered(0.93), top, x_covered(0.97) - x_covered(0.93), foot - top, BAND);
    canvas.text(label + width / 2.0, 18.0, Anchor::Middle, "95 % interval covers, per cent");
    canvas.text(second + width / 2.0, 18.0, Anchor::Middle, "wrong confident calls, per cent");
    for t in 0..=4 {
        let v = covered_from + 0.05 * f64::from(t);
        canvas.line([x_covered(v), top], [x_covered(v), foot], 1, false, GRID);
        canvas.text(x_covered(v), top - 14.0, Anchor::Middle, &format!("{:.0}", 100.0 * v));
    }
    for t in 0..=6 {
        let v = 0.01 * f64::from(t);
        canvas.line([x_wrong(v), top], [x_wrong(v), foot], 1, false, GRID);
        canvas.text(x_wrong(v), top - 14.0, Anchor::Middle, &format!("{:.0}", 100.0 * v));
    }
    canvas.line([x_wrong(0.01), top], [x_wrong(0.01), foot], 2, true, LIMIT);
    for (k, r) in rows.iter().enumerate() {
        let y = top + step * (k as f64 + 0.5);
        let mut words = vec![r.floor.clone()];
        // The bitmap font has no sign for "at most".
        words.extend(
            [&r.elevation, &r.shank, &r.clothing]
                .iter()
                .filter(|w| **w != "all")
                .map(|w| w.split(" (").next().unwrap_or(w).to_string()),
        );
        canvas.text(label - 12.0, y, Anchor::End, &words.join(", "));
        for (count, place) in [(r.covered, &x_covered as &dyn Fn(f64) -> f64), (r.wrong, &x_wrong)] {
            let Some(share) = count.share() else {
                continue;
            };
            let [low, high] = count.wilson(0.95);
            canvas.line([place(low), y], [place(high), y], 3, false, MARK);
            canvas.disc(place(share), y, 5.0, MARK);
        }
    }
    canvas.line([label, foot], [label + width, foot], 1, false, INK);
    canvas.line([second, foot], [second + width, foot], 1, false, INK);
    canvas.png()
}
