"""Clips: a body comes to the carpet, goes down into the stance, holds it still (or does not), and leaves.

Joint angles are interpolated between solved key poses (minimum-jerk in time); where a frame would sink a foot into the carpet the
body is lifted. Every frame is skinned once and measured, so every frame has its own truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch

from .body import BodyModel, BodyParams, body_model
from .stance import (
    ANGLES,
    INDEX,
    NAMES,
    UpperBody,
    _solve_in_chunks,
    _station_request,
    measure_gaps,
    pose_batch,
    sample_upper_body,
)
from .types import Posed

#: What each kind of clip asks of the hold: lifts in mm as in `solve_stances`.
KINDS = {
    "clean": {},
    "heel": {"heel_lift_mm": 30.0},
    "calf": {"calf_lift_mm": 60.0},
    "never_still": {},
}
#: Peak-to-peak sway of the hip in a still hold, metres (measured on still holds: 14-23 mm).
STILL_SWAY_M = (0.014, 0.023)
#: How far the head travels, peak to peak, in a clip that never comes to rest, metres.
RESTLESS_HEAD_M = 0.18


@dataclass
class Phases:
    """When what happens, seconds from the clip's start."""

    approach_s: float
    lower_s: float
    settle_s: float
    hold_s: float
    leave_s: float

    @property
    def hold(self) -> tuple[float, float]:
        """Start and end of the hold."""
        start = self.approach_s + self.lower_s + self.settle_s
        return start, start + self.hold_s

    @property
    def total_s(self) -> float:
        """Length of the clip."""
        return self.approach_s + self.lower_s + self.settle_s + self.hold_s + self.leave_s


def minimum_jerk(u: np.ndarray) -> np.ndarray:
    """Smooth step from 0 to 1 with no speed or acceleration at its ends (Flash and Hogan 1985)."""
    u = np.clip(u, 0.0, 1.0)
    return u**3 * (10 - 15 * u + 6 * u**2)


# ---------------------------------------------------------------------------------------------------- key poses


def plain_angles(kind: str, rng: np.random.Generator, count: int = 1) -> np.ndarray:
    """Leg angles (count, len(NAMES)), degrees, of poses that are no stance: 'standing', 'walking', 'crouching', 'half_squat'."""
    a = np.zeros((count, len(NAMES)))

    def put(name: str, centre: float, spread: float) -> None:
        a[:, INDEX[name]] = rng.normal(centre, spread, count)

    if kind == "standing":
        for side in ("", "front_"):
            put(f"{side}hip_flexion", 4, 3), put(f"{side}knee_flexion", 5, 3), put(f"{side}hip_abduction", 2, 3)
    elif kind == "walking":
        phase = rng.uniform(-1, 1, count)
        a[:, INDEX["hip_flexion"]] = 8 + 24 * phase
        a[:, INDEX["front_hip_flexion"]] = 8 - 24 * phase
        a[:, INDEX["knee_flexion"]] = np.abs(rng.normal(18, 12, count))
        a[:, INDEX["front_knee_flexion"]] = np.abs(rng.normal(18, 12, count))
        put("pelvis_lean", 4, 3)
    elif kind == "crouching":
        for side in ("", "front_"):
            put(f"{side}hip_flexion", 105, 10), put(f"{side}knee_flexion", 128, 9), put(f"{side}hip_abduction", 14, 6)
        put("pelvis_lean", 12, 6)
    elif kind == "half_squat":
        for side in ("", "front_"):
            put(f"{side}hip_flexion", 62, 10), put(f"{side}knee_flexion", 75, 10), put(f"{side}hip_abduction", 12, 8)
        put("pelvis_lean", 12, 6)
    else:
        raise ValueError(f"no such pose '{kind}': use standing, walking, crouching or half_squat")
    # Both soles about level: the ankle gives what hip, knee and pelvis leave over (foot pitch = pelvis + knee - hip + ankle).
    for side in ("", "front_"):
        get = lambda name, side=side: a[:, INDEX[side + name]]  # noqa: E731
        level = get("hip_flexion") - get("knee_flexion") - a[:, INDEX["pelvis_lean"]]
        a[:, INDEX[f"{side}ankle_plantar"]] = np.clip(level, -38, 45)
        a[:, INDEX[f"{side}ankle_eversion"]] = np.clip(get("hip_abduction"), -20, 20)
    return a


def plain_poses(n: int, rng: np.random.Generator, device: str | torch.device = "cpu", kinds=None) -> list[Posed]:
    """Bodies in poses that are no stance (negatives), set down on their lowest point."""
    model = body_model(str(device))
    kinds = list(kinds or ("standing", "walking", "crouching", "half_squat"))
    chosen = [kinds[i] for i in rng.integers(len(kinds), size=n)]
    angles = torch.as_tensor(np.concatenate([plain_angles(k, rng) for k in chosen]), dtype=torch.float32, device=model.device)
    bodies = model.sample(n, rng)
    upper = sample_upper_body(n, rng, model.device)
    left = torch.as_tensor(rng.random(n) < 0.5, device=model.device)
    height = _resting_height(model, bodies, angles)
    out = pose_batch(model, bodies, angles, height, upper, left).posed(model)
    for posed, kind in zip(out, chosen, strict=True):
        posed.kind = kind
    return out


@torch.no_grad()
def _resting_height(model: BodyModel, bodies: list[BodyParams], angles: torch.Tensor) -> torch.Tensor:
    """Root height (B,) at which the legs' lowest skin is 2 mm in the carpet."""
    z, _ = _leg_skin(model, model.coefficients(bodies), angles)
    return -z.amin(1) - 0.002


def _leg_skin(model: BodyModel, coefficients: torch.Tensor, angles: torch.Tensor):
    """z (B, n) of both lower legs' skin with the root at the origin, and the front sole's mean x, y (B, 2)."""
    from .stance import _heights, _leg_rig, _legs_forward, blend, leg_rotations

    rig = _leg_rig(model)
    rest, heads = model.rest(coefficients, rig.vertices)
    rest, heads = rest.expand(len(angles), -1, -1), heads.expand(len(angles), -1, -1)
    pelvis, legs = leg_rotations(angles)
    world, position, rest_heads = _legs_forward(legs, pelvis, heads, torch.zeros_like(heads[:, 0]), rig.bones)
    z = _heights(rig.weights, rest, rest_heads, world, position)
    sole = blend(rig.weights[rig.sole], rest[:, rig.sole], rest_heads, world, position)
    return z, sole.mean(1)[:, :2]


# ---------------------------------------------------------------------------------------------------- clips


def _sway(times: np.ndarray, rng: np.random.Generator, peak_to_peak: float, slowest_hz: float = 0.3) -> np.ndarray:
    """Smooth random sway (T,) of a given peak-to-peak size: a few slow sinusoids."""
    wave = sum(
        rng.uniform(0.4, 1.0) * np.sin(2 * np.pi * (slowest_hz * k * rng.uniform(0.8, 1.25) * times + rng.random())) / k
        for k in range(1, 5)
    )
    return wave / max(np.ptp(wave), 1e-9) * peak_to_peak


def clip_batch(kind: str, fps: float, rng: np.random.Generator, request: dict | None = None, device: str | torch.device = "cpu"):
    """One clip as (times_s (T,), Batch of T frames, Phases). See `clip`."""
    if kind not in KINDS:
        raise ValueError(f"no such kind of clip '{kind}': use one of {', '.join(KINDS)}")
    request = dict(KINDS[kind], **(request or {}))
    model = body_model(str(device))
    dev = model.device
    body = model.sample(1, rng)
    phases = Phases(*(float(request.get(k, d)) for k, d in (
        ("approach_s", rng.uniform(0.2, 0.35)), ("lower_s", rng.uniform(0.5, 0.75)), ("settle_s", rng.uniform(0.15, 0.3)),
        ("hold_s", rng.uniform(1.2, 1.5)), ("leave_s", rng.uniform(0.45, 0.6)),
    )))  # fmt: skip
    times = np.arange(int(round(phases.total_s * fps))) / fps
    stance, solved_height = _best_of(model, body[0], rng, request)
    hold = stance[0].cpu().numpy().astype(np.float64)
    hold[INDEX["pelvis_turn"]] = stance[0, INDEX["pelvis_turn"]].item()
    stand = plain_angles("standing", rng)[0]
    step = plain_angles("half_squat", rng)[0]  # on the way down
    exit_ = plain_angles("half_squat", rng)[0]

    # Key poses in time. The overshoot before settling is a little more hip bend that is taken back.
    start_lower, end_lower = phases.approach_s, phases.approach_s + phases.lower_s
    hold_from, hold_to = phases.hold
    down = minimum_jerk((times - start_lower) / phases.lower_s)[:, None]
    midway = (minimum_jerk(2 * (times - start_lower) / phases.lower_s) - minimum_jerk(2 * (times - start_lower) / phases.lower_s - 1))[:, None] * 0.5
    up = minimum_jerk((times - hold_to) / phases.leave_s)[:, None] * 0.8
    angles = stand + (hold - stand) * down + (step - (stand + hold) / 2) * midway * (down < 1)
    angles = angles + (exit_ - angles) * up
    settle = np.exp(-np.clip(times - end_lower, 0, None) / 0.09) * (times >= end_lower) * np.sin(
        np.pi * np.clip((times - end_lower) / phases.settle_s, 0, 1)
    )
    still = (down[:, 0] >= 1.0) & (times <= hold_to)

    # Upper body: from hanging arms into the posture of the hold.
    first, last = sample_upper_body(1, rng, dev), sample_upper_body(1, rng, dev)
    first.upper_arm = torch.tensor([[[0.3, -0.1, -0.95], [-0.3, -0.1, -0.95]]], device=dev)
    first.forearm = torch.tensor([[[0.1, -0.5, -0.85], [-0.1, -0.5, -0.85]]], device=dev)
    share = torch.as_tensor(down * (1 - 0.5 * up), dtype=torch.float32, device=dev)
    upper = UpperBody(*(
        (getattr(first, f) + (getattr(last, f) - getattr(first, f)) * share.reshape(-1, *[1] * (getattr(first, f).dim() - 1)))
        for f in UpperBody.__dataclass_fields__
    ))  # fmt: skip

    # Sway. In a still hold the pelvis drifts over a leg that lies rigidly on the carpet; what the hip joints take up is
    # solved below by holding the shank's own rotation. A restless body also shuffles the leg and moves the head.
    hip_sway = rng.uniform(*STILL_SWAY_M)
    sway = np.stack([_sway(times, rng, 1.0), _sway(times, rng, 0.7)], 1)
    sway *= hip_sway / max(np.ptp(sway[still], axis=0).max(), 1e-3)
    chest = np.stack([_sway(times, rng, 1.2), _sway(times, rng, 1.0), _sway(times, rng, 1.2)], 1)
    if kind == "never_still":
        # The head stands about 0.75 m over the hip: half the wanted path by leaning, most of the rest by turning and nodding.
        lean = np.degrees(RESTLESS_HEAD_M / 0.62)
        chest = np.stack([_sway(times, rng, lean, 1.1), _sway(times, rng, lean, 1.0), _sway(times, rng, 14, 0.8)], 1)
        for name, size in (("hip_turn_in", 5.0), ("knee_flexion", 6.0), ("ankle_plantar", 7.0), ("tibia_turn_out", 4.0), ("ankle_eversion", 4.0)):
            angles[:, INDEX[name]] += _sway(times, rng, size, 1.1) * down[:, 0]
    upper.chest = upper.chest + torch.as_tensor(chest * down, dtype=torch.float32, device=dev)

    coefficients = model.coefficients(body)
    moving = np.clip((1 - down[:, 0]) + up[:, 0] / 0.8, 0, 1)
    angles = _kneeling_leg_clear(model, coefficients, angles, minimum_jerk(moving * 6))
    sway_rest = sway * down * (1 - up)
    angles = _sway_over_fixed_legs(model, coefficients, angles, sway_rest, still, settle * 0.006)
    tensor = torch.as_tensor(angles, dtype=torch.float32, device=dev)
    with torch.no_grad():
        z, sole = _leg_skin(model, coefficients, tensor)
        height = -z.amin(1) - 0.009
        # In the hold the height is the solved one but for rounding: flesh of the same depth rests on the carpet.
        if still.any():
            reference = float((-z.amin(1)[torch.as_tensor(still, device=dev)]).median())
            smooth = torch.as_tensor(down[:, 0] * (1 - up[:, 0]), dtype=torch.float32, device=dev)
            height = height + (solved_height - (reference - 0.009)) * smooth
        # Feet: the front sole stands where it is in the hold; before and after, the body comes from and goes to the side.
        anchor = sole[int(np.flatnonzero(still)[len(np.flatnonzero(still)) // 2])] if still.any() else sole[-1]
        way = np.array([rng.normal(0, 0.15), rng.uniform(0.15, 0.5)])
        travel = (1 - minimum_jerk((times + 0.3) / (start_lower + 0.3 + 0.55 * phases.lower_s)))[:, None] * way
        root_xy = anchor - sole + torch.as_tensor(travel, dtype=torch.float32, device=dev)
    side = request.get("kneeling") or ("left" if rng.random() < 0.5 else "right")
    left = torch.full((len(times),), side == "left", device=dev)
    with torch.no_grad():
        batch = pose_batch(model, body * len(times), tensor, height, upper, left, root_xy=root_xy, kind=kind)
    return times, batch, phases


@torch.no_grad()
def _kneeling_leg_clear(model: BodyModel, coefficients: torch.Tensor, angles: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Bend hip and knee of the leg that comes to kneel, in moving frames, until it is no lower than the standing foot."""
    from .stance import _leg_rig

    rig, dev = _leg_rig(model), model.device
    bends = np.arange(0, 64, 4.0)
    over = []
    for bend in bends:
        tried = angles.copy()
        tried[:, INDEX["knee_flexion"]] += bend
        tried[:, INDEX["hip_flexion"]] += 0.55 * bend
        z, _ = _leg_skin(model, coefficients, torch.as_tensor(tried, dtype=torch.float32, device=dev))
        over.append((z[:, rig.surface].amin(1) - z[:, rig.sole].amin(1)).cpu().numpy())
    over = np.stack(over)
    enough = over > -0.004
    first = np.where(enough.any(0), enough.argmax(0), over.argmax(0))
    bend = bends[first] * share
    kernel = np.hanning(9)[1:-1]
    bend = np.convolve(np.pad(bend, 3, mode="edge"), kernel / kernel.sum(), mode="valid") * share
    out = angles.copy()
    out[:, INDEX["knee_flexion"]] += bend
    out[:, INDEX["hip_flexion"]] += 0.55 * bend
    return out


def _best_of(model: BodyModel, body: BodyParams, rng: np.random.Generator, request: dict, tries: int = 6):
    """Solve the asked stance several times and keep the one whose gaps are nearest: angles (1, n) and root height (float)."""
    wanted = _station_request(tries, rng, model.device, request)
    angles, heights = _solve_in_chunks(model, [body] * tries, wanted)
    gaps = measure_gaps(model, [body] * tries, angles, heights) / 1000
    low, high = wanted.low_m.cpu().numpy(), wanted.high_m.cpu().numpy()
    miss = np.maximum(gaps - np.maximum(high, 0.002), 0) + np.maximum(np.where(low > 0, low, -1.0) - gaps, 0)
    best = int(np.nanargmin(miss.sum(1)))
    return angles[best : best + 1], float(heights[best])


def _sway_over_fixed_legs(model, coefficients, angles, sway_xy, still, bounce):
    """Change hip, knee and ankle angles so that the root moves by sway_xy (T, 2) and sinks by bounce (T,), legs left in place.

    One Gauss-Newton step a frame on the shank's and the front foot's rotation and position, batched over the frames.
    """
    dev = model.device
    base = torch.as_tensor(angles, dtype=torch.float32, device=dev)
    move = torch.cat(
        [torch.as_tensor(sway_xy, dtype=torch.float32, device=dev), torch.as_tensor(-bounce, dtype=torch.float32, device=dev)[:, None]], 1
    )
    free = [INDEX[n] for n in NAMES if n not in ("pelvis_turn",)]
    return _damped_step(model, coefficients, base, move, free).cpu().numpy()


def _markers(model, coefficients, angles):
    """Positions (B, 24) of markers fixed to the kneeling shank and foot and the front foot, relative to the root's head."""
    from .stance import _leg_rig, _legs_forward, leg_rotations

    rig = _leg_rig(model)
    _, heads = model.rest(coefficients)
    heads = heads.expand(len(angles), -1, -1)
    pelvis, legs = leg_rotations(angles)
    world, position, _ = _legs_forward(legs, pelvis, heads, torch.zeros_like(heads[:, 0]), rig.bones)
    spots = []
    for bone, offsets in ((4, ((0, 0, 0.18), (0.05, 0, 0), (0, 0, -0.15))), (5, ((0, 0, 0), (0, -0.15, -0.05))), (10, ((0, 0.04, -0.06), (0.04, -0.15, -0.06), (-0.04, -0.15, -0.06)))):
        for offset in offsets:
            spots.append(position[:, bone] + (world[:, bone] @ torch.tensor(offset, dtype=torch.float32, device=angles.device)[:, None])[..., 0])
    return torch.stack(spots, 1)


def _damped_step(model, coefficients, base, move, free, rounds: int = 3):
    """Angles (T, n) at which all markers have moved by -move relative to the root (Levenberg-Marquardt, forward differences)."""
    with torch.no_grad():
        target = _markers(model, coefficients, base) - move[:, None]
        angles, step = base.clone(), 0.5
        for _ in range(rounds):
            here = _markers(model, coefficients, angles)
            error = (target - here).flatten(1)
            columns = []
            for k in free:
                shifted = angles.clone()
                shifted[:, k] += step
                columns.append((_markers(model, coefficients, shifted) - here).flatten(1) / step)
            jacobian = torch.stack(columns, 2)
            eye = torch.eye(len(free), device=base.device) * 1e-7
            normal = jacobian.transpose(1, 2) @ jacobian + eye
            delta = torch.linalg.solve(normal, (jacobian.transpose(1, 2) @ error[..., None]))[..., 0]
            angles[:, free] += delta.clamp(-6, 6)
    return angles


def clip(
    kind: str, fps: float, rng: np.random.Generator, request: dict | None = None, device: str | torch.device = "cpu"
) -> list[tuple[float, Posed]]:
    """One clip of about 3 s: standing, down into the stance, settling, the hold, leaving. (time in s, body) a frame.

    kind: 'clean', 'heel' (30 mm asked), 'calf' (60 mm asked) or 'never_still' (no rest: the head moves, the leg shuffles).
    request: as in `solve_stances`, and the phases' lengths ('approach_s', 'lower_s', 'settle_s', 'hold_s', 'leave_s').
    Each Posed carries notes['phase'] (approach, lower, settle, hold, leave; a restless clip has 'restless' for hold).
    """
    times, batch, phases = clip_batch(kind, fps, rng, request, device)
    frames = batch.posed(body_model(str(device)))
    edges = np.cumsum([phases.approach_s, phases.lower_s, phases.settle_s, phases.hold_s])
    names = ["approach", "lower", "settle", "restless" if kind == "never_still" else "hold", "leave"]
    for time, frame in zip(times, frames, strict=True):
        frame.notes["phase"] = names[int(np.searchsorted(edges, time, side="right"))]
        frame.kind = kind
    return list(zip(times.tolist(), frames, strict=True))
