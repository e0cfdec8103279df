//! The columns of every table.

use crate::pose::track::LEG_POINT_NAMES;
use crate::table::{Field, Kind};
use crate::types::Station;

/// A table: its name, what a row is, its columns, and those that tell rows apart.
pub(super) struct Layout {
    pub name: &'static str,
    pub description: &'static str,
    pub fields: Vec<Field>,
    pub key: &'static [&'static str],
}

fn stations() -> Vec<&'static str> {
    Station::ALL.iter().map(|s| s.key()).collect()
}

fn text(name: &str, description: &str) -> Field {
    Field::new(name, Kind::Text, description)
}

fn number(name: &str, description: &str) -> Field {
    Field::new(name, Kind::Number, description)
}

fn whole(name: &str, description: &str) -> Field {
    Field::new(name, Kind::Integer, description)
}

fn sd(name: &str, description: &str) -> Field {
    number(name, description).between(Some(0.0), None)
}

fn probability(name: &str, description: &str) -> Field {
    number(name, description).between(Some(0.0), Some(1.0))
}

fn recording() -> Field {
    text(
        "recording",
        "Path of the recording as given; a backslash in it is written \\\\ and a byte that is not UTF-8 \\xNN.",
    )
    .required()
}

fn hold() -> Field {
    whole("hold", "Number of the hold in the recording, from 1.")
        .required()
        .between(Some(1.0), None)
}

fn frame() -> Field {
    whole("frame", "Position of the frame among the delivered frames, from 0.")
        .required()
        .between(Some(0.0), None)
}

fn time() -> Field {
    number("time_s", "The frame's presentation time from the recording's first frame, seconds.").required()
}

fn station(name: &str) -> Field {
    text(
        name,
        "Place along the inner side of the kneeling lower leg: knee, 25, 50 and 75 % of the shank, ankle, heel.",
    )
    .required()
    .one_of(&stations())
}

pub(super) fn holds() -> Layout {
    Layout {
        name: "holds",
        description: "One row per hold and station: the gap of the whole hold, from all its frames, geometry and picture joined.",
        key: &["recording", "hold", "station"],
        fields: vec![
            recording(),
            hold(),
            number("start_s", "Start of the hold, seconds.").required(),
            number("end_s", "End of the hold, seconds; equal to the start for a photograph.").required(),
            text(
                "stillness",
                "Whether the recording shows that the athlete was still; a photograph cannot.",
            )
            .required()
            .one_of(&["shown", "not_shown"]),
            text("kneeling_leg", "The athlete's kneeling leg.")
                .required()
                .one_of(&["left", "right"]),
            probability("kneeling_leg_probability", "Probability that this leg kneels.").required(),
            station("station"),
            number(
                "gap_mm",
                "Height of the inner surface over the carpet beyond the natural hollow, mm; slightly negative by error.",
            )
            .required(),
            sd("gap_sd_mm", "Its standard deviation, mm.").required(),
            number(
                "natural_hollow_mm",
                "Natural hollow at this station, already taken off the gap, mm.",
            )
            .required(),
            probability(
                "over_tolerance_probability",
                "Probability that the gap exceeds the rule profile's tolerance.",
            )
            .required(),
            number(
                "shank_angle_deg",
                "Angle of the shank over the carpet, degrees; positive with the ankle higher than the knee.",
            )
            .required(),
            sd("shank_angle_sd_deg", "Its standard deviation, degrees.").required(),
            number("shank_length_mm", "Shank length used, mm.").required(),
            sd("shank_length_sd_mm", "Its standard deviation, mm.").required(),
            number(
                "view_elevation_deg",
                "Elevation of the camera over the carpet seen from the leg, degrees.",
            )
            .required(),
            number(
                "view_azimuth_deg",
                "Azimuth of the view about the vertical relative to the shank, degrees: 0 along the shank, ±90 square to it.",
            )
            .required(),
            number(
                "smallest_lift_mm",
                "The gap at this part of the leg that this view would show nine times in ten by the stated uncertainty, at the chosen confidence, mm.",
            )
            .required(),
            Field::new("can_tell", Kind::Boolean, "Whether that is within the tolerance.").required(),
            text("floor_source", "Where the floor came from.")
                .required()
                .one_of(&["marks", "sheet", "lines", "body", "none"]),
            text("call", "The call on the stance.")
                .required()
                .one_of(&["clear", "suspected", "cannot_tell"]),
            text("made_by", "Program, networks and rule profile by version and hash.").required(),
        ],
    }
}

pub(super) fn stations_table() -> Layout {
    Layout {
        name: "frames",
        description: "One row per frame and station, in each hold and a second either side.",
        key: &["recording", "hold", "frame", "station"],
        fields: vec![
            recording(),
            hold(),
            frame(),
            time(),
            Field::new("in_hold", Kind::Boolean, "Whether the frame lies in the hold.").required(),
            text("kneeling_leg", "The athlete's kneeling leg.").required().one_of(&["left", "right"]),
            station("station"),
            number("gap_mm", "Gap read from the picture in this frame alone, natural hollow taken off, mm.").required(),
            sd("gap_sd_mm", "Its standard deviation, mm. Frames share most of their error: a mean over frames is hardly surer than one frame.").required(),
            number("surface_u_px", "The inner surface at this station in the upright frame, pixels to the right of the left edge."),
            number("surface_v_px", "The same, pixels below the top edge."),
            sd("surface_uu_px2", "Variance of surface_u_px, px²."),
            number("surface_uv_px2", "Covariance of surface_u_px and surface_v_px, px²."),
            sd("surface_vv_px2", "Variance of surface_v_px, px²."),
            probability("surface_visibility", "Probability that the point is in view and not hidden."),
            Field::new("leg_fitted", Kind::Boolean, "Whether the leg's points of this frame could be fitted to the carpet."),
            number("carpet_x_m", "The fitted inner surface in the carpet frame (Z up, Z = 0 on the carpet; X and Y along the marks where there are marks), metres."),
            number("carpet_y_m", "The same, second carpet axis, metres."),
            number("carpet_z_m", "The same, height over the carpet, metres; natural hollow not taken off."),
            sd("carpet_z_sd_m", "Standard deviation of carpet_z_m as the fit of this frame states it, camera included, metres."),
            sd("fit_residual_rms", "Root mean square of the fit's whitened image residuals; about 1 where points and covariances agree."),
            probability("stance_probability", "Probability by the lower-leg network that the cut-out holds a kneeling lower leg."),
            number("view_elevation_deg", "Elevation of the camera over the carpet as read in this frame, degrees."),
            sd("view_elevation_sd_deg", "Its standard deviation, degrees."),
            number("view_azimuth_deg", "Azimuth of the view relative to the shank as read in this frame, degrees."),
        ],
    }
}

pub(super) fn hold_covariance() -> Layout {
    Layout {
        name: "hold_covariance",
        description: "One row per hold and pair of stations: covariance of the hold's gaps along the leg.",
        key: &["recording", "hold", "station", "other_station"],
        fields: vec![
            recording(),
            hold(),
            station("station"),
            station("other_station"),
            number("covariance_mm2", "Covariance of gap_mm (table holds) at the two stations, mm².").required(),
        ],
    }
}

pub(super) fn frame_covariance() -> Layout {
    Layout {
        name: "frame_covariance",
        description: "One row per frame and pair of stations: covariance of the frame's gaps along the leg.",
        key: &["recording", "hold", "frame", "station", "other_station"],
        fields: vec![
            recording(),
            hold(),
            frame(),
            time(),
            station("station"),
            station("other_station"),
            number("covariance_mm2", "Covariance of gap_mm (table frames) at the two stations, mm².").required(),
        ],
    }
}

pub(super) fn keypoints() -> Layout {
    Layout {
        name: "keypoints",
        description: "One row per frame and keypoint, over the whole recording: the general network's 33 body landmarks and the lower-leg network's 15 points.",
        key: &["recording", "frame", "network", "keypoint"],
        fields: vec![
            recording(),
            frame(),
            time(),
            text("network", "Which network saw it.").required().one_of(&["body", "lower_leg"]),
            text(
                "keypoint",
                &format!(
                    "Name of the point. Lower leg: {}. Body: the landmark's number in the general network's order, with its name where it has one.",
                    LEG_POINT_NAMES.join(", ")
                ),
            )
            .required(),
            number("u_px", "Pixels to the right of the upright frame's left edge.").required(),
            number("v_px", "Pixels below its top edge.").required(),
            sd("uu_px2", "Variance of u_px, px².").required(),
            number("uv_px2", "Covariance of u_px and v_px, px².").required(),
            sd("vv_px2", "Variance of v_px, px².").required(),
            probability("visibility", "Probability that the point is in view and not hidden.").required(),
            number("hips_x_m", "Body landmarks only: about the middle of the hips, axes as the camera's (right), metres for a body of the network's own typical size."),
            number("hips_y_m", "The same, down."),
            number("hips_z_m", "The same, away from the camera."),
        ],
    }
}
