"""Repetitions as exact landmarks with their truth, for the tests and the table of what happens before and after the hold: fixtures/repetitions/.

    python -m scenes.make_repetitions                                    (from the folder scripts/; twice for what is shipped:)
    python -m scenes.make_repetitions --seed 42 --suffix=-b              (other bodies and numbers; nothing is chosen on these)
    python -m scenes.make_repetitions --more --seed 141                  (and with --seed 142 --suffix=-b)

NAME.png holds the landmarks: a 16-bit grey picture, one row a time step of 1/120 s, three columns (x, y, z) a landmark of `KEPT`, value = millimetres + 32768.
NAME.json holds what is true: kneeling leg, stature, take-off, first contacts, turn, stance, rest, leaving, events.
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import numpy as np

from .jump import RATE, Event, Wish, simulate, solve_bodies

OUT = Path(__file__).resolve().parents[2] / "fixtures" / "repetitions"
#: Landmarks kept: nose, ears, and everything from the shoulders down.
KEPT = (0, 7, 8, *range(11, 33))
STEP = 2  # of the simulation's steps a row


def wishes(rng: np.random.Generator, more: bool) -> dict[str, Wish]:
    """What is made: every event alone, clean ones, and what only looks like an event. `more`: what was added later, so that what was there before stays as it is."""
    side = lambda: "left" if rng.random() < 0.4 else "right"  # noqa: E731
    sign = lambda: 1.0 if rng.random() < 0.5 else -1.0  # noqa: E731
    jump = lambda turn=540.0, **k: Wish(turn_deg=sign() * turn, rise_m=rng.uniform(0.28, 0.42), kneeling=side(), **k)  # noqa: E731
    event = lambda kind, at, length, size=0.0, where="front": (Event(kind, at, length, size, where),)  # noqa: E731
    if more:
        return {
            "elbow-front": jump(events=event("elbow", 0.2, 1.1), hold_s=1.7),
            "near-elbow": jump(events=event("near_elbow", 0.2, 1.0), hold_s=1.6),
            "seat-down": jump(events=event("seat", 0.2, 1.2), hold_s=1.8),
            "other-knee": jump(events=event("other_knee", 0.2, 1.3), hold_s=1.9),
            "landing-hop-120": jump(events=event("landing_hop", 0, 0.3, 0.12)),
            "landing-hop-280": jump(events=event("landing_hop", 0, 0.3, 0.28)),
        }
    return {
        "clean-540": jump(),
        "clean-360": jump(360.0),
        "clean-720": jump(720.0),
        "gap-020": jump(gap_s=0.020),
        "gap-040": jump(gap_s=-0.040),
        "gap-080": jump(gap_s=0.080),
        "gap-100": jump(gap_s=-0.100),
        "gap-120": jump(gap_s=0.120),
        "gap-150": jump(gap_s=-0.150),
        "short-470": jump(470.0),
        "short-430": jump(430.0),
        "step-120": jump(events=event("step", 0.35, 0.30, 0.12)),
        "step-250": jump(events=event("step", 0.30, 0.36, 0.25), hold_s=1.5),
        "landing-step": jump(events=event("landing_step", 0, 0.3, 0.20)),
        "landing-hop": jump(events=event("landing_hop", 0, 0.3, 0.18)),
        "shuffle-080": jump(events=event("shuffle", 0.35, 0.30, 0.08)),
        "shuffle-150": jump(events=event("shuffle", 0.35, 0.35, 0.15)),
        "sway-25": jump(events=event("sway", 0.25, 0.9, 25.0), hold_s=1.6),
        "sway-40": jump(events=event("sway", 0.25, 1.0, 40.0), hold_s=1.7),
        "hand-front": jump(events=event("hand", 0.2, 1.1), hold_s=1.7),
        "hand-back": jump(events=event("hand", 0.2, 1.0, where="back"), hold_s=1.6),
        "near-hand": jump(events=event("near_hand", 0.2, 1.0), hold_s=1.6),
        "passing-hand": jump(events=event("passing_hand", 0.2, 0.8), hold_s=1.5),
        "never-still": jump(still=False, hold_s=1.6),
        "no-jump": Wish(jump=False, kneeling=side()),
        "knee-up": jump(knee_down=False),
    }


def write(path: Path, data: bytes) -> None:
    """Under a temporary name, then renamed."""
    temporary = path.with_name(path.name + ".tmp")
    temporary.write_bytes(data)
    os.replace(temporary, path)


def main() -> None:
    """Command line."""
    import io

    import torch
    from PIL import Image

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--seed", type=int, default=41)
    parser.add_argument("--suffix", default="", help="put after every name")
    parser.add_argument("--more", action="store_true", help="elbow, seat, other knee and further hops")
    parser.add_argument("--only", default="", help="names, comma separated")
    o = parser.parse_args()
    torch.set_num_threads(1)
    rng = np.random.default_rng(o.seed)
    made = wishes(rng, o.more)
    bodies, angles, heights = solve_bodies(len(made), rng)
    o.out.mkdir(parents=True, exist_ok=True)
    wanted = [n for n in o.only.split(",") if n]
    for k, (name, wish) in enumerate(made.items()):
        if wanted and name not in wanted:
            continue
        name += o.suffix
        rep = simulate(wish, bodies[k], angles[k], float(heights[k]), np.random.default_rng([o.seed, k]))
        rows = np.round(rep.landmarks[::STEP, KEPT].reshape(len(rep.landmarks[::STEP]), -1) * 1000) + 32768
        picture = io.BytesIO()
        Image.fromarray(rows.clip(0, 65535).astype(np.uint16)).save(picture, "PNG", optimize=True)
        write(o.out / f"{name}.png", picture.getvalue())
        truth = rep.truth | {"rate": RATE // STEP, "landmarks": list(KEPT), "still": wish.still, "jump": wish.jump, "knee_down": wish.knee_down}
        write(o.out / f"{name}.json", json.dumps(truth, separators=(",", ":")).encode())
        print(name, len(rows), len(picture.getvalue()), truth, flush=True)


if __name__ == "__main__":
    main()
