"""Rendered clips seen by a camera that moves, with their truth: fixtures/moving_clips/.

    python -m scenes.make_moving_clips [--only sway,pan,walk] [--frames 4 --out FOLDER]        (from the folder scripts/)

`sway`: a lifted heel filmed by hand (the phone turns by about a degree and shifts by some millimetres). `pan`: a clean stance from a tripod head that pans and tilts while the
lens zooms (a pure turn about the camera's centre). `walk`: a clean stance filmed by somebody who walks past (the camera's place changes by decimetres, so carpet and walls
shift against each other). The marks lie in the first frame. Truth as for the other clips, with `cameras`: focal length, rotation and translation frame by frame.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from . import appearance as look
from . import cameras
from .make_fixtures import FPS, QUALITY, Encoder, Movement, Sensor, View, camera_of, moved, scene_of, truth_of, write_floor, write_json
from .raster import Renderer, thread_limit
from .types import POINT_NAMES, Camera

OUT = Path(__file__).resolve().parents[2] / "fixtures" / "moving_clips"
SHORT = {"kneeling": "right", "approach_s": 0.3, "lower_s": 0.5, "settle_s": 0.15, "hold_s": 1.25, "leave_s": 0.1}


def turned(camera: Camera, turn_deg, zoom: float = 1.0, shift_m=(0.0, 0.0, 0.0)) -> Camera:
    """The camera turned about its own axes (right, down, forward; degrees), zoomed, and moved along the carpet's axes."""
    a = np.radians(np.asarray(turn_deg, float))
    angle = np.linalg.norm(a)
    k = np.array([[0, -a[2], a[1]], [a[2], 0, -a[0]], [-a[1], a[0], 0]])
    turn = np.eye(3) if angle < 1e-12 else np.eye(3) + np.sin(angle) / angle * k + (1 - np.cos(angle)) / angle**2 * k @ k
    R = turn @ np.asarray(camera.R)
    centre = camera.centre_m + np.asarray(shift_m)
    return replace(camera, R=R, t=-R @ centre, focal_px=camera.focal_px * zoom)


def sway(camera: Camera, t: float) -> Camera:
    """A phone in the hands: slow sway, faster tremble, and the hands' own shift."""
    w = 2 * np.pi * t
    turn = (0.5 * np.sin(0.7 * w) + 0.06 * np.sin(6.1 * w), 0.9 * np.sin(0.5 * w + 0.4) - 0.9 * np.sin(0.4) + 0.07 * np.sin(7.3 * w), 0.6 * np.sin(0.9 * w))
    shift = (0.006 * np.sin(0.6 * w), 0.006 * np.sin(0.45 * w), 0.004 * np.sin(0.8 * w))
    return turned(camera, turn, 1.0, shift)


def pan(camera: Camera, t: float) -> Camera:
    """A tripod head: eight degrees a second sideways and back, a little tilt, a zoom in."""
    return turned(camera, (1.2 * np.sin(1.8 * t), 5.0 * np.sin(1.6 * t), 0.0), 1.0 + 0.11 * t)


def walk(camera: Camera, t: float) -> Camera:
    """Somebody walks past at 0.5 m/s, keeps the athlete in the picture, and bobs."""
    right = np.asarray(camera.R)[0]
    centre = camera.centre_m + right * (0.5 * t) + np.array([0, 0, 0.02 * np.sin(2 * np.pi * 1.8 * t)])
    R, tr = cameras.look_at(centre, np.array([0, 0, 0.7]), np.radians(0.6))
    R0, _ = cameras.look_at(camera.centre_m, np.array([0, 0, 0.7]), np.radians(0.6))
    R = np.asarray(camera.R) @ R0.T @ R
    return replace(camera, R=R, t=-R @ centre)


CLIPS = {
    "sway": (sway, Movement("sway", "heel", dict(SHORT), 12, "tights", "bare", (0.05, 0.16, 0.38), (View("sway", 6.0, -8.0, 4.2, 1080.0),))),
    "pan": (pan, Movement("pan", "clean", dict(SHORT), 11, "shorts", "bare", (0.42, 0.06, 0.07), (View("pan", 8.0, 12.0, 5.0, 1000.0),))),
    "walk": (walk, Movement("walk", "clean", dict(SHORT), 13, "shorts", "socks", (0.07, 0.25, 0.13), (View("walk", 6.0, 4.0, 4.2, 1080.0),))),
}


def make(name: str, out: Path, limit: int | None) -> None:
    """Renders one clip."""
    from .motion import clip

    path, m = CLIPS[name]
    start = time.perf_counter()
    frames = clip(m.kind, FPS, np.random.default_rng(m.seed), dict(m.request))
    held = [p for _, p in frames if p.notes["phase"] == "hold"]
    held = held[len(held) // 2]
    shift = held.vertices.mean(0) * np.array([1, 1, 0], np.float32)
    frames = [(t, moved(p, -shift)) for t, p in frames]
    held = moved(held, -shift)
    if limit:
        frames = [frames[i] for i in np.unique(np.linspace(0, len(frames) - 1, limit).astype(int))]
    scene = scene_of(m)
    thread_limit()
    r = Renderer(QUALITY, slots=1)
    out.mkdir(parents=True, exist_ok=True)
    view = m.views[0]
    camera = camera_of(view, held)
    encoder = Encoder(out / f"{name}.mp4", view.size, 0)
    sensor = Sensor(view.size, np.random.default_rng(m.seed + 100))
    cloth_gaps, seen = [], []
    previous = None
    for t, p in frames:
        now = path(camera, t)
        dressed, notes = look.dress(look.reduced(p, "distant"), scene)
        cloth_gaps.append(notes["cloth_gap_mm"])
        focus, centre = look.focus_of(p)
        r.upload(dressed)
        r.bake(scene.light_position, scene.light_radius, focus, centre, 0.3, scene.light["on"])
        speed = 0.0 if previous is None else float(np.linalg.norm(p.vertices - previous, axis=1).mean()) * FPS
        previous = p.vertices
        smear = min(speed / 60 * now.focal_px / view.distance, 8.0)
        encoder.add(sensor.expose(sensor.lens(r.frame(look.look_of(scene, now), now), smear)))
        points, _ = now.project(np.stack([p.truth.points[n] for n in POINT_NAMES]))
        seen.append((now, points))
    encoder.close()
    truth = truth_of(view, m, path(camera, frames[0][0]), frames, scene, cloth_gaps)
    for row, (now, points) in zip(truth["frames"], seen):
        row["points_px"] = np.round(points, 2).tolist()
        del row["points_m"], row["landmarks_px"], row["cloth_gap_mm"]
    truth["cameras"] = [
        {"focal_px": round(now.focal_px, 3), "rotation": np.round(now.R, 8).tolist(), "translation_m": np.round(now.t, 6).tolist()} for now, _ in seen
    ]
    write_json(out / f"{name}.truth.json", truth)
    write_floor(out / f"{name}.floor.json", path(camera, frames[0][0]), m.seed)
    print(f"{name}: {len(frames)} frames, {time.perf_counter() - start:.0f} s", flush=True)


def main() -> None:
    """Command line."""
    import torch

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--only", default="")
    parser.add_argument("--frames", type=int, help="this many frames a clip only (a look)")
    o = parser.parse_args()
    torch.set_num_threads(1)
    wanted = [n for n in o.only.split(",") if n]
    for name in CLIPS:
        if not wanted or name in wanted:
            make(name, o.out, o.frames)


if __name__ == "__main__":
    main()
