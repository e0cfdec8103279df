//! The rows of every table, from one recording's answer and track.

use super::files::Source;
use crate::check::hold_report::{fit_frame, picture_profile};
use crate::check::size::{from_stature, ShankLength};
use crate::error::Result;
use crate::leg::fit::LegFit;
use crate::leg::fuse::FusionErrors;
use crate::leg::shape::{LegShape, STATION_POINTS};
use crate::outcome::{HoldReport, Stillness};
use crate::pose::track::{LegReading, PoseFrame, LEG_POINT_NAMES};
use crate::report::of_part;
use crate::table::{Cell, TableWriter};
use crate::types::{Keypoint, Station};

/// A frame of a hold with what was read and fitted there.
pub(super) struct Seen<'a> {
    pub reading: &'a LegReading,
    pub fit: Option<LegFit>,
}

/// The frame at `index` among the delivered frames, with the leg fitted by the hold's camera.
pub(super) fn seen<'a>(source: &'a Source, hold_at: usize, index: u64, shape: &LegShape) -> Option<Seen<'a>> {
    let frames = &source.track.as_ref()?.frames;
    let at = frames.binary_search_by_key(&index, |f| f.index).ok()?;
    let hold = &source.outcome.holds[hold_at];
    let reading = frames[at].lower_leg.as_ref().filter(|l| l.leg == hold.kneeling_leg)?;
    let fit = source
        .cameras
        .get(hold_at)
        .and_then(|camera| fit_frame(camera, shape, from_stature(source.stature_m), reading, hold.kneeling_leg));
    Some(Seen { reading, fit })
}

pub(super) fn holds(source: &Source, table: &mut TableWriter) -> Result<()> {
    let outcome = &source.outcome;
    for (k, hold) in outcome.holds.iter().enumerate() {
        for g in &hold.gaps {
            table.row(vec![
                Cell::text(&source.recording),
                Cell::Integer(k as i64 + 1),
                Cell::Number(hold.start_s),
                Cell::Number(hold.end_s),
                Cell::text(match hold.stillness {
                    Stillness::Shown => "shown",
                    Stillness::NotShown => "not_shown",
                }),
                Cell::text(hold.kneeling_leg.name()),
                Cell::Number(hold.kneeling_leg_confidence),
                Cell::text(g.station.key()),
                Cell::Number(g.gap_mm),
                Cell::Number(g.sd_mm),
                Cell::Number(g.natural_hollow_mm),
                Cell::Number(g.over_tolerance_probability),
                Cell::Number(hold.shank_angle_deg),
                Cell::Number(hold.shank_angle_sd_deg),
                Cell::Number(hold.shank_length_mm),
                Cell::Number(hold.shank_length_sd_mm),
                Cell::Number(hold.view.elevation_deg),
                Cell::Number(hold.view.azimuth_deg),
                Cell::Number(of_part(&hold.view.smallest_lift_mm, g.station)),
                Cell::Boolean(of_part(&hold.view.can_tell, g.station)),
                Cell::word(&outcome.floor.source),
                Cell::word(&hold.call),
                Cell::text(outcome.made_by.line()),
            ])?;
        }
    }
    Ok(())
}

pub(super) fn frames(source: &Source, shape: &LegShape, table: &mut TableWriter) -> Result<()> {
    for (k, hold) in source.outcome.holds.iter().enumerate() {
        for frame in &hold.frames {
            let seen = seen(source, k, frame.index, shape);
            for s in Station::ALL {
                let i = s.index();
                let surface: Option<&Keypoint> = seen.as_ref().map(|x| &x.reading.points[STATION_POINTS[i]]);
                let fit = seen.as_ref().and_then(|x| x.fit.as_ref());
                let reading = seen.as_ref().map(|x| x.reading);
                let at = fit.map(|f| f.points[STATION_POINTS[i]]);
                table.row(vec![
                    Cell::text(&source.recording),
                    Cell::Integer(k as i64 + 1),
                    Cell::Integer(frame.index as i64),
                    Cell::Number(frame.time_s),
                    Cell::Boolean(frame.in_hold),
                    Cell::text(hold.kneeling_leg.name()),
                    Cell::text(s.key()),
                    Cell::Number(frame.gap_mm[i]),
                    Cell::Number(frame.sd_mm[i]),
                    Cell::number(surface.map(|p| p.at.u)),
                    Cell::number(surface.map(|p| p.at.v)),
                    Cell::number(surface.map(|p| p.covariance.uu)),
                    Cell::number(surface.map(|p| p.covariance.uv)),
                    Cell::number(surface.map(|p| p.covariance.vv)),
                    Cell::number(surface.map(|p| p.visibility)),
                    seen.as_ref().map_or(Cell::Missing, |x| Cell::Boolean(x.fit.is_some())),
                    Cell::number(at.map(|p| p.x)),
                    Cell::number(at.map(|p| p.y)),
                    Cell::number(at.map(|p| p.z)),
                    Cell::number(fit.map(|f| f.profile.sd_mm(s) / 1000.0)),
                    Cell::number(fit.map(|f| f.residual_rms)),
                    Cell::number(reading.map(|l| l.present)),
                    Cell::number(reading.map(|l| l.elevation_rad.to_degrees())),
                    Cell::number(reading.map(|l| l.elevation_sd_rad.to_degrees())),
                    Cell::number(reading.map(|l| l.azimuth_rad.to_degrees())),
                ])?;
            }
        }
    }
    Ok(())
}

pub(super) fn hold_covariance(source: &Source, table: &mut TableWriter) -> Result<()> {
    for (k, hold) in source.outcome.holds.iter().enumerate() {
        for (i, a) in hold.gaps.iter().enumerate() {
            for (j, b) in hold.gaps.iter().enumerate() {
                table.row(vec![
                    Cell::text(&source.recording),
                    Cell::Integer(k as i64 + 1),
                    Cell::text(a.station.key()),
                    Cell::text(b.station.key()),
                    Cell::number(hold.gap_covariance_mm2.get(i).and_then(|row| row.get(j)).copied()),
                ])?;
            }
        }
    }
    Ok(())
}

fn shank(hold: &HoldReport) -> ShankLength {
    ShankLength {
        mean_m: hold.shank_length_mm / 1000.0,
        sd_m: hold.shank_length_sd_mm / 1000.0,
    }
}

pub(super) fn frame_covariance(source: &Source, shape: &LegShape, errors: &FusionErrors, table: &mut TableWriter) -> Result<()> {
    for (k, hold) in source.outcome.holds.iter().enumerate() {
        for frame in &hold.frames {
            let Some(seen) = seen(source, k, frame.index, shape) else {
                continue;
            };
            let profile = picture_profile(errors, seen.reading, shank(hold));
            for a in Station::ALL {
                for b in Station::ALL {
                    table.row(vec![
                        Cell::text(&source.recording),
                        Cell::Integer(k as i64 + 1),
                        Cell::Integer(frame.index as i64),
                        Cell::Number(frame.time_s),
                        Cell::text(a.key()),
                        Cell::text(b.key()),
                        Cell::Number(profile.covariance_mm2[(a.index(), b.index())]),
                    ])?;
                }
            }
        }
    }
    Ok(())
}

/// Names of the general network's landmarks that have one in [`crate::pose::track::Landmark`].
const BODY_NAMES: [(usize, &str); 21] = [
    (0, "nose"),
    (2, "left_eye"),
    (5, "right_eye"),
    (7, "left_ear"),
    (8, "right_ear"),
    (11, "left_shoulder"),
    (12, "right_shoulder"),
    (13, "left_elbow"),
    (14, "right_elbow"),
    (15, "left_wrist"),
    (16, "right_wrist"),
    (23, "left_hip"),
    (24, "right_hip"),
    (25, "left_knee"),
    (26, "right_knee"),
    (27, "left_ankle"),
    (28, "right_ankle"),
    (29, "left_heel"),
    (30, "right_heel"),
    (31, "left_toe"),
    (32, "right_toe"),
];

fn body_name(k: usize) -> String {
    BODY_NAMES
        .iter()
        .find(|(n, _)| *n == k)
        .map_or_else(|| format!("{k}"), |(_, name)| format!("{k}_{name}"))
}

pub(super) fn keypoints(source: &Source, table: &mut TableWriter) -> Result<()> {
    let frames: &[PoseFrame] = source.track.as_ref().map_or(&[], |t| &t.frames);
    for frame in frames {
        let mut row = |network: &str, name: String, p: &Keypoint, world: Option<&[f64; 3]>| {
            table.row(vec![
                Cell::text(&source.recording),
                Cell::Integer(frame.index as i64),
                Cell::Number(frame.time_s),
                Cell::text(network),
                Cell::text(name),
                Cell::Number(p.at.u),
                Cell::Number(p.at.v),
                Cell::Number(p.covariance.uu),
                Cell::Number(p.covariance.uv),
                Cell::Number(p.covariance.vv),
                Cell::Number(p.visibility),
                Cell::number(world.map(|w| w[0])),
                Cell::number(world.map(|w| w[1])),
                Cell::number(world.map(|w| w[2])),
            ])
        };
        if let Some(body) = &frame.body {
            for (k, p) in body.keypoints().enumerate() {
                row("body", body_name(k), &p, Some(&body.world_m(k)))?;
            }
        }
        if let Some(leg) = &frame.lower_leg {
            for (k, p) in leg.points.iter().enumerate() {
                row(
                    "lower_leg",
                    LEG_POINT_NAMES.get(k).map_or_else(|| k.to_string(), |n| (*n).to_string()),
                    p,
                    None,
                )?;
            }
        }
    }
    Ok(())
}
