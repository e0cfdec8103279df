//! A number with its uncertainty, written for a person.
//!
//! The number after ± is the expanded uncertainty with coverage factor 1.96, an interval that holds 95 % of a normal distribution: the GUM (JCGM 100:2008,
//! 7.2.2) keeps the ± sign for an interval of high confidence, and asks (7.2.6) for at most two significant digits of uncertainty and for the value to be
//! rounded to match. Below 10 a leading 4 to 9 makes one digit enough, as in the Particle Data Group's rule (Review of Particle Physics, introduction, 5.3).

/// Coverage factor of a 95 % interval of the normal distribution.
pub(crate) const COVERAGE_95: f64 = 1.959_964;

/// Decimal places to which a value of expanded uncertainty `expanded` is written; negative means tens, hundreds, and so on.
fn decimals(expanded: f64) -> i32 {
    let exponent = expanded.log10().floor() as i32;
    let leading = expanded / 10f64.powi(exponent);
    let digits = if exponent >= 1 || leading < 3.55 { 2 } else { 1 };
    digits - 1 - exponent
}

/// `value` to `places` decimal places (tens and hundreds for negative places), with a true minus sign and never "−0".
pub(crate) fn rounded(value: f64, places: i32) -> String {
    let unit = 10f64.powi(-places);
    let snapped = if places <= 0 { (value / unit).round() * unit } else { value };
    let text = format!("{:.*}", places.max(0) as usize, snapped);
    let is_zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    match text.strip_prefix('-') {
        Some(digits) if is_zero => digits.to_owned(),
        Some(digits) => format!("\u{2212}{digits}"),
        None => text,
    }
}

/// Value and expanded uncertainty as two texts rounded to match, without a unit.
pub(crate) fn pair(value: f64, sd: f64) -> (String, String) {
    let expanded = COVERAGE_95 * sd;
    if expanded.is_nan() || expanded <= 0.0 {
        return (rounded(value, 1), "0".to_owned());
    }
    let mut places = decimals(expanded);
    // 99.7 becomes 100, which has one digit too many: look again at what the rounding made.
    let unit = 10f64.powi(-places);
    let snapped = (expanded / unit).round() * unit;
    if snapped > 0.0 {
        // A hair more, so that 0.1 is not read as 0.099999.
        places = decimals(snapped * (1.0 + 1e-12)).min(places);
    }
    (rounded(value, places), rounded(expanded, places))
}

/// `31 mm ± 6 mm`, kept on one line.
pub(crate) fn with_unit(value: f64, sd: f64, unit: &str) -> String {
    let (value, expanded) = pair(value, sd);
    let gap = space_before(unit);
    format!("{value}{gap}{unit}\u{a0}±\u{a0}{expanded}{gap}{unit}")
}

/// A no-break space, except before the degree sign of an angle (SI Brochure, 9th edition, 5.4.3).
fn space_before(unit: &str) -> &'static str {
    if unit == "°" {
        ""
    } else {
        "\u{a0}"
    }
}

/// `31 ± 6 mm`, for a label in a picture.
pub(crate) fn compact(value: f64, sd: f64, unit: &str) -> String {
    let (value, expanded) = pair(value, sd);
    if unit == "°" {
        format!("{value}°\u{a0}±\u{a0}{expanded}°")
    } else {
        format!("{value}\u{a0}±\u{a0}{expanded}\u{a0}{unit}")
    }
}

/// A length without an uncertainty of its own (a tolerance, a limit), to 0.1 mm where that digit is not 0.
pub(crate) fn millimetres(value_mm: f64) -> String {
    let text = rounded(value_mm, 1);
    format!("{}\u{a0}mm", text.strip_suffix(".0").unwrap_or(&text))
}

/// A limit known to two significant digits at best, such as the smallest lift a view can show.
pub(crate) fn limit_mm(value_mm: f64) -> String {
    if value_mm <= 0.0 {
        return "0\u{a0}mm".to_owned();
    }
    if value_mm >= 1000.0 {
        // Taller than the leg is long: the number itself says nothing any more.
        return "1\u{a0}m or more".to_owned();
    }
    let exponent = value_mm.log10().floor() as i32;
    format!("{}\u{a0}mm", rounded(value_mm, (1 - exponent).min(0)))
}

/// A time, `2.1 s`.
pub(crate) fn seconds(time_s: f64) -> String {
    format!("{}\u{a0}s", rounded(time_s, 1))
}

/// A probability in per cent that never claims certainty.
pub(crate) fn per_cent(probability: f64) -> String {
    if probability >= 0.995 {
        "over 99\u{a0}%".to_owned()
    } else if probability < 0.005 {
        "under 1\u{a0}%".to_owned()
    } else {
        format!("{:.0}\u{a0}%", 100.0 * probability)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from_expanded(value: f64, expanded: f64) -> (String, String) {
        pair(value, expanded / COVERAGE_95)
    }

    /// Source: JCGM 100:2008, 7.2.6: "if y = 10,057 62 Ω with u = 27 mΩ, y should be rounded to 10,058 Ω".
    #[test]
    fn rounds_as_the_guide_to_uncertainty_does() {
        assert_eq!(from_expanded(10.057_62, 0.027), ("10.058".into(), "0.027".into()));
    }

    /// Source: Particle Data Group, Review of Particle Physics, introduction 5.3 (from memory): 0.827 ± 0.119 is written 0.83 ± 0.12 and 0.827 ± 0.367 is
    /// written 0.8 ± 0.4.
    #[test]
    fn rounds_as_the_particle_data_group_does() {
        assert_eq!(from_expanded(0.827, 0.119), ("0.83".into(), "0.12".into()));
        assert_eq!(from_expanded(0.827, 0.367), ("0.8".into(), "0.4".into()));
    }

    #[test]
    fn never_more_than_two_digits_of_uncertainty() {
        for step in 1..4000 {
            let expanded = 0.003 * 1.0035f64.powi(step);
            let (_, text) = from_expanded(123.456, expanded);
            let digits = text.trim_start_matches(['0', '.']).trim_end_matches('0').replace('.', "");
            assert!(digits.len() <= 2, "{expanded} was written {text}");
            let back: f64 = text.parse().unwrap();
            assert!((back / expanded - 1.0).abs() < 0.15, "{expanded} was written {text}");
        }
    }

    #[test]
    fn signs_and_edges() {
        assert_eq!(from_expanded(-0.2, 5.0), ("0".into(), "5".into()));
        assert_eq!(from_expanded(-3.0, 12.0), ("\u{2212}3".into(), "12".into()));
        assert_eq!(from_expanded(62.0, 99.7), ("60".into(), "100".into()));
        assert_eq!(from_expanded(9.0, 9.96), ("9".into(), "10".into()));
        assert_eq!(per_cent(0.9999), "over 99\u{a0}%");
        assert_eq!(per_cent(0.001), "under 1\u{a0}%");
        assert_eq!(with_unit(4.1, 0.7, "°"), "4.1°\u{a0}±\u{a0}1.4°");
        assert_eq!(millimetres(15.0), "15\u{a0}mm");
        assert_eq!(limit_mm(8.4), "8\u{a0}mm");
        assert_eq!(limit_mm(4200.0), "1\u{a0}m or more");
        assert_eq!(limit_mm(163.0), "160\u{a0}mm");
    }
}
