"""Rendered clips of whole repetitions with their truth: fixtures/repetition_clips/.

    python -m scenes.make_repetition_clips [--only hand,replay] [--frames 4 --out FOLDER]        (from the folder scripts/)

`hand`: a jump with one and a half turns, one foot first, a hand on the carpet in the stance, 30 frames a second. `replay`: a clean one, then a cut to a second camera
that shows take-off, flight and landing again at a quarter of the speed. Truth as for the other clips, with `repetition` (times in real seconds) and, for the replay,
`shots`: when each begins in the recording, from which real time on, and how many times slower.
"""

from __future__ import annotations

import argparse
import subprocess
from pathlib import Path

import numpy as np

from .jump import Event, Wish, frames_of, simulate, solve_bodies
from .make_fixtures import FPS, Movement, View, make, write_json

OUT = Path(__file__).resolve().parents[2] / "fixtures" / "repetition_clips"


def noted(rep, frames):
    """Frames with the phase that `make_fixtures` asks for."""
    for t, p in frames:
        p.notes["phase"] = "hold" if rep.truth["rest_s"] <= t < rep.truth["leave_s"] else "other"
    if not any(p.notes["phase"] == "hold" for _, p in frames):
        frames[-1][1].notes["phase"] = "hold"  # what the camera is set up by
    return frames


def main() -> None:
    """Command line."""
    import torch

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--only", default="")
    parser.add_argument("--frames", type=int)
    o = parser.parse_args()
    torch.set_num_threads(1)
    wanted = [n for n in o.only.split(",") if n]
    bodies, angles, heights = solve_bodies(2, np.random.default_rng(77))
    if not wanted or "hand" in wanted:
        wish = Wish(turn_deg=-540, rise_m=0.34, gap_s=0.11, hold_s=1.7, kneeling="right", events=(Event("hand", 0.35, 1.0),))
        rep = simulate(wish, bodies[0], angles[0], float(heights[0]), np.random.default_rng(78))
        end = min(rep.truth["leave_s"] + 0.5, (len(rep.angles) - 1) / 240)
        frames = noted(rep, frames_of(rep, FPS, 0.3, (rep.truth["take_off_s"] - 0.45, end)))
        m = Movement("hand", "repetition", {}, 16, "tights", "bare", (0.05, 0.16, 0.38), (View("hand", 5.0, 12.0, 5.2, 1080.0),))
        make(m, o.out, o.frames, [(t - frames[0][0], p) for t, p in frames], {"repetition": rep.truth | {"clip_starts_at_s": round(frames[0][0], 5)}})
    if not wanted or "replay" in wanted:
        rep = simulate(Wish(turn_deg=360, rise_m=0.32, hold_s=0.9, kneeling="right"), bodies[1], angles[1], float(heights[1]), np.random.default_rng(79))
        end = min(rep.truth["leave_s"] + 0.4, (len(rep.angles) - 1) / 240)
        first = noted(rep, frames_of(rep, FPS, 0.6, (rep.truth["take_off_s"] - 0.4, end)))
        slow = noted(rep, frames_of(rep, 4 * FPS, 0.0, (rep.truth["take_off_s"] - 0.12, rep.truth["contact_s"]["right"] + 0.2)))
        scratch = o.out / "parts"
        for k, (name, frames, view) in enumerate((("part-real", first, View("part-real", 6.0, 20.0, 5.4, 1080.0)), ("part-slow", slow, View("part-slow", 7.0, -25.0, 5.0, 1080.0)))):
            m = Movement(name, "repetition", {}, 17, "shorts", "bare", (0.42, 0.06, 0.07), (view,))
            step = 1 / FPS
            make(m, scratch, o.frames, [(i * step, p) for i, (_, p) in enumerate(frames)], {"real_starts_at_s": round(frames[0][0], 5)})
        (scratch / "list.txt").write_text("file part-real.mp4\nfile part-slow.mp4\n")
        subprocess.run(["ffmpeg", "-v", "error", "-y", "-f", "concat", "-safe", "0", "-i", str(scratch / "list.txt"), "-c", "copy", "-movflags", "+faststart", str(o.out / "replay.mp4")], check=True)
        shots = [
            {"start_s": 0.0, "real_s": round(first[0][0], 5), "slower": 1},
            {"start_s": round(len(first) / FPS, 5), "real_s": round(slow[0][0], 5), "slower": 4},
        ]
        write_json(o.out / "replay.truth.json", {"about": "rendered; not a real athlete", "fps": FPS, "kneeling_leg": "right", "stature_m": rep.truth["stature_m"], "repetition": rep.truth, "shots": shots})
        for f in scratch.iterdir():
            f.unlink()
        scratch.rmdir()


if __name__ == "__main__":
    main()
