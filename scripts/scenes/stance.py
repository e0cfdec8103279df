"""The low kneeling stance: batched solving, perturbing, measuring.

One leg kneels with the inner side of knee, calf, ankle and heel on the carpet (hip turned in, knee bent about 100 degrees,
shank and foot turned out); the other leg is bent in front with its sole flat. Joint rotations are optimised in batches
(Adam, all in torch) under joint limits; nothing of a gap is assumed, every gap is MEASURED afterwards on the mesh.

Angles are degrees of clinical joint motion, all signs as if the RIGHT leg kneels (see `ANGLES`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch

from .body import FLESH_KEEP, BodyModel, BodyParams, blend, body_model
from .types import LANDMARK_NAMES, POINT_NAMES, STATIONS, Posed, Truth

#: name: (lowest, highest, centre, spread). Limits are those of a supple athlete; chosen by us, no source.
ANGLES: dict[str, tuple[float, float, float, float]] = {
    "pelvis_lean": (-10.0, 60.0, 12.0, 9.0),  # forward
    "pelvis_roll": (-22.0, 22.0, 0.0, 6.0),  # towards the kneeling side
    "pelvis_turn": (-40.0, 40.0, 0.0, 1.0),  # about the vertical; heading, no influence on contact
    "hip_flexion": (-10.0, 105.0, 32.0, 12.0),
    "hip_abduction": (-25.0, 50.0, 8.0, 10.0),
    "hip_turn_in": (10.0, 62.0, 45.0, 6.0),
    "knee_flexion": (50.0, 138.0, 102.0, 11.0),
    "tibia_turn_out": (0.0, 58.0, 46.0, 5.0),
    "knee_valgus": (-4.0, 10.0, 1.0, 3.0),
    "ankle_plantar": (-15.0, 60.0, 22.0, 10.0),
    "ankle_eversion": (-32.0, 34.0, 5.0, 10.0),
    "foot_turn_out": (-20.0, 26.0, 5.0, 7.0),
    "front_hip_flexion": (20.0, 128.0, 88.0, 14.0),
    "front_hip_abduction": (-12.0, 50.0, 14.0, 8.0),
    "front_hip_turn_out": (-25.0, 45.0, 6.0, 10.0),
    "front_knee_flexion": (35.0, 145.0, 92.0, 14.0),
    "front_tibia_turn_out": (-12.0, 20.0, 3.0, 4.0),
    "front_ankle_plantar": (-38.0, 35.0, -8.0, 12.0),
    "front_ankle_eversion": (-22.0, 22.0, 0.0, 6.0),
}
NAMES = tuple(ANGLES)
INDEX = {name: i for i, name in enumerate(NAMES)}
#: How far flesh may be pressed into the carpet before the solver resists (metres).
FLESH_PRESS_M = 0.011

_LEG_BONES = ("upperleg01", "upperleg02", "lowerleg01", "lowerleg02", "foot")
_SPINE = ("spine05", "spine04", "spine03", "spine02", "spine01")
_NECK = ("neck01", "neck02", "neck03", "head")


# ---------------------------------------------------------------------------------------------------- rotations


def axis_rotation(angle: torch.Tensor, axis: int) -> torch.Tensor:
    """Rotation matrices (…, 3, 3) by angles (…) in radians about x (0), y (1) or z (2)."""
    c, s, one, zero = torch.cos(angle), torch.sin(angle), torch.ones_like(angle), torch.zeros_like(angle)
    rows = {
        0: (one, zero, zero, zero, c, -s, zero, s, c),
        1: (c, zero, s, zero, one, zero, -s, zero, c),
        2: (c, -s, zero, s, c, zero, zero, zero, one),
    }[axis]
    return torch.stack(rows, -1).reshape(*angle.shape, 3, 3)


def rotation_vector(matrix: torch.Tensor) -> torch.Tensor:
    """Rotation vectors (…, 3), radians, of matrices (…, 3, 3); for angles under 180 degrees."""
    skew = torch.stack(
        [matrix[..., 2, 1] - matrix[..., 1, 2], matrix[..., 0, 2] - matrix[..., 2, 0], matrix[..., 1, 0] - matrix[..., 0, 1]], -1
    )
    sine = skew.norm(dim=-1, keepdim=True) / 2
    cosine = (matrix.diagonal(dim1=-2, dim2=-1).sum(-1, keepdim=True) - 1) / 2
    angle = torch.atan2(sine, cosine)
    return skew / 2 * torch.where(sine > 1e-6, angle / sine.clamp_min(1e-6), torch.ones_like(angle))


def rotation_from_vector(vector: torch.Tensor) -> torch.Tensor:
    """Rotation matrices (…, 3, 3) of rotation vectors (…, 3) (Rodrigues' formula)."""
    angle = vector.norm(dim=-1)[..., None, None]
    zero = torch.zeros_like(vector[..., 0])
    x, y, z = vector.unbind(-1)
    k = torch.stack([zero, -z, y, z, zero, -x, -y, x, zero], -1).reshape(*vector.shape[:-1], 3, 3)
    eye = torch.eye(3, device=vector.device, dtype=vector.dtype)
    a = torch.where(angle > 1e-6, torch.sin(angle) / angle.clamp_min(1e-6), torch.ones_like(angle))
    b = torch.where(angle > 1e-6, (1 - torch.cos(angle)) / angle.clamp_min(1e-6) ** 2, torch.full_like(angle, 0.5))
    return eye + a * k + b * (k @ k)


def leg_rotations(angles: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Pelvis rotation (B, 3, 3) and both legs' bone rotations (B, 2, 5, 3, 3), kneeling leg (right) first.

    angles (B, len(NAMES)) degrees. Turning about a long bone's axis is shared by its two bones, so that the skin twists along
    the limb and not at the joint.
    """
    rad = torch.deg2rad(angles)
    get = lambda name: rad[:, INDEX[name]]  # noqa: E731
    pelvis = axis_rotation(get("pelvis_turn"), 2) @ axis_rotation(get("pelvis_lean"), 0) @ axis_rotation(get("pelvis_roll"), 1)
    both = lambda right, left: torch.stack([right, left], 1)  # noqa: E731
    zero = torch.zeros_like(get("hip_flexion"))
    flexion = both(-get("hip_flexion"), -get("front_hip_flexion"))
    abduction = both(get("hip_abduction"), -get("front_hip_abduction"))
    turn = both(get("hip_turn_in"), get("front_hip_turn_out"))  # both are +z: in for the right leg, out for the left
    knee = both(get("knee_flexion"), get("front_knee_flexion"))
    tibia = both(-get("tibia_turn_out"), get("front_tibia_turn_out"))
    valgus = both(get("knee_valgus"), zero)
    plantar = both(get("ankle_plantar"), get("front_ankle_plantar"))
    eversion = both(get("ankle_eversion"), -get("front_ankle_eversion"))
    foot_turn = both(-get("foot_turn_out"), zero)
    return pelvis, torch.stack(
        [
            axis_rotation(flexion, 0) @ axis_rotation(abduction, 1) @ axis_rotation(turn * 0.6, 2),
            axis_rotation(turn * 0.4, 2),
            axis_rotation(knee, 0) @ axis_rotation(valgus, 1) @ axis_rotation(tibia * 0.5, 2),
            axis_rotation(tibia * 0.5, 2),
            axis_rotation(foot_turn, 2) @ axis_rotation(plantar, 0) @ axis_rotation(eversion, 1),
        ],
        2,
    )


# ---------------------------------------------------------------------------------------------------- the solver


@dataclass
class Request:
    """What a batch of stances shall look like; every field has one entry a stance.

    low_m / high_m (B, stations): band that the gap of each station is driven into (infinite: left alone); prior (B, angles):
    where the joint angles want to be, degrees; spread (B, angles): how freely they leave it; start (B, angles); weight (B,):
    how strongly a leg that is left alone sinks to the carpet.
    """

    low_m: torch.Tensor
    high_m: torch.Tensor
    prior: torch.Tensor
    spread: torch.Tensor
    start: torch.Tensor
    weight: torch.Tensor

    def rows(self, chosen) -> "Request":
        """The request of some of the stances."""
        return Request(*(getattr(self, f)[chosen] for f in self.__dataclass_fields__))


def _legs_forward(rotations, pelvis, heads, root, bones):
    """World rotations and positions of root + 2x5 leg bones: (B, 11, 3, 3), (B, 11, 3), and their rest heads (B, 11, 3)."""
    rest = heads[:, bones]  # (B, 11, 3): root, right leg, left leg
    legs = rest[:, 1:].reshape(-1, 2, 5, 3)
    world, position = [], []
    parent_world = pelvis[:, None].expand(-1, 2, 3, 3)
    parent_position = root[:, None].expand(-1, 2, 3)
    parent_rest = rest[:, :1].expand(-1, 2, 3)
    for k in range(5):
        offset = legs[:, :, k] - parent_rest
        parent_position = parent_position + (parent_world @ offset[..., None])[..., 0]
        parent_world = parent_world @ rotations[:, :, k]
        parent_rest = legs[:, :, k]
        world.append(parent_world)
        position.append(parent_position)
    world = torch.cat([pelvis[:, None], torch.stack(world, 2).flatten(1, 2)], 1)
    position = torch.cat([root[:, None], torch.stack(position, 2).flatten(1, 2)], 1)
    return world, position, rest


class _LegRig:
    """The part of the model that the solver needs: two legs, skin near the carpet."""

    def __init__(self, model: BodyModel) -> None:
        bones = ["root"] + [f"{b}.{side}" for side in ("R", "L") for b in _LEG_BONES]
        self.bones = torch.tensor([model.bone_index[b] for b in bones], device=model.device)
        column = {model.bone_index[b]: i for i, b in enumerate(bones)}
        fold = []
        for i in range(model.bone_count):
            j = i
            while j not in column:
                j = model.parents[j]
            fold.append(column[j])
        # The toes' skin is meshed far finer than the solver needs.
        surface = model.sets["kneeling_surface"]
        fine = torch.tensor([b.startswith("toe") for b in model.dominant_bone[surface.cpu().numpy()]], device=model.device)
        surface = torch.cat([surface[~fine][::2], surface[fine][::6]])
        sole = model.sets["sole.L"][::4]
        stations = [model.sets[s] for s in STATIONS]
        self.vertices = torch.cat([surface, sole, *stations])
        self.surface = slice(0, len(surface))
        self.sole = slice(len(surface), len(surface) + len(sole))
        self.station_slices, at = [], len(surface) + len(sole)
        for s in stations:
            self.station_slices.append(slice(at, at + len(s)))
            at += len(s)
        folded = torch.zeros(len(self.vertices), len(bones), device=model.device)
        folded.index_add_(1, torch.tensor(fold, device=model.device), model.skin_weights[self.vertices])
        self.weights = folded


_RIGS: dict[str, _LegRig] = {}


def _leg_rig(model: BodyModel) -> _LegRig:
    key = str(model.device)
    if key not in _RIGS:
        _RIGS[key] = _LegRig(model)
    return _RIGS[key]


def _soft_minimum(z: torch.Tensor, width: float = 0.0015) -> torch.Tensor:
    """Smooth lower envelope along the last axis; within width * log(n) of the minimum."""
    low = z.amin(-1, keepdim=True)
    weight = torch.exp(-(z - low) / width)
    return (weight * z).sum(-1) / weight.sum(-1)


def _segment_distance(p1, q1, p2, q2):
    """Least distance (B,) between segments, by sampling 7 x 7 points (smooth enough for a penalty)."""
    s = torch.linspace(0, 1, 7, device=p1.device)[:, None]
    a = p1[:, None] + (q1 - p1)[:, None] * s
    b = p2[:, None] + (q2 - p2)[:, None] * s
    return torch.cdist(a, b).flatten(1).amin(-1)


def solve_angles(
    model: BodyModel, coefficients: torch.Tensor, request: Request, steps: int = 280
) -> tuple[torch.Tensor, torch.Tensor]:
    """Optimise a batch of stances. Returns angles (B, len(NAMES)) in degrees and the root's height (B,), metres."""
    rig = _leg_rig(model)
    rest, heads = model.rest(coefficients, rig.vertices)
    floor_z = rest[:, rig.sole, 2].amin(-1)
    sole_rest = rest[:, rig.sole, 2] - floor_z[:, None]
    device = model.device
    limits = torch.tensor([ANGLES[n][:2] for n in NAMES], device=device)
    scale = (heads[:, model.bone_index["foot.R"]] - heads[:, model.bone_index["lowerleg01.R"]]).norm(dim=-1) / 0.40
    toe_offset = torch.tensor([0.0, -0.17, -0.04], device=device)[:, None]
    trunk_offset = torch.tensor([0.0, -0.02, 0.18], device=device)[:, None]
    seat_offset = torch.tensor([0.0, 0.0, 0.05], device=device)[:, None]
    unit = 10.0  # one optimisation unit is 10 degrees, or 5 cm of height
    with torch.no_grad():
        pelvis, legs = leg_rotations(request.start)
        world, position, rest_heads = _legs_forward(legs, pelvis, heads, torch.zeros_like(heads[:, 0]), rig.bones)
        height = -blend(rig.weights, rest, rest_heads, world, position)[:, rig.surface, 2].amin(-1)
    x = (request.start / unit).clone().requires_grad_(True)
    h = (height / 0.05).clone().requires_grad_(True)
    optimiser = torch.optim.Adam([x, h], lr=0.1, betas=(0.85, 0.98))
    bound = torch.isfinite(request.high_m) | torch.isfinite(request.low_m)
    low = torch.where(torch.isfinite(request.low_m), request.low_m, torch.full_like(request.low_m, -1.0))
    high = torch.where(torch.isfinite(request.high_m), request.high_m, torch.full_like(request.high_m, 9.0))
    for step in range(steps):
        phase = step / steps
        for group in optimiser.param_groups:
            group["lr"] = 0.12 * min(1.0, (step + 1) / 10) * (0.5 + 0.5 * np.cos(np.pi * phase)) + 0.002
        angles = x * unit
        pelvis, legs = leg_rotations(angles)
        root = torch.nn.functional.pad((h * 0.05)[:, None], (2, 0))
        world, position, rest_heads = _legs_forward(legs, pelvis, heads, root, rig.bones)
        z = _heights(rig.weights, rest, rest_heads, world, position)
        gaps = torch.stack([_soft_minimum(z[:, s]) for s in rig.station_slices], 1)
        mm = 1000.0
        off = torch.relu(gaps - high) + torch.relu(low - gaps)
        loss = ((off * mm) ** 2 * bound).sum(1) * 0.15
        loss = loss + request.weight * (torch.relu(gaps) * mm).mean(1)
        pressed = torch.relu(-FLESH_PRESS_M - z[:, rig.surface]) * mm
        loss = loss + (pressed**2).mean(1) * 2.0 + torch.relu(pressed.amax(1) - 2.0) ** 2 * 0.05
        contact = _soft_minimum(z[:, rig.surface]) * mm
        loss = loss + (torch.relu(contact + 1.5) ** 2 + torch.relu(-9.0 - contact) ** 2) * 0.1
        sole = (z[:, rig.sole] - sole_rest + 0.001) * mm
        loss = loss + (sole**2).mean(1) * 0.06
        loss = loss + (((angles - request.prior) / request.spread) ** 2).sum(1) * 0.05
        beyond = torch.relu(angles - limits[:, 1]) + torch.relu(limits[:, 0] - angles)
        loss = loss + (beyond**2).sum(1) * 0.3
        hip, knee, ankle = position[:, 1], position[:, 3], position[:, 5]
        front_hip, front_knee, front_ankle = position[:, 6], position[:, 8], position[:, 10]
        # Flesh radii: thigh 80, shank 55, foot 45 mm for a 0.40 m shank; a few centimetres of overlap are contact, not collision.
        front_toe = front_ankle + (world[:, 10] @ toe_offset)[..., 0]
        mid_thigh = hip + 0.35 * (knee - hip)
        for first, second, radius in (
            ((mid_thigh, knee), (front_knee, front_ankle), 0.115),
            ((mid_thigh, knee), (front_ankle, front_toe), 0.105),
            ((knee, ankle), (front_ankle, front_toe), 0.10),
            ((knee, ankle), (front_knee, front_ankle), 0.10),
            ((knee + 0.3 * (hip - knee), knee), (front_hip + 0.4 * (front_knee - front_hip), front_knee), 0.13),
        ):
            gap = _segment_distance(*first, *second) / scale
            loss = loss + (torch.relu(radius - gap) * 100) ** 2 * 0.5
        # Balance: the pelvis stays over the ground between front foot and kneeling leg.
        support = (front_ankle + front_toe + knee + ankle)[:, :2] / 4
        centre = position[:, 0, :2] + (world[:, 0] @ trunk_offset)[:, :2, 0]
        loss = loss + (torch.relu((centre - support).norm(dim=-1) / scale - 0.14) * 100) ** 2 * 0.02
        # A low stance: the seat comes down towards the heels, but no body sinks through its own shank.
        seat = position[:, 0] - (world[:, 0] @ seat_offset)[..., 0]
        loss = loss + (torch.relu(0.155 - _segment_distance(seat, seat, knee, ankle) / scale) * 100) ** 2 * 0.3
        loss = loss + (torch.relu(seat[:, 2] / scale - 0.42) * 100) ** 2 * 0.005
        optimiser.zero_grad(set_to_none=True)
        loss.sum().backward()
        optimiser.step()
    return (x * unit).detach(), (h * 0.05).detach()


def _heights(weights, rest, heads, world, position):
    """z (B, V) of skinned vertices: the third row of `blend`, at a third of its cost."""
    offset = position[..., 2] - (world[..., 2, :] * heads).sum(-1)
    transform = torch.cat([world[..., 2, :], offset[..., None]], -1)  # (B, bones, 4)
    blended = weights @ transform
    return (blended[..., :3] * rest).sum(-1) + blended[..., 3]


# ---------------------------------------------------------------------------------------------------- upper body

# Directions of upper arm and forearm in the chest's frame for the LEFT arm (x outward, y back, z up), and how closed the hand is.
_ARM_STYLES = (
    ((0.35, 0.25, -0.9), (-0.25, -0.95, 0.1), 1.0),  # fist at the waist
    ((0.25, -0.9, -0.15), (-0.15, -0.98, 0.1), 0.9),  # arm stretched forward
    ((0.3, -0.75, -0.55), (-0.35, -0.5, 0.8), 0.4),  # guard in front of the chest
    ((0.75, -0.35, 0.55), (-0.35, -0.35, 0.87), 0.5),  # raised above the head
    ((0.95, -0.15, 0.0), (0.9, -0.35, 0.2), 0.3),  # stretched sideways
    ((0.3, -0.1, -0.95), (0.1, -0.5, -0.85), 0.3),  # hanging
    ((0.4, -0.55, -0.7), (-0.75, -0.6, 0.1), 0.6),  # across the body
    ((0.9, 0.1, -0.4), (0.2, -0.6, 0.75), 0.2),  # elbow out, hand up
)


@dataclass
class UpperBody:
    """Chest, head, arms and hands of a batch. Angles in degrees; directions in the chest's frame; arms left, right."""

    chest: torch.Tensor  # (B, 3): lean forward, lean to the right, turn to the left; in the carpet frame
    head: torch.Tensor  # (B, 3): nod, tilt, turn against the chest
    upper_arm: torch.Tensor  # (B, 2, 3)
    forearm: torch.Tensor  # (B, 2, 3)
    fist: torch.Tensor  # (B, 2), 0 open to 1 closed
    shrug: torch.Tensor  # (B, 2)

    def rows(self, chosen) -> "UpperBody":
        """The upper bodies of some of the batch."""
        return UpperBody(*(getattr(self, f)[chosen] for f in self.__dataclass_fields__))


def sample_upper_body(count: int, rng: np.random.Generator, device: torch.device) -> UpperBody:
    """Random upper bodies: trunk about upright or leaning, arms in one of several manners with scatter."""
    style = rng.integers(len(_ARM_STYLES), size=(count, 2))
    upper = np.array([s[0] for s in _ARM_STYLES])[style] + rng.normal(0, 0.16, (count, 2, 3))
    fore = np.array([s[1] for s in _ARM_STYLES])[style] + rng.normal(0, 0.2, (count, 2, 3))
    upper[:, 1, 0] *= -1
    fore[:, 1, 0] *= -1
    fist = np.clip(np.array([s[2] for s in _ARM_STYLES])[style] + rng.normal(0, 0.25, (count, 2)), 0.05, 1)
    chest = np.stack([np.abs(rng.normal(6, 10, count)), rng.normal(0, 6, count), rng.normal(0, 18, count)], 1)
    head = np.stack([rng.normal(0, 9, count), rng.normal(0, 5, count), rng.normal(0, 28, count).clip(-65, 65)], 1)
    tensor = lambda a: torch.as_tensor(a, dtype=torch.float32, device=device)  # noqa: E731
    return UpperBody(
        tensor(chest), tensor(head), tensor(upper), tensor(fore), tensor(fist), tensor(rng.normal(0, 4, (count, 2)))
    )


def _euler(angles: torch.Tensor) -> torch.Tensor:
    """Rotation (B, 3, 3) from lean forward, lean right, turn left (B, 3) in degrees."""
    rad = torch.deg2rad(angles)
    return axis_rotation(rad[:, 2], 2) @ axis_rotation(rad[:, 0], 0) @ axis_rotation(-rad[:, 1], 1)


def _shortest_arc(start: torch.Tensor, end: torch.Tensor) -> torch.Tensor:
    """Rotation (…, 3, 3) that takes direction `start` to `end` the shortest way."""
    a = torch.nn.functional.normalize(start, dim=-1)
    b = torch.nn.functional.normalize(end, dim=-1)
    axis = torch.linalg.cross(a, b)
    sine, cosine = axis.norm(dim=-1, keepdim=True), (a * b).sum(-1, keepdim=True)
    return rotation_from_vector(axis / sine.clamp_min(1e-6) * torch.atan2(sine, cosine))


def full_rotations(model: BodyModel, heads: torch.Tensor, angles: torch.Tensor, upper: UpperBody) -> torch.Tensor:
    """All bones' rotations (B, bones, 3, 3) from leg angles (B, len(NAMES)) and the upper body."""
    count, device = len(angles), model.device
    rotations = torch.eye(3, device=device).expand(count, model.bone_count, 3, 3).clone()
    index = model.bone_index
    pelvis, legs = leg_rotations(angles)
    rotations[:, 0] = pelvis
    for k, side in enumerate(("R", "L")):
        for j, bone in enumerate(_LEG_BONES):
            rotations[:, index[f"{bone}.{side}"]] = legs[:, k, j]
    chest = _euler(upper.chest)
    heading = axis_rotation(torch.deg2rad(angles[:, INDEX["pelvis_turn"]]), 2)
    bend = rotation_from_vector(rotation_vector(pelvis.transpose(1, 2) @ heading @ chest) / len(_SPINE))
    for bone in _SPINE:
        rotations[:, index[bone]] = bend
    # The head keeps most of its uprightness whatever the chest does.
    level = axis_rotation(torch.deg2rad(upper.chest[:, 2]), 2)
    neck = rotation_vector(chest.transpose(1, 2) @ level @ rotation_from_vector(rotation_vector(level.transpose(1, 2) @ chest) * 0.3))
    nod = rotation_from_vector((neck + rotation_vector(_euler(upper.head))) / len(_NECK))
    for bone in _NECK:
        rotations[:, index[bone]] = nod
    for k, side in enumerate(("L", "R")):
        sign = 1.0 if side == "L" else -1.0
        rotations[:, index[f"clavicle.{side}"]] = axis_rotation(torch.deg2rad(-sign * (upper.shrug[:, k] + 8 * torch.relu(upper.upper_arm[:, k, 2]))), 1)
        shoulder, elbow, wrist = (heads[:, index[f"{b}.{side}"]] for b in ("upperarm01", "lowerarm01", "wrist"))
        arm = _shortest_arc(elbow - shoulder, upper.upper_arm[:, k])
        rotations[:, index[f"upperarm01.{side}"]] = arm
        direction = (arm.transpose(1, 2) @ torch.nn.functional.normalize(upper.forearm[:, k], dim=-1)[..., None])[..., 0]
        rotations[:, index[f"lowerarm01.{side}"]] = _shortest_arc(wrist - elbow, direction)
        knuckles = torch.nn.functional.normalize(heads[:, index[f"finger5-1.{side}"]] - heads[:, index[f"finger2-1.{side}"]], dim=-1)
        for finger in range(1, 6):
            joints = [heads[:, index[f"finger{finger}-{j}.{side}"]] for j in (1, 2, 3)]
            natural = torch.linalg.cross(joints[1] - joints[0], joints[2] - joints[1])
            if finger == 1:
                axis, curl = torch.nn.functional.normalize(natural, dim=-1), (10.0, 35.0, 45.0)
            else:
                axis, curl = knuckles * torch.sign((natural * knuckles).sum(-1, keepdim=True)), (70.0, 85.0, 55.0)
            for j, degrees in enumerate(curl):
                rotations[:, index[f"finger{finger}-{j + 1}.{side}"]] = rotation_from_vector(
                    axis * (np.radians(degrees) * upper.fist[:, k : k + 1])
                )
    return rotations


# ---------------------------------------------------------------------------------------------------- measuring


_POINT_SETS = {
    "ankle_inner": "ankle_inner",
    "ankle_outer": "ankle_outer",
    "heel_back": "heel_back.R",
    "big_toe_tip": "big_toe_tip.R",
    "small_toe_tip": "small_toe_tip.R",
    "front_heel_sole": "heel_sole.L",
    "front_ball_sole": "ball_sole.L",
    "front_big_toe_tip": "big_toe_tip.L",
    "front_small_toe_tip": "small_toe_tip.L",
}
_FLOOR_POINTS = dict(zip(("knee_floor", "calf25_floor", "calf50_floor", "calf75_floor", "heel_floor"), ("knee", "calf25", "calf50", "calf75", "heel"), strict=True))


@dataclass
class Batch:
    """Posed bodies as arrays, all kneeling on the side that `left` tells. Tensors on the device, metres, carpet frame."""

    vertices: torch.Tensor  # (B, V, 3)
    rest: torch.Tensor  # (B, V, 3)
    bones: torch.Tensor  # (B, bones, 3)
    gap_mm: torch.Tensor  # (B, stations)
    points: torch.Tensor  # (B, len(POINT_NAMES), 3)
    landmarks: torch.Tensor  # (B, 33, 3)
    shank_length_m: torch.Tensor  # (B,)
    left: torch.Tensor  # (B,) bool
    angles: torch.Tensor  # (B, len(NAMES)) degrees
    height_m: torch.Tensor  # (B,) of the root bone
    upper: UpperBody
    bodies: list[BodyParams]
    kind: str = "stance"

    def posed(self, model: BodyModel) -> list[Posed]:
        """The batch as single Posed values, on the CPU."""
        out = []
        vertices, rest = self.vertices.float().cpu().numpy(), self.rest.float().cpu().numpy()
        bones, gaps = self.bones.cpu().numpy(), self.gap_mm.cpu().numpy()
        points, landmarks = self.points.cpu().numpy(), self.landmarks.cpu().numpy()
        shank, left = self.shank_length_m.cpu().numpy(), self.left.cpu().numpy()
        angles = self.angles.cpu().numpy()
        for i, body in enumerate(self.bodies):
            truth = Truth(
                {s: float(g) for s, g in zip(STATIONS, gaps[i], strict=True)},
                float(shank[i]),
                body.stature_m,
                dict(zip(POINT_NAMES, points[i], strict=True)),
                dict(zip(LANDMARK_NAMES, landmarks[i], strict=True)),
            )
            notes = {"body": body.to_notes(), "angles_deg": dict(zip(NAMES, angles[i].round(2).tolist(), strict=True))}
            out.append(
                Posed(
                    vertices[i],
                    model.faces,
                    model.region,
                    rest[i],
                    dict(zip(model.bone_names, bones[i], strict=True)),
                    "left" if left[i] else "right",
                    truth,
                    self.kind,
                    notes,
                )
            )
        return out


def _mean_of(vertices: torch.Tensor, index: torch.Tensor) -> torch.Tensor:
    return vertices[:, index].mean(1)


def _lowest_point(vertices: torch.Tensor, index: torch.Tensor, width: float = 0.003) -> torch.Tensor:
    """Point (B, 3): mean of a vertex set, weighted towards its lowest vertices within some millimetres (so it moves smoothly)."""
    part = vertices[:, index]
    weight = torch.exp(-(part[..., 2] - part[..., 2].amin(1, keepdim=True)) / width)
    return (weight[..., None] * part).sum(1) / weight.sum(1)[:, None]


def measure(model: BodyModel, vertices: torch.Tensor, bones: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Gaps in mm (B, stations), named points (B, 16, 3) and 33 body landmarks (B, 33, 3) of right-kneeling bodies."""
    sets, index = model.sets, model.bone_index
    gaps = torch.stack([vertices[:, sets[s], 2].amin(1) for s in STATIONS], 1) * 1000
    points = []
    for name in POINT_NAMES:
        if name == "knee_joint":
            points.append(bones[:, index["lowerleg01.R"]])
        elif name == "ankle_joint":
            points.append(bones[:, index["foot.R"]])
        elif name in _FLOOR_POINTS:
            points.append(_lowest_point(vertices, sets[_FLOOR_POINTS[name]]))
        else:
            points.append(_mean_of(vertices, sets[_POINT_SETS[name]]))
    side_of = {"left": "L", "right": "R"}
    landmarks = []
    for name in LANDMARK_NAMES:
        if name == "nose":
            landmarks.append(_mean_of(vertices, sets["nose"]))
            continue
        first, _, rest = name.partition("_")
        if first == "mouth":
            landmarks.append(_mean_of(vertices, sets[f"mouth.{side_of[rest]}"]))
            continue
        side = side_of[first]
        bone = {"shoulder": "upperarm01", "elbow": "lowerarm01", "wrist": "wrist", "hip": "upperleg01", "knee": "lowerleg01", "ankle": "foot"}
        skin = {"heel": "heel_back", "foot_index": "big_toe_tip"}
        if rest in bone:
            landmarks.append(bones[:, index[f"{bone[rest]}.{side}"]])
        else:
            landmarks.append(_mean_of(vertices, sets[f"{skin.get(rest, rest)}.{side}"]))
    return gaps, torch.stack(points, 1), torch.stack(landmarks, 1)


def pose_batch(
    model: BodyModel,
    bodies: list[BodyParams],
    angles: torch.Tensor,
    height: torch.Tensor,
    upper: UpperBody,
    left: torch.Tensor,
    root_xy: torch.Tensor | None = None,
    dtype: torch.dtype = torch.float32,
    kind: str = "stance",
) -> Batch:
    """Skin a batch in full, flatten flesh against the carpet, measure, mirror those that kneel on the left.

    root_xy (B, 2) places the root bone (of the unmirrored body); left out, the middle of the kneeling shank comes to the origin.
    """
    rest, heads = model.rest(model.coefficients(bodies))
    rotations = full_rotations(model, heads, angles, upper)
    root = torch.nn.functional.pad(height[:, None], (2, 0))
    world, bones = model.forward_kinematics(rotations, heads, root)
    if root_xy is None:
        root_xy = -(bones[:, model.bone_index["lowerleg01.R"], :2] + bones[:, model.bone_index["foot.R"], :2]) / 2
    bones = bones + torch.nn.functional.pad(root_xy, (0, 1))[:, None]
    vertices = model.skin(rest, heads, world, bones)
    z = vertices[..., 2]
    vertices = torch.cat([vertices[..., :2], torch.where(z < 0, z * FLESH_KEEP, z)[..., None]], -1)
    gaps, points, landmarks = measure(model, vertices, bones)
    shank = (bones[:, model.bone_index["lowerleg01.R"]] - bones[:, model.bone_index["foot.R"]]).norm(dim=-1)
    flip = left[:, None, None]
    mirror = vertices.new_tensor([-1.0, 1.0, 1.0])
    pairs = torch.tensor(
        [LANDMARK_NAMES.index(_swap_side(n)) for n in LANDMARK_NAMES], device=model.device
    )
    return Batch(
        torch.where(flip, model.mirrored(vertices), vertices).to(dtype),
        torch.where(flip, model.mirrored(rest), rest).to(dtype),
        torch.where(flip, model.mirrored_bones(bones), bones),
        gaps,
        torch.where(flip, points * mirror, points),
        torch.where(flip, landmarks[:, pairs] * mirror, landmarks),
        shank,
        left,
        angles,
        height,
        upper,
        bodies,
        kind,
    )


def _swap_side(name: str) -> str:
    if name.startswith("mouth_"):
        return {"mouth_left": "mouth_right", "mouth_right": "mouth_left"}[name]
    first, _, rest = name.partition("_")
    return {"left": "right", "right": "left"}.get(first, first) + (f"_{rest}" if rest else "")


# ---------------------------------------------------------------------------------------------------- requests

#: Bands that clean stances are driven into, millimetres per station. The hollow above the inner ankle sets the limit.
CLEAN_LOW_MM = (-9.0, -9.0, -9.0, -9.0, -11.0, -9.0)
CLEAN_HIGH_MM = (-1.0, -1.0, -1.0, 1.0, -1.0, -1.5)


def _priors(count: int, rng: np.random.Generator, scatter: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    table = np.array([ANGLES[n] for n in NAMES])
    prior = table[:, 2] + table[:, 3] * rng.normal(0, 1, (count, len(NAMES))) * 0.8 * scatter
    return np.clip(prior, table[:, 0] + 1, table[:, 1] - 1), np.broadcast_to(table[:, 3], prior.shape).copy()


def clean_request(count: int, rng: np.random.Generator, device) -> Request:
    """Stances whose whole inner lower leg lies on the carpet."""
    prior, spread = _priors(count, rng)
    tensor = lambda a: torch.as_tensor(np.array(a, np.float32), device=device)  # noqa: E731
    return Request(
        tensor(np.tile(np.array(CLEAN_LOW_MM) / 1000, (count, 1))),
        tensor(np.tile(np.array(CLEAN_HIGH_MM) / 1000, (count, 1))),
        tensor(prior),
        tensor(spread),
        tensor(prior),
        torch.zeros(count, device=device),
    )


def _lift_mm(count: int, rng: np.random.Generator, longest: float) -> np.ndarray:
    """Lifts in mm: half of them in 5-30, the range that matters, the rest spread up to the longest."""
    return np.where(rng.random(count) < 0.55, rng.uniform(4, 30, count), rng.uniform(10, longest, count))


def lift_request(base: torch.Tensor, rng: np.random.Generator) -> tuple[Request, list[str]]:
    """Stances with stations lifted by amounts asked for, alone and together, from solved clean angles (B, angles)."""
    count, device = len(base), base.device
    _, spread = _priors(count, rng)
    low = np.full((count, 6), -np.inf)
    high = np.full((count, 6), np.inf)
    touch_low, touch_high = np.array(CLEAN_LOW_MM), np.array(CLEAN_HIGH_MM) + 1.0
    plans = rng.choice(
        ["heel", "heel_only", "ankle_and_heel", "ankle_only", "arch", "calf", "knee", "calf_and_heel", "all", "knee_and_heel", "shallow"],
        size=count,
        p=[0.18, 0.11, 0.12, 0.06, 0.06, 0.16, 0.08, 0.09, 0.04, 0.03, 0.07],
    )
    offset = np.zeros((count, len(NAMES)))
    station = {s: k for k, s in enumerate(STATIONS)}

    def touch(i: int, *names: str) -> None:
        for name in names:
            low[i, station[name]], high[i, station[name]] = touch_low[station[name]], touch_high[station[name]]

    def lift(i: int, name: str, mm: float) -> None:
        low[i, station[name]], high[i, station[name]] = mm - 0.5, mm + 0.5

    for i, plan in enumerate(plans):
        a, b = _lift_mm(2, rng, 120.0)
        if plan == "heel":
            touch(i, "knee", "calf25"), lift(i, "heel", a)
        elif plan == "heel_only":  # the ankle stays down and the foot tips up about it
            touch(i, "knee", "calf25", "calf50", "ankle"), lift(i, "heel", 0.5 * a)
        elif plan == "ankle_and_heel":
            touch(i, "knee"), lift(i, "ankle", a), lift(i, "heel", max(1.0, a + rng.uniform(-25, 30)))
        elif plan == "ankle_only":
            touch(i, "knee", "heel"), lift(i, "ankle", 0.4 * a)
        elif plan == "arch":  # lower calf and ankle stand over a foot that stays low
            touch(i, "knee"), lift(i, "ankle", 0.8 * a), lift(i, "heel", max(0.0, 0.8 * a - rng.uniform(20, 60)))
        elif plan == "calf":
            touch(i, "heel"), lift(i, "calf50", 0.7 * a)
        elif plan == "knee":
            touch(i, "ankle", "heel"), lift(i, "knee", 0.7 * a)
        elif plan == "calf_and_heel":
            lift(i, "calf50", 0.6 * a), lift(i, "heel", 0.8 * b)
        elif plan == "all":
            lift(i, "knee", 0.3 * a), lift(i, "calf50", 0.5 * a), lift(i, "heel", 0.6 * b)
        elif plan == "knee_and_heel":
            lift(i, "knee", 0.5 * a), lift(i, "heel", 0.6 * b)
        else:  # shallow: a few millimetres at one station
            touch(i, "knee"), lift(i, STATIONS[rng.integers(1, 6)], rng.uniform(3, 15))
    for name, sigma in (("ankle_plantar", 9.0), ("ankle_eversion", 8.0), ("tibia_turn_out", 4.0), ("foot_turn_out", 5.0)):
        offset[:, INDEX[name]] = rng.normal(0, sigma, count)
    tensor = lambda x: torch.as_tensor(np.array(x, np.float32), device=device)  # noqa: E731
    prior = base + tensor(offset)
    weight = tensor(rng.choice([0.0, 0.02, 0.08], size=count))
    return Request(tensor(low / 1000), tensor(high / 1000), prior, tensor(spread), base + tensor(offset * 0.5), weight), list(plans)


def perturb_request(base: torch.Tensor, rng: np.random.Generator) -> Request:
    """Random changes of ankle, tibial twist, hip, knee and trunk about solved angles, then let down to the carpet."""
    count, device = len(base), base.device
    sigma = np.full(len(NAMES), 2.0)
    for name, value in {
        "hip_flexion": 8, "hip_abduction": 7, "hip_turn_in": 7, "knee_flexion": 10, "tibia_turn_out": 9, "ankle_plantar": 16,
        "ankle_eversion": 13, "foot_turn_out": 8, "pelvis_lean": 6, "pelvis_roll": 6,
    }.items():  # fmt: skip
        sigma[INDEX[name]] = value
    size = rng.choice([0.25, 0.6, 1.0, 1.6], size=(count, 1), p=[0.3, 0.3, 0.25, 0.15])
    mask = rng.random((count, len(NAMES))) < 0.6
    offset = rng.normal(0, 1, (count, len(NAMES))) * sigma * size * mask
    spread = np.where(np.array(sigma) > 2.0, 2.5, 8.0)
    for name in ("hip_flexion", "hip_abduction", "pelvis_roll", "pelvis_lean"):
        spread[INDEX[name]] = 7.0  # these give way so that the leg comes down
    limits = np.array([ANGLES[n][:2] for n in NAMES])
    tensor = lambda x: torch.as_tensor(np.array(x, np.float32), device=device)  # noqa: E731
    prior = torch.minimum(torch.maximum(base + tensor(offset), tensor(limits[:, 0])), tensor(limits[:, 1]))
    inf = torch.full((count, 6), float("inf"), device=device)
    weight = tensor(rng.choice([0.0, 0.03, 0.12], size=count))
    return Request(-inf, inf, prior, tensor(np.tile(spread, (count, 1))), prior.clone(), weight)


# ---------------------------------------------------------------------------------------------------- public functions


def _join(requests: list[Request]) -> Request:
    return Request(*(torch.cat([getattr(r, f) for r in requests]) for f in Request.__dataclass_fields__))


def _generator_chunks(count: int, device: torch.device, batch: int | None) -> list[slice]:
    size = batch or (4096 if torch.device(device).type == "cuda" else 64)
    return [slice(i, min(i + size, count)) for i in range(0, count, size)]


def _solve_in_chunks(model: BodyModel, bodies: list[BodyParams], request: Request, batch: int | None = None):
    """`solve_angles` over as many stances as asked, some at a time."""
    angles, heights = [], []
    for part in _generator_chunks(len(bodies), model.device, batch):
        a, h = solve_angles(model, model.coefficients(bodies[part]), request.rows(part))
        angles.append(a)
        heights.append(h)
    return torch.cat(angles), torch.cat(heights)


def _station_request(count: int, rng: np.random.Generator, device, wanted: dict) -> Request:
    """Clean request with some stations moved: {'heel_lift_mm': …, 'calf_lift_mm': …, 'knee_lift_mm': …, 'ankle_lift_mm': …}."""
    request = clean_request(count, rng, device)
    station = {s: k for k, s in enumerate(STATIONS)}
    keep = {
        "heel_lift_mm": ("heel", ("knee", "calf25")),
        "calf_lift_mm": ("calf50", ("knee",)),
        "knee_lift_mm": ("knee", ("ankle", "heel")),
        "ankle_lift_mm": ("ankle", ("knee",)),
    }
    asked = {k: v for k, v in wanted.items() if k in keep and v is not None}
    if asked:
        touching = set().union(*(keep[k][1] for k in asked)) - {keep[k][0] for k in asked}
        for name, k in station.items():
            if name not in touching:
                request.low_m[:, k], request.high_m[:, k] = -float("inf"), float("inf")
        for key, value in asked.items():
            k = station[keep[key][0]]
            request.low_m[:, k], request.high_m[:, k] = (value - 0.5) / 1000, (value + 0.5) / 1000
        if "calf_lift_mm" in asked and "heel_lift_mm" not in asked:  # the inner foot stays near the carpet
            k = station["heel"]
            request.low_m[:, k], request.high_m[:, k] = -0.009, 0.02
    return request


def solve_stances(
    n: int, rng: np.random.Generator, device: str | torch.device = "cpu", request: dict | None = None
) -> list[Posed]:
    """Solve n stances on fresh bodies.

    request (optional keys): 'heel_lift_mm', 'calf_lift_mm', 'knee_lift_mm', 'ankle_lift_mm' (absent: that part lies flat; what
    comes out is measured and may fall short, since a joint has its limits), 'kneeling' ('left', 'right'; absent: at random).
    """
    return solve_batch(n, rng, device, request).posed(body_model(str(device)))


def solve_batch(n: int, rng: np.random.Generator, device: str | torch.device = "cpu", request: dict | None = None) -> Batch:
    """As `solve_stances`, as arrays."""
    model, request = body_model(str(device)), request or {}
    # About one in six misses what was asked by more than 3 mm: solve more than needed and keep the nearest.
    tried = int(np.ceil(1.4 * n)) + 3
    bodies = model.sample(tried, rng)
    wanted = _station_request(tried, rng, model.device, request)
    angles, height = _solve_in_chunks(model, bodies, wanted)
    gaps = measure_gaps(model, bodies, angles, height) / 1000
    low, high = wanted.low_m.cpu().numpy(), wanted.high_m.cpu().numpy()
    miss = np.maximum(gaps - np.maximum(high, 0.002), 0) + np.maximum(np.where(low > 0, low, -1.0) - gaps, 0)
    best = np.argsort(miss.max(1) + 0.1 * ~_plausible(model, bodies, angles, height))[:n]
    rng.shuffle(best)
    bodies, at = [bodies[i] for i in best], torch.as_tensor(best, device=model.device)
    angles, height = angles[at], height[at]
    side = request.get("kneeling")
    left = torch.as_tensor(rng.random(n) < 0.5 if side is None else np.full(n, side == "left"), device=model.device)
    return pose_batch(model, bodies, angles, height, sample_upper_body(n, rng, model.device), left)


def perturb(base: Batch, rng: np.random.Generator, count: int, lifted_share: float = 0.5) -> Batch:
    """`count` variants of solved stances: some with stations lifted on purpose, the others with joints changed at random.

    Each is let down to the carpet again (front sole flat, the kneeling leg resting on what is lowest) and measured.
    """
    model = body_model(str(base.angles.device))
    pick = rng.integers(len(base.bodies), size=count)
    angles = base.angles[torch.as_tensor(pick, device=model.device)]
    lifted = int(round(count * lifted_share))
    request = _join([lift_request(angles[:lifted], rng)[0], perturb_request(angles[lifted:], rng)])
    bodies = [base.bodies[i] for i in pick]
    solved, height = _solve_in_chunks(model, bodies, request)
    left = torch.as_tensor(rng.random(count) < 0.5, device=model.device)
    return pose_batch(model, bodies, solved, height, sample_upper_body(count, rng, model.device), left)


@dataclass
class Arrays:
    """Posed bodies for training, as arrays on the device; station, point and landmark order as in `types`."""

    vertices: torch.Tensor  # (N, V, 3)
    rest: torch.Tensor  # (N, V, 3)
    gap_mm: torch.Tensor  # (N, 6)
    points: torch.Tensor  # (N, 16, 3)
    landmarks: torch.Tensor  # (N, 33, 3)
    bones: torch.Tensor  # (N, bones, 3)
    shank_length_m: torch.Tensor  # (N,)
    stature_m: torch.Tensor  # (N,)
    left: torch.Tensor  # (N,) bool: the left leg kneels
    angles: torch.Tensor  # (N, len(NAMES)) degrees


def gap_class(gap_mm: np.ndarray) -> np.ndarray:
    """Class of each stance by its largest gap: 0 clean (all <= 5), then upper edges 10, 20, 30, 50, 80, above (mm)."""
    return np.digitize(np.asarray(gap_mm).max(1), [5, 10, 20, 30, 50, 80], right=True)


#: Share of each `gap_class` in a training set: clean, <= 10, <= 20, <= 30, <= 50, <= 80, above.
CLASS_SHARE = (0.30, 0.12, 0.17, 0.13, 0.13, 0.10, 0.05)


def make_angles(n: int, rng: np.random.Generator, device: str | torch.device = "cpu", oversample: float = 1.6):
    """Solved stances for training, with an even spread of gaps: (bodies, angles, heights).

    A clean set is solved first, then its variants; of the measured whole a part is drawn so that the classes have
    `CLASS_SHARE` and, within a class, rare patterns of which stations are up are preferred.
    """
    model = body_model(str(device))
    clean_count = int(np.ceil(0.42 * n))
    bodies = model.sample(clean_count, rng)
    angles, heights = _solve_in_chunks(model, bodies, clean_request(clean_count, rng, model.device))
    more = int(np.ceil(n * oversample)) - clean_count
    pick = rng.integers(clean_count, size=more)
    base = angles[torch.as_tensor(pick, device=model.device)]
    lifted = int(0.6 * more)
    request = _join([lift_request(base[:lifted], rng)[0], perturb_request(base[lifted:], rng)])
    varied = [bodies[i] for i in pick]
    more_angles, more_heights = _solve_in_chunks(model, varied, request)
    bodies = bodies + varied
    angles, heights = torch.cat([angles, more_angles]), torch.cat([heights, more_heights])
    gaps = measure_gaps(model, bodies, angles, heights)
    usable = _plausible(model, bodies, angles, heights)
    label = gap_class(gaps)
    pattern = ((gaps > 6) * (1 << np.arange(6))).sum(1) + 64 * label
    chosen = []
    for k, share in enumerate(CLASS_SHARE):
        pool = np.flatnonzero((label == k) & usable)
        want = int(round(share * n))
        if k == 0:  # clean means 3 mm where there are enough such
            strict = pool[gaps[pool].max(1) <= 3.0]
            pool = strict if len(strict) >= want else pool
        weight = 1.0 / np.sqrt(np.bincount(pattern, minlength=64 * 8)[pattern[pool]])
        if len(pool):
            chosen.append(rng.choice(pool, min(want, len(pool)), replace=False, p=weight / weight.sum()))
    chosen = np.concatenate(chosen)
    rest = np.setdiff1d(np.flatnonzero(usable & (label > 0)), chosen)
    missing = n - len(chosen)
    if missing > 0:  # a class was short: fill from what is left
        rest = rest if len(rest) >= missing else np.setdiff1d(np.flatnonzero(usable), chosen)
        chosen = np.concatenate([chosen, rng.choice(rest, missing, replace=len(rest) < missing)])
    rng.shuffle(chosen)
    at = torch.as_tensor(chosen[:n], device=model.device)
    return [bodies[i] for i in chosen[:n]], angles[at], heights[at]


def _skinned_leg(model: BodyModel, coefficients, angles, heights):
    rig = _leg_rig(model)
    rest, heads = model.rest(coefficients, rig.vertices)
    pelvis, legs = leg_rotations(angles)
    world, position, rest_heads = _legs_forward(
        legs, pelvis, heads, torch.nn.functional.pad(heights[:, None], (2, 0)), rig.bones
    )
    return rig, _heights(rig.weights, rest, rest_heads, world, position), position


@torch.no_grad()
def measure_gaps(model: BodyModel, bodies: list[BodyParams], angles: torch.Tensor, heights: torch.Tensor) -> np.ndarray:
    """Gaps (N, 6) in mm of solved angles, from the leg's skin alone (same numbers as `measure` on the whole body)."""
    out = []
    for part in _generator_chunks(len(bodies), model.device, None):
        rig, z, _ = _skinned_leg(model, model.coefficients(bodies[part]), angles[part], heights[part])
        gaps = torch.stack([z[:, s].amin(1) for s in rig.station_slices], 1) * 1000
        out.append(torch.where(gaps < 0, gaps * FLESH_KEEP, gaps).cpu())
    return torch.cat(out).numpy()


@torch.no_grad()
def _plausible(model: BodyModel, bodies: list[BodyParams], angles: torch.Tensor, heights: torch.Tensor) -> np.ndarray:
    """Which stances touch the carpet with leg and front sole without sinking more than 20 mm (5 mm at the sole's median)."""
    out = []
    for part in _generator_chunks(len(bodies), model.device, None):
        rig, z, _ = _skinned_leg(model, model.coefficients(bodies[part]), angles[part], heights[part])
        low, sole = z[:, rig.surface].amin(1), z[:, rig.sole]
        out.append(((low > -0.020) & (low < 0.003) & (sole.amin(1) > -0.02) & (sole.median(1).values < 0.012)).cpu())
    return torch.cat(out).numpy()


@torch.no_grad()
def make_batch(
    n: int, rng: np.random.Generator, device: str | torch.device = "cpu", dtype: torch.dtype = torch.float16, chunk: int = 512
) -> Arrays:
    """n distinct posed bodies for training, evenly spread in gaps. Half precision vertices are good to 0.25 mm near the leg."""
    model = body_model(str(device))
    with torch.enable_grad():
        bodies, angles, heights = make_angles(n, rng, device)
    parts: dict[str, list] = {f: [] for f in Arrays.__dataclass_fields__}
    for i in range(0, n, chunk):
        part = slice(i, min(n, i + chunk))
        size = len(bodies[part])
        left = torch.as_tensor(rng.random(size) < 0.5, device=model.device)
        batch = pose_batch(
            model, bodies[part], angles[part], heights[part], sample_upper_body(size, rng, model.device), left, dtype=dtype
        )
        for field in parts:
            if field == "stature_m":
                parts[field].append(torch.tensor([b.stature_m for b in batch.bodies], device=model.device))
            else:
                parts[field].append(getattr(batch, field))
    return Arrays(**{k: torch.cat(v) for k, v in parts.items()})
