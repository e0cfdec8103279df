"""Reference values for src/statistics, from scikit-learn, statsmodels and NumPy: one JSON text on standard output.

    python scripts/bench/statistics_reference.py --seed 1 > tests/data/statistics/reference.json

tests/statistics_outside.rs compares with the committed table, and with fresh draws where this script can be run.
"""

from __future__ import annotations

import argparse
import json

import numpy as np
import sklearn
import statsmodels
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss, roc_auc_score
from statsmodels.stats.proportion import proportion_confint


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    seed = parser.parse_args().seed
    rng = np.random.default_rng(seed)
    wilson = []
    for of, total in [(0, 1), (1, 1), (0, 20), (20, 20), (7, 9), (37, 400), (9999, 10000), *((int(rng.integers(0, n + 1)), int(n)) for n in rng.integers(1, 3000, 12))]:
        for confidence in (0.90, 0.95, 0.99):
            low, high = proportion_confint(of, total, alpha=1 - confidence, method="wilson")
            wilson.append({"of": of, "total": total, "confidence": confidence, "low": float(low), "high": float(high)})
    forecasts = []
    for n, bins in [(5, 3), (60, 10), (400, 10), (400, 20)]:
        # a forecaster that is too sure, with some probabilities on the bins' very edges
        probability = np.round(rng.beta(0.7, 0.9, n), 3)
        probability[:3] = [0.0, 1.0, 0.5]
        happened = rng.random(n) < 0.15 + 0.6 * probability
        happened[:2] = [False, True]
        share, stated = calibration_curve(happened, probability, n_bins=bins, strategy="uniform")
        # expected calibration error has no function in scikit-learn: eq. 3 of Guo et al. 2017 on calibration_curve's own bins
        inside = np.bincount(np.searchsorted(np.linspace(0, 1, bins + 1)[1:-1], probability), minlength=bins)
        weight = inside[inside > 0] / n
        forecasts.append({
            "probability": probability.tolist(), "happened": happened.tolist(), "bins": bins,
            "brier": float(brier_score_loss(happened, probability)), "curve_share": share.tolist(), "curve_stated": stated.tolist(),
            "expected_calibration_error": float((weight * np.abs(share - stated)).sum()), "area_under_curve": float(roc_auc_score(happened, probability)),
        })
    numbers = []
    for n in (2, 7, 200):
        a = np.round(rng.normal(2, 5, n), 3)
        b = np.round(a + rng.normal(0, 4, n), 3)
        numbers.append({
            "a": a.tolist(), "b": b.tolist(), "mean": float(a.mean()), "sd": float(a.std(ddof=1)), "correlation": float(np.corrcoef(a, b)[0, 1]),
            "quantiles": {str(p): float(np.quantile(a, p)) for p in (0.0, 0.05, 0.5, 0.95, 1.0)},
        })
    print(json.dumps({
        "made_by": f"scripts/bench/statistics_reference.py --seed {seed}; scikit-learn {sklearn.__version__}, statsmodels {statsmodels.__version__}, NumPy {np.__version__}",
        "wilson": wilson, "forecasts": forecasts, "numbers": numbers,
    }))


if __name__ == "__main__":
    main()
