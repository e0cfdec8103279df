"""Makes training data with the scene generator: solved and perturbed poses, then stored crops.

Two kinds of process work side by side and meet in folders (a memory disk, best):

    python produce.py poses --split train --out POSES --count 20000 --device cuda
    python produce.py crops --split train --poses POSES --out CROPS --worker 0

A crop worker takes pose files that nobody else has taken, draws several crops of each pose
and writes shards (see shards.py). It ends when the file POSES/STOP appears, at --seconds,
or, once POSES/DONE is there, when no pose files are left.

Training, calibration and test draw from different bodies; calibration and test also show
carpets, lights and halls of families that training never sees.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import traceback
from pathlib import Path

import numpy as np

import contract
import shards

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

SPLITS = {"train": 0, "calibration": 1, "test": 2}
#: Families that only calibration and test see.
HELD_OUT = {"carpet": ("shapes", "mats"), "light": ("window",), "wall": ("panels",)}
#: Sides (px) that a stored window's true side in the frame is rounded to.
SIDES = (64, 80, 96, 112, 128, 144, 160, 192, 224, 256, 288, 320, 352, 416, 480, 544, 640)
#: Points that mean the same on a leg that does not kneel. A crop on the leg of an ordinary pose teaches them (and that it is no stance), so that legs which stand are not forgotten.
ORDINARY_POINTS = ("knee_joint", "ankle_inner", "ankle_outer", "heel_back", "heel_floor", "big_toe_tip", "small_toe_tip")
#: Share of the training's cameras put where the leg points away behind the body, and that sector: from knee to ankle to the camera, anticlockwise for a right leg.
BEHIND_SHARE, BEHIND_DEG = 0.3, (150.0, 240.0)
#: Share of crops that show no lower leg of the posed one at their middle, and what they show with its share of them.
NEGATIVE_SHARE, NEGATIVE_KINDS = 0.10, {"front_leg": 0.4, "body": 0.3, "carpet": 0.3}


def taught(points: np.ndarray, kind: str) -> np.ndarray:
    """``points [P,2]`` (``contract.POINTS``) of a crop of this kind, NaN where the crop does not teach them."""
    names = contract.POINTS if kind == "stance" else () if kind in NEGATIVE_KINDS else ORDINARY_POINTS
    return np.where(np.isin(contract.POINTS, names)[:, None], points, np.nan)


# ---------------------------------------------------------------- poses

def split_bodies(model, split: str) -> None:
    """Leaves in the body model only the stored bodies of one split (three fifths, a fifth, a fifth)."""
    part = np.arange(len(model.scores)) % 5
    keep = {"train": part < 3, "calibration": part == 3, "test": part == 4}[split]
    for name in ("scores", "stature_m", "female", "teenager"):
        setattr(model, name, getattr(model, name)[keep])


#: Names of the arrays in a pose file.
POSE_ARRAYS = ("vertices", "rest", "gap_mm", "points", "landmarks", "bones", "shank_length_m", "stature_m", "left")


def other_poses(n: int, rng: np.random.Generator, device: str):
    """Poses that are not the stance, of standing, walking, squatting, lunging and half-risen athletes: arrays, and their kinds.

    What of them has come down so far that it could pass for the stance is left out, so fewer than `n` may come back.
    """
    import torch

    from scenes import stance
    from scenes.body import body_model

    model = body_model(device)
    bodies = model.sample(n, rng)
    kinds = rng.choice(["standing", "striding", "squat", "lunge", "half_risen"], n, p=[0.25, 0.2, 0.15, 0.2, 0.2])
    angles = rng.normal(0, 4, (n, len(stance.NAMES)))
    at = stance.INDEX

    def put(kind, **ranges):
        rows = np.flatnonzero(kinds == kind)
        for name, (low, high) in ranges.items():
            angles[rows, at[name]] = rng.uniform(low, high, len(rows))

    put("standing", hip_flexion=(-5, 15), knee_flexion=(0, 20), front_hip_flexion=(-5, 25), front_knee_flexion=(0, 25), hip_abduction=(0, 20), front_hip_abduction=(0, 20))
    put("striding", hip_flexion=(-30, 35), knee_flexion=(0, 65), front_hip_flexion=(-25, 40), front_knee_flexion=(0, 45), hip_abduction=(-5, 10), front_hip_abduction=(-5, 10), ankle_plantar=(-15, 30), front_ankle_plantar=(-15, 15))
    put("squat", hip_flexion=(70, 110), knee_flexion=(80, 135), front_hip_flexion=(70, 110), front_knee_flexion=(80, 135), pelvis_lean=(10, 40), hip_abduction=(5, 35), front_hip_abduction=(5, 35), ankle_plantar=(-30, 20), front_ankle_plantar=(-30, 20))
    put("lunge", hip_flexion=(-25, 15), knee_flexion=(0, 60), front_hip_flexion=(40, 95), front_knee_flexion=(50, 110), ankle_plantar=(-30, 0), pelvis_lean=(0, 25))
    put("half_risen", hip_flexion=(10, 60), knee_flexion=(50, 110), hip_turn_in=(10, 50), tibia_turn_out=(10, 50), front_hip_flexion=(30, 80), front_knee_flexion=(30, 80), ankle_plantar=(-10, 40))
    angles[:, at["pelvis_turn"]] = rng.uniform(-180, 180, n)
    angles = torch.as_tensor(angles.astype(np.float32), device=model.device)
    upper = stance.sample_upper_body(n, rng, model.device)
    left = torch.as_tensor(rng.random(n) < 0.5, device=model.device)
    with torch.no_grad():
        high = torch.full((n,), 3.0, device=model.device)
        lowest = stance.pose_batch(model, bodies, angles, high, upper, left).vertices[..., 2].amin(1)
        batch = stance.pose_batch(model, bodies, angles, high - lowest, upper, left, dtype=torch.float16)
    gap = batch.gap_mm.cpu().numpy()
    keep = np.flatnonzero((gap.min(1) > 60) | (gap[:, 0] > 150) | (gap[:, 5] > 200))
    arrays = {name: getattr(batch, name) for name in POSE_ARRAYS if name != "stature_m"}
    arrays = {name: v.cpu().numpy()[keep] for name, v in arrays.items()}
    arrays["stature_m"] = np.array([bodies[i].stature_m for i in keep], np.float32)
    return arrays, kinds[keep]


def make_poses(o) -> None:
    from scenes import stance
    from scenes.body import body_model

    split_bodies(body_model(o.device), o.split)
    o.out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([o.seed, SPLITS[o.split], 1])
    done, k, begin = 0, o.first, time.time()
    while done < o.count and (o.seconds is None or time.time() - begin < o.seconds) and not (o.out / "STOP").exists():
        want = min(o.chunk, o.count - done)
        try:
            batch = stance.make_batch(want, rng, o.device)
            arrays = {name: getattr(batch, name).cpu().numpy() for name in POSE_ARRAYS}
            kind = np.full(want, "stance")
            if o.others > 0:
                more, kinds = other_poses(max(1, round(o.others * want)), rng, o.device)
                arrays = {name: np.concatenate([arrays[name], more[name]]) for name in POSE_ARRAYS}
                kind = np.concatenate([kind, kinds])
        except Exception:
            print(f"poses: chunk {k} failed\n{traceback.format_exc()}", flush=True)
            k += 1
            if k > o.first + 3 and done == 0:
                raise SystemExit("poses: the first chunks all failed")
            continue
        # crop workers remove the meshes they have drawn; what is known of every pose stays
        small = {name: arrays[name] for name in ("points", "gap_mm", "shank_length_m", "stature_m", "left")}
        np.savez(o.out / f"truth_{k:05d}.npz", kind=kind.astype("U24"), **small)
        # files small enough that many workers share the work
        order = rng.permutation(len(kind))
        for a in range(0, len(order), o.file):
            path = o.out / f"poses_{k:05d}_{a:05d}.pose"
            temporary = path.with_suffix(".tmp")
            pick = order[a: a + o.file]
            with open(temporary, "wb") as f:
                np.savez(f, kind=kind[pick].astype("U24"), **{name: v[pick] for name, v in arrays.items()})
            os.replace(temporary, path)
        done += want
        k += 1
        print(f"poses {o.split}: {done} after {time.time() - begin:.1f} s", flush=True)
    (o.out / "DONE").touch()


def read_poses(path: Path, model) -> list:
    """The Posed values of one pose file."""
    from scenes.types import LANDMARK_NAMES, POINT_NAMES, STATIONS, Posed, Truth

    with np.load(path, allow_pickle=False) as f:
        a = {name: f[name] for name in f.files}
    out = []
    for i in range(len(a["left"])):
        truth = Truth(dict(zip(STATIONS, a["gap_mm"][i].astype(float))), float(a["shank_length_m"][i]), float(a["stature_m"][i]),
                      dict(zip(POINT_NAMES, a["points"][i].astype(float))), dict(zip(LANDMARK_NAMES, a["landmarks"][i].astype(float))))
        out.append(Posed(a["vertices"][i].astype(np.float32), model.faces, model.region, a["rest"][i].astype(np.float32),
                         dict(zip(model.bone_names, a["bones"][i])), "left" if a["left"][i] else "right", truth, str(a["kind"][i]),
                         {"body_id": int(round(float(a["stature_m"][i]) * 1e7))}))
    return out


# ---------------------------------------------------------------- crops

def families(rng: np.random.Generator, split: str) -> tuple[dict, bool]:
    """Families to fix for one scene, and whether any of them is held out from training."""
    from scenes import appearance

    tables = {"carpet": appearance.CARPETS, "light": appearance.LIGHTS, "wall": appearance.WALLS}
    fixed, held = {}, False
    for name, table in tables.items():
        hidden = HELD_OUT[name]
        if split != "train" and rng.random() < 0.35:
            fixed[name] = str(rng.choice(hidden))
            held = True
        else:
            fixed[name] = str(rng.choice([f for f in table if f not in hidden]))
    return fixed, held


def negative_window(rng, camera, posed, centre, shank_px):
    """Centre (frame px) and size factor of a window that shows no kneeling lower leg at its middle, or None."""
    j = posed.truth.joints33
    other = "right" if posed.kneeling_leg == "left" else "left"
    kind = str(rng.choice(list(NEGATIVE_KINDS), p=list(NEGATIVE_KINDS.values())))
    if kind == "front_leg":
        at = (np.asarray(j[f"{other}_knee"]) + np.asarray(j[f"{other}_heel"])) / 2
    elif kind == "body":
        names = ["left_wrist", "right_wrist", "nose", "left_hip", "right_hip", "left_elbow", "right_elbow"]
        at = np.asarray(j[str(rng.choice(names))])
    else:
        a, d = rng.uniform(0, 2 * np.pi), rng.uniform(0.7, 2.0)
        at = np.array([*np.asarray(posed.truth.points["knee_joint"])[:2], 0.0]) + d * np.array([np.cos(a), np.sin(a), 0])
    uv, depth = camera.project(at[None])
    if not np.isfinite(uv).all() or depth[0] < 0.4:
        return None
    # the kneeling leg must be well away from the middle, else it is there after all
    if np.linalg.norm(uv[0] - centre) < 0.85 * shank_px:
        return None
    return uv[0], float(np.exp(rng.normal(0, 0.2))), kind


def azimuth_behind(rng, split: str, knee: np.ndarray, ankle: np.ndarray, kneeling_leg: str) -> float | None:
    """For a share of the training's cameras, a direction (deg, from X anticlockwise) from which the leg points away behind the body; else None, anywhere.

    There the body hides half of the leg's points and more, and networks that saw such views no oftener than others were two to three times as wrong.
    """
    if split != "train" or rng.random() >= BEHIND_SHARE:
        return None
    d = ankle - knee
    turn = rng.uniform(*BEHIND_DEG)
    return float(np.degrees(np.arctan2(d[1], d[0])) + (turn if kneeling_leg == "right" else -turn))


def ray_elevation(camera, place: np.ndarray) -> tuple[float, np.ndarray]:
    """Elevation (rad) of the camera seen from a carpet point along the ray through a frame px, and the ray (carpet frame)."""
    d = np.asarray(camera.R).T @ np.array([(place[0] - camera.width / 2) / camera.focal_px, (place[1] - camera.height / 2) / camera.focal_px, 1.0])
    return float(np.arctan2(-d[2], np.hypot(d[0], d[1]))), d


def render(renderer, posed_batch, rng: np.random.Generator, split: str, per_pose: int, per_mesh: int, pose_base: int) -> dict[str, np.ndarray]:
    """Stored crops of every pose, in the arrays of ``shards.FIELDS``."""
    from scenes import appearance as look
    from scenes import cameras
    from scenes.make_crops import visibility
    from scenes.raster import Mesh
    from scenes.types import POINT_NAMES

    assert tuple(POINT_NAMES[: len(contract.POINTS)]) == contract.POINTS, "the scene generator's points changed their order"
    size = renderer.crop_px
    rows: dict[str, list] = {}
    pictures, probes, depths, pending = [], [], [], 0

    def flush():
        nonlocal pending
        if pending:
            a, b = renderer.read_slots(pending)
            pictures.append(a.copy())
            probes.append(b.copy())
            pending = 0

    for index, posed in enumerate(posed_batch):
        truth = posed.truth
        points = np.stack([np.asarray(truth.points[n], float) for n in POINT_NAMES])
        knee, ankle, heel = (np.asarray(truth.points[n], float) for n in ("knee_joint", "ankle_joint", "heel_back"))
        focus, body_centre = look.focus_of(posed)
        low, high = posed.vertices.min(0).astype(float), posed.vertices.max(0).astype(float)
        for k in range(per_pose):
            fixed, held = families(rng, split)
            if k % per_mesh == 0:
                scene = look.sample(rng, **fixed)
                others = [posed_batch[j] for j in rng.integers(len(posed_batch), size=len(scene.neighbours))]
                dressed, notes = look.dress(posed, scene)
                renderer.upload(Mesh.join([dressed, *look.surroundings(posed, scene, others)]))
                renderer.bake(look.place_lights(scene, focus), scene.light_radius, focus, body_centre, scene.seed)
                light_held = scene.light["family"] in HELD_OUT["light"]
            else:
                fixed["light"] = scene.light["family"]
                look.recolour(scene, rng, **fixed)
            held = light_held or fixed["carpet"] in HELD_OUT["carpet"] or fixed["wall"] in HELD_OUT["wall"]
            camera, _ = cameras.sample(rng, low, high, focus + [0, 0, 0.05], azimuth_behind(rng, split, knee, ankle, posed.kneeling_leg))
            uv, depth = camera.project(np.stack([knee, heel]))
            shank_px = camera.focal_px / float(depth.mean()) * truth.shank_length_m
            centre, factor = uv.mean(0), 1.0
            kind, present = posed.kind, posed.kind == "stance"
            if rng.random() < NEGATIVE_SHARE:
                other = negative_window(rng, camera, posed, centre, shank_px)
                if other is not None:
                    centre, factor, kind = other
                    present = False
            side = contract.STORE_SIDE_SHANKS * shank_px * factor
            x0, y0 = centre - side / 2
            px = min(SIDES, key=lambda s: abs(np.log(s / side)))
            shown = look.look_of(scene, camera)
            renderer.draw(shown, camera, (float(x0), float(y0), float(side), float(side)), (px, px))
            uv, depth = camera.project(points)
            place = (uv - [x0, y0]) / side
            if pending == renderer.slots:
                flush()
            renderer.develop(shown, pending, place * px)
            pending += 1
            depths.append(depth)
            elevation, ray = ray_elevation(camera, centre)
            d = ankle - knee
            azimuth = np.arctan2(-ray[1], -ray[0]) - np.arctan2(d[1], d[0])
            row = {
                "points": taught(place[: len(contract.POINTS)] * size, kind),
                "gap_mm": [truth.gap_mm[s] for s in contract.STATIONS],
                "cloth_gap_mm": [notes["cloth_gap_mm"][s] for s in contract.STATIONS],
                "shank_m": truth.shank_length_m,
                "shank_px": size / contract.STORE_SIDE_SHANKS,
                "centre": [size / 2, size / 2],
                "focal_store_px": camera.focal_px * size / side,
                "elevation_rad": elevation,
                "azimuth_rad": (azimuth + np.pi) % (2 * np.pi) - np.pi,
                "source_shank_px": shank_px,
                "is_left": posed.kneeling_leg == "left",
                "present": present,
                "pose_id": pose_base + index,
                "body_id": int(posed.notes.get("body_id", -1)),
                "appearance_id": (pose_base + index) * 100 + k // per_mesh,
                "clothing": scene.lower["family"],
                "footwear": scene.footwear["family"],
                "carpet": scene.carpet["family"],
                "light": scene.light["family"],
                "held_out": held,
                "kind": kind,
            }
            for name, value in row.items():
                rows.setdefault(name, []).append(value)
    flush()
    arrays = {name: np.array(value) for name, value in rows.items()}
    arrays["image"] = np.concatenate(pictures)
    arrays["visible"] = visibility(np.concatenate(probes), np.array(depths))[:, : len(contract.POINTS)]
    return arrays


def make_crops(o) -> None:
    from scenes.raster import Renderer, thread_limit
    from scenes.body import body_model
    from scenes.raster import LIGHT, Quality

    thread_limit()
    # a copy of the defaults, so that nothing is shared with other users of the class
    quality = Quality(**vars(LIGHT)) if o.light else Quality()
    renderer = Renderer(quality, crop_px=contract.STORE_PX)
    print(f"crops {o.split}/{o.worker}: {renderer.name}", flush=True)
    model = body_model("cpu")
    o.out.mkdir(parents=True, exist_ok=True)
    begin, made, failures, count = time.time(), 0, 0, 0

    def over() -> bool:
        return (o.poses / "STOP").exists() or (o.seconds is not None and time.time() - begin > o.seconds) or (o.count and made >= o.count)

    while not over():
        finished = (o.poses / "DONE").exists()
        mine = None
        for path in sorted(o.poses.glob("*.pose")):
            claim = path.with_suffix(f".taken{o.worker}")
            try:
                os.rename(path, claim)  # only one worker can win
                mine = claim
                break
            except FileNotFoundError:
                continue
        if mine is None:
            if finished:
                break
            time.sleep(0.3)
            continue
        try:
            batch = read_poses(mine, model)
            key = int(mine.stem.replace("poses_", "").replace("_", ""))
            rng = np.random.default_rng([o.seed, SPLITS[o.split], 2, key])
            start = time.time()
            arrays = render(renderer, batch, rng, o.split, o.per_pose, o.per_mesh, pose_base=key * 1000)
            order = rng.permutation(len(arrays["image"]))
            shards.write(o.out / f"{mine.stem}.npz", {k: v[order] for k, v in arrays.items()})
            made += len(order)
            count += 1
            if count % 8 == 1:
                print(f"crops {o.split}/{o.worker}: {made} made, {len(order) / (time.time() - start):.1f}/s", flush=True)
        except Exception:
            failures += 1
            print(f"crops {o.split}/{o.worker}: {mine.name} failed\n{traceback.format_exc()}", flush=True)
            if failures > 5 and made == 0:
                raise SystemExit("crops: nothing works here")
        mine.unlink(missing_ok=True)
        # writers wait while readers are far behind, so that a memory disk does not fill
        while not over() and o.waiting and len(list(o.out.glob("*.npz"))) > o.waiting:
            time.sleep(0.5)
    print(f"crops {o.split}/{o.worker}: done, {made} crops in {time.time() - begin:.0f} s, {failures} failures", flush=True)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("what", choices=["poses", "crops"])
    p.add_argument("--split", choices=SPLITS, default="train")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--poses", type=Path, help="crops: the folder of pose files")
    p.add_argument("--count", type=int, default=0, help="poses to make, or crops after which a worker ends (0: no limit)")
    p.add_argument("--seconds", type=float)
    p.add_argument("--device", default="cpu")
    p.add_argument("--chunk", type=int, default=512, help="poses solved together")
    p.add_argument("--first", type=int, default=0, help="poses: number of the first chunk, so that several makers can fill one folder")
    p.add_argument("--file", type=int, default=32, help="poses in one pose file and so in one shard")
    p.add_argument("--others", type=float, default=0.15, help="poses: share that is no stance, added on top")
    p.add_argument("--per-pose", type=int, default=5)
    p.add_argument("--per-mesh", type=int, default=5)
    p.add_argument("--waiting", type=int, default=0, help="crops: pause while so many shards lie unread (0: never)")
    p.add_argument("--worker", type=int, default=0)
    p.add_argument("--light", action="store_true", help="fewer light samples: for a processor without a card")
    p.add_argument("--seed", type=int, default=1)
    o = p.parse_args()
    if o.what == "poses":
        make_poses(o)
    elif o.poses is None:
        raise SystemExit("produce: crops need --poses, the folder of pose files")
    else:
        make_crops(o)


if __name__ == "__main__":
    main()
