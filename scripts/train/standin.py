"""Stand-in crops: a drawn bar over its shadow, so that the whole path can be rehearsed without a renderer.

They carry a real signal (the bar's ends are the points, its distance to the shadow the gap),
so a network that learns nothing from them is broken. They say nothing about real use.

    python standin.py --out DIR --shards 4 --each 64 --seed 1
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

import contract
import shards


def draw(n: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """``n`` stand-in crops in the shard format."""
    size, count = contract.STORE_PX, len(contract.POINTS)
    a = {name: np.zeros((n, *[size if s is None else s for s in shape]), dtype) for name, (dtype, shape) in shards.FIELDS.items()}
    shank = size / contract.STORE_SIDE_SHANKS
    fractions = np.array([0.0, 0.0, 0.25, 0.5, 0.75, 0.97, 0.97, 1.12, 1.05, 1.3, 1.25])
    for i in range(n):
        image = np.full((size, size, 3), rng.integers(60, 200, 3), np.uint8)
        image = (image * rng.uniform(0.85, 1.15, (size, size, 1))).clip(0, 255).astype(np.uint8)
        present = rng.random() < 0.85
        angle = rng.uniform(-0.35, 0.35) + (np.pi if rng.random() < 0.5 else 0)
        along = np.array([np.cos(angle), np.sin(angle)])
        centre = np.full(2, size / 2) + rng.normal(0, 6, 2)
        knee = centre - along * shank * 0.53
        level = rng.uniform(0, 0.35) if rng.random() < 0.7 else rng.uniform(0, 0.015)
        shape = np.array([0.2, 0.4, 0.6, 0.8, 0.95, 1.0]) ** rng.uniform(0.5, 2)
        gap = level * shape
        elevation = rng.uniform(0.05, 0.9)
        lift = np.interp(fractions, [0, 0.25, 0.5, 0.75, 0.97, 1.05], gap)
        floor = knee + along * fractions[:, None] * shank
        points = floor - np.stack([np.zeros(11), lift * shank * np.cos(elevation)], 1)
        if present:
            cv2.line(image, *[tuple(int(v) for v in p + [0, 5]) for p in (floor[0], floor[9])], tuple(int(v) for v in rng.integers(0, 60, 3)), 9, cv2.LINE_AA)
            colour = tuple(int(v) for v in rng.integers(120, 255, 3))
            for p, q in zip(points[:-1], points[1:]):
                cv2.line(image, *[tuple(int(round(v * 16)) for v in r) for r in (p, q)], colour, 13, cv2.LINE_AA, 4)
            cv2.circle(image, tuple(int(round(v)) for v in points[0]), 15, colour, -1, cv2.LINE_AA)  # tells the knee's end
        all_points = np.full((count, 2), np.nan, np.float32)
        all_points[:11] = points
        all_points[11:] = points[3:7] + [0, 60]
        a["image"][i] = image
        a["points"][i] = all_points if present else np.nan
        a["visible"][i, :11] = 1
        a["gap_mm"][i] = gap * 360
        a["shank_m"][i], a["shank_px"][i], a["centre"][i] = 0.36, shank, centre
        a["focal_store_px"][i] = 1500
        a["elevation_rad"][i] = elevation
        a["azimuth_rad"][i] = rng.uniform(-np.pi, np.pi) if not present else angle
        a["is_left"][i], a["present"][i] = np.cos(angle) > 0, present
        a["pose_id"][i] = rng.integers(1 << 40)
        a["body_id"][i] = rng.integers(100)
        a["appearance_id"][i] = rng.integers(1000)
        a["clothing"][i] = rng.choice(["bare", "trousers"])
        a["footwear"][i] = "bare"
        a["carpet"][i] = a["light"][i] = "plain"
        a["cloth_gap_mm"][i] = np.nan
        a["kind"][i] = "stance" if present else "empty"
    return a


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--shards", type=int, default=4)
    p.add_argument("--each", type=int, default=64)
    p.add_argument("--seed", type=int, default=1)
    o = p.parse_args()
    for k in range(o.shards):
        shards.write(o.out / f"standin_{o.seed}_{k:04d}.npz", draw(o.each, np.random.default_rng([o.seed, k])))
    print(f"{o.shards * o.each} stand-in crops in {o.out}")


if __name__ == "__main__":
    main()
