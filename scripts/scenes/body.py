"""Sampled human bodies: rest mesh, bones, skin weights, regions and landmarks, batched on a torch device.

The body comes from the PyPI package `anny` (code Apache-2.0, body data CC0). `build_model` samples a few thousand adult and
teenage bodies with it, keeps their principal components, and stores them with the rig in one file of a few megabytes
(`.data/body_model.npz` in the repository, or the file that SHANKLINE_BODY_MODEL names), so that neither anny nor its cache
is needed afterwards, e.g. on a rented GPU machine:

    python -m scenes.body            # makes the file (in scripts/); ANNY_CACHE_DIR moves anny's own cache

Rest pose: metres, z up, facing -y, the athlete's left at +x. Rotations of bones are about these axes.
"""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import torch

from .types import STATIONS, Region

STATURE_RANGE_M = (1.45, 1.95)
#: Half width of a station's window along the shank, as a fraction of the shank.
STATION_HALF_WIDTH = 0.06
#: Half width of the inner side about the knee-ankle axis, degrees from straight medial.
MEDIAL_HALF_ANGLE_DEG = 75.0
#: Of a vertex pressed below the carpet this share of its depth is kept: flesh (up to ~10 mm) flattens against the floor.
FLESH_KEEP = 0.15

_MODEL_FILE = Path(__file__).resolve().parents[2] / ".data" / "body_model.npz"


def model_file() -> Path:
    """Where the compact body model lies."""
    return Path(os.environ.get("SHANKLINE_BODY_MODEL", _MODEL_FILE))


@dataclass
class BodyParams:
    """One sampled body: its shape coefficients and what they stand for."""

    coefficients: np.ndarray  # (K,) float32
    sex: str  # 'female' or 'male'
    teenager: bool
    stature_m: float

    def to_notes(self) -> dict:
        """JSON-serialisable summary."""
        notes = asdict(self)
        notes["coefficients"] = [round(float(c), 4) for c in self.coefficients]
        return notes


# ---------------------------------------------------------------------------------------------------- building


def _sample_phenotypes(count: int, rng: np.random.Generator, labels: list[str]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Phenotype sliders (count, len(labels)) in [0, 1], female (count,) and teenager (count,) flags."""
    female = rng.random(count) < 0.5
    teen = rng.random(count) < 0.2
    value = {
        "gender": np.where(female, rng.uniform(0.85, 1.0, count), rng.uniform(0.0, 0.15, count)),
        "age": np.where(teen, rng.uniform(0.48, 0.60, count), rng.uniform(0.62, 0.78, count)),
        "muscle": rng.beta(3, 2, count) * 0.7 + 0.25,
        "weight": rng.beta(2, 3, count) * 0.65 + 0.15,
        "height": rng.uniform(0.1, 0.9, count),
        "proportions": rng.uniform(0.2, 1.0, count),
        "cupsize": rng.uniform(0.2, 0.6, count),
        "firmness": rng.uniform(0.4, 0.9, count),
    }
    ancestry = rng.dirichlet([0.7, 1.2, 0.9], count)
    value |= {"african": ancestry[:, 0], "asian": ancestry[:, 1], "caucasian": ancestry[:, 2]}
    return np.stack([value[label] for label in labels], 1), female, teen


def build_model(path: Path | None = None, samples: int = 3000, components: int = 64, seed: int = 1) -> Path:
    """Sample bodies with anny and store their principal components and the rig. Returns the file written."""
    from anny import Anny
    from scipy.spatial import cKDTree

    path = Path(path or model_file())
    anny = Anny(rig="anny", topology="anny", phenotypes="all", local_changes="none", skinning_method="lbs")
    rng = np.random.default_rng(seed)
    sliders, female, teen = _sample_phenotypes(samples, rng, list(anny.phenotype_labels))
    empty = torch.zeros(samples, 0, dtype=anny.dtype)
    weights = anny._get_phenotype_blendshape_coefficients(torch.as_tensor(sliders, dtype=anny.dtype), empty, empty).float()
    vertex_shapes = anny.blendshapes.float().flatten(1)
    head_shapes = anny.bone_heads_blendshapes.float().flatten(1)
    vertices = (weights @ vertex_shapes + anny.template_vertices.float().flatten()).numpy()
    heads = (weights @ head_shapes + anny.template_bone_heads.float().flatten()).numpy()
    del vertex_shapes, head_shapes

    z = vertices.reshape(samples, -1, 3)[..., 2]
    stature = z.max(1) - z.min(1)
    keep = (stature > STATURE_RANGE_M[0]) & (stature < STATURE_RANGE_M[1])
    vertices, heads, stature, female, teen = vertices[keep], heads[keep], stature[keep], female[keep], teen[keep]
    stacked = np.concatenate([vertices, heads], 1)
    mean = stacked.mean(0)
    centred = stacked - mean
    gram = (centred @ centred.T).astype(np.float64)
    values, vectors = np.linalg.eigh(gram)
    order = np.argsort(values)[::-1][:components]
    scores = vectors[:, order] * np.sqrt(values[order])
    basis = (centred.T @ (vectors[:, order] / np.sqrt(values[order]))).T  # (K, 3 (V + bones)), orthonormal rows
    residual = np.abs(centred - scores @ basis)
    print(f"{keep.sum()} bodies, {components} components: residual mean {residual.mean() * 1e3:.3f} mm, worst {residual.max() * 1e3:.2f} mm")
    scale = scores.std(0)
    basis, scores = basis * scale[:, None], scores / scale

    mean_vertices = mean[: vertices.shape[1]].reshape(-1, 3)
    distance, mirror = cKDTree(mean_vertices).query(mean_vertices * [-1, 1, 1])
    assert distance.max() < 5e-4 and (mirror[mirror] == np.arange(len(mirror))).all(), "the mesh is not symmetric"
    bone_names = list(anny.bone_labels)
    weights_dense = np.zeros((len(mean_vertices), len(bone_names)), np.float32)
    np.add.at(
        weights_dense,
        (np.arange(len(mean_vertices))[:, None], anny.vertex_bone_indices.numpy()),
        anny.vertex_bone_weights.float().numpy(),
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(".tmp")
    with open(temporary, "wb") as file:
        np.savez_compressed(
            file,
            mean=mean.astype(np.float32),
            basis=basis.astype(np.float16),
            scores=scores.astype(np.float32),
            stature_m=stature.astype(np.float32),
            female=female,
            teenager=teen,
            faces=anny.get_triangular_faces().numpy().astype(np.int32),
            mirror=mirror.astype(np.int32),
            skin_weights=weights_dense.astype(np.float16),
            bone_names=np.array(bone_names),
            bone_parents=np.array(anny.bone_parents, np.int32),
        )
    os.replace(temporary, path)
    return path


# ---------------------------------------------------------------------------------------------------- mesh helpers


def vertex_normals(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Area-weighted unit vertex normals (V, 3) float32 of vertices (V, 3) and triangles (F, 3)."""
    return vertex_normals_torch(torch.as_tensor(np.ascontiguousarray(vertices))[None].float(), torch.as_tensor(faces).long())[0].numpy()


def vertex_normals_torch(vertices: torch.Tensor, faces: torch.Tensor) -> torch.Tensor:
    """Area-weighted unit vertex normals (B, V, 3) of vertices (B, V, 3) and triangles (F, 3), on their device."""
    a, b, c = (vertices[:, faces[:, k]] for k in range(3))
    face = torch.cross(b - a, c - a, dim=-1)
    normal = torch.zeros_like(vertices)
    for k in range(3):
        normal.index_add_(1, faces[:, k], face)
    return torch.nn.functional.normalize(normal, dim=-1)


# ---------------------------------------------------------------------------------------------------- the model


class BodyModel:
    """The rig, skin weights, regions and landmark vertex sets, on one torch device.

    Vertex and face indices are the same for every body, side and pose, so an index buffer need be uploaded once.
    The kneeling leg of the model itself is the RIGHT one; a left-kneeling body is the mirror image, with vertices renumbered
    by the mesh's own left-right symmetry so that topology, regions and winding stay as they are.
    """

    def __init__(self, device: str | torch.device = "cpu") -> None:
        path = model_file()
        if not path.exists():
            raise FileNotFoundError(f"no body model at {path}: make it with `python -m scenes.body` in scripts/ (needs anny)")
        data = np.load(path)
        self.device = torch.device(device)
        tensor = lambda array: torch.as_tensor(np.asarray(array, np.float32), device=self.device)  # noqa: E731
        self.bone_names = [str(name) for name in data["bone_names"]]
        self.bone_index = {name: i for i, name in enumerate(self.bone_names)}
        self.parents = data["bone_parents"].tolist()
        self.faces = data["faces"]
        self.faces_torch = torch.as_tensor(self.faces, device=self.device).long()
        self.mirror = torch.as_tensor(data["mirror"], device=self.device).long()
        self.vertex_count = len(data["mirror"])
        self.bone_count = len(self.bone_names)
        self.mirror_bone = torch.tensor(
            [self.bone_index[_other_side(name)] for name in self.bone_names], device=self.device
        )
        self._mean = tensor(data["mean"])
        self._basis = tensor(data["basis"])
        self.scores, self.stature_m = data["scores"], data["stature_m"]
        self.female, self.teenager = data["female"], data["teenager"]
        weights = tensor(data["skin_weights"])
        self.skin_weights = weights / weights.sum(1, keepdim=True)
        depth = []
        for parent in self.parents:
            depth.append(0 if parent < 0 else depth[parent] + 1)
        self.levels = [
            torch.tensor([i for i in range(self.bone_count) if depth[i] == d], device=self.device)
            for d in range(max(depth) + 1)
        ]
        self.parents_torch = torch.tensor([max(p, 0) for p in self.parents], device=self.device)
        self._mean_vertices = self._mean[: 3 * self.vertex_count].reshape(-1, 3).cpu().numpy()
        self._mean_heads = self._mean[3 * self.vertex_count :].reshape(-1, 3).cpu().numpy()
        self._mean_normals = vertex_normals(self._mean_vertices, self.faces)
        dominant = np.array(self.bone_names)[self.skin_weights.argmax(1).cpu().numpy()]
        self.dominant_bone = dominant
        self.region = _regions(dominant, self._mean_vertices, self._mean_heads[self.bone_index["eye.L"]])
        self.sets = {name: torch.as_tensor(np.asarray(i), device=self.device).long() for name, i in self._landmark_sets().items()}

    # -- shapes

    def sample(self, count: int, rng: np.random.Generator) -> list[BodyParams]:
        """Random bodies: a stored one drawn at random, moved up to half way to another of its sex and age group."""
        first = rng.integers(len(self.scores), size=count)
        bodies = []
        for i in first:
            pool = np.flatnonzero((self.female == self.female[i]) & (self.teenager == self.teenager[i]))
            j, share = rng.choice(pool), rng.uniform(0.0, 0.5)
            bodies.append(
                BodyParams(
                    (1 - share) * self.scores[i] + share * self.scores[j],
                    "female" if self.female[i] else "male",
                    bool(self.teenager[i]),
                    float((1 - share) * self.stature_m[i] + share * self.stature_m[j]),
                )
            )
        return bodies

    def coefficients(self, bodies: list[BodyParams]) -> torch.Tensor:
        """Stack the bodies' shape coefficients (B, K) on the device."""
        return torch.as_tensor(np.stack([b.coefficients for b in bodies]), device=self.device, dtype=torch.float32)

    def rest(self, coefficients: torch.Tensor, indices: torch.Tensor | None = None) -> tuple[torch.Tensor, torch.Tensor]:
        """Rest vertices (B, V or len(indices), 3) and bone heads (B, bones, 3), metres."""
        count = self.vertex_count
        mean, basis = self._mean, self._basis
        heads = mean[3 * count :] + coefficients @ basis[:, 3 * count :]
        if indices is None:
            vertices = mean[: 3 * count] + coefficients @ basis[:, : 3 * count]
        else:
            vertices = mean[: 3 * count].reshape(-1, 3)[indices].flatten() + coefficients @ basis[:, : 3 * count].reshape(
                len(basis), -1, 3
            )[:, indices].flatten(1)
        return vertices.reshape(len(coefficients), -1, 3), heads.reshape(len(coefficients), -1, 3)

    # -- posing

    def forward_kinematics(
        self, rotations: torch.Tensor, heads: torch.Tensor, root_position: torch.Tensor
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """World rotations (B, bones, 3, 3) and head positions (B, bones, 3).

        rotations (B, bones, 3, 3) are each bone's own, about the rest pose's axes; heads (B, bones, 3) at rest;
        root_position (B, 3) is where the root bone's head goes.
        """
        world = torch.empty_like(rotations)
        position = torch.empty_like(heads)
        world[:, 0], position[:, 0] = rotations[:, 0], root_position
        for level in self.levels[1:]:
            parent = self.parents_torch[level]
            world[:, level] = world[:, parent] @ rotations[:, level]
            offset = heads[:, level] - heads[:, parent]
            position[:, level] = position[:, parent] + (world[:, parent] @ offset[..., None])[..., 0]
        return world, position

    def skin(self, rest: torch.Tensor, heads: torch.Tensor, world: torch.Tensor, position: torch.Tensor) -> torch.Tensor:
        """Linear blend skinning of all vertices (B, V, 3)."""
        return blend(self.skin_weights, rest, heads, world, position)

    def mirrored(self, vertices: torch.Tensor) -> torch.Tensor:
        """Mirror image (…, V, 3) with the vertices renumbered so that faces and regions stay valid."""
        return vertices[..., self.mirror, :] * vertices.new_tensor([-1.0, 1.0, 1.0])

    def mirrored_bones(self, points: torch.Tensor) -> torch.Tensor:
        """Mirror image of per-bone points (…, bones, 3), renumbered left for right."""
        return points[..., self.mirror_bone, :] * points.new_tensor([-1.0, 1.0, 1.0])

    # -- landmarks

    def _landmark_sets(self) -> dict[str, np.ndarray]:
        """Vertex sets, found once on the mean body at rest; the right leg kneels, the left foot is in front."""
        v, n, bone = self._mean_vertices, self._mean_normals, self.dominant_bone
        head = lambda name: self._mean_heads[self.bone_index[name]]  # noqa: E731
        sets: dict[str, np.ndarray] = {}
        knee, ankle = head("lowerleg01.R"), head("foot.R")
        length = np.linalg.norm(ankle - knee)
        axis = (ankle - knee) / length
        along = (v - knee) @ axis / length
        medial = np.array([1.0, 0, 0]) - axis[0] * axis
        medial /= np.linalg.norm(medial)
        front = np.cross(axis, medial)
        azimuth = np.degrees(np.arctan2((v - knee) @ front, (v - knee) @ medial))
        leg = np.isin(bone, [f"{b}.R" for b in ("upperleg01", "upperleg02", "lowerleg01", "lowerleg02", "foot")])
        radius = np.linalg.norm((v - knee) - ((v - knee) @ axis)[:, None] * axis, axis=1)
        # Near the ankle the foot's back would fall into the sector: skin of the joint itself lies within 55 mm of the axis.
        inner = leg & (np.abs(azimuth) < MEDIAL_HALF_ANGLE_DEG) & ((along < 0.9) | (radius < 0.055))
        for station, fraction in zip(STATIONS[:5], (0.0, 0.25, 0.5, 0.75, 1.0), strict=True):
            sets[station] = np.flatnonzero(inner & (np.abs(along - fraction) < STATION_HALF_WIDTH))
        sole_z = v[:, 2].min()
        foot_r = np.char.startswith(bone, ("foot.R")) | (np.char.startswith(bone, "toe") & np.char.endswith(bone, ".R"))
        foot_l = np.char.startswith(bone, ("foot.L")) | (np.char.startswith(bone, "toe") & np.char.endswith(bone, ".L"))
        # Inner heel: medial skin behind the ankle joint, between the sole's edge (12 mm up, the sole and a shoe's sole
        # excluded) and the ankle.
        sets["heel"] = np.flatnonzero(
            foot_r & (v[:, 1] > ankle[1] + 0.008) & (n[:, 0] > 0.5) & (v[:, 2] > sole_z + 0.012) & (v[:, 2] < ankle[2] - 0.005)
        )
        window = leg & (along > 0.93) & (along < 1.05) & (np.abs(v[:, 1] - ankle[1]) < 0.03)
        sets["ankle_inner"] = _extreme(v, window, [1, 0, 0], 3)
        sets["ankle_outer"] = _extreme(v, window, [-1, 0, 0], 3)
        for side, foot in (("R", foot_r), ("L", foot_l)):
            sets[f"heel_back.{side}"] = _extreme(v, foot & (v[:, 2] < sole_z + 0.04), [0, 1, 0], 3)
            sets[f"big_toe_tip.{side}"] = _extreme(v, np.isin(bone, [f"toe1-1.{side}", f"toe1-2.{side}"]), [0, -1, 0], 3)
            sets[f"small_toe_tip.{side}"] = _extreme(
                v, np.isin(bone, [f"toe5-1.{side}", f"toe5-2.{side}", f"toe5-3.{side}"]), [0, -1, 0], 3
            )
            sole = foot & (n[:, 2] < -0.7) & (v[:, 2] < sole_z + 0.02)
            sets[f"sole.{side}"] = np.flatnonzero(sole)
            back, toe = v[foot, 1].max(), head(f"toe1-1.{side}")[1]
            sets[f"heel_sole.{side}"] = np.flatnonzero(sole & (v[:, 1] > back - 0.05))
            sets[f"ball_sole.{side}"] = np.flatnonzero(sole & (np.abs(v[:, 1] - toe) < 0.02))
            finger = lambda k: _extreme(v, np.isin(bone, [f"finger{k}-3.{side}", f"finger{k}-2.{side}"]), [0, 0, -1], 3)  # noqa: E731,B023
            sets[f"thumb.{side}"], sets[f"index.{side}"], sets[f"pinky.{side}"] = finger(1), finger(2), finger(5)
            is_head, sign = bone == "head", 1 if side == "L" else -1
            eye = head(f"eye.{side}")
            sets[f"ear.{side}"] = _extreme(v, is_head & (np.abs(v[:, 2] - eye[2]) < 0.04), [sign, 0, 0], 3)
            sets[f"eye.{side}"] = np.argsort(np.linalg.norm(v - (eye + [0, -0.02, 0]), axis=1))[:3]
            sets[f"eye_outer.{side}"] = np.argsort(np.linalg.norm(v - (eye + [sign * 0.018, -0.012, 0]), axis=1))[:3]
            sets[f"eye_inner.{side}"] = np.argsort(np.linalg.norm(v - (eye + [-sign * 0.016, -0.016, 0]), axis=1))[:3]
        eye_z = head("eye.L")[2]
        middle = (bone == "head") & (np.abs(v[:, 0]) < 0.012)
        nose = _extreme(v, middle & (v[:, 2] > eye_z - 0.07) & (v[:, 2] < eye_z), [0, -1, 0], 3)
        sets["nose"] = nose
        mouth_z = eye_z - 0.068
        for side, sign in (("L", 1), ("R", -1)):
            near = np.linalg.norm((v - [sign * 0.024, v[nose[0], 1] + 0.03, mouth_z]), axis=1)
            sets[f"mouth.{side}"] = np.argsort(near)[:3]
        # Surfaces that may meet the carpet.
        sets["kneeling_surface"] = np.flatnonzero(foot_r | (leg & (along > -0.35)))
        sets["crown"] = _extreme(v, bone == "head", [0, 0, 1], 1)
        return sets


def blend(
    weights: torch.Tensor, rest: torch.Tensor, heads: torch.Tensor, world: torch.Tensor, position: torch.Tensor
) -> torch.Tensor:
    """Linear blend skinning: weights (V, bones), rest (B, V, 3), heads/position (B, bones, 3), world (B, bones, 3, 3)."""
    offset = position - (world @ heads[..., None])[..., 0]
    transform = torch.cat([world, offset[..., None]], -1).flatten(2)  # (B, bones, 12)
    blended = (weights @ transform).reshape(*rest.shape[:2], 3, 4)
    return (blended[..., :3] * rest[..., None, :]).sum(-1) + blended[..., 3]


def _extreme(v: np.ndarray, mask: np.ndarray, direction, count: int) -> np.ndarray:
    """The `count` vertices within `mask` that lie furthest in a direction."""
    index = np.flatnonzero(mask)
    return index[np.argsort(v[index] @ np.asarray(direction, float))[::-1][:count]]


def _other_side(name: str) -> str:
    return name[:-2] + {".L": ".R", ".R": ".L"}.get(name[-2:], name[-2:]) if len(name) > 2 else name


def _regions(dominant: np.ndarray, v: np.ndarray, eye: np.ndarray) -> np.ndarray:
    """Region label (V,) uint8 of each vertex from the bone that moves it most."""
    region = np.full(len(v), Region.SKIN_OTHER, np.uint8)
    rules = (
        (("spine", "root", "pelvis", "clavicle", "shoulder", "breast"), Region.TORSO),
        (("upperarm",), Region.UPPER_ARM),
        (("lowerarm",), Region.FOREARM),
        (("wrist", "finger", "metacarpal"), Region.HAND),
        (("head",), Region.HEAD),
        (("eye",), Region.EYES),
    )
    for prefixes, label in rules:
        region[np.logical_or.reduce([np.char.startswith(dominant, p) for p in prefixes])] = label
    for side, thigh, calf, foot in (
        ("L", Region.THIGH_L, Region.CALF_L, Region.FOOT_L),
        ("R", Region.THIGH_R, Region.CALF_R, Region.FOOT_R),
    ):
        on_side = np.char.endswith(dominant, f".{side}")
        region[np.char.startswith(dominant, "upperleg") & on_side] = thigh
        region[np.char.startswith(dominant, "lowerleg") & on_side] = calf
        region[(np.char.startswith(dominant, "foot") | np.char.startswith(dominant, "toe")) & on_side] = foot
    # A cap of hair: the top and back of the head.
    cap = (v[:, 2] - eye[2]) + 0.75 * (v[:, 1] - eye[1] - 0.09) > 0.028
    region[(region == Region.HEAD) & cap] = Region.HAIR_CAP
    return region


@lru_cache(maxsize=4)
def body_model(device: str = "cpu") -> BodyModel:
    """The body model on a device, loaded once."""
    return BodyModel(device)


def sample_body(rng: np.random.Generator) -> BodyParams:
    """One random body."""
    return body_model().sample(1, rng)[0]


if __name__ == "__main__":
    print(build_model())
