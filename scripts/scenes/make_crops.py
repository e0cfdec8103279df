"""Crops of the kneeling lower leg with their truth, for training and testing the lower-leg network.

`render_crops(posed, rng, n_per_pose)` is what a worker calls; run as a module, it fills shards:

    python -m scenes.make_crops --out FOLDER --poses 64 --per-pose 4 --seed 1      (from the folder scripts/)

A crop is an unrotated square of the full frame about the lower leg, side about 2.1 shank lengths, drawn at the
resolution that the frame would have there and resampled to 256 x 256, so crops from small figures look soft.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
import time
import zipfile
from pathlib import Path

import numpy as np

from . import appearance as look
from . import cameras
from .raster import LIGHT, Mesh, Quality, Renderer, thread_limit
from .types import POINT_NAMES, STATIONS, Posed

CROP_PX = 256
#: Render sizes (px) that a crop's true side is rounded to.
SIDES = (48, 64, 80, 96, 112, 128, 144, 160, 192, 224, 256, 288, 320, 384, 448, 512)
#: Side of a crop in shank lengths before jitter.
SIDE_SHANKS = 2.1
#: How far (m) the own leg's flesh may stand in front of a point that still counts as seen.
OWN_FLESH_M = 0.13
_RENDERER: Renderer | None = None


def renderer(quality: Quality | None = None) -> Renderer:
    """This process's renderer, made at the first call; lighter on a processor without a card."""
    global _RENDERER
    if _RENDERER is None:
        thread_limit()
        _RENDERER = Renderer(quality)
        if quality is None and "llvmpipe" in _RENDERER.name:
            for k, v in vars(LIGHT).items():
                if k in ("sky", "light", "wide_sky", "wide_light"):
                    setattr(_RENDERER.quality, k, v)
    return _RENDERER


def crop_window(camera, posed: Posed, rng: np.random.Generator | None, centre_jitter: float = 0.10, scale_jitter: float = 0.15) -> tuple[float, float, float, float]:
    """(x0, y0, side) in full-frame px of the square about the lower leg, and px_per_m at the leg.

    Centre: mean of the projected knee joint, ankle joint and heel, moved by up to +-10 % of the side; scale +-15 %.
    """
    p = posed.truth.points
    places = np.stack([p["knee_joint"], p["ankle_joint"], p["heel_back"]])
    uv, depth = camera.project(places)
    px_per_m = camera.focal_px / float(depth[:2].mean())
    side = SIDE_SHANKS * posed.truth.shank_length_m * px_per_m
    centre = uv[0] * 0.45 + uv[1] * 0.35 + uv[2] * 0.2
    if rng is not None:
        centre = centre + rng.uniform(-centre_jitter, centre_jitter, 2) * side
        side *= float(np.exp(rng.uniform(-scale_jitter, scale_jitter)))
    return float(centre[0] - side / 2), float(centre[1] - side / 2), float(side), px_per_m


def body_id(posed: Posed) -> int:
    """A number that is the same for every pose of one body shape (from its coefficients), so that bodies can be held out."""
    import zlib

    body = posed.notes.get("body", {})
    return int(posed.notes.get("body_id", zlib.crc32(json.dumps(body.get("coefficients", body)).encode()) & 0x7FFFFFFF))


def view_angles(camera, posed: Posed) -> tuple[float, float]:
    """Elevation of the camera over the carpet at the leg, and its azimuth from the shank's direction knee -> ankle, degrees."""
    p = posed.truth.points
    knee, ankle = np.asarray(p["knee_joint"], float), np.asarray(p["ankle_joint"], float)
    v = camera.centre_m - (knee + ankle) / 2
    elevation = np.degrees(np.arctan2(v[2], np.hypot(v[0], v[1])))
    d = ankle - knee
    azimuth = np.degrees(np.arctan2(v[1], v[0]) - np.arctan2(d[1], d[0]))
    return float(elevation), float((azimuth + 180) % 360 - 180)


def render_crops(posed_batch: list[Posed], rng: np.random.Generator, n_per_pose: int = 4, fixed: dict | None = None, camera_sampler=None, per_mesh: int = 4) -> dict[str, np.ndarray]:
    """Crops of every pose and their truth as arrays with a leading axis N = len(posed_batch) * n_per_pose.

    Clothes, neighbours, clutter and places of the lights change every `per_mesh` crops; colours, carpet, hall and camera with
    every crop. `fixed` names families to use (see appearance.sample); `camera_sampler(rng, posed)` -> (Camera, lens name).

    Returns: image (N, 256, 256, 3) uint8; points (N, 16, 2) float32 crop px, order POINT_NAMES; visible (N, 16) uint8
    (1 seen or only covered by the same leg's own flesh, 0 hidden or outside); gap_m (N, 6) and gap_fraction (of the shank), order
    STATIONS; cloth_gap_m (N, 6), NaN where no cloth; shank_m; stature_m; px_per_m (full frame); side_px (full-frame px
    of the crop's side); elevation_deg; azimuth_deg; distance_m; kneeling_right; family codes carpet, lower, footwear, upper, light,
    wall, lens (indices into the tuples of appearance and cameras); body_id; pose (index into the batch).
    """
    r = renderer()
    fixed = fixed or {}
    out: dict[str, list] = {}
    pictures, probes, pending = [], [], 0
    lenses = list(cameras.LENSES)

    def flush():
        nonlocal pending
        if pending:
            a, b = r.read_slots(pending)
            pictures.append(a)
            probes.append(b)
            pending = 0

    for index, posed in enumerate(posed_batch):
        truth = posed.truth
        points = np.stack([np.asarray(truth.points[n], float) for n in POINT_NAMES])
        focus, centre = look.focus_of(posed)
        small = look.reduced(posed)
        low, high = posed.vertices.min(0).astype(float), posed.vertices.max(0).astype(float)
        gap = np.array([truth.gap_mm[s] for s in STATIONS]) / 1000
        for k in range(n_per_pose):
            if k % per_mesh == 0:
                scene = look.sample(rng, **fixed)
                others = [look.reduced(posed_batch[j]) for j in rng.integers(len(posed_batch), size=len(scene.neighbours))]
                dressed, notes = look.dress(small, scene)
                mesh = Mesh.join([dressed, *look.surroundings(small, scene, others)])
                r.upload(mesh)
                r.bake(look.place_lights(scene, focus), scene.light_radius, focus, centre, scene.seed, scene.light["on"])
            else:
                look.recolour(scene, rng, **fixed)
            camera, lens = camera_sampler(rng, posed) if camera_sampler else cameras.sample(rng, low, high, focus + [0, 0, 0.05])
            x0, y0, side, px_per_m = crop_window(camera, posed, rng)
            px = min(SIDES, key=lambda s: abs(np.log(s / side)))
            shown = look.look_of(scene, camera)
            r.draw(shown, camera, (x0, y0, side, side), (px, px))
            uv, depth = camera.project(points)
            in_crop = (uv - [x0, y0]) / side
            if pending == r.slots:
                flush()
            r.develop(shown, pending, in_crop * px)
            pending += 1
            elevation, azimuth = view_angles(camera, posed)
            row = {
                "points": in_crop * CROP_PX,
                "depth_m": depth,
                "gap_m": gap,
                "gap_fraction": gap / truth.shank_length_m,
                "cloth_gap_m": np.array([notes["cloth_gap_mm"][s] for s in STATIONS]) / 1000,
                "shank_m": truth.shank_length_m,
                "stature_m": truth.stature_m,
                "px_per_m": px_per_m,
                "side_px": side,
                "elevation_deg": elevation,
                "azimuth_deg": azimuth,
                "distance_m": float(np.linalg.norm(camera.centre_m - focus)),
                "kneeling_right": posed.kneeling_leg == "right",
                "carpet": look.CARPETS.index(scene.carpet["family"]),
                "lower": look.LOWER.index(scene.lower["family"]),
                "footwear": look.FOOTWEAR.index(scene.footwear["family"]),
                "upper": look.UPPER.index(scene.upper["family"]),
                "light": look.LIGHTS.index(scene.light["family"]),
                "wall": look.WALLS.index(scene.wall["family"]),
                "lens": lenses.index(lens),
                "body_id": body_id(posed),
                "pose": index,
            }
            for name, value in row.items():
                out.setdefault(name, []).append(value)
    flush()
    small = {"carpet", "lower", "footwear", "upper", "light", "wall", "lens"}
    arrays = {k: np.array(v, np.uint8 if k in small | {"kneeling_right"} else np.int32 if k in ("body_id", "pose") else np.float32) for k, v in out.items()}
    arrays["image"] = np.concatenate(pictures)
    arrays["visible"] = visibility(np.concatenate(probes), arrays.pop("depth_m"))
    return arrays


def visibility(probes: np.ndarray, depth_m: np.ndarray) -> np.ndarray:
    """(N, 16) uint8 from probes (N, 16, 2: depth in m, part code) and the points' depths (N, 16) in m.

    A point on the underside of the leg is always behind some millimetres of that leg: it counts as seen where what
    stands in front is the same leg, close by. Anything else in front hides it.
    """
    front = probes[:, : depth_m.shape[1], 0]
    part = probes[:, : depth_m.shape[1], 1] * 255
    ahead = depth_m - front
    own = np.abs(part - look.PART_LOWER_LEG) < 30
    # The skin of the bent knee moves with the thigh.
    own[:, :3] |= np.abs(part[:, :3] - look.PART_THIGH) < 20
    limit = np.where(own, OWN_FLESH_M, 0.035)
    # The front foot's points lie on that foot's own sole.
    limit[:, 11:15] = np.where(np.abs(part[:, 11:15] - look.PART_BODY) < 20, 0.08, limit[:, 11:15])
    return ((front > 0) & (ahead < limit)).astype(np.uint8)


def save_shard(path: Path, arrays: dict[str, np.ndarray], quality: int = 92) -> None:
    """One zip: crop pictures as WebP and everything else as truth.npz; written under a temporary name, then renamed."""
    from PIL import Image

    temporary = path.with_suffix(".tmp")
    with zipfile.ZipFile(temporary, "w", zipfile.ZIP_STORED) as z:
        for i, image in enumerate(arrays["image"]):
            buffer = io.BytesIO()
            Image.fromarray(image).save(buffer, "WEBP", quality=quality, method=2)
            z.writestr(f"{i:05d}.webp", buffer.getvalue())
        buffer = io.BytesIO()
        np.savez_compressed(buffer, **{k: v for k, v in arrays.items() if k != "image"})
        z.writestr("truth.npz", buffer.getvalue())
        z.writestr("families.json", json.dumps({"carpet": look.CARPETS, "lower": look.LOWER, "footwear": look.FOOTWEAR, "upper": look.UPPER, "light": look.LIGHTS, "wall": look.WALLS, "lens": list(cameras.LENSES), "points": POINT_NAMES, "stations": STATIONS}))
    os.replace(temporary, path)


def load_shard(path: Path) -> dict[str, np.ndarray]:
    """What `save_shard` wrote."""
    from PIL import Image

    with zipfile.ZipFile(path) as z:
        arrays = dict(np.load(io.BytesIO(z.read("truth.npz"))))
        names = sorted(n for n in z.namelist() if n.endswith(".webp"))
        arrays["image"] = np.stack([np.asarray(Image.open(io.BytesIO(z.read(n))).convert("RGB")) for n in names])
    return arrays


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True, help="folder for the shards")
    parser.add_argument("--poses", type=int, default=64)
    parser.add_argument("--per-pose", type=int, default=4)
    parser.add_argument("--shard-poses", type=int, default=64, help="poses in one shard")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="cpu", help="torch device that solves the poses")
    o = parser.parse_args()
    from .stance import solve_stances

    o.out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(o.seed)
    done = 0
    for shard in range(-(-o.poses // o.shard_poses)):
        batch = solve_stances(min(o.shard_poses, o.poses - done), rng, o.device)
        start = time.perf_counter()
        arrays = render_crops(batch, rng, o.per_pose)
        seconds = time.perf_counter() - start
        save_shard(o.out / f"crops-{o.seed:04d}-{shard:04d}.zip", arrays)
        done += len(batch)
        print(f"shard {shard}: {len(arrays['image'])} crops, {len(arrays['image']) / seconds:.1f} crops/s on {renderer().name}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
