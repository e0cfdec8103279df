"""Scenes for the path tracer: posed bodies of one split, dressed, with camera and appearance; one NAME.job.npz each; for training legs of ordinary poses among them.

    python scripts/pathtrace/make_jobs.py --poses FOLDER --split test --count 150 --out FOLDER [--seed 1]

Runs in the scene generator's environment. Bodies, poses and the geometry of shoes, socks and tops are the scene generator's;
cameras too, elevations evenly over 2-10, 10-25 and 25-50 degrees. Everything else is `families.py`.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

import numpy as np

root = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(root), str(root / "train"), str(root / "bench"), str(Path(__file__).resolve().parent)]

import contract  # noqa: E402
import families  # noqa: E402
import make_stills  # noqa: E402
import produce  # noqa: E402

#: Smallest and largest shank (px) in the frame: less is no use, more costs time.
SHANK_PX = (55.0, 135.0)
#: Least frame, px: width or height.
LEAST_PX = (480, 360)


def framed(camera, low: np.ndarray, high: np.ndarray, knee, heel, shank_m: float, rng):
    """From the same place, a camera whose frame just holds the athlete and the stored crop's window, with a drawn length of the shank in px.

    Path tracing pays for every pixel, so little is spent on the hall around. It aims between trunk and leg; the principal point stays the frame's centre.
    """
    from scenes import cameras

    eye, leg = camera.centre_m, (knee + heel) / 2
    R, t = cameras.look_at(eye, 0.4 * (low + high) / 2 + 0.6 * leg + rng.normal(0, 0.05, 3), np.radians(rng.normal(0, 1.5)))
    depth = (R @ np.stack([knee, heel]).T).T[:, 2] + t[2]
    wanted = float(np.exp(rng.uniform(*np.log(SHANK_PX))))
    camera = make_stills.replace(camera, R=R, t=t, focal_px=wanted * float(depth.mean()) / shank_m)
    centre = [camera.width / 2, camera.height / 2]
    uv, depth = camera.project(np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]))
    if (depth < 0.4).any():
        return None
    middle = camera.project(np.stack([knee, heel]))[0].mean(0)
    half = contract.STORE_SIDE_SHANKS / 2 * wanted
    reach = np.abs(np.concatenate([uv, [middle - half, middle + half]]) - centre).max(0) * rng.uniform(1.02, 1.15)
    width, height = (int(np.ceil(max(r, least / 2))) * 2 for r, least in zip(reach, LEAST_PX))
    if max(width, height) > 1100:
        return None
    return make_stills.replace(camera, width=width, height=height)


def view_of(q, focus: np.ndarray, elevation_class: int, split: str, rng) -> dict:
    """A camera for the posed body `q` and what follows from it, as a job's fields; `elevation_class` 0: 2-10 degrees, 1: 10-25, 2: 25-50."""
    from scenes import cameras

    truth = q.truth
    knee, ankle, heel = (np.asarray(truth.points[n], float) for n in ("knee_joint", "ankle_joint", "heel_back"))
    low, high = q.vertices.min(0).astype(float), q.vertices.max(0).astype(float)
    azimuth_deg, camera = produce.azimuth_behind(rng, split, knee, ankle, q.kneeling_leg), None
    while camera is None:
        wide, lens = make_stills.camera_for(rng, cameras, low, high, focus + [0, 0, 0.05], elevation_class, azimuth_deg)
        camera = framed(wide, low, high, knee, heel, truth.shank_length_m, rng)
    uv, depth = camera.project(np.stack([knee, heel]))
    shank_px = camera.focal_px / float(depth.mean()) * truth.shank_length_m
    centre = uv.mean(0)
    side = contract.STORE_SIDE_SHANKS * shank_px
    elevation, ray = produce.ray_elevation(camera, centre)
    d = ankle - knee
    azimuth = (np.arctan2(-ray[1], -ray[0]) - np.arctan2(d[1], d[0]) + np.pi) % (2 * np.pi) - np.pi
    return {
        "lens_family": lens, "camera": {"width": camera.width, "height": camera.height, "focal_px": camera.focal_px, "R": np.asarray(camera.R).tolist(), "t": np.asarray(camera.t).tolist()},
        "window": {"x0": float(centre[0] - side / 2), "y0": float(centre[1] - side / 2), "side": float(side)}, "shank_px": shank_px, "elevation_rad": elevation, "azimuth_rad": float(azimuth),
    }


def split_mesh(mesh, look) -> list[dict]:
    """The dressed body's mesh taken apart by material; vertices renumbered."""
    names = {look.SKIN: "skin", look.LOWER_CLOTH: "lower_cloth", look.UPPER_CLOTH: "upper_cloth", look.SOCK: "sock", look.SHOE: "shoe", look.HAIR: "hair", look.EYE: "eye", look.TRIM: "upper_cloth"}
    material = mesh.tag[mesh.faces[:, 0], 0]
    out = []
    for m in np.unique(material):
        faces = mesh.faces[material == m]
        if m == look.LOWER_CLOTH:  # the kneeling leg's cloth apart: it is hung by simulation
            leg = np.isin(mesh.tag[faces, 1], [look.PART_LOWER_LEG, look.PART_THIGH]).all(1)
            groups = [("lower_cloth_kneeling", faces[leg]), ("lower_cloth", faces[~leg])]
        else:
            groups = [(names[int(m)], faces)]
        for name, f in groups:
            if not len(f):
                continue
            used, inverse = np.unique(f, return_inverse=True)
            out.append({"name": name, "v": mesh.position[used].astype(np.float32), "f": inverse.reshape(-1, 3).astype(np.int32), "rest": mesh.rest[used].astype(np.float32), "part": mesh.tag[used, 1], "tone": mesh.tag[used, 3]})
    return out


def dress(posed, wanted: dict, rng, look) -> tuple[list[dict], dict]:
    """Meshes of the dressed athlete, and the gaps under the cloth in mm before it is hung."""
    a = look.sample(rng, lower="shorts" if wanted["lower"] == "bare" else wanted["lower"], footwear=wanted["footwear"], upper=wanted["upper"])
    if wanted["lower"] == "bare":  # the leg, that is: short briefs
        a.lower.update(hem=float(rng.uniform(0.1, 0.3)), offset_m=0.006)
    if wanted["lower"] == "trousers":
        a.lower.update(hem=float(rng.uniform(0.85, 1.0)), offset_m=float(rng.uniform(0.016, 0.034)), flare=float(rng.uniform(0.2, 1.0)), sag_m=float(rng.uniform(0.0, 0.012)), fold=float(rng.uniform(0.1, 0.4)))
    mesh, notes = look.dress(posed, a)
    return split_mesh(mesh, look), notes["cloth_gap_mm"]


def along_shank(v: np.ndarray, part: np.ndarray, knee: np.ndarray, ankle: np.ndarray, look) -> np.ndarray:
    """Place of cloth vertices on the shank, 0 at the knee and 1 at the ankle; -9 where they belong to the thigh."""
    d = ankle - knee
    return np.where(part == look.PART_LOWER_LEG, (v - knee) @ d / (d @ d), -9.0).astype(np.float32)


def neighbours(posed, others, count: int, rng, look) -> list[dict]:
    scene = look.sample(rng)
    scene.clutter, scene.neighbours = [], [{"centre": (d * np.array([np.cos(a), np.sin(a)])).tolist(), "turn": float(rng.uniform(0, 6.28)), "skin": [0.3, 0.2, 0.15], "cloth": [0.2, 0.2, 0.2]}
                                           for d, a in zip(rng.uniform(1.4, 4.0, count), rng.uniform(0, 2 * np.pi, count))]
    out = []
    for mesh in look.surroundings(posed, scene, [others[j] for j in rng.integers(len(others), size=count)]):
        bare = mesh.tag[mesh.faces[:, 0], 0] % 2 == look.NEIGHBOUR % 2
        for name, faces in (("neighbour_skin", mesh.faces[bare]), ("neighbour_cloth", mesh.faces[~bare])):
            out.append({"name": name, "v": mesh.position, "f": faces.astype(np.int32), "rest": mesh.rest, "part": mesh.tag[:, 1], "tone": mesh.tag[:, 3]})
    return out


def main() -> None:
    from scenes import appearance as look
    from scenes.body import body_model
    from scenes.types import POINT_NAMES

    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--poses", type=Path, required=True)
    p.add_argument("--split", default="test", choices=("train", "calibration", "test"))
    p.add_argument("--count", type=int, default=150)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--views", type=int, default=1, help="cameras for each scene")
    p.add_argument("--seed", type=int, default=1)
    o = p.parse_args()
    o.out.mkdir(parents=True, exist_ok=True)
    model = body_model("cpu")
    posed = []
    for path in sorted(o.poses.glob("*.pose")):
        posed += [q for q in produce.read_poses(path, model) if q.kind == "stance" or o.split == "train"]
    if len(posed) < o.count:
        raise SystemExit(f"make_jobs: {o.poses} holds {len(posed)} poses, {o.count} are wanted; make more with produce.py poses")
    order = np.random.default_rng([o.seed, 5]).permutation(len(posed))
    for index in range(o.count):
        name = f"{o.split}{index:04d}"
        if (o.out / f"{name}.job.npz").exists():
            continue
        rng = np.random.default_rng([o.seed, produce.SPLITS[o.split], 9, index])
        q = posed[order[index]]
        truth = q.truth
        focus, _ = look.focus_of(q)
        points = np.stack([np.asarray(truth.points[n], float) for n in POINT_NAMES])
        knee, ankle = (np.asarray(truth.points[n], float) for n in ("knee_joint", "ankle_joint"))
        view = view_of(q, focus, index % 3, o.split, rng)
        scene = families.sample(rng, o.split)
        meshes, cloth_gap = dress(q, scene, rng, look)
        meshes += neighbours(q, posed, scene["neighbours"], rng, look)
        spec = {
            "name": name, "seed": int(rng.integers(2**31)), "scene": scene, "lens": families.lens(rng), **view,
            "focus": focus.tolist(), "reach_m": float(np.linalg.norm(q.vertices[:, :2] - focus[:2], axis=1).max()),
            "points_m": points.tolist(), "gap_mm": {s: float(truth.gap_mm[s]) for s in contract.STATIONS}, "cloth_gap_mm": {s: None if np.isnan(v) else float(v) for s, v in cloth_gap.items()},
            "shank_length_m": truth.shank_length_m, "stature_m": truth.stature_m, "kneeling_leg": q.kneeling_leg, "body_id": int(q.notes.get("body_id", -1)), "pose_id": int(order[index]), "kind": q.kind,
            "meshes": [m["name"] for m in meshes],
        }
        # drawn last, so that a job's first view is the same however many there are
        if o.views > 1:
            spec["views"] = [{**view_of(q, focus, (index + k) % 3, o.split, rng), "lens": families.lens(rng)} for k in range(1, o.views)]
        arrays = {"spec": np.array(json.dumps(spec))}
        for i, m in enumerate(meshes):
            arrays.update({f"m{i}_{k}": m[k] for k in ("v", "f", "rest", "part", "tone")})
            if m["name"] == "lower_cloth_kneeling":
                arrays[f"m{i}_along"] = along_shank(m["v"], m["part"], knee, ankle, look)
        temporary = o.out / f"{name}.job.tmp"
        with open(temporary, "wb") as f:
            np.savez(f, **arrays)
        os.replace(temporary, o.out / f"{name}.job.npz")
    print(f"{o.count} jobs in {o.out}")


if __name__ == "__main__":
    main()
