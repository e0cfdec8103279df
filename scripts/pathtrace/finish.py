"""From path-traced linear pictures to a test set: stills with truth and floor marks, and shards of stored crops cut from the same stills.

    python scripts/pathtrace/finish.py --linear FOLDER --out FOLDER
    python scripts/pathtrace/finish.py --linear FOLDER --out FOLDER --for-training [--no-video]

FOLDER/stills: NAME.jpg, NAME.truth.json, NAME.floor.json (as bench/make_stills.py); FOLDER/crops: pathtraced_NNN.npz (train/shards.py).
For training: crops alone, their pictures as JPEG, and pictures of which only the window was traced will do.
Runs in the scene generator's environment; all is made anew from the linear pictures, and from their seeds alone.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

import cv2
import numpy as np

root = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(root), str(root / "train"), str(Path(__file__).resolve().parent)]

import contract  # noqa: E402
import damage  # noqa: E402
import families  # noqa: E402
import produce  # noqa: E402
import shards  # noqa: E402

from scenes.make_crops import visibility  # noqa: E402
from scenes.types import Camera  # noqa: E402


def camera_of(spec: dict) -> Camera:
    c = spec["camera"]
    return Camera(c["width"], c["height"], c["focal_px"], np.array(c["R"]), np.array(c["t"]))


def stored_crop(image: np.ndarray, x0: float, y0: float, side: float) -> np.ndarray:
    """Square window of a frame as the stored picture (352 x 352); outside the frame its edge goes on."""
    k = side / contract.STORE_PX
    x = image
    if k > 1:  # lower the detail first that the stored picture cannot hold
        x = cv2.GaussianBlur(x, (0, 0), 0.5 * np.sqrt(k * k - 1) + 1e-3, borderType=cv2.BORDER_REPLICATE)
    # stored px s has its centre at s + 0.5; OpenCV counts from pixel centres
    m = np.array([[k, 0, x0 + 0.5 * k - 0.5], [0, k, y0 + 0.5 * k - 0.5]])
    return cv2.warpAffine(x, m, (contract.STORE_PX,) * 2, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)


def row_of(spec: dict, image: np.ndarray, probe: np.ndarray, cloth_gap_mm: np.ndarray) -> dict:
    """One crop's fields (shards.FIELDS)."""
    camera = camera_of(spec)
    w, scene = spec["window"], spec["scene"]
    uv, depth = camera.project(np.array(spec["points_m"]))
    n, kind = len(contract.POINTS), spec.get("kind", "stance")
    seen = visibility(np.array([probe]) / [1.0, 255.0], np.array([depth]))[0]
    inside = (uv > 0).all(1) & (uv < [camera.width, camera.height]).all(1)
    return {
        "image": stored_crop(image, w["x0"], w["y0"], w["side"]), "points": produce.taught(((uv - [w["x0"], w["y0"]]) / w["side"] * contract.STORE_PX)[:n], kind), "visible": (seen & inside)[:n],
        "gap_mm": [spec["gap_mm"][s] for s in contract.STATIONS], "cloth_gap_mm": cloth_gap_mm, "shank_m": spec["shank_length_m"], "shank_px": contract.STORE_PX / contract.STORE_SIDE_SHANKS,
        "centre": [contract.STORE_PX / 2] * 2, "focal_store_px": camera.focal_px * contract.STORE_PX / w["side"], "elevation_rad": spec["elevation_rad"], "azimuth_rad": spec["azimuth_rad"],
        "source_shank_px": spec["shank_px"], "is_left": spec["kneeling_leg"] == "left", "present": kind == "stance", "pose_id": spec["pose_id"], "body_id": spec["body_id"],
        "appearance_id": int("".join(ch for ch in spec["name"].split("_")[0] if ch.isdigit())), "clothing": scene["lower"], "footwear": scene["footwear"], "carpet": scene["carpet"]["family"], "light": scene["light"]["family"],
        "held_out": families.held_out(scene), "kind": kind,
    }


def truth_of(spec: dict, cloth_gap_mm: np.ndarray, codec: str) -> dict:
    """The still's truth file, with the fields of bench/make_stills.py and the path tracer's own."""
    camera = camera_of(spec)
    uv, _ = camera.project(np.array(spec["points_m"])[: len(contract.POINTS)])
    scene = spec["scene"]
    return {
        "kneeling_leg": spec["kneeling_leg"], "stature_m": spec["stature_m"], "shank_length_m": spec["shank_length_m"], "gap_mm": {s: round(v, 2) for s, v in spec["gap_mm"].items()},
        "cloth_gap_mm": {s: None if np.isnan(v) else round(float(v), 2) for s, v in zip(contract.STATIONS, cloth_gap_mm)}, "points_px": np.round(uv, 2).tolist(), "shank_px": spec["shank_px"],
        "elevation_deg": float(np.degrees(spec["elevation_rad"])), "azimuth_deg": float(np.degrees(spec["azimuth_rad"])), "focal_px": camera.focal_px, "image_size": [camera.width, camera.height],
        "clothing": scene["lower"], "footwear": scene["footwear"], "carpet": scene["carpet"]["family"], "light": scene["light"]["family"], "wall": scene["wall"]["family"], "lens": spec["lens_family"],
        "held_out": families.held_out(scene), "codec": codec, "window_px": spec["window"],
    }


def floor_of(spec: dict, rng: np.random.Generator) -> dict:
    """Six carpet marks about the leg as a person would click them (1 px off)."""
    camera = camera_of(spec)
    at, turn, half = np.array(spec["focus"][:2]) + rng.normal(0, 0.3, 2), rng.uniform(0, 2 * np.pi), rng.uniform(0.4, 1.2, 2)
    corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (0, -1), (0, 1)]) * half
    corners = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + at
    uv, depth = camera.project(np.column_stack([corners, np.zeros(len(corners))]))
    marks = [{"image": np.round(u + rng.normal(0, 1, 2), 1).tolist(), "carpet_m": np.round(c, 4).tolist()} for u, c, z in zip(uv, corners, depth)
             if z > 0.2 and -0.4 * camera.width < u[0] < 1.4 * camera.width and -0.4 * camera.height < u[1] < 1.4 * camera.height]
    return {"image_size": [camera.width, camera.height], "marks": marks, "sigma_px": 1.0}


def whole_frame(window: np.ndarray, origin: tuple[int, int], size: tuple[int, int]) -> np.ndarray:
    """A traced window put at its place in a frame of `size` (width, height) px, mirrored on all around."""
    (x, y), (w, h) = origin, window.shape[1::-1]
    left, up, right, down = x, y, max(size[0] - x - w, 0), max(size[1] - y - h, 0)
    return cv2.copyMakeBorder(window.astype(np.float32), up, down, left, right, cv2.BORDER_REFLECT_101)[: size[1], : size[0]]


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--linear", type=Path, required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--shard", type=int, default=32)
    p.add_argument("--for-training", action="store_true")
    p.add_argument("--no-video", action="store_true", help="JPEG in place of H.264, where there is no ffmpeg")
    p.add_argument("--name", default="pathtraced", help="begin of the shards' names")
    o = p.parse_args()
    stills, crops = o.out / "stills", o.out / "crops"
    crops.mkdir(parents=True, exist_ok=True)
    if not o.for_training:
        stills.mkdir(parents=True, exist_ok=True)
    rows, seconds, hung = [], [], []
    for path in sorted(o.linear.glob("*.linear.npz")):
        with np.load(path) as f:
            spec, linear, probe, cloth = json.loads(str(f["spec"])), f["image"], f["probe"], f["cloth_gap_mm"]
            size = (spec["camera"]["width"], spec["camera"]["height"])
            if linear.shape[1::-1] != size:
                if not o.for_training:
                    raise SystemExit(f"finish: of {path} only the leg's window was traced; trace the whole frame, or say --for-training")
                linear = whole_frame(linear, tuple(int(v) for v in f["origin"]), size)
            seconds.append(float(f["seconds"]))
            hung.append(int(f["cloth_hung"]))
        rng = np.random.default_rng([spec["seed"], 3])
        w = spec["window"]
        light = spec["scene"]["light"]
        white = light["white"] if light["family"] not in ("environment", "skylit") else [1.0, 1.0, 1.0]  # daylight as it is
        image, codec = damage.damage(damage.develop(linear, (w["x0"], w["y0"], w["side"]), white, rng), rng, not o.no_video)
        if o.for_training:
            rows.append(row_of(spec, damage.jpeg(image, 93), probe, cloth))
            continue
        name = stills / f"{spec['name']}.jpg"
        cv2.imwrite(str(name), image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 93])
        image = cv2.imread(str(name))[..., ::-1]  # crops come from the very file that the program reads
        name.with_suffix(".truth.json").write_text(json.dumps(truth_of(spec, cloth, codec)))
        name.with_suffix(".floor.json").write_text(json.dumps(floor_of(spec, rng)))
        rows.append(row_of(spec, np.ascontiguousarray(image), probe, cloth))
    if not rows:
        raise SystemExit(f"finish: {o.linear} holds no path-traced pictures (*.linear.npz); make some with render.py")
    for old in crops.glob(f"{o.name}_*.npz"):
        os.remove(old)
    for k in range(0, len(rows), o.shard):
        part = rows[k: k + o.shard]
        shards.write(crops / f"{o.name}_{k // o.shard:03d}.npz", {name: np.array([r[name] for r in part]) for name in shards.FIELDS}, 95 if o.for_training else None)
    gap = np.array([r["gap_mm"] for r in rows])
    print(f"{len(rows)} pictures, {np.mean(seconds):.0f} s each; clean (all <= 5 mm) {np.mean(gap.max(1) <= 5):.0%}, some gap >= 20 mm {np.mean(gap.max(1) >= 20):.0%}; "
          f"trousers hung {sum(h == 1 for h in hung)}, sim refused {sum(h == 0 for h in hung)}")


if __name__ == "__main__":
    main()
