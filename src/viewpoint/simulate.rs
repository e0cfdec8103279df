//! What a call would say of a stance seen from a place, many times over.
//!
//! Nothing is estimated here that `check` does not estimate by the same code: [`LegProblem::solve`], [`fuse::join_all`], [`combine::frames`], [`judge::judge`]. Only what goes in is drawn: the
//! camera, the points' and the picture's errors (JCGM 101:2008, propagation of distributions).

use crate::bench::keypoints::{ELEVATION_NOISE_DEG, SIZE_NOISE};
use crate::bench::view;
use crate::check::size::ShankLength;
use crate::floor::body::{self, BodyClues};
use crate::floor::marks::{FloorFile, Mark, DEFAULT_SIGMA_PX};
use crate::floor::FloorCamera;
use crate::leg::combine;
use crate::leg::fit::{LegProblem, LegView, Observation, Tie};
use crate::leg::fuse::{self, FusionErrors};
use crate::leg::profile::{psd_factor, GapProfile, StationMatrix, StationVector};
use crate::leg::shape::{LegShape, POINT_COUNT, STATION_POINTS};
use crate::rules::judge::{self, Judgement};
use crate::rules::RuleProfile;
use crate::types::{CarpetPoint, Covariance2, ImagePoint, Leg, Station, STATION_COUNT};
use crate::viewpoint::errors::{PictureFactors, Seen, ViewErrors};
use crate::viewpoint::stances::Stance;
use nalgebra::Vector3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};

/// Where the floor comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Floor {
    /// The athlete's body.
    Body,
    /// Four marks: the corners of a square of one metre about the leg, read off the frame to 1.5 px.
    Marks,
    /// A printed sheet of square markers beside the leg, taken as flat and true to size.
    Sheet,
}

/// Side of the marked square, metres.
pub const MARKED_SQUARE_M: f64 = 1.0;

/// Where a camera stands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// Azimuth as in [`crate::viewpoint`], degrees.
    pub azimuth_deg: f64,
    /// Elevation over the carpet seen from the leg, degrees.
    pub elevation_deg: f64,
    /// From the middle of the leg, metres.
    pub distance_m: f64,
}

impl Place {
    /// Height of the camera over the carpet, metres.
    pub fn height_m(&self) -> f64 {
        self.distance_m * self.elevation_deg.to_radians().sin()
    }

    /// Where that is, for a leg with its middle over the origin and its shank along x.
    fn centre(&self) -> Vector3<f64> {
        let (a, e) = (self.azimuth_deg.to_radians(), self.elevation_deg.to_radians());
        self.distance_m * Vector3::new(e.cos() * a.cos(), e.cos() * a.sin(), e.sin())
    }
}

/// How the points are read.
#[derive(Debug, Clone, Copy)]
pub enum Reading<'a> {
    /// By the networks, the picture's own gaps beside them.
    Networks(&'a ViewErrors),
    /// To within so many pixels (standard deviation), no picture: the keypoint bench.
    Points(f64),
}

/// All that is the same for every place.
#[derive(Debug, Clone, Copy)]
pub struct Setting<'a> {
    /// Upright frame, px.
    pub image_size: [usize; 2],
    /// Focal length, px.
    pub focal_px: f64,
    /// The athlete's stature, metres: how large a body must fit into the frame.
    pub stature_m: f64,
    /// The athlete's shank.
    pub shank: ShankLength,
    /// Where the floor comes from.
    pub floor: Floor,
    /// How the points are read.
    pub reading: Reading<'a>,
    /// Frames of the hold: 1 for a photograph.
    pub frames: usize,
    /// How legs go together.
    pub shape: &'a LegShape,
    /// What was measured of the geometry's and the picture's errors.
    pub errors: &'a FusionErrors,
    /// Rules in force.
    pub rules: &'a RuleProfile,
}

/// One simulated call.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// What the rules make of it.
    pub judged: Judgement,
    /// True gaps beyond the natural hollow, mm.
    pub truth_mm: [f64; STATION_COUNT],
}

/// One camera's view, ready for the leg fit.
#[derive(Debug, Clone)]
pub struct Observed {
    /// The camera as the floor's source gives it.
    pub camera: FloorCamera,
    /// The points as read.
    pub observations: Vec<Observation>,
    /// How the leg is seen.
    pub seen: Seen,
    /// How good a picture it is.
    pub factors: PictureFactors,
}

/// Why a place cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unusable {
    /// The athlete does not fit into the frame.
    OutOfFrame,
    /// The athlete is too small in the frame.
    TooSmall,
    /// Fewer than four marks are in view.
    MarksOutOfFrame,
    /// The leg could not be fitted in most draws.
    NoFit,
}

impl Setting<'_> {
    /// The true camera at a place: aimed at the body's middle, level.
    pub fn camera_at(&self, place: &Place) -> FloorCamera {
        let aim = Vector3::new(0.0, 0.0, 0.25 * self.stature_m);
        view::looking(place.centre(), aim, 0.0, self.focal_px, self.image_size)
    }

    /// How the leg is seen from a place.
    pub fn seen_from(&self, place: &Place) -> Seen {
        let depth_m = self.camera_at(place).depth_m(CarpetPoint::new(0.0, 0.0, 0.0));
        Seen {
            elevation_rad: place.elevation_deg.to_radians(),
            azimuth_rad: place.azimuth_deg.to_radians(),
            shank_px: self.focal_px * self.shank.mean_m / depth_m,
            elevation_known: self.floor != Floor::Body,
        }
    }

    /// Whether a camera there can be used at all.
    pub fn usable(&self, place: &Place) -> Result<(), Unusable> {
        let camera = self.camera_at(place);
        if !view::shows_the_athlete(&camera, self.stature_m) {
            // That check also asks for a body 90 px tall: the crouching athlete is about 0.6 of the stature high.
            let tall_px = 0.6 * self.stature_m * self.focal_px / place.distance_m;
            return Err(if tall_px < 100.0 {
                Unusable::TooSmall
            } else {
                Unusable::OutOfFrame
            });
        }
        if self.floor != Floor::Body && self.marks(&camera, &mut || 0.0).is_none() {
            return Err(Unusable::MarksOutOfFrame);
        }
        Ok(())
    }

    /// What a call would say of a stance seen from these places at once; number `index` draws its errors from its own random stream, the same at every place. `None` where the leg
    /// does not fit.
    pub fn call(&self, places: &[Place], stance: &Stance, index: u64) -> Option<Simulated> {
        let mut rng = ChaCha8Rng::seed_from_u64(26_112_026);
        rng.set_stream(index);
        let z: f64 = StandardNormal.sample(&mut rng);
        // The athlete's shank is not what the stature foretells either.
        let shank_m = self.shank.mean_m * (self.shank.sd_m / self.shank.mean_m * z).exp();
        self.call_with(places, stance, shank_m, &mut rng)
    }

    /// The same for a known shank, errors drawn from `rng`.
    pub fn call_with(&self, places: &[Place], stance: &Stance, shank_m: f64, rng: &mut impl Rng) -> Option<Simulated> {
        let points = stance.carpet(shank_m);
        let factors = match self.reading {
            Reading::Networks(errors) => errors.picture(&mut || StandardNormal.sample(rng)),
            Reading::Points(_) => PictureFactors::MIDDLE,
        };
        let views = places
            .iter()
            .map(|p| self.observe(p, &points, factors, places.len() > 1, rng))
            .collect::<Option<Vec<_>>>()?;
        let height_mm: [f64; STATION_COUNT] = std::array::from_fn(|s| 1000.0 * shank_m * stance.gap[s]);
        let measured = self.measure(&views, &height_mm, rng)?;
        Some(Simulated {
            judged: judge::judge(&measured, self.rules),
            truth_mm: std::array::from_fn(|s| height_mm[s] - self.rules.hollow.mean_mm[s]),
        })
    }

    /// Points and floor as read from one place. `several`: one of several views, whose floors must not each count the shank's uncertainty.
    pub fn observe(
        &self,
        place: &Place,
        points: &[CarpetPoint; POINT_COUNT],
        factors: PictureFactors,
        several: bool,
        rng: &mut impl Rng,
    ) -> Option<Observed> {
        let truth = self.camera_at(place);
        let seen = self.seen_from(place);
        let mut normal = || -> f64 { StandardNormal.sample(rng) };
        let mut observations = Vec::with_capacity(POINT_COUNT);
        for (p, point) in points.iter().enumerate() {
            let exact = truth.project(*point)?;
            let covariance = match self.reading {
                Reading::Networks(errors) => errors.point(p, &seen).scaled_sd(factors.points[p]),
                Reading::Points(noise_px) => Covariance2::isotropic(noise_px),
            };
            observations.push(Observation {
                of: vec![(p, 1.0)],
                at: ImagePoint::new(exact.u + covariance.uu.sqrt() * normal(), exact.v + covariance.vv.sqrt() * normal()),
                covariance,
            });
        }
        let camera = if self.floor == Floor::Body {
            self.body_camera(&seen, &observations, several, &mut normal)
        } else {
            self.marks(&truth, &mut normal)?.fit().ok()?.camera
        };
        Some(Observed {
            camera,
            observations,
            seen,
            factors,
        })
    }

    fn body_camera(&self, seen: &Seen, observations: &[Observation], several: bool, normal: &mut impl FnMut() -> f64) -> FloorCamera {
        let (elevation_sd_rad, shank_log_sd) = match self.reading {
            Reading::Networks(errors) => (errors.elevation_sd_rad(seen), errors.shank_log_sd(seen)),
            Reading::Points(_) => (ELEVATION_NOISE_DEG.to_radians(), SIZE_NOISE),
        };
        let (height, height_sd) = self.shape.middle_height();
        let [knee, heel] = [STATION_POINTS[0], STATION_POINTS[5]].map(|p| observations[p].at);
        body::fit(
            self.image_size,
            &BodyClues {
                leg_at: knee.towards(heel, 0.5),
                leg_height_m: height * self.shank.mean_m,
                leg_height_sd_m: height_sd * self.shank.mean_m,
                shank_px: seen.shank_px * (shank_log_sd * normal()).exp(),
                shank_log_sd,
                shank_m: self.shank.mean_m,
                shank_sd_m: if several { 0.0 } else { self.shank.sd_m },
                elevation_rad: (seen.elevation_rad + elevation_sd_rad * normal()).max(0.5_f64.to_radians()),
                elevation_sd_rad,
            },
        )
    }

    /// The marks as read; `None` where fewer than four are in view.
    fn marks(&self, truth: &FloorCamera, normal: &mut dyn FnMut() -> f64) -> Option<FloorFile> {
        let (places, sigma_px) = match self.floor {
            Floor::Sheet => (sheet_corners(), SHEET_SIGMA_PX),
            _ => {
                let h = 0.5 * MARKED_SQUARE_M;
                let sigma_px = match self.reading {
                    Reading::Networks(_) => DEFAULT_SIGMA_PX,
                    Reading::Points(noise_px) => noise_px,
                };
                (vec![[-h, -h], [h, -h], [h, h], [-h, h]], sigma_px)
            }
        };
        let [w, h] = truth.image_size.map(|s| s as f64);
        let marks: Vec<Mark> = places
            .into_iter()
            .filter_map(|carpet_m| {
                let at = truth.project(CarpetPoint::new(carpet_m[0], carpet_m[1], 0.0))?;
                let inside = at.u > 0.0 && at.u < w && at.v > 0.0 && at.v < h;
                let (a, b) = (normal(), normal());
                inside.then_some(Mark {
                    image: [at.u + sigma_px * a, at.v + sigma_px * b],
                    carpet_m,
                })
            })
            .collect();
        (marks.len() >= 4).then_some(FloorFile {
            image_size: truth.image_size,
            marks,
            focal_px: None,
            sigma_px: Some(sigma_px),
            time_s: None,
        })
    }

    /// The gaps that `check` (or `join`, for several views) would join from these views, before the natural hollow is taken off. `truth_mm`: true heights.
    fn measure(&self, views: &[Observed], truth_mm: &[f64; STATION_COUNT], rng: &mut impl Rng) -> Option<GapProfile> {
        let tie = match self.floor {
            // As `join` ties frames that only the bodies fix: hardly at all, so that the leg itself does.
            Floor::Body => Tie::unknown(),
            _ => Tie::same_marks(SAME_MARKS_SD_M, SAME_MARKS_SD_RAD),
        };
        let seen: Vec<LegView> = views
            .iter()
            .enumerate()
            .map(|(k, v)| {
                let mut view = LegView::new(&v.camera, &v.observations);
                view.tie = (k > 0).then(|| tie.clone());
                view.scales_with_shank = views.len() > 1 && self.floor == Floor::Body;
                view
            })
            .collect();
        let fit = LegProblem {
            views: &seen,
            shape: self.shape,
            leg: Leg::Right,
            shank_m: self.shank.mean_m,
            shank_sd_m: self.shank.sd_m,
        }
        .solve()?;
        let Reading::Networks(errors) = self.reading else {
            return Some(fit.profile);
        };
        let geometry = self.errors.scaled_geometry(&fit.profile);
        let shank = if self.floor == Floor::Body {
            self.shank
        } else {
            ShankLength {
                mean_m: fit.shank_m,
                sd_m: fit.shank_sd_m,
            }
        };
        let of_hold = |p: GapProfile| combine::frames(&vec![p; self.frames.max(1)], self.errors.common_share);
        // Drawn with the errors as measured, joined as the program joins them.
        let with_geometry = self.errors.geometry_correlation(views.len());
        let (to_join, correlation) = self.errors.geometry_to_join(&fit.profile, views.len());
        let shared = StationVector::from_fn(|_, _| -> f64 { StandardNormal.sample(rng) });
        let mut parts = Vec::with_capacity(1 + views.len());
        for view in views {
            let picture = self.picture(errors, view, truth_mm, &geometry, &with_geometry, &shared, shank, rng);
            parts.push(of_hold(picture)?);
        }
        parts.insert(0, of_hold(to_join)?);
        let all: Vec<&GapProfile> = parts.iter().collect();
        let joined = fuse::join_all(&all, &|i, _| {
            if i == 0 {
                correlation
            } else {
                self.errors.picture_picture_correlation
            }
        });
        let left_out = views.iter().map(|v| errors.joined_sd_factor(v.seen.elevation_rad)).sum::<f64>() / views.len() as f64;
        Some(
            self.errors
                .widened(&joined.profile, views.len())
                .with_sd_scaled(&[left_out; STATION_COUNT]),
        )
    }

    /// One picture's own gaps, with errors correlated to the geometry's and (by `shared`) to the other pictures' as measured.
    #[allow(clippy::too_many_arguments)]
    fn picture(
        &self,
        errors: &ViewErrors,
        view: &Observed,
        truth_mm: &[f64; STATION_COUNT],
        geometry: &GapProfile,
        with_geometry: &[f64; STATION_COUNT],
        shared: &StationVector,
        shank: ShankLength,
        rng: &mut impl Rng,
    ) -> GapProfile {
        let mm = 1000.0 * shank.mean_m;
        let relative = shank.sd_m / shank.mean_m;
        let correlation = errors.gap_correlation(view.seen.elevation_rad);
        let between = self.errors.picture_picture_correlation;
        let free = StationVector::from_fn(|s, _| {
            let alone: f64 = StandardNormal.sample(rng);
            between[s].sqrt() * shared[s] + (1.0 - between[s]).sqrt() * alone
        });
        let free = psd_factor(&StationMatrix::from_fn(|i, k| correlation[i][k])).map_or(free, |f| f * free);
        let stated_mm = |s: usize, gap_mm: f64| {
            self.errors.picture_sd_scale[s] * view.factors.gaps[s] * errors.gap(Station::ALL[s], &view.seen, gap_mm) * mm
        };
        let gap_mm = StationVector::from_fn(|s, _| {
            let r = with_geometry[s];
            let of_geometry = (geometry.gap_mm[s] - truth_mm[s]) / geometry.covariance_mm2[(s, s)].max(1e-9).sqrt();
            truth_mm[s] + stated_mm(s, truth_mm[s]) * (r * of_geometry.clamp(-3.0, 3.0) + (1.0 - r * r).sqrt() * free[s])
        });
        // The network states its deviation by what it read, not by the truth.
        let own: [f64; STATION_COUNT] = std::array::from_fn(|s| stated_mm(s, gap_mm[s]));
        GapProfile {
            gap_mm,
            covariance_mm2: StationMatrix::from_fn(|i, k| {
                own[i] * own[k] * correlation[i][k] + gap_mm[i] * gap_mm[k] * relative * relative
            }),
        }
    }
}

/// How well two recordings' marks agree where they are the same ones: place (metres) and turn (radians).
const SAME_MARKS_SD_M: f64 = 0.005;
const SAME_MARKS_SD_RAD: f64 = 0.005;

/// How well a found marker's corner is known, px.
const SHEET_SIGMA_PX: f64 = 0.5;

/// The outer corners of four markers on an A4 sheet that lies half a metre from the leg, on the side of the kneeling knee, metres.
fn sheet_corners() -> Vec<[f64; 2]> {
    let mut corners = Vec::new();
    for x in [-0.12, -0.02, 0.02, 0.12] {
        for y in [0.45, 0.53, 0.57, 0.65] {
            corners.push([x, y]);
        }
    }
    corners
}
