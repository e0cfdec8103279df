"""Measures how a kneeling lower leg and foot go together on the body model, and the natural hollow of a clean stance.

    python scripts/calibrate/leg_shape.py POSES... --out models/leg_shape.json

POSES are files of posed bodies (scripts/train/produce.py poses). Frame and meaning: see src/leg/shape.rs. The bodies are rendered ones, not athletes.
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("poses", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--modes", type=int, default=14)
    o = parser.parse_args()
    points, gap_mm, shank_m, left = read(sorted(o.poses))
    shape = np.concatenate([in_leg_frame(points, shank_m, left).reshape(len(points), -1), gap_mm / 1000.0 / shank_m[:, None]], 1)
    mean = shape.mean(0)
    values, vectors = np.linalg.eigh(np.cov(shape.T))
    order = np.argsort(values)[::-1]
    values, vectors = values[order], vectors[:, order]
    k = min(o.modes, len(values))
    rest_sd = float(np.sqrt(values[k:].sum() / shape.shape[1]))
    clean = (gap_mm <= 5.0).all(1)
    out = {
        "names": NAMES + tuple(f"gap_{s}" for s in STATIONS),
        "mean": np.round(mean, 6).tolist(),
        "modes": [np.round(np.sqrt(values[i]) * vectors[:, i], 6).tolist() for i in range(k)],
        "rest_sd": round(rest_sd, 6),
        "clean_gap_mm": {s: {"mean": round(float(gap_mm[clean][:, i].mean()), 2), "sd": round(float(gap_mm[clean][:, i].std()), 2)} for i, s in enumerate(STATIONS)},
        "made_by": f"scripts/calibrate/leg_shape.py, {len(points)} rendered stances, {int(clean.sum())} of them clean, {k} modes",
    }
    temporary = o.out.with_suffix(".tmp")
    temporary.write_text(json.dumps(out, indent=1) + "\n")
    os.replace(temporary, o.out)
    print(f"{len(points)} stances, {int(clean.sum())} clean; rest sd {rest_sd * 1000 * shank_m.mean():.2f} mm")
    print("clean gaps, mm:", out["clean_gap_mm"])


if __name__ == "__main__":
    main()
