//! Types that pass from step to step. A point's type says its frame, so that a mix-up does not compile.

use serde::{Deserialize, Serialize};

/// A point in the upright frame: `u` right, `v` down, pixels, origin at the top-left pixel's corner.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ImagePoint {
    /// Pixels to the right.
    pub u: f64,
    /// Pixels downwards.
    pub v: f64,
}

impl ImagePoint {
    /// The point (`u`, `v`), in pixels.
    pub const fn new(u: f64, v: f64) -> Self {
        Self { u, v }
    }

    /// Distance to `other`, in pixels.
    pub fn distance_px(self, other: Self) -> f64 {
        (self.u - other.u).hypot(self.v - other.v)
    }

    /// The point `fraction` of the way from `self` to `other`.
    pub fn towards(self, other: Self, fraction: f64) -> Self {
        Self {
            u: self.u + fraction * (other.u - self.u),
            v: self.v + fraction * (other.v - self.v),
        }
    }
}

/// A point in the carpet frame: `z` up, `z` = 0 on the carpet, metres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CarpetPoint {
    /// Along the first carpet axis, metres.
    pub x: f64,
    /// Along the second carpet axis, metres.
    pub y: f64,
    /// Height over the carpet, metres.
    pub z: f64,
}

impl CarpetPoint {
    /// The point (`x`, `y`, `z`), in metres.
    pub const fn new(x: f64, y: f64, z: f64) -> Self {
        Self { x, y, z }
    }

    /// As a vector, metres.
    pub fn vector(self) -> nalgebra::Vector3<f64> {
        nalgebra::Vector3::new(self.x, self.y, self.z)
    }
}

impl From<nalgebra::Vector3<f64>> for CarpetPoint {
    fn from(v: nalgebra::Vector3<f64>) -> Self {
        Self::new(v.x, v.y, v.z)
    }
}

/// A point in the camera frame: `x` right, `y` down, `z` forward, metres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CameraPoint {
    /// Right, metres.
    pub x: f64,
    /// Down, metres.
    pub y: f64,
    /// Forward along the optical axis, metres.
    pub z: f64,
}

/// A symmetric 2 × 2 covariance of an image point, px².
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Covariance2 {
    /// Variance along `u`, px².
    pub uu: f64,
    /// Covariance of `u` and `v`, px².
    pub uv: f64,
    /// Variance along `v`, px².
    pub vv: f64,
}

impl Covariance2 {
    /// The same standard deviation `sd_px` in every direction.
    pub fn isotropic(sd_px: f64) -> Self {
        Self {
            uu: sd_px * sd_px,
            uv: 0.0,
            vv: sd_px * sd_px,
        }
    }

    /// As a matrix, px².
    pub fn matrix(self) -> nalgebra::Matrix2<f64> {
        nalgebra::Matrix2::new(self.uu, self.uv, self.uv, self.vv)
    }

    /// Scaled by `factor` in standard deviation.
    pub fn scaled_sd(self, factor: f64) -> Self {
        let f2 = factor * factor;
        Self {
            uu: self.uu * f2,
            uv: self.uv * f2,
            vv: self.vv * f2,
        }
    }

    /// Root of the mean of the two variances, px.
    pub fn mean_sd_px(self) -> f64 {
        (0.5 * (self.uu + self.vv)).max(0.0).sqrt()
    }
}

/// A point found in the image, with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Keypoint {
    /// Where it is, upright frame, px.
    pub at: ImagePoint,
    /// How well it is known, px².
    pub covariance: Covariance2,
    /// Probability that the point is in view and not hidden, 0–1.
    pub visibility: f64,
}

/// One of the athlete's legs, the athlete's own left or right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Leg {
    /// The athlete's left leg.
    Left,
    /// The athlete's right leg.
    Right,
}

impl Leg {
    /// The other leg.
    pub const fn other(self) -> Self {
        match self {
            Leg::Left => Leg::Right,
            Leg::Right => Leg::Left,
        }
    }

    /// `left` or `right`.
    pub const fn name(self) -> &'static str {
        match self {
            Leg::Left => "left",
            Leg::Right => "right",
        }
    }
}

/// Where along the kneeling lower leg's inner side a gap is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Station {
    /// Inner side of the knee.
    Knee,
    /// Inner calf, a quarter of the way from knee to ankle.
    Calf25,
    /// Inner calf, half way.
    Calf50,
    /// Inner calf, three quarters of the way.
    Calf75,
    /// Inner ankle.
    Ankle,
    /// Inner side of the heel.
    Heel,
}

/// How many stations there are.
pub const STATION_COUNT: usize = 6;

impl Station {
    /// All stations from knee to heel.
    pub const ALL: [Station; STATION_COUNT] = [
        Station::Knee,
        Station::Calf25,
        Station::Calf50,
        Station::Calf75,
        Station::Ankle,
        Station::Heel,
    ];

    /// Its position in [`Station::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The name used in files, such as `calf25`.
    pub const fn key(self) -> &'static str {
        match self {
            Station::Knee => "knee",
            Station::Calf25 => "calf25",
            Station::Calf50 => "calf50",
            Station::Calf75 => "calf75",
            Station::Ankle => "ankle",
            Station::Heel => "heel",
        }
    }

    /// The name used in sentences, such as `inner calf at 25 %`.
    pub const fn words(self) -> &'static str {
        match self {
            Station::Knee => "inner knee",
            Station::Calf25 => "inner calf at 25 %",
            Station::Calf50 => "inner calf at 50 %",
            Station::Calf75 => "inner calf at 75 %",
            Station::Ankle => "inner ankle",
            Station::Heel => "inner heel",
        }
    }

    /// Distance from the knee joint along the shank, as a fraction of the shank's length; the heel lies past the ankle.
    pub const fn along_shank(self) -> f64 {
        match self {
            Station::Knee => 0.0,
            Station::Calf25 => 0.25,
            Station::Calf50 => 0.5,
            Station::Calf75 => 0.75,
            Station::Ankle => 1.0,
            Station::Heel => 1.12,
        }
    }
}

/// One decoded frame, upright, 8-bit RGB, BT.709 primaries and full range.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Position in decoding order among delivered frames, from 0.
    pub index: u64,
    /// Presentation time in seconds from the recording's first frame.
    pub time_s: f64,
    /// The pixels.
    pub image: RgbImage,
}

/// An 8-bit RGB picture, rows from the top, no padding.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RgbImage {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width` × `height` × 3 bytes, R G B.
    pub data: Vec<u8>,
}

impl RgbImage {
    /// A picture of one colour.
    pub fn filled(width: usize, height: usize, rgb: [u8; 3]) -> Self {
        Self {
            width,
            height,
            data: rgb.iter().copied().cycle().take(width * height * 3).collect(),
        }
    }
}
