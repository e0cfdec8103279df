"""Reference values of agreement statistics by scikit-learn and statsmodels, for tests/agreement_outside.rs.

Usage: .venv-scenes/bin/python scripts/bench/agreement_reference.py > tests/data/statistics/agreement.json
"""

import json
import sys

import numpy as np
import sklearn
import statsmodels
from sklearn.metrics import cohen_kappa_score, confusion_matrix, roc_auc_score, roc_curve
from statsmodels.stats.inter_rater import aggregate_raters, cohens_kappa, fleiss_kappa


def pair(random, n, agreement):
    first = random.choice(3, size=n, p=[0.5, 0.3, 0.2])
    second = np.where(random.random(n) < agreement, first, random.choice(3, size=n))
    return first, second


def main():
    random = np.random.default_rng(1960)
    out = {"versions": {"scikit-learn": sklearn.__version__, "statsmodels": statsmodels.__version__, "numpy": np.__version__}}
    out["cohen"] = []
    for n, agreement in [(12, 0.5), (60, 0.7), (400, 0.2), (400, 0.95)]:
        first, second = pair(random, n, agreement)
        table = confusion_matrix(first, second, labels=[0, 1, 2])
        out["cohen"].append({
            "first": first.tolist(),
            "second": second.tolist(),
            "table": table.tolist(),
            "equal": cohen_kappa_score(first, second),
            "linear": cohen_kappa_score(first, second, weights="linear"),
            "quadratic": cohen_kappa_score(first, second, weights="quadratic"),
            # statsmodels' own large-sample interval, to hold the bootstrap against.
            "equal_interval_95": [float(cohens_kappa(table).kappa_low), float(cohens_kappa(table).kappa_upp)],
        })
    out["fleiss"] = []
    for subjects, raters in [(14, 10), (80, 3)]:
        truth = random.choice(3, size=subjects)
        said = np.where(random.random((subjects, raters)) < 0.6, truth[:, None], random.choice(3, size=(subjects, raters)))
        table, _ = aggregate_raters(said, n_cat=3)
        out["fleiss"].append({"table": table.tolist(), "kappa": fleiss_kappa(table, method="fleiss")})
    fault = random.random(150) < 0.4
    gap = np.round(np.where(fault, random.normal(26, 12, 150), random.normal(6, 9, 150)), 1)
    false_rate, true_rate, thresholds = roc_curve(fault, gap, drop_intermediate=False)
    out["roc"] = {
        "fault": fault.tolist(),
        "gap": gap.tolist(),
        # scikit-learn flags scores at or above its threshold, we flag those above ours: its threshold less a hair is ours.
        "thresholds": [float(t) - 1e-9 for t in thresholds[1:]],
        "false_flag_rate": false_rate[1:].tolist(),
        "sensitivity": true_rate[1:].tolist(),
        "area": float(roc_auc_score(fault, gap)),
        "best_index": float(np.max(true_rate - false_rate)),
    }
    json.dump(out, sys.stdout)
    print()


if __name__ == "__main__":
    main()
