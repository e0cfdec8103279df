//! Our own network for the kneeling lower leg, cut out of the full-resolution frame.
//!
//! The crop: a square about the middle between the general network's knee and heel, side 2.1 shank lengths at the body's apparent size. What the network gives is
//! turned into frame pixels and calibrated standard deviations here; everything else is left to the geometry. A second look is taken from a crop placed by the network's own
//! points, and both looks, and their mirror images, are averaged.

use crate::error::{Error, Result};
use crate::pose::calibration::{Calibration, Description};
use crate::pose::models::ModelFolder;
use crate::pose::track::{Body, Landmark, LegReading, LEG_POINT_NAMES};
use crate::types::{Covariance2, ImagePoint, Keypoint, Leg, RgbImage, STATION_COUNT};
use ort::session::Session;
use ort::value::TensorRef;

/// Side of the network's square input, px.
const INPUT_PX: usize = 256;
/// Side of the crop in shank lengths.
pub const CROP_SIDE_SHANKS: f64 = 2.1;
/// Number of points the network gives.
const POINT_COUNT: usize = LEG_POINT_NAMES.len();

/// The network and its calibration.
pub struct LowerLegNetwork {
    session: Session,
    calibration: Calibration,
}

/// A square cut out of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Window {
    /// Its middle, px.
    pub centre: ImagePoint,
    /// Its side, px.
    pub side_px: f64,
}

impl Window {
    fn to_frame(self, x: f64, y: f64) -> ImagePoint {
        let s = self.side_px / INPUT_PX as f64;
        ImagePoint::new(
            self.centre.u - self.side_px / 2.0 + s * x,
            self.centre.v - self.side_px / 2.0 + s * y,
        )
    }
}

/// One look's outputs in crop pixels, before calibration.
struct Look {
    points: Vec<[f64; 2]>,
    covariance: Vec<[f64; 3]>,
    visibility: Vec<f64>,
    gap: [f64; STATION_COUNT],
    gap_sd: [f64; STATION_COUNT],
    elevation: f64,
    elevation_sd: f64,
    known_elevation: Option<f64>,
    azimuth: [f64; 2],
    log_shank_px: f64,
    scale_sd: f64,
    left_logit: f64,
    present_logit: f64,
}

impl LowerLegNetwork {
    /// Opens the network and its description in the models folder, hashes checked.
    ///
    /// # Errors
    /// [`Error::Ours`] where either is missing, damaged, or of another network.
    pub fn load(models: &ModelFolder) -> Result<Self> {
        let description = models
            .find("lower_leg_description")
            .ok_or_else(|| Error::ours("models/manifest.json names no lower-leg network; install the folder models anew."))?;
        let file: Description = serde_json::from_slice(&models.read(description)?).map_err(|e| {
            Error::ours(format!(
                "{} cannot be read ({e}); install the folder models anew.",
                description.file
            ))
        })?;
        let same_points = file.points.iter().map(String::as_str).eq(LEG_POINT_NAMES);
        if file.input_px != INPUT_PX || (file.crop_side_shanks - CROP_SIDE_SHANKS).abs() > 1e-9 || !same_points {
            return Err(Error::ours(format!(
                "{} describes another network than this program reads; install the folder models anew.",
                description.file
            )));
        }
        Ok(Self {
            session: models.session("lower_leg")?,
            calibration: Calibration::of(&file)?,
        })
    }

    /// Looks at the kneeling lower leg of `body` in its frame. `elevation_rad`: the camera's elevation, where marks give it. `leg`: which leg to look at, where the user
    /// said.
    ///
    /// # Errors
    /// [`Error::Ours`] where the network fails.
    pub fn read(&mut self, image: &RgbImage, body: &Body, elevation_rad: Option<f64>, leg: Option<Leg>) -> Result<Option<LegReading>> {
        let likely = leg.unwrap_or_else(|| lower_knee(body));
        let mut best: Option<(Window, Look)> = None;
        for candidate in [likely, likely.other()] {
            let Some(window) = window_of(body, candidate, image) else {
                continue;
            };
            let look = self.look(image, window, elevation_rad, false)?;
            let better = best.as_ref().is_none_or(|(_, b)| look.present_logit > b.present_logit);
            // Both legs are looked at unless the first is hardly in doubt: a front leg can look a little like a kneeling one.
            let sure = look.present_logit > 4.0;
            if better {
                best = Some((window, look));
            }
            if sure || leg.is_some() {
                break;
            }
        }
        let Some((first_window, first)) = best else { return Ok(None) };
        if first.present_logit < 0.0 {
            return Ok(Some(self.reading(&[(first_window, first)])));
        }
        // A second look from the network's own points, kept only where it is about the same place and size and as sure of a leg: a wild first look must not lead away.
        let second_window = own_window(&first_window, &first);
        let near = second_window.centre.distance_px(first_window.centre) < 0.3 * first_window.side_px;
        let ratio = second_window.side_px / first_window.side_px;
        let mut looks = Vec::with_capacity(4);
        if near && (0.6..1.6).contains(&ratio) {
            let second = self.look(image, second_window, elevation_rad, false)?;
            if second.present_logit > 0.0 {
                let mirrored = self.look(image, second_window, elevation_rad, true)?;
                looks.push((second_window, second));
                looks.push((second_window, mirrored));
            }
        }
        if looks.is_empty() {
            looks.push((first_window, first));
        }
        Ok(Some(self.reading(&looks)))
    }

    fn look(&mut self, image: &RgbImage, window: Window, elevation_rad: Option<f64>, mirrored: bool) -> Result<Look> {
        let mut crop = cut(image, window);
        if mirrored {
            for row in crop.chunks_mut(INPUT_PX) {
                row.reverse();
            }
        }
        let camera = [elevation_rad.unwrap_or(0.0) as f32, f32::from(u8::from(elevation_rad.is_some()))];
        let failed = |e: ort::Error| Error::ours(format!("The lower-leg network failed: {e}; please report this."));
        let crop = TensorRef::from_array_view(([1, 3, INPUT_PX, INPUT_PX], crop.as_slice())).map_err(failed)?;
        let camera = TensorRef::from_array_view(([1, 2], camera.as_slice())).map_err(failed)?;
        let out = self.session.run(ort::inputs!["crop" => crop, "camera" => camera]).map_err(failed)?;
        let take = |name: &str| -> Result<Vec<f64>> {
            let value = out.get(name).ok_or_else(|| {
                Error::ours(format!(
                    "The lower-leg network gives no output named {name}; install the folder models anew."
                ))
            })?;
            let (_, data) = value.try_extract_tensor::<f32>().map_err(failed)?;
            Ok(data.iter().map(|x| f64::from(*x)).collect())
        };
        let points = take("points")?;
        let cholesky = take("points_cholesky")?;
        let gap = take("gap")?;
        let gap_log_sd = take("gap_log_sd")?;
        let elevation = take("elevation")?;
        let azimuth = take("azimuth")?;
        let scale = take("scale")?;
        if points.len() != 2 * POINT_COUNT || gap.len() != STATION_COUNT {
            return Err(Error::ours(
                "The lower-leg network's outputs have another shape than this program reads; install the folder models anew.",
            ));
        }
        let sign = if mirrored { -1.0 } else { 1.0 };
        Ok(Look {
            points: points
                .chunks(2)
                .map(|p| [if mirrored { INPUT_PX as f64 - p[0] } else { p[0] }, p[1]])
                .collect(),
            covariance: cholesky
                .chunks(3)
                .map(|l| [l[0] * l[0], sign * l[0] * l[1], l[1] * l[1] + l[2] * l[2]])
                .collect(),
            visibility: take("visibility")?.into_iter().map(logistic).collect(),
            gap: std::array::from_fn(|s| gap[s]),
            gap_sd: std::array::from_fn(|s| gap_log_sd[s].exp()),
            elevation: elevation[0],
            elevation_sd: elevation[1].clamp(-6.0, 1.0).exp(),
            known_elevation: elevation_rad,
            azimuth: [sign * azimuth[0], azimuth[1]],
            log_shank_px: scale[0],
            scale_sd: scale[1].clamp(-6.0, 1.0).exp(),
            left_logit: sign * take("is_left")?[0],
            present_logit: take("present")?[0],
        })
    }

    /// Averages looks at the same leg and calibrates. Looks share the picture, so their variances are averaged and not divided by their number; what they differ by is added.
    fn reading(&self, looks: &[(Window, Look)]) -> LegReading {
        let n = looks.len() as f64;
        let mean = |f: &dyn Fn(&Window, &Look) -> f64| looks.iter().map(|(w, l)| f(w, l)).sum::<f64>() / n;
        let elevation_rad = mean(&|_, l| l.elevation);
        let known = looks[0].1.known_elevation;
        let c = self.calibration.factors(known.unwrap_or(elevation_rad), known.is_some());
        let points = (0..POINT_COUNT)
            .map(|p| {
                let at = |w: &Window, l: &Look| w.to_frame(l.points[p][0], l.points[p][1]);
                let (u, v) = (mean(&|w, l| at(w, l).u), mean(&|w, l| at(w, l).v));
                let spread = |f: &dyn Fn(ImagePoint) -> f64| mean(&|w, l| f(at(w, l)));
                let visibility = mean(&|_, l| l.visibility[p]);
                let factor = visibility * c.point_sd_seen[p] + (1.0 - visibility) * c.point_sd_hidden[p];
                let k = |w: &Window| (w.side_px / INPUT_PX as f64 * factor).powi(2);
                Keypoint {
                    at: ImagePoint::new(u, v),
                    covariance: Covariance2 {
                        uu: mean(&|w, l| k(w) * l.covariance[p][0]) + spread(&|q| (q.u - u).powi(2)),
                        uv: mean(&|w, l| k(w) * l.covariance[p][1]) + spread(&|q| (q.u - u) * (q.v - v)),
                        vv: mean(&|w, l| k(w) * l.covariance[p][2]) + spread(&|q| (q.v - v).powi(2)),
                    },
                    visibility,
                }
            })
            .collect();
        let raw: [f64; STATION_COUNT] = std::array::from_fn(|s| mean(&|_, l| l.gap[s]));
        let gap_sd_fraction = std::array::from_fn(|s| {
            let own = mean(&|_, l| l.gap_sd[s].powi(2)) * c.gap_sd[s].powi(2);
            let between = mean(&|_, l| (l.gap[s] - raw[s]).powi(2));
            (own + between).sqrt()
        });
        let p_left = logistic(mean(&|_, l| l.left_logit) / self.calibration.is_left_temperature);
        let (sin, cos) = (mean(&|_, l| l.azimuth[0]), mean(&|_, l| l.azimuth[1]));
        LegReading {
            leg: if p_left >= 0.5 { Leg::Left } else { Leg::Right },
            leg_confidence: p_left.max(1.0 - p_left),
            present: logistic(mean(&|_, l| l.present_logit) / self.calibration.present_temperature),
            points,
            gap_fraction: std::array::from_fn(|s| raw[s] - c.gap_bias[s]),
            gap_sd_fraction,
            gap_correlation: c.station_correlation,
            elevation_rad,
            elevation_sd_rad: c.elevation_sd * mean(&|_, l| l.elevation_sd),
            azimuth_rad: sin.atan2(cos),
            shank_px: mean(&|w, l| l.log_shank_px + (w.side_px / INPUT_PX as f64).ln()).exp(),
            shank_log_sd: c.scale_sd * mean(&|_, l| l.scale_sd),
        }
    }
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// The leg whose knee is lower in the frame: the kneeling one, in this stance.
fn lower_knee(body: &Body) -> Leg {
    if body.at(Landmark::LeftKnee).v >= body.at(Landmark::RightKnee).v {
        Leg::Left
    } else {
        Leg::Right
    }
}

/// Apparent length of the body's shank, px: the mean of both legs' metric shanks at the body's apparent size (foreshortening plays no part).
pub fn apparent_shank_px(body: &Body) -> f64 {
    let length = |a: Landmark, b: Landmark| {
        let (a, b) = (body.world_m(a as usize), body.world_m(b as usize));
        (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>().sqrt()
    };
    let m = 0.5 * (length(Landmark::LeftKnee, Landmark::LeftAnkle) + length(Landmark::RightKnee, Landmark::RightAnkle));
    m * body.px_per_m
}

fn window_of(body: &Body, leg: Leg, image: &RgbImage) -> Option<Window> {
    let [_, knee, _, heel, _] = Landmark::of_leg(leg);
    let centre = body.at(knee).towards(body.at(heel), 0.5);
    let side_px = CROP_SIDE_SHANKS * apparent_shank_px(body);
    let inside = centre.u > 0.0 && centre.v > 0.0 && centre.u < image.width as f64 && centre.v < image.height as f64;
    (inside && side_px > 16.0 && side_px.is_finite()).then_some(Window { centre, side_px })
}

fn own_window(window: &Window, look: &Look) -> Window {
    let at = |p: usize| window.to_frame(look.points[p][0], look.points[p][1]);
    Window {
        centre: at(0).towards(at(7), 0.5),
        side_px: CROP_SIDE_SHANKS * look.log_shank_px.exp() * window.side_px / INPUT_PX as f64,
    }
}

/// The window resampled to the network's input, planes of R, G, B in 0–1: area-averaged where the frame is finer, bilinear where it is coarser, border repeated.
fn cut(image: &RgbImage, window: Window) -> Vec<f32> {
    let step = window.side_px / INPUT_PX as f64;
    let left = window.centre.u - window.side_px / 2.0;
    let top = window.centre.v - window.side_px / 2.0;
    // Samples across one output pixel, so that a fine frame is averaged and not aliased.
    let taps = step.ceil().clamp(1.0, 8.0) as usize;
    let columns: Vec<(usize, usize, f32)> = sample_places(left, step, taps, image.width);
    let rows: Vec<(usize, usize, f32)> = sample_places(top, step, taps, image.height);
    let mut out = vec![0.0_f32; 3 * INPUT_PX * INPUT_PX];
    let scale = 1.0 / (255.0 * (taps * taps) as f32);
    for y in 0..INPUT_PX {
        for x in 0..INPUT_PX {
            let mut sum = [0.0_f32; 3];
            for (r0, r1, fy) in &rows[y * taps..(y + 1) * taps] {
                for (c0, c1, fx) in &columns[x * taps..(x + 1) * taps] {
                    let (a, b) = (3 * (r0 * image.width + c0), 3 * (r0 * image.width + c1));
                    let (c, d) = (3 * (r1 * image.width + c0), 3 * (r1 * image.width + c1));
                    for (k, s) in sum.iter_mut().enumerate() {
                        let upper = f32::from(image.data[a + k]) * (1.0 - fx) + f32::from(image.data[b + k]) * fx;
                        let lower = f32::from(image.data[c + k]) * (1.0 - fx) + f32::from(image.data[d + k]) * fx;
                        *s += upper * (1.0 - fy) + lower * fy;
                    }
                }
            }
            for (k, s) in sum.iter().enumerate() {
                out[(k * INPUT_PX + y) * INPUT_PX + x] = s * scale;
            }
        }
    }
    out
}

/// For each of `INPUT_PX × taps` samples: the two pixels it lies between and how far it is towards the second.
fn sample_places(start: f64, step: f64, taps: usize, size: usize) -> Vec<(usize, usize, f32)> {
    let last = size as f64 - 1.0;
    (0..INPUT_PX * taps)
        .map(|i| {
            let at = start + step * (i as f64 + 0.5) / taps as f64 - 0.5;
            let held = at.clamp(0.0, last);
            let low = held.floor();
            (low as usize, (low + 1.0).min(last) as usize, (held - low) as f32)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cut_keeps_pixel_centres_in_place() {
        // A ramp in u: the value at a pixel's centre is its u; the crop must read the same ramp at its own pixel centres.
        let (w, h) = (300, 200);
        let mut image = RgbImage::filled(w, h, [0, 0, 0]);
        for y in 0..h {
            for x in 0..w {
                image.data[3 * (y * w + x)] = (x / 2) as u8;
            }
        }
        let window = Window {
            centre: ImagePoint::new(150.0, 100.0),
            side_px: 128.0,
        };
        let crop = cut(&image, window);
        for x in [10, 100, 200] {
            let u = 150.0 - 64.0 + (x as f64 + 0.5) * 0.5;
            let expected = (u - 0.5) / 2.0 / 255.0;
            assert!((f64::from(crop[128 * INPUT_PX + x]) - expected).abs() < 0.6 / 255.0);
        }
    }
}
