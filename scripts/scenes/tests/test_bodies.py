"""Checks of bodies, stances and clips. Run in scripts/: `python -m pytest scenes/tests/test_bodies.py` (needs the body model)."""

import numpy as np
import pytest
import torch
from scipy.spatial.transform import Rotation

from scenes import stance
from scenes.body import BodyModel, body_model, model_file
from scenes.motion import clip_batch, plain_poses
from scenes.types import LANDMARK_NAMES, POINT_NAMES, STATIONS, Camera

pytestmark = pytest.mark.skipif(not model_file().exists(), reason="make the body model first: python -m scenes.body")


@pytest.fixture(scope="module")
def model() -> BodyModel:
    torch.set_num_threads(1)
    return body_model()


@pytest.fixture(scope="module")
def solved():
    return stance.solve_batch(12, np.random.default_rng(5))


def test_rotations_agree_with_scipy() -> None:
    """Reference: scipy.spatial.transform.Rotation."""
    rng = np.random.default_rng(0)
    vectors = rng.normal(size=(50, 3))
    ours = stance.rotation_from_vector(torch.tensor(vectors)).numpy()
    np.testing.assert_allclose(ours, Rotation.from_rotvec(vectors).as_matrix(), atol=1e-9)
    short = vectors / np.linalg.norm(vectors, axis=1, keepdims=True) * rng.uniform(0.01, 3.0, (50, 1))
    back = stance.rotation_vector(torch.tensor(Rotation.from_rotvec(short).as_matrix())).numpy()
    np.testing.assert_allclose(back, short, atol=1e-6)
    for axis, name in enumerate("xyz"):
        np.testing.assert_allclose(
            stance.axis_rotation(torch.tensor([0.7]), axis)[0].numpy(), Rotation.from_euler(name, 0.7).as_matrix(), atol=1e-7
        )


def test_projection_agrees_with_opencv() -> None:
    """Reference: OpenCV's projectPoints. OpenCV counts pixel centres as whole numbers, here the corner is the origin."""
    import cv2

    rotation = Rotation.from_euler("xyz", [100, 10, 20], degrees=True).as_matrix()
    camera = Camera(1280, 720, 900.0, rotation, np.array([0.1, 0.2, 4.0]), k1=-0.08)
    points = np.random.default_rng(1).uniform(-0.8, 0.8, (40, 3))
    ours, depth = camera.project(points)
    matrix = np.array([[900.0, 0, 640 - 0.5], [0, 900.0, 360 - 0.5], [0, 0, 1]])
    reference, _ = cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], camera.t, matrix, np.array([-0.08, 0, 0, 0]))
    assert (depth > 0).all()
    np.testing.assert_allclose(ours - 0.5, reference[:, 0], atol=1e-6)


def test_segment_lengths_agree_with_published_ratios(model: BodyModel) -> None:
    """Shank 0.246 H, thigh 0.245 H (Drillis and Contini 1966, as tabulated in Winter; values from memory). Within 12 %."""
    bodies = model.sample(200, np.random.default_rng(2))
    rest, heads = model.rest(model.coefficients(bodies))
    stature = rest[..., 2].amax(1) - rest[..., 2].amin(1)
    knee, ankle, hip = (heads[:, model.bone_index[b]] for b in ("lowerleg01.R", "foot.R", "upperleg01.R"))
    assert abs(((knee - ankle).norm(dim=1) / stature).mean() / 0.246 - 1) < 0.12
    assert abs(((knee - hip).norm(dim=1) / stature).mean() / 0.245 - 1) < 0.12
    np.testing.assert_allclose(stature.numpy(), [b.stature_m for b in bodies], atol=0.012)


def test_mesh_normals_agree_with_trimesh(model: BodyModel, solved) -> None:
    """Reference: trimesh's face normals; and the mesh is wound outward (trimesh's signed volume is a person's)."""
    import trimesh

    posed = solved.posed(model)
    for body in posed[:4]:  # both sides occur
        mesh = trimesh.Trimesh(body.vertices, body.faces, process=False)
        assert 0.03 < mesh.volume < 0.16
        ours = body.normals()
        reference = trimesh.geometry.mean_vertex_normals(len(body.vertices), body.faces, _double_areas(body))
        agree = (ours * reference).sum(1)
        assert np.quantile(agree, 0.01) > 0.999


def _double_areas(body) -> np.ndarray:
    """Face normals scaled by twice the area: trimesh's plain mean over them is the area-weighted normal."""
    a, b, c = (body.vertices[body.faces[:, k]].astype(float) for k in range(3))
    return np.cross(b - a, c - a)


def test_clean_stances_lie_flat(solved) -> None:
    gaps = solved.gap_mm.numpy()
    assert (gaps.max(1) <= 3.5).all()
    front = solved.points[:, [POINT_NAMES.index(n) for n in ("front_heel_sole", "front_ball_sole")], 2]
    assert front.abs().max() < 0.02
    assert (solved.vertices[..., 2].amin(1) > -0.005).all()


def test_gaps_are_measured_on_the_mesh(model: BodyModel, solved) -> None:
    """Geometry: lifting a whole body by 40 mm lifts its gaps by 40 mm; a mirrored body has the same gaps."""
    right = torch.where(solved.left[:, None, None], model.mirrored(solved.vertices), solved.vertices)
    bones = torch.where(solved.left[:, None, None], model.mirrored_bones(solved.bones), solved.bones)
    up = right.new_tensor([0, 0, 0.04])
    raised, _, _ = stance.measure(model, right + up, bones + up)
    torch.testing.assert_close(raised, solved.gap_mm + 40, atol=1e-2, rtol=0)


def test_left_and_right_are_told_apart(model: BodyModel, solved) -> None:
    for body in solved.posed(model):
        side = body.kneeling_leg
        other = "right" if side == "left" else "left"
        knee, ankle = body.truth.joints33[f"{side}_knee"], body.truth.joints33[f"{side}_ankle"]
        assert np.allclose(knee, body.truth.points["knee_joint"], atol=1e-6)
        assert np.linalg.norm(knee[:2] - ankle[:2]) > 0.85 * body.truth.shank_length_m  # the shank lies
        assert body.truth.joints33[f"{other}_knee"][2] > 0.2  # the front knee is up
        assert tuple(body.truth.points) == POINT_NAMES and tuple(body.truth.joints33) == LANDMARK_NAMES
        assert tuple(body.truth.gap_mm) == STATIONS


def test_variants_spread(solved) -> None:
    gaps = stance.perturb(solved, np.random.default_rng(3), 48).gap_mm.numpy()
    assert (gaps.max(1) > 10).mean() > 0.3 and gaps.max() > 40
    assert (np.abs(gaps).min(1) < 12).mean() > 0.9  # something of the leg is near the carpet


def test_still_hold_is_still_and_restless_is_not(model: BodyModel) -> None:
    """Still hold: hip sway 14-23 mm peak to peak (measured on holds), the kneeling leg rigid on the carpet."""
    for kind in ("clean", "never_still"):
        times, batch, phases = clip_batch(kind, 30, np.random.default_rng(4))
        hold = torch.as_tensor((times >= phases.hold[0]) & (times <= phases.hold[1]))
        hips = batch.landmarks[hold][:, [23, 24]].mean(1)
        leg = batch.points[hold][:, POINT_NAMES.index("ankle_joint")]
        span = lambda p: (p.amax(0) - p.amin(0)).max().item()  # noqa: E731
        nose = batch.landmarks[hold][:, 0]
        assert (batch.vertices[..., 2].amin(1) > -0.006).all()
        assert 2.5 < times[-1] < 3.6
        if kind == "clean":
            assert 0.010 < span(hips) < 0.026 and span(leg) < 0.004
            assert batch.gap_mm[hold].max() < 8
        else:
            assert span(nose) > 0.05 and span(leg) > 0.008


def test_plain_poses_are_no_stance() -> None:
    for body in plain_poses(6, np.random.default_rng(7)):
        assert body.kind != "stance"
        assert -0.005 < body.vertices[:, 2].min() < 0.005
        assert max(body.truth.gap_mm.values()) > 60
