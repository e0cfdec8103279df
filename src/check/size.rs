//! How long the athlete's shank is, before anything is measured.

/// Shank length as a fraction of stature: 0.246 (Drillis and Contini 1966, as tabulated in Winter, *Biomechanics and Motor Control of Human Movement*; from memory).
pub const SHANK_OF_STATURE: f64 = 0.246;

/// Spread of that fraction between people, relative (common practice, no source).
pub const SHANK_OF_STATURE_RELATIVE_SD: f64 = 0.045;

/// Stature assumed where none is given, metres: an adult or teenager, said in the report.
pub const STATURE_PRIOR_M: f64 = 1.70;

/// Spread of that, metres.
pub const STATURE_PRIOR_SD_M: f64 = 0.11;

/// A shank length with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShankLength {
    /// Metres.
    pub mean_m: f64,
    /// Metres.
    pub sd_m: f64,
}

/// From a given stature, or from the stated prior.
pub fn from_stature(stature_m: Option<f64>) -> ShankLength {
    let (stature, stature_sd) = stature_m.map_or((STATURE_PRIOR_M, STATURE_PRIOR_SD_M), |s| (s, 0.01));
    let mean_m = SHANK_OF_STATURE * stature;
    let relative = (SHANK_OF_STATURE_RELATIVE_SD.powi(2) + (stature_sd / stature).powi(2)).sqrt();
    ShankLength {
        mean_m,
        sd_m: mean_m * relative,
    }
}

impl ShankLength {
    /// Joined with an independent second value by weights inverse to the variances (JCGM 100:2008).
    pub fn joined(self, other: ShankLength) -> ShankLength {
        let (a, b) = (self.sd_m.powi(-2), other.sd_m.powi(-2));
        ShankLength {
            mean_m: (self.mean_m * a + other.mean_m * b) / (a + b),
            sd_m: (a + b).sqrt().recip(),
        }
    }
}
