"""The path-traced set's geometry, files and damage. The first two need the path tracer's environment (.venv-bpy) and are left out, saying so, without it."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parent / "train")]

cv2 = pytest.importorskip("cv2")
import contract  # noqa: E402
import damage  # noqa: E402
import families  # noqa: E402
import finish  # noqa: E402
import shards  # noqa: E402

BPY = Path(os.environ.get("BPY_PYTHON", HERE.parents[1] / ".venv-bpy" / "bin" / "python"))
needs_bpy = pytest.mark.skipif(not BPY.exists(), reason="no path tracer: run scripts/pathtrace/setup")


def spec(width=320, height=200):
    """A job's description without meshes: a camera 2.5 m off, 20 degrees up, rolled by 3 degrees."""
    e, d = np.radians(20), 2.5
    eye = np.array([d * np.cos(e) * 0.6, -d * np.cos(e) * 0.8, d * np.sin(e)])
    z = -eye / np.linalg.norm(eye)
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    roll = np.radians(3)
    c, s = np.cos(roll), np.sin(roll)
    R = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ np.stack([x, np.cross(z, x), z])
    points = [[0.1, 0.05, 0.02 * i] for i in range(16)]
    points[1], points[8] = [0.21, -0.13, 0.0], [-0.27, 0.18, 0.012]
    scene = families.sample(np.random.default_rng(4))
    return {"name": "test0007", "seed": 5, "scene": scene, "lens": {"aperture_m": 0.0, "focus": 1.0}, "lens_family": "phone_main", "camera": {"width": width, "height": height, "focal_px": 400.0, "R": R.tolist(), "t": (-R @ eye).tolist()},
            "focus": [0.0, 0.0, 0.0], "reach_m": 0.5, "window": {"x0": 70.0, "y0": 10.0, "side": 180.0}, "points_m": points, "shank_px": 61.2, "elevation_rad": float(e), "azimuth_rad": 0.4,
            "gap_mm": dict.fromkeys(contract.STATIONS, 1.0), "cloth_gap_mm": dict.fromkeys(contract.STATIONS), "shank_length_m": 0.38, "stature_m": 1.7, "kneeling_leg": "left", "body_id": 3, "pose_id": 9, "meshes": []}


def run_bpy(code: str, folder: Path) -> None:
    done = subprocess.run([str(BPY), "-c", f"import sys\nsys.path.insert(0, {str(HERE)!r})\nfolder = {str(folder)!r}\n{code}"], capture_output=True, text=True, timeout=400)
    assert done.returncode == 0, done.stdout[-1500:] + done.stderr[-1500:]


@needs_bpy
def test_a_lamp_at_a_truth_point_is_seen_where_the_truth_says(tmp_path):
    """Small glowing spheres at two points; their centroids in the path-traced picture against an independent projection, OpenCV's projectPoints."""
    s = spec()
    (tmp_path / "spec.json").write_text(json.dumps(s))
    run_bpy("""
import json, bpy, numpy as np, render, hall, materials
spec = json.load(open(folder + "/spec.json"))
bpy.ops.wm.read_factory_settings(use_empty=True)
hall._world((0, 0, 0), 0.0)
n = materials.Nodes("glow")
e = n.node("ShaderNodeEmission", {"Strength": 50.0})
n.tree.links.new(e.outputs[0], n.output.inputs["Surface"])
render.add_camera(spec["camera"], spec["lens"], 2.5)
render.settings(spec, 1)
bpy.context.scene.cycles.use_denoising = False
for k in (1, 8):
    bpy.ops.mesh.primitive_uv_sphere_add(radius=0.006, location=spec["points_m"][k], segments=24, ring_count=16)
    bpy.context.object.data.materials.append(n.material)
    a, _ = render.picture(16, None, (320, 200))
    b, at = render.picture(16, (100, 60, 260, 170), (320, 200))
    np.savez(folder + f"/{k}.npz", whole=a, part=b, at=at)
    bpy.data.objects.remove(bpy.context.object)
""", tmp_path)
    c = s["camera"]
    K = np.array([[400.0, 0, 160], [0, 400.0, 100], [0, 0, 1]])
    for k in (1, 8):
        want = cv2.projectPoints(np.array([s["points_m"][k]]), cv2.Rodrigues(np.array(c["R"]))[0], np.array(c["t"]), K, None)[0].ravel()
        with np.load(tmp_path / f"{k}.npz") as f:
            for picture, at in ((f["whole"], (0, 0)), (f["part"], f["at"])):
                glow = picture.mean(2)
                assert glow.max() > 1
                y, x = np.mgrid[: glow.shape[0], : glow.shape[1]] + 0.5
                found = np.array([(glow * x).sum(), (glow * y).sum()]) / glow.sum() + at
                assert np.linalg.norm(found - want) < 0.3  # the issue asks for 1 px


@needs_bpy
@pytest.mark.parametrize("gap_mm", [0.0, 20.0])
def test_light_under_a_block_starts_where_the_gap_puts_it(tmp_path, gap_mm):
    """A sun 45 degrees up lights the carpet under a block's edge as far in as the gap is high (tangent of 45 degrees is 1): at gap 0 nothing gets under."""
    (tmp_path / "gap").write_text(str(gap_mm / 1000))
    run_bpy("""
import numpy as np, bpy, math, mathutils, render, hall, materials
gap = float(open(folder + "/gap").read())
bpy.ops.wm.read_factory_settings(use_empty=True)
hall._world((0, 0, 0), 0.0)
white = materials.plain("white", (0.8, 0.8, 0.8), 1.0)
hall.quad("carpet", [(-5, -5, 0), (5, -5, 0), (5, 5, 0), (-5, 5, 0)], white)
bpy.ops.mesh.primitive_cube_add(size=1, location=(-0.1, 0, gap + 0.1), scale=(0.2, 2.0, 0.2))   # its lower edge at x = 0
block = bpy.context.object
block.data.materials.append(white)
block.visible_camera = block.visible_diffuse = False          # seen from above, through the block: only its shadow is looked at
hall._lamp("SUN", (10, 0, 10), 3.0, (1, 1, 1), (0, 0, 0), angle=1e-4)
data = bpy.data.cameras.new("c")
data.type, data.ortho_scale = "ORTHO", 0.16
o = bpy.data.objects.new("c", data)
o.location = (0, 0, 2)
bpy.context.scene.collection.objects.link(o)
bpy.context.scene.camera = o
render.settings({"camera": {"width": 160, "height": 16}, "seed": 1}, 1)
bpy.context.scene.cycles.use_denoising = False
a, _ = render.picture(16, None, (160, 16))
np.save(folder + "/a.npy", a.mean(2))
""", tmp_path)
    row = np.load(tmp_path / "a.npy").mean(0)  # a pixel is 1 mm, x = 0 lies at 80
    lit = row > 0.5 * row.max()
    assert lit[85:].all()
    assert lit[40:].argmax() + 40 == pytest.approx(80 - gap_mm, abs=1.01)


def test_a_mark_in_the_frame_is_in_the_stored_crop_where_its_field_says():
    """A blurred dot drawn at a projected truth point of the frame lies at the row's `points` in the stored picture, for windows larger and smaller than it."""
    for width, height, side in ((320, 200, 180.0), (1600, 1000, 900.0)):
        s = spec(width, height)
        s["camera"]["focal_px"] = 400.0 * width / 320
        s["window"] = {"x0": 70.3 * width / 320, "y0": 10.7 * width / 320, "side": side}
        uv, depth = finish.camera_of(s).project(np.array(s["points_m"]))
        y, x = np.mgrid[:height, :width] + 0.5
        dot = 255 * np.exp(-((x - uv[8, 0]) ** 2 + (y - uv[8, 1]) ** 2) / (2 * (4 * side / 352) ** 2))
        image = np.repeat(dot[..., None], 3, 2).astype(np.uint8)
        probe = np.column_stack([depth - 0.01, np.full(16, 255)])
        row = finish.row_of(s, image, probe, np.full(6, np.nan))
        a = row["image"].mean(2)
        y, x = np.mgrid[:352, :352] + 0.5
        found = np.array([(a * x).sum(), (a * y).sum()]) / a.sum()
        assert np.linalg.norm(found - row["points"][8]) < 0.35
        assert row["visible"].all()


def test_a_window_traced_alone_gives_the_crop_of_the_whole_frame(tmp_path):
    """Training pictures are traced in their window only: put back into the frame, the window's pixels stand where the frame has them, all around is filled."""
    frame = np.random.default_rng(3).uniform(0, 1, (200, 320, 3)).astype(np.float32)
    x, y, side = 71, 12, 180
    back = finish.whole_frame(frame[y: y + side, x: x + side].astype(np.float16), (x, y), (320, 200))
    assert back.shape == frame.shape and np.isfinite(back).all()
    assert np.abs(back - frame)[y: y + side, x: x + side].max() < 1e-3
    assert abs(back[: y - 1].mean() - 0.5) < 0.05  # mirrored, not black: the development measures the whole frame


def test_rows_make_a_shard_that_reads_back(tmp_path):
    s = spec()
    uv, depth = finish.camera_of(s).project(np.array(s["points_m"]))
    row = finish.row_of(s, np.zeros((200, 320, 3), np.uint8), np.column_stack([depth - 0.5, np.full(16, 128)]), np.full(6, np.nan))
    shards.write(tmp_path / "a.npz", {k: np.array([row[k]]) for k in shards.FIELDS})
    back = shards.read(tmp_path / "a.npz")
    assert back["image"].shape == (1, 352, 352, 3) and not back["visible"].any()  # half a metre of somebody else's body stands before every point
    assert back["is_left"][0] == 1 and back["held_out"][0] == 1 and back["carpet"][0] == s["scene"]["carpet"]["family"]


def test_families_are_none_of_the_rasterisers():
    from scenes import appearance

    assert not set(families.CARPETS) & set(appearance.CARPETS)
    assert not set(families.WALLS) & set(appearance.WALLS)
    assert not set(families.LIGHTS) & set(appearance.LIGHTS)


def test_h264_loses_more_at_a_higher_rate_factor():
    rng = np.random.default_rng(0)
    image = cv2.GaussianBlur(rng.integers(0, 256, (96, 128, 3), np.uint8), (0, 0), 2.0)
    error = [np.abs(damage.h264(image, crf, "veryfast").astype(float) - image).mean() for crf in (18, 38)]
    assert error[0] < 8 and error[1] > 1.5 * error[0]


def test_training_scenes_keep_clear_of_the_held_out_families():
    drawn = [families.sample(np.random.default_rng(k), "train") for k in range(200)]
    assert not any(families.held_out(s) for s in drawn)
    assert {s["carpet"]["family"] for s in drawn} == set(families.CARPETS) - set(families.HELD_OUT["carpet"])
    # what is drawn for tests is what it always was, held-out families and all
    assert any(families.held_out(families.sample(np.random.default_rng(k))) for k in range(50))
    assert families.sample(np.random.default_rng(3)) == families._sample(np.random.default_rng(3))
