"""Whole-frame stills of posed bodies with known gaps, for measuring the whole program: NAME.jpg, NAME.truth.json, NAME.floor.json.

    python scripts/bench/make_stills.py --poses FOLDER --split test --count 80 --out FOLDER [--seed 1] [--cameras 2]

With `--cameras 2` every body is seen by two cameras at the same instant, in the same hall with the same marks: NAME-a and NAME-b, of two different elevation classes two times in three.

Bodies, carpets, walls and lights of the calibration and test splits were never trained on as produce.py says. Elevations are spread evenly over low (2-10 degrees), middle
(10-25) and high (25-50). Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

root = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(root), str(root / "train")]

import contract  # noqa: E402
import produce  # noqa: E402

CLASSES = ((2.0, 10.0), (10.0, 25.0), (25.0, 50.0))


def camera_for(rng, cameras, low, high, focus, wanted: int, azimuth_deg: float | None = None):
    """A camera of the wanted elevation class (and azimuth, as `cameras.sample`) that shows the whole athlete, its longer side 1280 or 1920 px."""
    for _ in range(200):
        camera, lens = cameras.sample(rng, low, high, focus, azimuth_deg)
        eye = -np.asarray(camera.R).T @ np.asarray(camera.t)
        d = eye - focus
        elevation = np.degrees(np.arctan2(d[2], np.hypot(d[0], d[1])))
        if CLASSES[wanted][0] <= elevation < CLASSES[wanted][1]:
            break
    longest = 1280 if rng.random() < 0.6 else 1920
    k = min(1.0, longest / max(camera.width, camera.height))
    return replace(camera, width=int(round(camera.width * k)), height=int(round(camera.height * k)), focal_px=camera.focal_px * k), lens


def main() -> None:
    from PIL import Image

    from scenes import appearance as look
    from scenes import cameras, postprocess
    from scenes.body import body_model
    from scenes.raster import Mesh, Quality, Renderer, thread_limit

    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--poses", type=Path, required=True)
    p.add_argument("--split", required=True, choices=("calibration", "test"))
    p.add_argument("--count", type=int, default=80)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--limit-mb", type=float, default=7.5)
    p.add_argument("--cameras", type=int, default=1, choices=(1, 2), help="cameras that see each body")
    p.add_argument("--light", action="store_true", help="fewer light samples: for a processor without a card")
    o = p.parse_args()
    thread_limit()
    o.out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([o.seed, {"calibration": 2, "test": 3}[o.split], 77])
    model = body_model("cpu")
    posed = []
    for path in sorted(o.poses.glob("*.pose")):
        posed += [q for q in produce.read_poses(path, model) if q.kind == "stance"]
        if len(posed) > 2 * o.count:
            break
    renderer = Renderer(Quality(tight=1024, wide=512, depth=1024, sky=17, light=5, wide_sky=5, wide_light=3, vertex_sky=12) if o.light else Quality(), slots=1)
    written, size, begin = 0, 0, time.time()
    for index in rng.permutation(len(posed)):
        if written >= o.count or size > o.limit_mb * 1e6:
            break
        q = posed[index]
        fixed, held = produce.families(rng, o.split)
        scene = look.sample(rng, **fixed)
        others = [posed[j] for j in rng.integers(len(posed), size=len(scene.neighbours))]
        dressed, notes = look.dress(q, scene)
        focus, centre = look.focus_of(q)
        renderer.upload(Mesh.join([dressed, *look.surroundings(q, scene, others)]))
        renderer.bake(look.place_lights(scene, focus), scene.light_radius, focus, centre, scene.seed)
        corners = None
        for which in range(o.cameras):
            camera, lens = camera_for(rng, cameras, q.vertices.min(0).astype(float), q.vertices.max(0).astype(float), focus + [0, 0, 0.05], (written + which * (1 + written // 3 % 3)) % 3)
            picture = postprocess.degrade(renderer.frame(look.look_of(scene, camera), camera), rng)
            name = f"{o.split}{written:04d}" + ("-" + "ab"[which] if o.cameras > 1 else "")
            Image.fromarray(picture).save(o.out / f"{name}.jpg", quality=86)
            size += (o.out / f"{name}.jpg").stat().st_size
            points = {k: np.asarray(v, float) for k, v in q.truth.points.items()}
            middle = (points["knee_joint"] + points["heel_back"]) / 2
            uv, depth = camera.project(np.stack([points[n] for n in contract.POINTS]))
            seen, _ = camera.project(middle[None])
            elevation, ray = produce.ray_elevation(camera, seen[0])
            d = points["ankle_joint"] - points["knee_joint"]
            azimuth = (np.degrees(np.arctan2(-ray[1], -ray[0]) - np.arctan2(d[1], d[0])) + 180) % 360 - 180
            truth = {
                "kneeling_leg": q.kneeling_leg, "stature_m": q.truth.stature_m, "shank_length_m": q.truth.shank_length_m,
                "gap_mm": {s: round(float(q.truth.gap_mm[s]), 2) for s in contract.STATIONS},
                "cloth_gap_mm": {s: None if np.isnan(notes["cloth_gap_mm"][s]) else round(float(notes["cloth_gap_mm"][s]), 2) for s in contract.STATIONS},
                "points_px": np.round(uv, 2).tolist(), "shank_px": float(camera.focal_px / depth[:1].mean() * q.truth.shank_length_m),
                "elevation_deg": float(np.degrees(elevation)), "azimuth_deg": float(azimuth), "focal_px": camera.focal_px, "image_size": [camera.width, camera.height],
                "clothing": scene.lower["family"], "footwear": scene.footwear["family"], "carpet": scene.carpet["family"], "light": scene.light["family"], "lens": lens, "held_out": bool(held),
            }
            (o.out / f"{name}.truth.json").write_text(json.dumps(truth))
            if corners is None:
                at = focus[:2] + rng.normal(0, 0.3, 2)
                turn = rng.uniform(0, 2 * np.pi)
                half = rng.uniform(0.4, 1.2, 2)
                corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (0, -1), (0, 1)]) * half
                corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + at
            uv, depth = camera.project(np.column_stack([corners, np.zeros(len(corners))]))
            marks = [{"image": np.round(u + rng.normal(0, 1, 2), 1).tolist(), "carpet_m": np.round(c, 4).tolist()} for u, c, z in zip(uv, corners, depth)
                     if z > 0.2 and -0.4 * camera.width < u[0] < 1.4 * camera.width and -0.4 * camera.height < u[1] < 1.4 * camera.height]
            (o.out / f"{name}.floor.json").write_text(json.dumps({"image_size": [camera.width, camera.height], "marks": marks, "sigma_px": 1.0}))
        written += 1
    print(f"{o.split}: {written} stills, {size / 1e6:.1f} MB, {time.time() - begin:.0f} s", flush=True)


if __name__ == "__main__":
    main()
