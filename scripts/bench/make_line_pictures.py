"""Rendered pictures of a stance on a carpet of 14 m x 8 m with its boundary line, and of stances where there is no such line: NAME.jpg, NAME.truth.json, NAME.floor.json.

    python scripts/bench/make_line_pictures.py --kind boundary --out FOLDER [--count 60] [--seed 1]
    python scripts/bench/make_line_pictures.py --kind other --out FOLDER [--count 60] [--seed 1]

boundary: a carpet with a line of 5 cm along its edge, seen from three classes of elevation; how much of the line is in view is left to chance. other: everything that is not that
carpet: planks, tiles, mats, stripes, single lines across the floor, edges of carpets, rectangles of other sizes. The floor file is a rectangle of 2.4 m x 1.8 m about the
athlete (drawn in neither kind), read with 1 px. Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import posed  # noqa: E402

#: Elevation (degrees) and distance (m) of each class of camera.
CLASSES = (((3.0, 10.0), (3.0, 9.0)), ((10.0, 22.0), (4.0, 14.0)), ((22.0, 40.0), (6.0, 20.0)))
FRAMES = ((1280, 720), (1920, 1080), (1920, 1080))
CARPET_M = (14.0, 8.0)
LINE_M = 0.05
#: Sizes of rectangles that are not the carpet, m.
OTHERS = ((2.4, 1.8), (5.0, 5.0), (6.0, 4.0), (8.0, 8.0), (10.0, 10.0), (12.0, 12.0))


def camera_of(rng, cameras, held, leg, front_deg, wanted):
    """A phone or a zoom that shows the whole athlete and some of what is around, from the side where the leg lies in front (azimuth `front_deg`)."""
    azimuth = front_deg + rng.uniform(-60, 60)
    size = FRAMES[rng.integers(len(FRAMES))]
    elevations, distances = CLASSES[wanted]
    distance = float(np.exp(rng.uniform(*np.log(distances))))
    focal = np.clip(size[1] * np.exp(rng.uniform(np.log(0.2), np.log(0.65))) * distance / 1.5, 0.65 * size[0], 3.0 * size[0])
    camera = cameras.place(leg, rng.uniform(*elevations), azimuth, distance, focal, size)
    aim = np.array([*held.vertices.mean(0)[:2], rng.uniform(0.3, 0.8)]) + rng.normal(0, 0.02, 3) * distance
    R, t = cameras.look_at(camera.centre_m, aim, np.radians(rng.normal(0, 1.5)))
    return replace(camera, R=R, t=t)


def hsv(look, rng, saturation, value):
    """A random colour."""
    return look._list(look._hsv(rng.random(), rng.uniform(*saturation), rng.uniform(*value)))


def boundary(look, rng, carpet):
    """The carpet with its line: rectangle (x0, y0, x1, y1) of the line's outer edges, the athlete at the origin."""
    size = np.array(CARPET_M if rng.random() < 0.5 else CARPET_M[::-1])
    low = -rng.uniform(0.15, 0.85, 2) * size
    rectangle = [*low, *(low + size)]
    carpet.update(family=str(rng.choice(["heather", "plain", "mottled"])), lines=[], rectangle=look._list(rectangle), line_half_m=LINE_M / 2)
    base = hsv(look, rng, (0.3, 0.9), (0.2, 0.6))
    carpet.update(a=base, b=look._list(np.array(base) * rng.uniform(0.85, 1.15)))
    carpet["line_colour"] = hsv(look, rng, (0.0, 0.1), (0.75, 0.95)) if rng.random() < 0.7 else hsv(look, rng, (0.3, 0.9), (0.7, 0.95))
    margin = 0.0 if rng.random() < 0.5 else rng.uniform(0.3, 2.0)  # the carpet ends at its line, or lies on a larger one
    carpet["bounds"] = look._list(np.array(rectangle) + margin * np.array([-1, -1, 1, 1]))
    carpet["outside"] = hsv(look, rng, (0.0, 0.5), (0.15, 0.7))
    if rng.random() < 0.2:
        carpet["lines"] = [[*look._list([np.cos(a := rng.uniform(0, np.pi)), np.sin(a)]), float(rng.normal(0, 1.2)), 1.0]]
    return rectangle


def other(look, rng, carpet):
    """Everything else that has lines; a rectangle of another size is returned, None where there is none."""
    rectangle = None
    carpet["line_half_m"] = float(rng.uniform(0.02, 0.05))
    if rng.random() < 0.45:
        size = np.array(OTHERS[rng.integers(len(OTHERS))])
        low = -rng.uniform(0.2, 0.8, 2) * size
        rectangle = look._list([*low, *(low + size)])
        carpet["bounds"] = [-40.0, -40.0, 40.0, 40.0]
    elif not carpet["lines"] or rng.random() < 0.5:
        # Lines of a hall: square to each other, as on courts.
        a = rng.uniform(0, np.pi)
        carpet["lines"] = [[*look._list([np.cos(a + k * np.pi / 2), np.sin(a + k * np.pi / 2)]), float(rng.uniform(-4, 4)), 1.0] for k in range(int(rng.integers(1, 5)))]
    carpet["rectangle"] = rectangle
    return rectangle


def main() -> int:
    """Command line."""
    from scenes import appearance as look
    from scenes import cameras
    from scenes import make_fixtures as fixtures
    from scenes.raster import Renderer, thread_limit

    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--kind", choices=("boundary", "other"), required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--count", type=int, default=60)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--movement", default="clean,heel,calf,left")
    o = p.parse_args()
    rng = np.random.default_rng([o.seed, ("boundary", "other").index(o.kind)])
    o.out.mkdir(parents=True, exist_ok=True)
    movements = [m for m in fixtures.MOVEMENTS if m.name in o.movement.split(",")]
    bodies = posed.holds(movements)
    thread_limit()
    renderer = Renderer(fixtures.QUALITY, slots=1)
    written = 0
    for k, (m, held) in enumerate(zip(movements, bodies)):
        scene = posed.dressed_scene(renderer, m, held)
        leg, front_deg = fixtures.leg_of(held), fixtures.front_azimuth_deg(held)
        share = o.count // len(movements) + (k < o.count % len(movements))
        for _ in range(share):
            scene.carpet = look._carpet(rng)
            rectangle = (boundary if o.kind == "boundary" else other)(look, rng, scene.carpet)
            scene.wall = look._wall(rng)
            scene.wall.update(half=look._list(rng.uniform(9, 20, 2)), height=6.5)
            scene.develop.pop("exposure", None)
            camera = camera_of(rng, cameras, held, leg, front_deg, written % 3)
            name = f"{o.kind}{written:04d}"
            about = {"kind": o.kind, "rectangle_m": rectangle, "line_m": 2 * scene.carpet["line_half_m"], "family": scene.carpet["family"]}
            truth = posed.write(o.out, name, renderer, scene, camera, held, rng, o.seed * 1000 + written, **about)
            written += 1
            print(f"{name}: {camera.width} px, {truth['elevation_deg']:.0f} degrees", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
