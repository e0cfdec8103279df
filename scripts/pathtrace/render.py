"""Path-traces jobs (make_jobs.py) with Blender's Cycles: linear pictures and what the camera sees at the truth's points.

    .venv-bpy/bin/python scripts/pathtrace/render.py --jobs FOLDER --out FOLDER [--seconds 3000] [--samples 2 10] [--part 0/2] [--device CUDA]

A job with several views is traced from each; the first is NAME.linear.npz, the others NAME_1.linear.npz and so on: `image` (H, W, 3) float16, linear rgb, and its place `origin` (x, y) px in the frame (0, 0 unless FRAME samples are 0: then it is the window alone); `probe` (16, 2): depth (m) and part code of the first surface on the ray to each point (0: none);
`cloth_gap_mm` (6,), `cloth_hung`, `seconds`, `spec` (with that view's camera). Jobs with a result are left out, so the command can be stopped and given again.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path

import bpy
import mathutils
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import hall  # noqa: E402
import hang  # noqa: E402
import materials  # noqa: E402

STATION_PLACES = (0.0, 0.25, 0.5, 0.75, 1.0, None)
PART_LOWER_LEG, PART_FLOOR = 255, 64  # of scenes.appearance


def read_job(path: Path) -> tuple[dict, list[dict]]:
    with np.load(path) as f:
        spec = json.loads(str(f["spec"]))
        meshes = []
        for i, name in enumerate(spec["meshes"]):
            m = {"name": name, **{k: f[f"m{i}_{k}"] for k in ("v", "f", "rest", "part", "tone")}}
            if f"m{i}_along" in f.files:
                m["along"] = f[f"m{i}_along"]
            meshes.append(m)
    return spec, meshes


def eye_of(camera: dict) -> np.ndarray:
    """The camera's place, m."""
    return -np.array(camera["R"]).T @ np.array(camera["t"])


def add_camera(c: dict, lens: dict, distance: float) -> None:
    """The job's pinhole camera: Blender's looks along -z with y up, and its lens is measured against the sensor's width."""
    R, t = np.array(c["R"]), np.array(c["t"])
    data = bpy.data.cameras.new("camera")
    data.sensor_fit, data.sensor_width = "HORIZONTAL", 36.0
    data.lens = c["focal_px"] / c["width"] * 36.0
    data.clip_start, data.clip_end = 0.02, 500.0
    if lens["aperture_m"] > 0:
        data.dof.use_dof = True
        data.dof.focus_distance = distance * lens["focus"]
        data.dof.aperture_fstop = data.lens / 1000 / lens["aperture_m"]
    if bpy.context.scene.camera is not None:  # the view before
        bpy.data.objects.remove(bpy.context.scene.camera)
    o = bpy.data.objects.new("camera", data)
    m = np.eye(4)
    m[:3, :3] = R.T @ np.diag([1.0, -1.0, -1.0])
    m[:3, 3] = -R.T @ t
    o.matrix_world = mathutils.Matrix(m.tolist())
    bpy.context.scene.collection.objects.link(o)
    bpy.context.scene.camera = o


def use_device(device: str) -> None:
    """Graphics cards of the kind `device` ("CUDA", "OPTIX"), or the processor ("CPU"), trace what is in Blender now; refused where there is none of the kind."""
    bpy.context.scene.cycles.device = "CPU" if device == "CPU" else "GPU"
    if device == "CPU":
        return
    preferences = bpy.context.preferences.addons["cycles"].preferences
    preferences.compute_device_type = device
    preferences.get_devices()
    for d in preferences.devices:
        d.use = d.type == device
    if not any(d.use for d in preferences.devices):
        raise SystemExit(f"render: no {device} device here: {[(d.name, d.type) for d in preferences.devices]}; leave --device out to trace on the processor")


def settings(spec: dict, threads: int) -> None:
    s = bpy.context.scene
    s.render.engine = "CYCLES"
    s.render.threads_mode, s.render.threads = "FIXED", threads
    s.render.resolution_x, s.render.resolution_y = spec["camera"]["width"], spec["camera"]["height"]
    s.render.resolution_percentage = 100
    s.render.use_persistent_data = True
    s.render.image_settings.file_format, s.render.image_settings.color_depth, s.render.image_settings.exr_codec = "OPEN_EXR", "32", "NONE"
    c = s.cycles
    c.use_adaptive_sampling, c.adaptive_threshold, c.adaptive_min_samples = True, 0.03, 4
    c.use_denoising, c.denoiser = True, "OPENIMAGEDENOISE"
    c.denoising_prefilter = "FAST"
    c.max_bounces, c.diffuse_bounces, c.glossy_bounces, c.transmission_bounces, c.volume_bounces, c.transparent_max_bounces = 4, 3, 2, 1, 0, 4
    c.caustics_reflective = c.caustics_refractive = False
    c.sample_clamp_indirect = 6.0
    c.seed = spec["seed"] % 100000


def picture(samples: int, region: tuple[float, float, float, float] | None, size: tuple[int, int]) -> tuple[np.ndarray, tuple[int, int]]:
    """Rendered pixels (h, w, 3), linear, row 0 at the top, and their place (x, y); region (x0, y0, x1, y1) px or the whole."""
    s = bpy.context.scene
    s.cycles.samples = samples
    s.cycles.denoising_quality = "HIGH" if region is not None else "FAST"  # the best one takes longer than the tracing, here
    w, h = size
    s.render.use_border = s.render.use_crop_to_border = region is not None
    if region is not None:
        s.render.border_min_x, s.render.border_max_x = region[0] / w, region[2] / w
        s.render.border_min_y, s.render.border_max_y = 1 - region[3] / h, 1 - region[1] / h
    with tempfile.TemporaryDirectory() as folder:
        s.render.filepath = str(Path(folder) / "picture.exr")
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(s.render.filepath)
        image.colorspace_settings.name = "Non-Color"
        a = np.empty(image.size[0] * image.size[1] * 4, np.float32)
        image.pixels.foreach_get(a)
        a = a.reshape(image.size[1], image.size[0], 4)[::-1, :, :3].copy()
        bpy.data.images.remove(image)
    return a, (int(region[0]), int(region[1])) if region is not None else (0, 0)


def surfaces(solids: list[tuple[np.ndarray, np.ndarray, np.ndarray]]) -> tuple:
    """What rays are cast on: a tree of all triangles of the solids (vertices, faces, part code of each vertex), and the part code of each triangle."""
    from mathutils.bvhtree import BVHTree

    start = np.cumsum([0] + [len(v) for v, _, _ in solids])
    f = np.concatenate([f + s for (_, f, _), s in zip(solids, start)])
    part = np.concatenate([p for _, _, p in solids])
    return BVHTree.FromPolygons(np.concatenate([v for v, _, _ in solids]).tolist(), f.tolist(), all_triangles=True), part[f[:, 0]]


def probe(spec: dict, solid: tuple) -> np.ndarray:
    """(16, 2): depth (m) along the camera's axis and part code of what stands first on the ray to each point; `solid`: see `surfaces`."""
    tree, part = solid
    R, t, eye = np.array(spec["camera"]["R"]), np.array(spec["camera"]["t"]), eye_of(spec["camera"])
    out = np.zeros((len(spec["points_m"]), 2))
    for i, p in enumerate(np.array(spec["points_m"])):
        way = (p - eye) / np.linalg.norm(p - eye)
        at, _, face, _ = tree.ray_cast(eye.tolist(), way.tolist())
        floor = -eye[2] / way[2] if way[2] < 0 else np.inf
        reach = min(np.linalg.norm(np.array(at) - eye) if at is not None else np.inf, floor)
        if np.isfinite(reach):
            code = PART_FLOOR if at is None or floor < np.linalg.norm(np.array(at) - eye) else part[face]
            out[i] = ((R @ (eye + reach * way) + t)[2], code)
    return out


def kneeling_leg(meshes: list[dict]) -> tuple[np.ndarray, np.ndarray]:
    """Skin, sock and shoe of the kneeling lower leg and its knee as one mesh: what the cloth falls on."""
    v, f, start = [], [], 0
    for m in meshes:
        if m["name"] in ("skin", "sock", "shoe"):
            faces = m["f"][np.isin(m["part"][m["f"]], [PART_LOWER_LEG]).any(1)]
            v.append(m["v"])
            f.append(faces + start)
            start += len(m["v"])
    v, f = np.concatenate(v), np.concatenate(f)
    used, inverse = np.unique(f, return_inverse=True)
    return v[used], inverse.reshape(-1, 3).astype(np.int32)


def views_of(spec: dict) -> list[dict]:
    """The job's description once for each view, with that view's camera and what follows from it."""
    first = {k: v for k, v in spec.items() if k != "views"}
    return [first] + [{**first, **view, "name": f"{spec['name']}_{k}", "seed": spec["seed"] + k} for k, view in enumerate(spec.get("views", []), 1)]


def build(spec: dict, meshes: list[dict]) -> dict:
    """The whole scene but the camera in an emptied Blender; what the cloth did, and the solid surfaces for `probe`."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene, rng = spec["scene"], np.random.default_rng(spec["seed"])
    focus = np.array(spec["focus"])
    # the walls hold every camera
    eye = np.abs([eye_of(v["camera"]) for v in views_of(spec)]).max(0)
    look = {
        "skin": materials.skin("skin", scene["skin"]), "lower_cloth": materials.cloth("lower", scene["lower_cloth"]), "upper_cloth": materials.cloth("upper", scene["upper_cloth"]),
        "sock": materials.cloth("sock", {**scene["sock"], "sheen": 0.3}), "shoe": materials.shoe("shoe", scene["shoe"]), "hair": materials.plain("hair", scene["hair"], 0.45),
        "eye": materials.plain("eye", (0.03, 0.02, 0.02), 0.15), "neighbour_skin": materials.plain("neighbour_skin", scene["skin"]["base"], 0.5),
        "neighbour_cloth": materials.plain("neighbour_cloth", scene["upper_cloth"]["b"], 0.8),
    }
    look["lower_cloth_kneeling"] = look["lower_cloth"]
    out = {"cloth_gap_mm": np.array([np.nan if v is None else v for v in spec["cloth_gap_mm"].values()]), "hung": -1}
    objects, solids = [], []
    for m in meshes:
        v, f, arrays = m["v"], m["f"], {"rest": m["rest"], "tone": m["tone"] / 255.0, "part": m["part"].astype(np.float32)}
        hung = m["name"] == "lower_cloth_kneeling" and scene["lower"] == "trousers"
        if hung:
            v, f, arrays = hang.welded(v, f, {**arrays, "along": m["along"]})
            v, f, arrays = hang.subdivided(v, f, arrays)
        o = hall.mesh_object(m["name"], v, f, look[m["name"]])
        hall.attribute(o, "rest", arrays["rest"])
        hall.attribute(o, "tone", arrays["tone"])
        objects.append((o, f, arrays, hung))
    for o, f, arrays, hung in objects:
        if hung:
            ground = hall.quad("ground", [(-5, -5, 0), (5, -5, 0), (5, 5, 0), (-5, 5, 0)], materials.plain("ground", (0.5, 0.5, 0.5)))
            leg = hall.mesh_object("leg", *kneeling_leg(meshes), materials.plain("leg", (0.5, 0.5, 0.5)))
            out["hung"] = int(hang.hang(o, arrays["along"], [leg, ground]))
            for c in (leg, ground):
                bpy.data.objects.remove(c)
            p = np.empty(3 * len(o.data.vertices), np.float32)
            o.data.vertices.foreach_get("co", p)
            p = p.reshape(-1, 3)
            for i, place in enumerate(STATION_PLACES):
                near = np.abs(arrays["along"] - place) < 0.06 if place is not None else np.zeros(len(p), bool)
                out["cloth_gap_mm"][i] = p[near, 2].min() * 1000 if near.any() and np.isfinite(out["cloth_gap_mm"][i]) else np.nan
        v = np.empty(3 * len(o.data.vertices), np.float32)
        o.data.vertices.foreach_get("co", v)
        solids.append((v.reshape(-1, 3), f, arrays["part"]))
    hall.floor(scene["carpet"], focus, rng)
    hall.room(scene, eye, focus)
    hall.lights(scene, focus)
    hall.props(scene["props"], focus, spec["reach_m"])
    out["solid"] = surfaces(solids)
    return out


def trace(spec: dict, samples: tuple[int, int]) -> tuple[np.ndarray, tuple[int, int]]:
    """The frame with few samples, the stored crop's window in it with more; both denoised. The window alone, and its place, where the frame is given none."""
    w, h = spec["camera"]["width"], spec["camera"]["height"]
    x, y, side = (spec["window"][k] for k in ("x0", "y0", "side"))
    region = (max(int(x) - 4, 0), max(int(y) - 4, 0), min(int(x + side) + 5, w), min(int(y + side) + 5, h))
    if samples[0] == 0:
        return picture(samples[1], region, (w, h))
    frame, _ = picture(samples[0], None, (w, h))
    if samples[1] > samples[0]:
        part, (px, py) = picture(samples[1], region, (w, h))
        if abs(part.shape[1] - (region[2] - region[0])) > 1 or abs(part.shape[0] - (region[3] - region[1])) > 1:
            raise RuntimeError(f"window of {part.shape[:2]} px came back for {region}")
        ph, pw = min(part.shape[0], h - py), min(part.shape[1], w - px)
        frame[py: py + ph, px: px + pw] = part[:ph, :pw]
    return frame, (0, 0)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--jobs", type=Path, required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--samples", type=int, nargs=2, default=(2, 10), metavar=("FRAME", "WINDOW"), help="a pixel; FRAME 0: the window alone, enough for training")
    p.add_argument("--threads", type=int, default=1)
    p.add_argument("--device", default="CPU", choices=("CPU", "CUDA", "OPTIX"), help="what traces: the processor, or graphics cards")
    p.add_argument("--seconds", type=float, help="start no picture after this time")
    p.add_argument("--part", default="0/1", help="K/N: of the jobs in order, every Nth from the Kth: for N processes side by side")
    p.add_argument("--only", nargs="*", help="names of jobs")
    o = p.parse_args()
    o.out.mkdir(parents=True, exist_ok=True)
    begin = time.time()
    part, parts = map(int, o.part.split("/"))
    for path in sorted(o.jobs.glob("*.job.npz"))[part::parts]:
        name = path.name.split(".")[0]
        target = o.out / f"{name}.linear.npz"
        if target.exists() or (o.only and name not in o.only):
            continue
        if o.seconds and time.time() - begin > o.seconds:
            break
        start = time.time()
        job, meshes = read_job(path)
        made = build(job, meshes)
        use_device(o.device)
        print(f"{name}: build {time.time() - start:.1f} s", flush=True)
        # the first view, by whose file a job counts as done, comes last
        for spec in reversed(views_of(job)):
            focus, camera = np.array(spec["focus"]), spec["camera"]
            add_camera(camera, spec["lens"], float((np.array(camera["R"]) @ focus + np.array(camera["t"]))[2]))
            settings(spec, o.threads)
            image, origin = trace(spec, tuple(o.samples))
            temporary = target.with_suffix(".tmp")
            with open(temporary, "wb") as f:
                np.savez(f, image=np.clip(image, 0, 6e4).astype(np.float16), origin=origin, probe=probe(spec, made["solid"]), cloth_gap_mm=made["cloth_gap_mm"], cloth_hung=made["hung"], seconds=time.time() - start, spec=json.dumps(spec))
            os.replace(temporary, o.out / f"{spec['name']}.linear.npz")
            print(f"{spec['name']}: {camera['width']}x{camera['height']} {spec['scene']['light']['family']} {spec['scene']['carpet']['family']} {spec['scene']['lower']}/{spec['scene']['footwear']} shank {spec['shank_px']:.0f} px, {time.time() - start:.1f} s", flush=True)
            start = time.time()


if __name__ == "__main__":
    main()
