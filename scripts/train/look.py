"""Contact sheets: stored crops as the network sees them, truth drawn in; or stored pictures as they are.

    python look.py --data DIR --out sheet.png [--still] [--model lower_leg.onnx]
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
import torch

import augment
import contract
import predict
import shards


def sheet(arrays: dict, plan: augment.Plan, count: int, columns: int, model=None, seed: int = 3) -> np.ndarray:
    """One picture of ``count`` crops; green dots: seen points, red: hidden; white crosses: what a model says."""
    gen = torch.Generator().manual_seed(seed)
    n = min(count, len(arrays["image"]))
    labels = {k: torch.from_numpy(np.ascontiguousarray(arrays[k][:n]).astype(np.float32)) for k in augment.LABELS}
    crop, camera, lab = augment.batch(torch.from_numpy(arrays["image"][:n]), labels, plan, gen)
    said = model(crop, camera) if model else None
    tiles = []
    for i in range(n):
        tile = np.ascontiguousarray((crop[i].permute(1, 2, 0).numpy() * 255).round().astype(np.uint8))
        for k in range(len(contract.POINTS)):
            q = lab["points"][i, k].numpy()
            if not np.isfinite(q).all() or (np.abs(q) > 1000).any():
                continue
            colour = (0, 230, 0) if lab["visible"][i, k] > 0.5 else (255, 40, 40)
            cv2.circle(tile, (int(q[0]), int(q[1])), 3 if k < 11 else 2, colour, 1, cv2.LINE_AA)
            if said is not None and lab["in_crop"][i, k] > 0.5:
                c = said["points"][i, k]
                cv2.drawMarker(tile, (int(c[0]), int(c[1])), (255, 255, 255), cv2.MARKER_CROSS, 7, 1)
        g = (lab["gap"][i] * lab["shank_m"][i] * 1000).numpy()
        text = " ".join(f"{v:.0f}" for v in g) if lab["present"][i] > 0.5 else f"none: {arrays['kind'][i]}"
        cv2.putText(tile, text, (3, 11), cv2.FONT_HERSHEY_SIMPLEX, 0.36, (255, 255, 0), 1, cv2.LINE_AA)
        if said is not None:
            g = said["gap"][i] * float(lab["shank_m"][i]) * 1000
            cv2.putText(tile, " ".join(f"{v:.0f}" for v in g) + f" p{1 / (1 + np.exp(-said['present'][i])):.2f}", (3, 23), cv2.FONT_HERSHEY_SIMPLEX, 0.36, (255, 255, 255), 1, cv2.LINE_AA)
        note = f"el {np.degrees(float(lab['elevation'][i])):.0f} az {np.degrees(np.arctan2(*lab['azimuth'][i].numpy())):.0f} {'L' if lab['is_left'][i] > 0.5 else 'R'} {arrays['clothing'][i]}/{arrays['footwear'][i]}"
        cv2.putText(tile, note, (3, 252), cv2.FONT_HERSHEY_SIMPLEX, 0.36, (0, 255, 255), 1, cv2.LINE_AA)
        tiles.append(tile)
    while len(tiles) % columns:
        tiles.append(np.zeros_like(tiles[0]))
    return np.concatenate([np.concatenate(tiles[a: a + columns], 1) for a in range(0, len(tiles), columns)])


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--data", type=Path, required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--count", type=int, default=24)
    p.add_argument("--columns", type=int, default=6)
    p.add_argument("--model", type=Path)
    p.add_argument("--still", action="store_true")
    o = p.parse_args()
    paths = sorted([*o.data.glob("*.npz"), *o.data.glob("*.zip")])
    if not paths:
        raise SystemExit(f"{o.data} holds no crop shards")
    placed = paths[0].suffix == ".zip"
    arrays = shards.read_placed(paths[0]) if placed else shards.read_all(o.data, o.count)
    plan = predict.plan(1.0, True) if o.still else augment.Plan()
    plan.as_is = placed
    picture = sheet(arrays, plan, o.count, o.columns, predict.Model(o.model) if o.model else None)
    cv2.imwrite(str(o.out), picture[..., ::-1])
    print(o.out)


if __name__ == "__main__":
    main()
