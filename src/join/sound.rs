//! Which time of one recording is which time of another, from what both heard.
//!
//! The rise of the sound's energy (its onsets) at 500 steps a second, cross-correlated by Fourier transform; only a peak that stands far out of everything else counts, for music
//! with a beat has many and silence has none.

use crate::error::{Error, Result};
use opencv::core::{self, Mat, MatTraitConstManual};
use serde::{Deserialize, Serialize};

/// Steps a second of the envelope.
const STEPS_HZ: f64 = 500.0;

/// How far the peak must stand out of the correlation's own scatter.
const LEAST_STANDING_OUT: f64 = 8.0;

/// How much larger than any other peak it must be.
const LEAST_OVER_SECOND: f64 = 1.4;

/// A second peak nearer than this is the same one, seconds.
const SAME_PEAK_S: f64 = 0.04;

/// Two places differ in their distance from the source of the sound by about this, metres (common practice, no source), which at 343 m/s is 9 ms.
const PATH_SD_M: f64 = 3.0;

/// Speed of sound in air at 20 °C, m/s.
const SPEED_M_PER_S: f64 = 343.0;

/// Least stretch heard in both, seconds.
const LEAST_OVERLAP_S: f64 = 0.8;

/// Offset by sound.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SoundAlignment {
    /// What must be added to a time of the first recording to get the second's, seconds.
    pub offset_s: f64,
    /// Standard deviation, seconds: the travel of sound from its unknown place to two cameras.
    pub offset_sd_s: f64,
    /// The peak over the correlation's own scatter.
    pub standing_out: f64,
    /// The peak over the next one.
    pub over_second: f64,
}

/// Rise of the logarithm of the energy, no falls, about its own mean.
fn onsets(samples: &[f32], rate_hz: f64) -> Vec<f64> {
    let step = (rate_hz / STEPS_HZ).round().max(1.0) as usize;
    let energy: Vec<f64> = samples
        .chunks(step)
        .map(|c| c.windows(2).map(|w| f64::from(w[1] - w[0]).powi(2)).sum::<f64>())
        .collect();
    let floor = 1e-4 * energy.iter().sum::<f64>() / energy.len().max(1) as f64 + 1e-12;
    let smooth: Vec<f64> = (0..energy.len())
        .map(|k| {
            let near = &energy[k.saturating_sub(2)..(k + 3).min(energy.len())];
            (near.iter().sum::<f64>() / near.len() as f64 + floor).ln()
        })
        .collect();
    let rise: Vec<f64> = smooth.windows(2).map(|w| (w[1] - w[0]).max(0.0)).collect();
    let mean = rise.iter().sum::<f64>() / rise.len().max(1) as f64;
    rise.into_iter().map(|r| r - mean).collect()
}

/// Correlation of the second signal with the first at every lag modulo `n`, by the Fourier transform; unscaled.
fn correlation(first: &[f64], second: &[f64], n: usize) -> opencv::Result<Vec<f64>> {
    let spectrum = |x: &[f64]| -> opencv::Result<Mat> {
        let mut padded = x.to_vec();
        padded.resize(n, 0.0);
        let mut out = Mat::default();
        core::dft(&Mat::from_slice(&padded)?, &mut out, 0, 0)?;
        Ok(out)
    };
    let (mut product, mut out) = (Mat::default(), Mat::default());
    core::mul_spectrums(&spectrum(second)?, &spectrum(first)?, &mut product, 0, true)?;
    core::idft(&product, &mut out, core::DFT_REAL_OUTPUT, 0)?;
    Ok(out.data_typed::<f64>()?.to_vec())
}

/// Offset of the second recording's sound; `None` where no peak is distinct. Stretches `[from, to]` in seconds limit what is compared.
///
/// # Errors
/// [`Error::Ours`] where the correlation cannot be worked out.
pub fn by_sound(a: &[f32], b: &[f32], rate_hz: f64, within: [Option<[f64; 2]>; 2]) -> Result<Option<SoundAlignment>> {
    let cut = |samples: &[f32], range: Option<[f64; 2]>| -> (f64, Vec<f64>) {
        let [from, to] = range.unwrap_or([0.0, f64::INFINITY]);
        let first = ((from.max(0.0) * rate_hz) as usize).min(samples.len());
        let last = ((to * rate_hz).min(samples.len() as f64) as usize).max(first);
        (first as f64 / rate_hz, onsets(&samples[first..last], rate_hz))
    };
    let ((start_a, a), (start_b, b)) = (cut(a, within[0]), cut(b, within[1]));
    let least = (LEAST_OVERLAP_S * STEPS_HZ) as usize;
    if a.len() < least || b.len() < least {
        return Ok(None);
    }
    let n = (a.len() + b.len()).next_power_of_two();
    let strength =
        correlation(&a, &b, n).map_err(|e| Error::ours(format!("The recordings' sound could not be compared: {}.", e.message)))?;
    // Lag k: the second is k steps later; those beyond the second's length are negative ones.
    let lag = |k: usize| if k < b.len() { k as f64 } else { k as f64 - n as f64 };
    let overlap = |lag: f64| (a.len() as f64).min(b.len() as f64 - lag) - (-lag).max(0.0);
    let allowed: Vec<usize> = (0..n).filter(|k| overlap(lag(*k)) >= least as f64).collect();
    let scatter = (allowed.iter().map(|k| strength[*k] * strength[*k]).sum::<f64>() / allowed.len().max(1) as f64).sqrt();
    let Some(&best) = allowed.iter().max_by(|x, y| strength[**x].total_cmp(&strength[**y])) else {
        return Ok(None);
    };
    let apart = SAME_PEAK_S * STEPS_HZ;
    let second = allowed
        .iter()
        .filter(|k| (lag(**k) - lag(best)).abs() > apart)
        .map(|k| strength[*k])
        .fold(0.0, f64::max);
    let (standing_out, over_second) = (strength[best] / scatter.max(1e-12), strength[best] / second.max(1e-12));
    if standing_out < LEAST_STANDING_OUT || over_second < LEAST_OVER_SECOND {
        return Ok(None);
    }
    let [l, m, r] = [(best + n - 1) % n, best, (best + 1) % n].map(|k| strength[k]);
    let bend = l - 2.0 * m + r;
    let part = if bend < 0.0 { (0.5 * (l - r) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    Ok(Some(SoundAlignment {
        offset_s: (lag(best) + part) / STEPS_HZ + start_b - start_a,
        offset_sd_s: (0.5 / STEPS_HZ).hypot(PATH_SD_M / SPEED_M_PER_S),
        standing_out,
        over_second,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng};

    /// A known shift is found again to a millisecond or two: the same claps and steps, other noise in each recording. Other events, or a steady beat, give no offset.
    #[test]
    fn a_known_shift_is_found_and_a_beat_is_refused() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let mut hall = |events: &[f64], length_s: f64| -> Vec<f32> {
            (0..(length_s * 8000.0) as usize)
                .map(|k| {
                    let t = k as f64 / 8000.0;
                    let sound: f64 = events
                        .iter()
                        .filter(|e| t >= **e && t < **e + 0.2)
                        .map(|e| (-(t - e) * 40.0).exp() * (t * 5000.0).sin())
                        .sum();
                    (sound + 0.02 * rng.random_range(-1.0..1.0)) as f32
                })
                .collect()
        };
        let events = [0.61, 1.13, 1.92, 2.37, 3.55, 4.02];
        let shifted: Vec<f64> = events.iter().map(|e| e - 0.4137).collect();
        let (a, b) = (hall(&events, 5.0), hall(&shifted, 4.5));
        let found = by_sound(&a, &b, 8000.0, [None, None]).unwrap().expect("a distinct peak");
        assert!((found.offset_s + 0.4137).abs() < 0.003, "{found:?}");
        let other = hall(&[0.31, 0.9, 1.5, 2.95, 3.3, 4.4], 5.0);
        assert!(by_sound(&a, &other, 8000.0, [None, None]).unwrap().is_none());
        let beat: Vec<f64> = (0..10).map(|k| 0.2 + 0.5 * f64::from(k)).collect();
        let (x, y) = (hall(&beat, 5.0), hall(&beat, 5.0));
        assert!(by_sound(&x, &y, 8000.0, [None, None]).unwrap().is_none());
    }
}
