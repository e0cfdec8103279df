"""Measures how a kneeling lower leg and foot go together on the body model, and the natural hollow of a clean stance.

    python scripts/calibrate/leg_shape.py POSES... --out models/leg_shape.json

POSES are files of posed bodies of the train split (scripts/train/produce.py poses --split train); the bench's bodies are of the other splits. Frame and meaning: see
src/leg/shape.rs. The mixture is fitted by expectation-maximisation (Dempster, Laird, Rubin, J. R. Stat. Soc. B 39(1), 1977); every component's covariance is drawn towards the
mean covariance of all as if by `--shrink` stances, so that small components stay sound. The bodies are rendered ones, not athletes.
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import numpy as np

NAMES = ("knee_joint", "knee_floor", "calf25_floor", "calf50_floor", "calf75_floor", "ankle_inner", "ankle_outer", "heel_back", "heel_floor",
         "big_toe_tip", "small_toe_tip")
ANKLE_JOINT = 15
STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")


def read(paths: list[Path]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Points [N,16,3] m, gaps [N,6] mm, shank lengths [N] m, left [N] of every posed stance."""
    parts = []
    for path in paths:
        with np.load(path, allow_pickle=False) as f:
            stance = np.char.startswith(f["kind"].astype(str), "stance") if "kind" in f.files else np.ones(len(f["left"]), bool)
            parts.append((f["points"][stance].astype(float), f["gap_mm"][stance].astype(float), f["shank_length_m"][stance].astype(float),
                          f["left"][stance].astype(bool)))
    return tuple(np.concatenate([p[k] for p in parts]) for k in range(4))


def in_leg_frame(points: np.ndarray, shank_m: np.ndarray, left: np.ndarray) -> np.ndarray:
    """[N,11,3] in shank lengths."""
    heading = points[:, ANKLE_JOINT, :2] - points[:, 0, :2]
    heading /= np.linalg.norm(heading, axis=1, keepdims=True)
    across = np.stack([-heading[:, 1], heading[:, 0]], 1)
    across[left] *= -1
    moved = points[:, : len(NAMES)].copy()
    moved[..., :2] -= points[:, 1:2, :2]
    x = (moved[..., :2] * heading[:, None]).sum(-1)
    y = (moved[..., :2] * across[:, None]).sum(-1)
    return np.stack([x, y, moved[..., 2]], -1) / shank_m[:, None, None]


def log_normal(z: np.ndarray, mean: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Log density [N] of a normal distribution."""
    factor = np.linalg.cholesky(covariance)
    y = np.linalg.solve(factor, (z - mean).T)
    return -0.5 * (y * y).sum(0) - np.log(np.diag(factor)).sum() - 0.5 * len(mean) * np.log(2 * np.pi)


def log_mixture(z: np.ndarray, weights, means, covariances) -> tuple[np.ndarray, np.ndarray]:
    """Log density [N] and the components' shares in each stance [N,K]."""
    each = np.stack([np.log(w) + log_normal(z, m, c) for w, m, c in zip(weights, means, covariances)], 1)
    top = each.max(1, keepdims=True)
    total = top[:, 0] + np.log(np.exp(each - top).sum(1))
    return total, np.exp(each - total[:, None])


def mixture(z: np.ndarray, gap_mm: np.ndarray, count: int, shrink: float, seed: int, steps: int = 300):
    """Weights, means and covariances. Starts from clusters of the gaps, small ones told apart best."""
    from sklearn.cluster import KMeans

    n, d = z.shape
    label = KMeans(count, n_init=10, random_state=seed).fit_predict(np.sign(gap_mm) * np.sqrt(np.abs(gap_mm)))
    share = np.eye(count)[label] * 0.96 + 0.04 / count
    last = -np.inf
    for step in range(steps):
        many = share.sum(0) + 1e-9
        means = share.T @ z / many[:, None]
        scatter = [((z - means[k]) * share[:, k: k + 1]).T @ (z - means[k]) for k in range(count)]
        pooled = sum(scatter) / n
        covariances = [(scatter[k] + shrink * pooled) / (many[k] + shrink) + 1e-4 * np.eye(d) for k in range(count)]
        total, share = log_mixture(z, many / n, means, covariances)
        if step > 20 and total.mean() - last < 1e-5:
            break
        last = total.mean()
    return many / n, means, covariances


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("poses", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--modes", type=int, default=24)
    parser.add_argument("--components", type=int, default=16)
    parser.add_argument("--shrink", type=float, default=15.0, help="stances' worth of the pooled covariance in each component's")
    parser.add_argument("--widen", type=float, default=1.0,
                        help="factor on every component's standard deviations, for bodies unlike those measured; choose it where --held-out is likeliest")
    parser.add_argument("--held-out", nargs="*", type=Path, default=[], help="other poses, to print their log density")
    parser.add_argument("--seed", type=int, default=1)
    o = parser.parse_args()
    points, gap_mm, shank_m, left = read(sorted(o.poses))
    shape = np.concatenate([in_leg_frame(points, shank_m, left).reshape(len(points), -1), gap_mm / 1000.0 / shank_m[:, None]], 1)
    mean = shape.mean(0)
    values, vectors = np.linalg.eigh(np.cov(shape.T))
    order = np.argsort(values)[::-1]
    values, vectors = values[order], vectors[:, order]
    k = min(o.modes, len(values))
    rest_sd = float(np.sqrt(values[k:].sum() / shape.shape[1]))
    to_modes = lambda v: (v - mean) @ vectors[:, :k] / np.sqrt(values[:k])  # noqa: E731
    weights, means, covariances = mixture(to_modes(shape), gap_mm, o.components, o.shrink, o.seed)
    covariances = [o.widen**2 * c for c in covariances]
    clean = (gap_mm <= 5.0).all(1)
    out = {
        "names": NAMES + tuple(f"gap_{s}" for s in STATIONS),
        "mean": np.round(mean, 6).tolist(),
        "modes": [np.round(np.sqrt(values[i]) * vectors[:, i], 6).tolist() for i in range(k)],
        "rest_sd": round(rest_sd, 6),
        "components": [
            {"weight": round(float(w), 5), "mean": np.round(m, 4).tolist(), "factor": [np.round(row[: i + 1], 4).tolist() for i, row in enumerate(np.linalg.cholesky(c))]}
            for w, m, c in sorted(zip(weights, means, covariances), key=lambda part: -part[0])
        ],
        "clean_gap_mm": {s: {"mean": round(float(gap_mm[clean][:, i].mean()), 2), "sd": round(float(gap_mm[clean][:, i].std()), 2)} for i, s in enumerate(STATIONS)},
        "made_by": f"scripts/calibrate/leg_shape.py, {len(points)} rendered stances, {int(clean.sum())} of them clean, {k} modes, {o.components} components, shrink {o.shrink:g}, widened {o.widen:g}",
    }
    temporary = o.out.with_suffix(".tmp")
    # one line a list: short enough to read, small enough to ship
    temporary.write_text("{\n" + ",\n".join(f" {json.dumps(key)}: " + (json.dumps(value) if key not in ("modes", "components") else "[\n  " + ",\n  ".join(map(json.dumps, value)) + "\n ]")
                                           for key, value in out.items()) + "\n}\n")
    os.replace(temporary, o.out)
    print(f"{len(points)} stances, {int(clean.sum())} clean; rest sd {rest_sd * 1000 * shank_m.mean():.2f} mm")
    print("clean gaps, mm:", out["clean_gap_mm"])
    print(f"log density a stance: {log_mixture(to_modes(shape), weights, means, covariances)[0].mean():.2f}")
    if o.held_out:
        p, g, m, at_left = read(sorted(o.held_out))
        other = np.concatenate([in_leg_frame(p, m, at_left).reshape(len(p), -1), g / 1000.0 / m[:, None]], 1)
        print(f"log density a stance of {len(p)} others: {log_mixture(to_modes(other), weights, means, covariances)[0].mean():.2f}")


if __name__ == "__main__":
    main()