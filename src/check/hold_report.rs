//! One hold: from its frames to its gaps, its view and its call.

use crate::check::advice;
use crate::check::size::ShankLength;
use crate::floor::body::{self, BodyClues};
use crate::floor::FloorCamera;
use crate::hold::Span;
use crate::leg::combine;
use crate::leg::fit::{LegFit, LegProblem, LegView, Observation};
use crate::leg::fuse::{self, FusionErrors};
use crate::leg::profile::{GapProfile, StationMatrix, StationVector};
use crate::leg::shape::{LegShape, POINT_COUNT, STATION_POINTS};
use crate::outcome::{FloorReport, FloorSource, FrameGaps, HoldReport, StillFrame, Stillness, ViewReport};
use crate::pose::lower_leg::CROP_SIDE_SHANKS;
use crate::pose::track::{LegReading, PoseFrame};
use crate::rules::{judge, RuleProfile};
use crate::types::{CarpetPoint, ImagePoint, Leg, Station, STATION_COUNT};

/// At most this many frames of a hold go through the geometric fit; they are spread evenly over it.
const FITTED_FRAMES: usize = 15;

/// What a hold's report needs beside its frames.
pub struct Setting<'a> {
    /// Camera from marks, if any.
    pub marks: Option<&'a FloorCamera>,
    /// Frames for which the marks hold, first and last, where the camera moves; `None` where it stands still.
    pub marks_hold: Option<(usize, usize)>,
    /// Upright frame size, px.
    pub image_size: [usize; 2],
    /// Shank length from the stature.
    pub shank: ShankLength,
    /// How legs go together.
    pub shape: &'a LegShape,
    /// What was measured of the geometry's and the picture's errors.
    pub errors: &'a FusionErrors,
    /// Rules in force.
    pub rules: &'a RuleProfile,
    /// Which leg kneels, where the user said.
    pub leg: Option<Leg>,
    /// Whether stillness could be seen.
    pub stillness: Stillness,
}

/// A hold's report and the camera it was measured with.
pub struct Measured {
    /// The report.
    pub hold: HoldReport,
    /// The floor.
    pub floor: FloorReport,
    /// What went into the gaps.
    pub parts: Parts,
}

/// The two measurements that a hold's gaps were joined from, before the natural hollow is taken off.
#[derive(Debug, Clone, PartialEq)]
pub struct Parts {
    /// From the leg's points and the camera; `None` where they did not fit the carpet. Standard deviations as the fit states them, unscaled.
    pub geometry: Option<GapProfile>,
    /// From the picture at the floor.
    pub picture: GapProfile,
    /// The camera over the carpet that the leg's points were fitted with.
    pub camera: FloorCamera,
}

/// Readings of the lower leg, each with its frame's place in the recording.
type Readings<'a> = Vec<(usize, &'a LegReading)>;

impl Setting<'_> {
    /// Measures and judges one hold. `around` are frames to give gaps for as well (the hold's own among them).
    ///
    /// `None` where no frame of the hold shows the lower leg.
    pub fn report(&self, frames: &[PoseFrame], span: &Span, around: std::ops::Range<usize>) -> Option<Measured> {
        let read = (span.first..=span.last).filter_map(|i| Some((i, frames[i].lower_leg.as_deref()?)));
        let (leg, leg_confidence, held) = self.of_kneeling_leg(read.collect())?;
        let mut notes = Vec::new();
        let clues = self.clues(&held);
        let camera = match self.marks {
            Some(camera) => camera.clone(),
            None => body::fit(self.image_size, &clues),
        };

        let stride = held.len().div_ceil(FITTED_FRAMES);
        let fitted: Vec<(usize, LegFit)> = held
            .iter()
            .step_by(stride)
            .filter_map(|(i, l)| self.fit(&camera, l, leg).map(|f| (*i, f)))
            .collect();
        let shank = self.shank_of(&fitted);
        let picture = combine::frames(
            &held.iter().map(|(_, l)| self.picture_profile(l, shank)).collect::<Vec<_>>(),
            self.errors.common_share,
        )?;
        let geometry = combine::frames(
            &fitted.iter().map(|(_, f)| f.profile.clone()).collect::<Vec<_>>(),
            self.errors.common_share,
        );
        let measured = match &geometry {
            Some(geometry) => {
                let (geometry, correlation) = self.errors.geometry_to_join(geometry, 1);
                let joined = fuse::join(&geometry, &picture, &correlation);
                if joined.contradiction > 2.5 {
                    notes.push(format!(
                        "The leg's points and the picture at the floor disagree by {:.1} times their uncertainty; it was widened accordingly.",
                        joined.contradiction
                    ));
                }
                self.errors.widened(&joined.profile, 1)
            }
            None => {
                notes.push("The leg's points did not fit the carpet; the gaps rest on the picture at the floor alone.".to_string());
                picture.clone()
            }
        };
        let judged = judge::judge(&measured, self.rules);

        let best = self.best_frame(&held, &fitted);
        let reading = held.iter().find(|(i, _)| *i == best).map_or(held[0].1, |(_, l)| l);
        let middle = leg_middle(reading);
        let on_carpet = camera.at_height(middle, 0.0);
        let elevation_deg = on_carpet.map_or(clues.elevation_rad, |p| camera.elevation_rad_from(p)).to_degrees();
        let azimuth_deg = match (fitted.iter().find(|(i, _)| *i == best).or(fitted.first()), on_carpet) {
            (Some((_, fit)), Some(p)) => view_azimuth_deg(&camera, p, fit.heading_rad),
            _ => reading.azimuth_rad.to_degrees(),
        };
        let still = still_frame(
            &frames[best],
            reading,
            &camera,
            fitted.iter().find(|(i, _)| *i == best).map(|(_, f)| f),
            &judged.profile,
            shank,
        );
        let angle = weighted_angle(&fitted);
        let hidden_share = held.iter().map(|(_, l)| hidden_share(l)).sum::<f64>() / held.len() as f64;
        let view = ViewReport {
            elevation_deg,
            azimuth_deg,
            smallest_lift_mm: judged.smallest_lift_mm,
            can_tell: judged.can_tell,
            hidden_share,
            advice: advice::words(elevation_deg, azimuth_deg, clues.shank_px, hidden_share, judged.can_tell),
        };
        let frame_gaps = around
            .filter_map(|i| {
                let l = frames[i].lower_leg.as_ref().filter(|l| l.leg == leg)?;
                let p = self.picture_profile(l, shank);
                Some(FrameGaps {
                    time_s: frames[i].time_s,
                    index: frames[i].index,
                    in_hold: i >= span.first && i <= span.last,
                    gap_mm: std::array::from_fn(|s| p.gap_mm[s] - self.rules.hollow.mean_mm[s]),
                    sd_mm: Station::ALL.map(|s| p.sd_mm(s)),
                })
            })
            .collect();
        let floor = floor_report(&camera, on_carpet, clues.elevation_rad, clues.elevation_sd_rad);
        Some(Measured {
            hold: HoldReport {
                start_s: span.start_s,
                end_s: span.end_s,
                stillness: self.stillness,
                kneeling_leg: leg,
                kneeling_leg_confidence: leg_confidence,
                shank_angle_deg: angle.0.to_degrees(),
                shank_angle_sd_deg: angle.1.to_degrees(),
                shank_length_mm: 1000.0 * shank.mean_m,
                shank_length_sd_mm: 1000.0 * shank.sd_m,
                gap_covariance_mm2: (0..STATION_COUNT)
                    .map(|i| (0..STATION_COUNT).map(|k| judged.profile.covariance_mm2[(i, k)]).collect())
                    .collect(),
                gaps: judged.gaps,
                view,
                call: judged.call,
                findings: judged.findings,
                best_frame: still,
                frames: frame_gaps,
                notes,
            },
            floor,
            parts: Parts { geometry, picture, camera },
        })
    }

    /// The kneeling leg of some readings, how sure that is, and those readings that are of it (`None` where none is).
    fn of_kneeling_leg<'a>(&self, read: Readings<'a>) -> Option<(Leg, f64, Readings<'a>)> {
        let (leg, confidence) = self.kneeling_leg(&read)?;
        let held: Readings = read.into_iter().filter(|(_, l)| l.leg == leg).collect();
        (!held.is_empty()).then_some((leg, confidence, held))
    }

    /// Which leg kneels: the user's word, else the readings' joint odds (frames share their errors, so their log-odds are averaged, not added).
    fn kneeling_leg(&self, held: &[(usize, &LegReading)]) -> Option<(Leg, f64)> {
        if held.is_empty() {
            return None;
        }
        if let Some(leg) = self.leg {
            return Some((leg, 1.0));
        }
        let log_odds_left: f64 = held
            .iter()
            .map(|(_, l)| {
                let p = l.leg_confidence.clamp(1e-4, 1.0 - 1e-4);
                let odds = (p / (1.0 - p)).ln();
                if l.leg == Leg::Left {
                    odds
                } else {
                    -odds
                }
            })
            .sum::<f64>()
            / held.len() as f64;
        let p_left = 1.0 / (1.0 + (-log_odds_left).exp());
        Some(if p_left >= 0.5 {
            (Leg::Left, p_left)
        } else {
            (Leg::Right, 1.0 - p_left)
        })
    }

    pub(crate) fn clues(&self, held: &[(usize, &LegReading)]) -> BodyClues {
        let median = |f: &dyn Fn(&LegReading) -> f64| {
            let mut values: Vec<f64> = held.iter().map(|(_, l)| f(l)).collect();
            values.sort_by(f64::total_cmp);
            values[values.len() / 2]
        };
        let (height, height_sd) = self.shape.middle_height();
        BodyClues {
            leg_height_m: height * self.shank.mean_m,
            leg_height_sd_m: height_sd * self.shank.mean_m,
            leg_at: ImagePoint::new(median(&|l| leg_middle(l).u), median(&|l| leg_middle(l).v)),
            shank_px: median(&|l| l.shank_px),
            shank_log_sd: median(&|l| l.shank_log_sd),
            shank_m: self.shank.mean_m,
            shank_sd_m: self.shank.sd_m,
            elevation_rad: median(&|l| l.elevation_rad).max(0.5_f64.to_radians()),
            elevation_sd_rad: median(&|l| l.elevation_sd_rad),
        }
    }

    /// The clues of a stretch of frames: of its kneeling leg; `None` where no frame shows it.
    pub(crate) fn clues_over(&self, frames: &[PoseFrame]) -> Option<BodyClues> {
        let read = frames.iter().enumerate().filter_map(|(i, f)| Some((i, f.lower_leg.as_deref()?)));
        let (_, _, held) = self.of_kneeling_leg(read.collect())?;
        Some(self.clues(&held))
    }

    fn fit(&self, camera: &FloorCamera, reading: &LegReading, leg: Leg) -> Option<LegFit> {
        fit_frame(camera, self.shape, self.shank, reading, leg)
    }

    /// The shank length for turning fractions into millimetres. With marks the fits measure it (the carpet gives the scale); with a body floor the scale comes from the
    /// stature itself and says nothing new.
    fn shank_of(&self, fitted: &[(usize, LegFit)]) -> ShankLength {
        // The carpet's lines were joined with what the stature says of the scale: a shank measured on their floor would count the stature twice.
        if self.marks.is_none_or(|m| m.source == FloorSource::Lines) || fitted.is_empty() {
            return self.shank;
        }
        let n = fitted.len() as f64;
        ShankLength {
            mean_m: fitted.iter().map(|(_, f)| f.shank_m).sum::<f64>() / n,
            // Frames share the camera and the person: no averaging.
            sd_m: fitted.iter().map(|(_, f)| f.shank_sd_m).sum::<f64>() / n,
        }
    }

    fn picture_profile(&self, l: &LegReading, shank: ShankLength) -> GapProfile {
        picture_profile(self.errors, l, shank)
    }

    fn best_frame(&self, held: &[(usize, &LegReading)], fitted: &[(usize, LegFit)]) -> usize {
        // The frame whose points fit best among those fitted; else the middle one.
        fitted
            .iter()
            .min_by(|a, b| a.1.residual_rms.total_cmp(&b.1.residual_rms))
            .map_or(held[held.len() / 2].0, |(i, _)| *i)
    }
}

/// The leg's points of one frame as the fit takes them.
pub(crate) fn observations(reading: &LegReading) -> Vec<Observation> {
    (0..POINT_COUNT)
        .filter(|p| reading.points[*p].visibility > 0.2 || STATION_POINTS.contains(p))
        .map(|p| Observation {
            of: vec![(p, 1.0)],
            at: reading.points[p].at,
            covariance: reading.points[p].covariance,
        })
        .collect()
}

/// Fits the leg in one frame; `None` where its points do not meet the carpet.
pub fn fit_frame(camera: &FloorCamera, shape: &LegShape, shank: ShankLength, reading: &LegReading, leg: Leg) -> Option<LegFit> {
    let observations = observations(reading);
    LegProblem {
        views: &[LegView::new(camera, &observations)],
        shape,
        leg,
        shank_m: shank.mean_m,
        shank_sd_m: shank.sd_m,
    }
    .solve()
}

/// Share of the kneeling leg's points that the network takes to be hidden, 0–1.
fn hidden_share(reading: &LegReading) -> f64 {
    1.0 - reading.points[..POINT_COUNT].iter().map(|p| p.visibility).sum::<f64>() / POINT_COUNT as f64
}

/// The picture's own reading in millimetres, before the natural hollow is taken off.
pub fn picture_profile(errors: &FusionErrors, l: &LegReading, shank: ShankLength) -> GapProfile {
    let mm = 1000.0 * shank.mean_m;
    let relative = shank.sd_m / shank.mean_m;
    GapProfile {
        gap_mm: StationVector::from_fn(|s, _| l.gap_fraction[s] * mm),
        covariance_mm2: StationMatrix::from_fn(|i, k| {
            let factor = errors.picture_sd_scale[i] * errors.picture_sd_scale[k];
            let common = factor * l.gap_sd_fraction[i] * l.gap_sd_fraction[k] * l.gap_correlation[i][k];
            (common + l.gap_fraction[i] * l.gap_fraction[k] * relative * relative) * mm * mm
        }),
    }
}

/// Middle of the kneeling leg: half way between the knee's floor side and the heel's.
fn leg_middle(reading: &LegReading) -> ImagePoint {
    reading.points[STATION_POINTS[0]]
        .at
        .towards(reading.points[STATION_POINTS[5]].at, 0.5)
}

/// Azimuth of the view about the vertical relative to the shank, degrees in (−180, 180]; ±90 is square to the shin.
fn view_azimuth_deg(camera: &FloorCamera, leg: CarpetPoint, heading_rad: f64) -> f64 {
    let centre = camera.centre();
    let to_camera = (centre.y - leg.y).atan2(centre.x - leg.x);
    let mut a = (to_camera - heading_rad).to_degrees();
    while a > 180.0 {
        a -= 360.0;
    }
    while a <= -180.0 {
        a += 360.0;
    }
    a
}

fn weighted_angle(fitted: &[(usize, LegFit)]) -> (f64, f64) {
    if fitted.is_empty() {
        // Nothing fitted: level, to within anything.
        return (0.0, std::f64::consts::FRAC_PI_2);
    }
    let n = fitted.len() as f64;
    (
        fitted.iter().map(|(_, f)| f.shank_angle_rad).sum::<f64>() / n,
        fitted.iter().map(|(_, f)| f.shank_angle_sd_rad).sum::<f64>() / n,
    )
}

pub(crate) fn still_frame(
    frame: &PoseFrame,
    reading: &LegReading,
    camera: &FloorCamera,
    fit: Option<&LegFit>,
    profile: &GapProfile,
    shank: ShankLength,
) -> StillFrame {
    // The surface is drawn where the network saw it; the carpet point is that surface lowered by the measured gap along the image's vertical at that place.
    let px_per_mm = reading.shank_px / (1000.0 * shank.mean_m);
    let surface: Vec<ImagePoint> = STATION_POINTS.iter().map(|p| reading.points[*p].at).collect();
    let carpet = Station::ALL
        .iter()
        .map(|s| {
            let i = s.index();
            let at = surface[i];
            let drop_mm = profile.gap_mm[i].max(0.0);
            let lowered = fit.and_then(|f| {
                let p = f.points[STATION_POINTS[i]];
                let (top, bottom) = (
                    camera.project(p)?,
                    camera.project(CarpetPoint::new(p.x, p.y, p.z - drop_mm / 1000.0))?,
                );
                Some(ImagePoint::new(at.u + bottom.u - top.u, at.v + bottom.v - top.v))
            });
            lowered.unwrap_or(ImagePoint::new(at.u, at.v + drop_mm * px_per_mm * reading.elevation_rad.cos()))
        })
        .collect();
    StillFrame {
        time_s: frame.time_s,
        index: frame.index,
        surface,
        carpet,
        crop_centre: leg_middle(reading),
        crop_side_px: CROP_SIDE_SHANKS * reading.shank_px,
    }
}

fn floor_report(camera: &FloorCamera, leg: Option<CarpetPoint>, elevation_rad: f64, elevation_sd_rad: f64) -> FloorReport {
    let at = leg.unwrap_or(CarpetPoint::new(0.0, 0.0, 0.0));
    let from_marks = camera.source != FloorSource::Body;
    let mut notes = Vec::new();
    if !from_marks {
        notes.push(
            "Nothing was marked on the carpet: the floor was taken from the athlete's own body and the picture, and heights and distances from the assumed body size."
                .to_string(),
        );
    }
    FloorReport {
        source: camera.source,
        camera_elevation_deg: Some(leg.map_or(elevation_rad, |p| camera.elevation_rad_from(p)).to_degrees()),
        camera_elevation_sd_deg: Some(
            if from_marks {
                camera.sd_of(|c| c.elevation_rad_from(at))
            } else {
                elevation_sd_rad
            }
            .to_degrees(),
        ),
        camera_height_m: Some(camera.centre().z),
        camera_height_sd_m: Some(camera.sd_of(|c| c.centre().z)),
        camera_distance_m: Some(camera.distance_m(at)),
        camera_distance_sd_m: Some(camera.sd_of(|c| c.distance_m(at))),
        focal_px: Some(camera.focal_px),
        focal_sd_px: Some(camera.sd_of(|c| c.focal_px)),
        grid: camera.grid(at, 2.0),
        sheet: None,
        lines: None,
        notes,
    }
}
