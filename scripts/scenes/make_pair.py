"""A second recording of the repetition of fixtures/clips/heel30-low.mp4, by another camera with its own clock: fixtures/pairs/heel30-second.mp4.

    python -m scenes.make_pair [--out FOLDER]        (from the folder scripts/)

The same body, movement, hall and taped rectangle as heel30-low, from 28 degrees over the carpet, at 25 frames a second instead of 30, started a part of a frame later: its time 0 is
28/150 s of the other's clock. Marks' carpet coordinates are those of heel30-low's floor file.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from . import make_fixtures
from .make_fixtures import MOVEMENTS, View, make, write_json
from .types import Posed

OUT = Path(__file__).resolve().parents[2] / "fixtures" / "pairs"
#: Frames a second of the second recording.
FPS = 25.0
#: When it starts on the first one's clock: 4.667 of its own frames, 5.6 of the first recording's.
START_S = 28 / 150


def between(a: Posed, b: Posed, share: float) -> Posed:
    """The body between two frames: straight lines (a thirtieth of a second apart they miss the curve by a millimetre)."""
    mix = lambda x, y: (1 - share) * np.asarray(x, float) + share * np.asarray(y, float)  # noqa: E731
    every = lambda x, y: {k: mix(x[k], y[k]) for k in x}  # noqa: E731
    truth = replace(a.truth, gap_mm={k: float(v) for k, v in every(a.truth.gap_mm, b.truth.gap_mm).items()}, points=every(a.truth.points, b.truth.points), joints33=every(a.truth.joints33, b.truth.joints33))
    return replace(a if share < 0.5 else b, vertices=mix(a.vertices, b.vertices).astype(np.float32), joints=every(a.joints, b.joints), truth=truth)


def main() -> None:
    """Command line."""
    import torch

    from .motion import clip

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--frames", type=int, help="this many frames only (a look)")
    o = parser.parse_args()
    torch.set_num_threads(1)
    heel = next(m for m in MOVEMENTS if m.name == "heel")
    known = clip(heel.kind, make_fixtures.FPS, np.random.default_rng(heel.seed), dict(heel.request))
    middle = lambda frames: (held := [p for _, p in frames if p.notes.get("phase") == "hold"])[len(held) // 2].vertices.mean(0) * np.array([1, 1, 0], np.float32)  # noqa: E731
    # The athlete stands where the first recording has them: in the middle of the rectangle at the middle of its hold.
    shift = middle(known)
    told = json.loads((make_fixtures.OUT / "heel30-low.truth.json").read_text())
    off = max(np.abs(np.stack([p.truth.points[n] for n in told["point_names"]]) - shift - np.array(row["points_m"])).max() for (_, p), row in zip(known, told["frames"]))
    print(f"the movement differs from heel30-low's by at most {1000 * off:.2f} mm")
    frames = []
    for i in range(int((known[-1][0] - START_S) * FPS) + 1):
        at = (START_S + i / FPS) * make_fixtures.FPS
        k = min(int(at), len(known) - 2)
        frames.append((i / FPS, between(known[k][1], known[k + 1][1], at - k)))
    # `make` puts the middle of these frames' own hold into the rectangle's middle; the marks move with it.
    away = [float(x) for x in (shift - middle(frames))[:2]]
    make_fixtures.RECTANGLE = tuple(make_fixtures.RECTANGLE[i] + away[i % 2] for i in range(4))
    make_fixtures.FPS = FPS
    m = replace(heel, views=(View("heel30-second", 28.0, 62.0, 6.5, 1500.0),))
    make(m, o.out, o.frames, frames, {"starts_at_s_of_heel30_low": round(START_S, 5), "frame_away_m": away})
    # The marks by the coordinates of the first recording's floor file.
    for name, key in (("heel30-second.floor.json", "marks"), ("heel30-second.truth.json", "carpet_marks")):
        data = json.loads((o.out / name).read_text())
        for mark in data[key]:
            mark["carpet_m"] = [round(x - a, 4) for x, a in zip(mark["carpet_m"], away)]
        write_json(o.out / name, data)


if __name__ == "__main__":
    main()
