//! The chi-squared distribution with whole degrees of freedom.

use crate::numerics::normal;

/// Probability that a chi-squared variable with `degrees` degrees of freedom exceeds `x` (Abramowitz and Stegun, *Handbook of Mathematical Functions*, 26.4.4 and 26.4.5).
pub fn exceedance(x: f64, degrees: usize) -> f64 {
    if degrees == 0 || x <= 0.0 {
        return 1.0;
    }
    let half = 0.5 * x;
    let odd = degrees % 2 == 1;
    // Q(x | k + 2) = Q(x | k) + (x/2)^(k/2) e^(−x/2) / Γ(k/2 + 1), from Q(x | 1) = 2 (1 − Φ(√x)) or Q(x | 2) = e^(−x/2).
    let (mut q, mut k, mut term) = if odd {
        let gamma_three_halves = 0.5 * std::f64::consts::PI.sqrt();
        (
            2.0 * (1.0 - normal::cdf(x.sqrt())),
            1,
            half.sqrt() * (-half).exp() / gamma_three_halves,
        )
    } else {
        ((-half).exp(), 2, half * (-half).exp())
    };
    while k < degrees {
        q += term;
        k += 2;
        term *= half / (0.5 * k as f64);
    }
    q.clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Critical values of chi-squared, table 26.8 of Abramowitz and Stegun (also NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4).
    #[test]
    fn critical_values() {
        for (degrees, level, x) in [
            (1, 0.05, 3.841),
            (2, 0.05, 5.991),
            (3, 0.01, 11.345),
            (4, 0.01, 13.277),
            (5, 0.05, 11.070),
            (6, 0.01, 16.812),
            (6, 0.05, 12.592),
        ] {
            assert!(
                (exceedance(x, degrees) / level - 1.0).abs() < 2e-3,
                "{degrees} {level}: {}",
                exceedance(x, degrees)
            );
        }
    }
}
