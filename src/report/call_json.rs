//! `call.json`: the answer for programs, described by `docs/call.schema.json`.

use crate::error::{Error, Result};
use crate::outcome::Outcome;
use serde_json::Value;

/// The whole file. JSON has no word for a number that is not finite, and `null` in its place would break the schema, so that is an error.
pub(crate) fn bytes(outcome: &Outcome) -> Result<Vec<u8>> {
    bytes_of(outcome, outcome)
}

/// The same for an answer that holds `outcome` and more.
pub(crate) fn bytes_of(answer: &impl serde::Serialize, outcome: &Outcome) -> Result<Vec<u8>> {
    let value = serde_json::to_value(answer).map_err(|e| Error::ours(format!("The answer could not be written as JSON: {e}.")))?;
    if let Some(path) = first_unexpected_null(&value, &mut Vec::new()).or_else(|| optional_not_finite(outcome)) {
        return Err(Error::ours(format!(
            "The answer holds a number at {path} that is not finite, so no report was written; this is a fault of the program, please report it with the recording."
        )));
    }
    let mut bytes = serde_json::to_vec_pretty(answer).map_err(|e| Error::ours(format!("The answer could not be written as JSON: {e}.")))?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// Fields that may be absent and then read `null`.
const MAY_BE_NULL: [&str; 29] = [
    "sheet",
    "lines",
    "camera_motion",
    "residual_px",
    "frames_registered",
    "frames_moving",
    "frames_expected",
    "camera_elevation_deg",
    "camera_elevation_sd_deg",
    "camera_height_m",
    "camera_height_sd_m",
    "camera_distance_m",
    "camera_distance_sd_m",
    "focal_px",
    "focal_sd_px",
    "start_s",
    "end_s",
    "factor_sd",
    "landing",
    "turn",
    "required_deg",
    "heading_error_deg",
    "still_from_s",
    "range_s",
    "alignment",
    "motion",
    "sound",
    "contradiction",
    "view",
];

/// Lists of a joined answer with one place a view, `null` where the view has nothing to say.
const ONE_A_VIEW: [&str; 2] = ["holds", "shown"];

fn first_unexpected_null(value: &Value, path: &mut Vec<String>) -> Option<String> {
    match value {
        Value::Null => {
            let absent = path.first().is_some_and(|p| p == "joins") && path.len() == 4 && ONE_A_VIEW.contains(&path[2].as_str());
            (!absent).then(|| path.join("."))
        }
        Value::Array(items) => items.iter().enumerate().find_map(|(i, item)| {
            path.push(i.to_string());
            let found = first_unexpected_null(item, path);
            path.pop();
            found
        }),
        Value::Object(fields) => fields.iter().find_map(|(key, item)| {
            // Start and end of a hold, a repetition and of what is in it are not optional.
            let timed = matches!(path.first().map(String::as_str), Some("holds" | "repetitions"));
            if item.is_null() && MAY_BE_NULL.contains(&key.as_str()) && !(timed && ["start_s", "end_s"].contains(&key.as_str())) {
                return None;
            }
            path.push(key.clone());
            let found = first_unexpected_null(item, path);
            path.pop();
            found
        }),
        _ => None,
    }
}

/// The optional numbers, where `null` alone does not tell "absent" from "not finite".
fn optional_not_finite(outcome: &Outcome) -> Option<String> {
    let floor = &outcome.floor;
    let floor_fields = [
        ("camera_elevation_deg", floor.camera_elevation_deg),
        ("camera_elevation_sd_deg", floor.camera_elevation_sd_deg),
        ("camera_height_m", floor.camera_height_m),
        ("camera_height_sd_m", floor.camera_height_sd_m),
        ("camera_distance_m", floor.camera_distance_m),
        ("camera_distance_sd_m", floor.camera_distance_sd_m),
        ("focal_px", floor.focal_px),
        ("focal_sd_px", floor.focal_sd_px),
    ];
    let bad = |v: Option<f64>| v.is_some_and(|v| !v.is_finite());
    floor_fields
        .iter()
        .find(|(_, v)| bad(*v))
        .map(|(name, _)| format!("floor.{name}"))
        .or_else(|| {
            let at = outcome.repetitions.iter().position(|r| {
                let turn = r.turn.as_ref();
                bad(r.slow_motion.factor_sd)
                    || bad(r.rest.still_from_s)
                    || bad(turn.and_then(|t| t.required_deg))
                    || bad(turn.and_then(|t| t.heading_error_deg))
            })?;
            Some(format!("repetitions.{at}"))
        })
        .or_else(|| {
            let at = outcome.not_judged.iter().position(|n| bad(n.start_s) || bad(n.end_s))?;
            Some(format!("not_judged.{at}"))
        })
}
