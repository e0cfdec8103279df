"""Render whole bodies in the low stance with their true landmarks, to measure the general keypoint network on them.

Writes NAME.png and truth.json (one row a picture: elevation, kneeling leg, the 33 true landmarks, px) to a folder that git
ignores; benches/pose_accuracy.rs reads it. Rendered bodies are not people: what the network does on them is a hint.

Usage (from the repository's root, after scripts/scenes/setup):
    .venv-scenes/bin/python scripts/models/make_pose_stills.py [--poses 24] [--cameras 3] [--seed 5] [--out .data/pose_stills]
"""

import argparse
import json
import os
import sys
from pathlib import Path

import numpy as np

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(REPOSITORY / "scripts"))

from PIL import Image  # noqa: E402
from scenes import appearance, cameras, motion, stance  # noqa: E402
from scenes.raster import Quality, Renderer, thread_limit  # noqa: E402
from scenes.types import LANDMARK_NAMES  # noqa: E402

SIZE = (1280, 720)
QUALITY = Quality(tight=512, wide=512, depth=512, sky=17, light=5, wide_sky=5, wide_light=3, vertex_sky=12, tight_half_m=0.7, wide_half_m=2.3, depth_half_m=1.2)


def camera_for(posed, rng):
    """A camera that sees the whole body, 250 to 620 px of it in height or breadth, from 2 to 45 degrees, any side."""
    elevation, azimuth, distance = rng.uniform(2, 45), rng.uniform(0, 360), rng.uniform(3.0, 9.0)
    points = posed.truth.points
    leg = (np.asarray(points["knee_joint"], float) + np.asarray(points["ankle_joint"], float)) / 2
    low, high = posed.vertices.min(0).astype(float), posed.vertices.max(0).astype(float)
    focal = rng.uniform(260, 620) * distance / max(high - low)
    camera = cameras.place(leg, elevation, azimuth, distance, focal, SIZE)
    aim = (low + high) / 2 + rng.normal(0, 0.1, 3)
    camera.R, camera.t = cameras.look_at(camera.centre_m, aim, np.radians(rng.normal(0, 1.0)))
    return camera, elevation


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--poses", type=int, default=24)
    parser.add_argument("--cameras", type=int, default=3, help="pictures of each pose")
    parser.add_argument("--standing", type=int, default=6, help="further poses that are no stance")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--out", type=Path, default=REPOSITORY / ".data" / "pose_stills")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    thread_limit()
    options.out.mkdir(parents=True, exist_ok=True)
    poses = stance.solve_stances(options.poses, rng) + motion.plain_poses(options.standing, rng)
    renderer = Renderer(QUALITY, slots=1)
    rows = []
    for number, posed in enumerate(poses):
        look = appearance.sample(rng)
        dressed, _ = appearance.dress(posed, look)
        focus, centre = appearance.focus_of(posed)
        renderer.upload(dressed)
        renderer.bake(look.light_position, look.light_radius, focus, centre, 0.3, look.light["on"])
        for view in range(options.cameras):
            camera, elevation = camera_for(posed, rng)
            image = renderer.frame(appearance.look_of(look, camera), camera)
            name = f"{number:03d}_{view}.png"
            Image.fromarray(image).save(options.out / name)
            uv, _ = camera.project(np.stack([posed.truth.joints33[n] for n in LANDMARK_NAMES]))
            rows.append({
                "file": name,
                "kind": posed.kind,
                "kneeling_leg": posed.kneeling_leg,
                "elevation_deg": round(elevation, 2),
                "shank_m": round(posed.truth.shank_length_m, 4),
                "px_per_m": round(float(camera.focal_px / np.linalg.norm(camera.centre_m - focus)), 3),
                "landmarks_px": np.round(uv, 2).tolist(),
            })
    # Written last, so that a folder with a truth is whole.
    temporary = options.out / "truth.json.tmp"
    temporary.write_text(json.dumps({"landmark_names": list(LANDMARK_NAMES), "pictures": rows}))
    os.replace(temporary, options.out / "truth.json")
    print(f"{len(rows)} pictures in {options.out}")


if __name__ == "__main__":
    main()
