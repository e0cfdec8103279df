"""A held stance on the floor with its true camera, for pictures whose floor is the question (make_sheet_pictures.py, make_line_pictures.py)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np


def holds(movements) -> list:
    """The middle pose of each movement's hold, the body's middle over the origin. To be made before any renderer: torch does not load any more once one has brought its own compiler."""
    from scenes import make_fixtures as fixtures
    from scenes.motion import clip

    out = []
    for m in movements:
        frames = clip(m.kind, fixtures.FPS, np.random.default_rng(m.seed), dict(m.request))
        held = [q for _, q in frames if q.notes.get("phase") == "hold"]
        held = held[len(held) // 2]
        out.append(fixtures.moved(held, -held.vertices.mean(0) * np.array([1, 1, 0], np.float32)))
    return out


def dressed_scene(renderer, movement, held):
    """The movement's scene, with the dressed body in the renderer and its light worked out."""
    from scenes import appearance as look
    from scenes import make_fixtures as fixtures

    scene = fixtures.scene_of(movement)
    dressed, _ = look.dress(look.reduced(held, "distant"), scene)
    focus, centre = look.focus_of(held)
    renderer.upload(dressed)
    renderer.bake(scene.light_position, scene.light_radius, focus, centre, 0.3, scene.light["on"])
    return scene


def write(out: Path, name: str, renderer, scene, camera, held, rng, floor_seed: int, **more) -> dict:
    """NAME.jpg, NAME.truth.json (with `more` in it) and NAME.floor.json; returns the truth."""
    from PIL import Image

    from scenes import appearance as look
    from scenes import make_fixtures as fixtures

    sensor = fixtures.Sensor((camera.width, camera.height), rng, level=0.012)
    picture = sensor.expose(sensor.lens(renderer.frame(look.look_of(scene, camera), camera)))
    Image.fromarray(picture).save(out / f"{name}.jpg", quality=88)
    stations, _ = camera.project(np.stack([np.asarray(held.truth.points[n], float) for n in fixtures.POINT_NAMES]))
    to_leg = camera.centre_m - fixtures.leg_of(held) * [1, 1, 0]
    truth = {
        "kneeling_leg": held.kneeling_leg, "stature_m": float(held.truth.stature_m), "shank_length_m": float(held.truth.shank_length_m),
        "gap_mm": {s: round(float(held.truth.gap_mm[s]), 2) for s in fixtures.STATIONS},
        "points_px": np.round(stations, 2).tolist(), "image_size": [camera.width, camera.height], "focal_px": camera.focal_px,
        "elevation_deg": float(np.degrees(np.arctan2(to_leg[2], np.hypot(*to_leg[:2])))), "height_m": float(camera.centre_m[2]),
        "camera": {"rotation": np.asarray(camera.R).tolist(), "translation_m": np.asarray(camera.t).tolist()},
        **more,
    }
    (out / f"{name}.truth.json").write_text(json.dumps(truth))
    fixtures.write_floor(out / f"{name}.floor.json", camera, floor_seed)
    return truth
