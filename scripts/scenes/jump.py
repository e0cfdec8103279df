"""Repetitions: a jump with a turn, the landing, the way down into the stance, what may go wrong in it, and leaving.

The pelvis follows a physical path (the body's centre of mass falls freely between take-off and first contact, g = 9.80665 m/s²), feet that are on the carpet stay
where they are, and the legs' joint angles follow by inverse kinematics from solved key poses. Everything is simulated at 240 frames a second; the truth of every event
is measured on the moving body (heights of its own points), not taken from the request.

All of it is in the frame of a body that kneels on its right leg; a left-kneeling one is the mirror image (a turn to the left becomes one to the right).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import torch

from .body import BodyModel, BodyParams, body_model
from .motion import _sway, minimum_jerk, plain_angles
from .stance import (
    INDEX,
    NAMES,
    UpperBody,
    _leg_rig,
    _legs_forward,
    _solve_in_chunks,
    _station_request,
    _swap_side,
    full_rotations,
    leg_rotations,
    measure_gaps,
    pose_batch,
)
from .types import LANDMARK_NAMES, Posed

#: Standard acceleration of free fall, m/s² (3rd CGPM, 1901; ISO 80000-3).
G = 9.80665
#: Steps of the simulation, 1/s.
RATE = 240
#: Segment masses as fractions of the body's (Dempster, as tabulated in Winter; from memory): name of both ends and where between them the mass lies.
MASSES = (
    (0.081, "left_ear", "right_ear", 0.5),
    (0.497, "shoulders", "hips", 0.5),
    (0.028, "left_shoulder", "left_elbow", 0.436), (0.028, "right_shoulder", "right_elbow", 0.436),
    (0.022, "left_elbow", "left_wrist", 0.682), (0.022, "right_elbow", "right_wrist", 0.682),
    (0.100, "left_hip", "left_knee", 0.433), (0.100, "right_hip", "right_knee", 0.433),
    (0.0465, "left_knee", "left_ankle", 0.433), (0.0465, "right_knee", "right_ankle", 0.433),
    (0.0145, "left_heel", "left_foot_index", 0.5), (0.0145, "right_heel", "right_foot_index", 0.5),
)  # fmt: skip


@dataclass
class Event:
    """Something that goes wrong (or only looks like it): kind, start and length in s after the stance is reached, size and side.

    kind: 'step' and 'shuffle' (size: m), 'sway' (size: degrees either way), 'hand' (a hand on the carpet, side 'front' or 'back'), 'near_hand' (held 0.13 m over it),
    'passing_hand' (sweeps past it), 'elbow' (an elbow on the carpet in front), 'near_elbow' (held 0.13 m over it), 'seat' (the seat goes down beside the heel), 'other_knee' (the front
    leg goes back and its knee down), 'landing_step', 'landing_hop' (on the way down, size: m).
    """

    kind: str
    at_s: float
    for_s: float
    size: float = 0.0
    side: str = "front"


@dataclass
class Wish:
    """What a repetition shall be."""

    turn_deg: float = 540.0  # to the left when positive
    rise_m: float = 0.35  # of the centre of mass after take-off
    gap_s: float = 0.0  # time between the two first contacts; positive: the front foot first
    hold_s: float = 1.3
    still: bool = True
    jump: bool = True
    knee_down: bool = True
    events: tuple[Event, ...] = ()
    kneeling: str = "right"


@dataclass
class Repetition:
    """Landmarks (T, 33, 3) in metres at `RATE`, and what is true of them."""

    landmarks: np.ndarray
    truth: dict
    body: BodyParams
    angles: np.ndarray = field(repr=False)
    root: np.ndarray = field(repr=False)
    upper: UpperBody = field(repr=False)
    left: bool = False


# ---------------------------------------------------------------------------------------------------- light forward kinematics


class _Points:
    """The 33 landmarks and lowest points of hands and feet, without skinning the whole body."""

    def __init__(self, model: BodyModel) -> None:
        side_of = {"left": "L", "right": "R"}
        bone = {"shoulder": "upperarm01", "elbow": "lowerarm01", "wrist": "wrist", "hip": "upperleg01", "knee": "lowerleg01", "ankle": "foot"}
        skin = {"heel": "heel_back", "foot_index": "big_toe_tip"}
        self.parts, vertices = [], []
        for name in LANDMARK_NAMES:
            first, _, rest = name.partition("_")
            if rest in bone:
                self.parts.append(("bone", model.bone_index[f"{bone[rest]}.{side_of[first]}"]))
                continue
            key = "nose" if name == "nose" else f"mouth.{side_of[rest]}" if first == "mouth" else f"{skin.get(rest, rest)}.{side_of[first]}"
            chosen = model.sets[key].cpu().numpy()
            self.parts.append(("skin", slice(len(vertices), len(vertices) + len(chosen))))
            vertices.extend(chosen.tolist())
        self.soles = {}
        for side in "RL":
            chosen = model.sets[f"sole.{side}"].cpu().numpy()[::6]
            self.soles[side] = slice(len(vertices), len(vertices) + len(chosen))
            vertices.extend(chosen.tolist())
        self.vertices = torch.as_tensor(np.array(vertices), device=model.device).long()

    @torch.no_grad()
    def of(self, model: BodyModel, coefficients, angles, root, upper):
        """Landmarks (T, 33, 3) and lowest sole height (T, 2) of the kneeling and the front foot."""
        from .body import blend

        count = len(angles)
        rest, heads = model.rest(coefficients, self.vertices)
        rest, heads = rest.expand(count, -1, -1), heads.expand(count, -1, -1)
        rotations = full_rotations(model, heads, angles, upper)
        world, bones = model.forward_kinematics(rotations, heads, root)
        skin = blend(model.skin_weights[self.vertices], rest, heads, world, bones)
        points = [bones[:, p] if kind == "bone" else skin[:, p].mean(1) for kind, p in self.parts]
        soles = torch.stack([skin[:, self.soles[s], 2].amin(1) for s in "RL"], 1)
        return torch.stack(points, 1), soles


_POINTS: dict[str, _Points] = {}


def _points(model: BodyModel) -> _Points:
    return _POINTS.setdefault(str(model.device), _Points(model))


def _legs(model, coefficients, angles):
    """Markers (T, 2, 4, 3) about the root's head: foot joint, heel, toe and knee of the kneeling and the front leg."""
    rig = _leg_rig(model)
    _, heads = model.rest(coefficients, rig.vertices[:1])
    heads = heads.expand(len(angles), -1, -1)
    pelvis, legs = leg_rotations(angles)
    world, position, _ = _legs_forward(legs, pelvis, heads, torch.zeros_like(heads[:, 0]), rig.bones)
    out = []
    for knee, foot in ((3, 5), (8, 10)):
        turn, at = world[:, foot], position[:, foot]
        spots = [at] + [at + (turn @ torch.tensor(o, device=angles.device)[:, None])[..., 0] for o in ((0.0, 0.04, -0.06), (0.0, -0.15, -0.05))]
        out.append(torch.stack([*spots, position[:, knee]], 1))
    return torch.stack(out, 1)


@torch.no_grad()
def _reach(model, coefficients, prior, target, weight, rounds: int = 14):
    """Angles (T, n) whose markers meet `target` (T, 2, 4, 3) about the root, staying near `prior` (damped Gauss-Newton, forward differences).

    weight (T, 2, 4): one over the marker's allowed error in metres.
    """
    free = [INDEX[n] for n in NAMES if n not in ("pelvis_turn", "pelvis_lean", "pelvis_roll")]
    spread = torch.full((len(free),), 25.0)
    angles, step = prior.clone(), 0.5
    w = weight[..., None].expand(-1, -1, -1, 3).flatten(1)
    for _ in range(rounds):
        here = _legs(model, coefficients, angles).flatten(1)
        error = (target.flatten(1) - here) * w
        columns = []
        for k in free:
            moved = angles.clone()
            moved[:, k] += step
            columns.append((_legs(model, coefficients, moved).flatten(1) - here) / step * w)
        jacobian = torch.stack(columns, 2)
        pull = (angles[:, free] - prior[:, free]) / spread**2
        normal = jacobian.transpose(1, 2) @ jacobian + torch.diag(1.0 / spread**2) + 1e-4 * torch.eye(len(free))
        gradient = (jacobian.transpose(1, 2) @ error[..., None])[..., 0] - pull
        angles[:, free] += torch.linalg.solve(normal, gradient[..., None])[..., 0].clamp(-9, 9)
    return angles


# ---------------------------------------------------------------------------------------------------- curves


def _hermite(t, t0, t1, y0, y1, v0=0.0, v1=0.0):
    """Cubic from (t0, y0) with slope v0 to (t1, y1) with slope v1."""
    h = t1 - t0
    u = np.clip((t - t0) / h, 0, 1)
    return (2 * u**3 - 3 * u**2 + 1) * y0 + (u**3 - 2 * u**2 + u) * h * v0 + (-2 * u**3 + 3 * u**2) * y1 + (u**3 - u**2) * h * v1


def _bump(t, start, length):
    """0 to 1 and back, smooth, over a stretch."""
    return np.sin(np.pi * np.clip((t - start) / length, 0, 1)) ** 2


def _plateau(t, start, length, edge):
    """0 to 1, staying, and back; the edges lie inside the stretch."""
    return minimum_jerk((t - start) / edge) * (1 - minimum_jerk((t - start - length + edge) / edge))


def _turned(points, degrees):
    """Points (..., 3) turned about the vertical."""
    a = np.radians(degrees)
    c, s = np.cos(a), np.sin(a)
    out = np.array(points, float)
    x, y = out[..., 0].copy(), out[..., 1].copy()
    out[..., 0], out[..., 1] = c * x - s * y, s * x + c * y
    return out


# ---------------------------------------------------------------------------------------------------- the repetition


def solve_bodies(count: int, rng: np.random.Generator, device: str = "cpu"):
    """Bodies with a clean stance each: (bodies, angles (N, n), heights (N,)), the best of half as many again."""
    model = body_model(device)
    tried = int(np.ceil(1.5 * count))
    bodies = model.sample(tried, rng)
    angles, heights = _solve_in_chunks(model, bodies, _station_request(tried, rng, model.device, {}))
    worst = measure_gaps(model, bodies, angles, heights).max(1)
    best = np.argsort(worst)[:count]
    return [bodies[i] for i in best], angles[torch.as_tensor(best)], heights[torch.as_tensor(best)]


def simulate(wish: Wish, body: BodyParams, stance: torch.Tensor, stance_height: float, rng: np.random.Generator, device: str = "cpu") -> Repetition:
    """One repetition of `wish`; stance (n,) angles in degrees and root height (m) as `solve_bodies` gives them."""
    model = body_model(device)
    coefficients = model.coefficients([body])
    fk = lambda a: _legs(model, coefficients, torch.as_tensor(np.atleast_2d(a), dtype=torch.float32)).numpy().astype(float)  # noqa: E731

    hold = stance.cpu().numpy().astype(float)
    heading_end = hold[INDEX["pelvis_turn"]]
    stand, air, squat = (plain_angles(k, rng)[0] for k in ("standing", "half_squat", "half_squat"))
    squat[[INDEX["pelvis_lean"]]] *= 0.6
    # Feet in the stance, world: the root stands over the origin.
    root_hold = np.array([0.0, 0.0, stance_height])
    feet_hold = fk(hold)[0] + root_hold
    shape = fk(stand)[0]  # standing, heading 0, about the root
    sole = -shape[:, 1:3, 2].min() + 0.012  # root's height when standing on both soles
    leg = sole

    # When. Everything in seconds from the start.
    stand_s, crouch_s = rng.uniform(0.25, 0.4), rng.uniform(0.38, 0.5)
    take_off = stand_s + crouch_s
    up = np.sqrt(2 * G * wish.rise_m)
    z_up, z_down = 0.985 * leg, (0.83 + 0.03 * rng.random()) * leg
    fall = (up + np.sqrt(up**2 + 2 * G * (z_up - z_down))) / G if wish.jump else 0.0
    contact = take_off + fall
    contact_of = [contact + max(0.0, wish.gap_s), contact + max(0.0, -wish.gap_s)]  # kneeling, front
    pause = [e for e in wish.events if e.kind.startswith("landing_")]
    down = contact + rng.uniform(0.5, 0.7) + abs(wish.gap_s) * 0.5 + (0.62 if pause else 0.0)
    settle = rng.uniform(0.15, 0.3)
    leave = down + settle + wish.hold_s
    leave_s = rng.uniform(0.5, 0.65)
    total = leave + leave_s + rng.uniform(0.15, 0.3)
    t = np.arange(int(total * RATE)) / RATE
    lowered = minimum_jerk((t - (down - 0.42)) / 0.42)
    rising = minimum_jerk((t - leave) / leave_s)
    in_stance = lowered * (1 - rising)
    events = [Event(e.kind, down + settle + e.at_s, e.for_s, e.size, e.side) for e in wish.events if not e.kind.startswith("landing_")]

    # Heading: winds up on the ground, turns at a nearly even rate in the air, comes to rest after the contact.
    turn = wish.turn_deg if wish.jump else 0.0
    rate = turn / max(fall, 1e-3) / (1 + 0.12 * 2 / np.pi) if wish.jump else 0.0  # the wobble below adds its mean
    wind, rest_s = 0.16, 0.22
    start_heading = heading_end - turn - rate * 0.5 * (wind + rest_s) if wish.jump else heading_end + rng.uniform(-40, 40)
    if wish.jump:
        speed = np.interp(t, [take_off - wind, take_off, contact, contact + rest_s], [0, rate, rate, 0])
        speed *= 1 + 0.12 * np.sin(np.pi * np.clip((t - take_off) / fall, 0, 1)) * ((t > take_off) & (t < contact))
        heading = np.cumsum(speed) / RATE
        heading += heading_end - heading[-1]
    else:
        heading = start_heading + (heading_end - start_heading) * minimum_jerk((t - stand_s) / (down - 0.3 - stand_s))

    # Where. The landing place is the stance's; the jump comes from the side.
    way = _turned(np.array([rng.normal(0, 0.12), rng.uniform(0.15, 0.6) * (1 if wish.jump else 0.35), 0.0]), heading_end + rng.uniform(-60, 60))
    landing_xy = np.array([rng.normal(0, 0.03), rng.normal(0, 0.03)])
    root_start = np.array([*(landing_xy + way[:2]), leg])

    # Feet that stand.
    stood = _turned(shape, heading[0]) + root_start
    front_land = feet_hold[1].copy()
    # The kneeling leg's foot comes down on its sole, near where its foot will lie, between there and under the hip.
    flat = _turned(fk(squat)[0], heading_end)
    knee_side = flat[0] + np.array([*landing_xy, 0.0])
    knee_side[:, 2] += sole - (sole + knee_side[1:3, 2].min()) + 0.012
    knee_side[:, :2] += 0.45 * (feet_hold[0][:3, :2].mean(0) - knee_side[:3, :2].mean(0))
    landed = [knee_side, front_land]
    displaced = np.zeros((2, 3))
    land_event = None
    if pause:
        e = pause[0]
        direction = _turned(np.array([0.0, 1.0, 0.0]), heading_end + rng.uniform(-80, 80)) * e.size
        land_event = Event(e.kind, contact + 0.38, 0.30, e.size, e.side)
        displaced[:] = direction
        if e.kind == "landing_step":
            displaced[0] = 0.0

    # Moves of the front foot in the stance.
    def front_moves(tt):
        shift, lift = np.zeros((len(tt), 3)), np.zeros(len(tt))
        for e in events:
            if e.kind in ("step", "shuffle"):
                direction = _turned(np.array([0.0, -1.0, 0.0]), heading_end + e_angle[id(e)])
                shift += minimum_jerk((tt - e.at_s) / e.for_s)[:, None] * direction * e.size
                if e.kind == "step":
                    lift += (0.035 + 0.25 * e.size) * _bump(tt, e.at_s, e.for_s)
        return shift, lift

    # How far the hips must go down, and back from the kneeling knee, for the seat to rest (hip joints `SEATED_HIP_M` over the carpet, the thigh's length from the knee).
    seat_down = _way_to_seat(model, coefficients, stance, root_hold, feet_hold)
    e_angle = {id(e): rng.uniform(-70, 70) for e in events}
    shift, lift = front_moves(t)

    for attempt in range(2):
        # Root: crouch, fall, absorb, lower, sway, leave.
        z = np.full(len(t), leg)
        offset = np.zeros(len(t)) if attempt == 0 else com_offset
        if wish.jump:
            i0, i1 = int(round(take_off * RATE)), int(round(contact * RATE))
            com0 = z_up + np.interp(take_off, t, offset)
            in_air = (t >= take_off) & (t <= contact)
            ballistic = lambda tt: com0 + up * (tt - take_off) - 0.5 * G * (tt - take_off) ** 2 - np.interp(tt, t, offset)  # noqa: E731
            z_to, v_to = ballistic(np.array([take_off]))[0], (ballistic(np.array([take_off + 0.01])) - ballistic(np.array([take_off])))[0] / 0.01
            z_c, v_c = ballistic(np.array([contact]))[0], (ballistic(np.array([contact])) - ballistic(np.array([contact - 0.01])))[0] / 0.01
            low = stand_s + 0.55 * crouch_s
            z = np.where(t < low, _hermite(t, stand_s, low, leg, 0.74 * leg), z)
            z = np.where((t >= low) & (t < take_off), _hermite(t, low, take_off, 0.74 * leg, z_to, 0.0, v_to), z)
            z = np.where(in_air, ballistic(t), z)
        else:
            z_c, v_c = leg, 0.0
        if land_event:
            middle = contact + 0.34
            z = np.where(t > contact, _hermite(t, contact, middle, z_c, 0.6 * leg, v_c), z)
            z = np.where(t > middle + 0.3, _hermite(t, middle + 0.3, down, 0.6 * leg, stance_height), z)
            if land_event.kind == "landing_hop":
                z += 0.07 * _bump(t, land_event.at_s, land_event.for_s)
        elif wish.jump:
            z = np.where(t > contact, _hermite(t, contact, down, z_c, stance_height, v_c), z)
        else:
            z = np.where(t > stand_s, leg + (stance_height - leg) * minimum_jerk((t - stand_s) / (down - stand_s)), z)
        z = z - 0.012 * np.exp(-np.clip(t - down, 0, None) / 0.09) * np.sin(np.pi * np.clip((t - down) / settle, 0, 1)) * (t >= down)
        z = z + (0.9 * leg - stance_height) * rising
        if not wish.knee_down:
            z = np.where(t > contact + 0.2, np.maximum(z, 0.62 * leg), z)
        if wish.jump:
            share = np.interp(t, [take_off - 0.12, take_off, contact, contact + 0.15], [0, 0.12, 0.88, 1.0])
        else:
            share = minimum_jerk((t - stand_s) / (down - 0.35 - stand_s))
        xy = root_start[:2] + share[:, None] * (landing_xy - root_start[:2])
        xy = xy + minimum_jerk((t - contact - 0.1) / (down - contact - 0.1))[:, None] * (root_hold[:2] - landing_xy)
        if land_event:
            back = 1 - minimum_jerk((t - land_event.at_s) / land_event.for_s)
            xy = xy + 0.8 * displaced.mean(0)[:2] * (back * (t > take_off) * np.clip((t - take_off) / max(fall, 0.1), 0, 1))[:, None]
        xy = xy + 0.45 * shift[:, :2] * (1 - rising)[:, None]
        if attempt == 0:
            sway_xy = np.stack([_sway(t, rng, 1.0), _sway(t, rng, 0.7)], 1)
            calm = (t > down + settle) & (t < leave)
            sway_xy *= rng.uniform(0.008, 0.016) / max(np.ptp(sway_xy[calm], axis=0).max(), 1e-3)
            restless = np.stack([_sway(t, rng, 0.05, 1.1), _sway(t, rng, 0.05, 0.9)], 1)
        xy = xy + (sway_xy + (0 if wish.still else 1) * restless) * in_stance[:, None]
        for e in events:
            if e.kind == "sway":
                wave = np.sin(2 * np.pi * (t - e.at_s) / e.for_s) * ((t > e.at_s) & (t < e.at_s + e.for_s))
                xy = xy + 0.0016 * e.size * wave[:, None] * _turned(np.array([1.0, 0.3, 0.0]), heading_end)[:2]
            if e.kind in ("seat", "elbow", "near_elbow"):
                # An elbow comes down only with the whole trunk: half of the way to the seat.
                share = _plateau(t, e.at_s, e.for_s, 0.35) * (1.0 if e.kind == "seat" else 0.5)
                z = z - share * seat_down[2]
                xy = xy - share[:, None] * seat_down[:2]
            if e.kind == "other_knee":
                # The weight goes over to the side of the front leg a little.
                xy = xy + 0.04 * _plateau(t, e.at_s, e.for_s, 0.4)[:, None] * _turned(np.array([1.0, 0.0, 0.0]), heading_end)[:2]
        root = np.concatenate([xy, z[:, None]], 1)

        # Feet: standing, in the air, landed, in the stance.
        target = np.zeros((len(t), 2, 4, 3))
        weight = np.full((len(t), 2, 4), 1 / 0.004)
        weight[:, :, 3] = 0.3
        for k in range(2):
            c = contact_of[k]
            place = landed[k] + displaced[k]
            if wish.jump:
                near = lambda tt, p: _turned(p - np.stack([np.interp(tt, t, root[:, j]) for j in range(3)]), -np.interp(tt, t, heading))  # noqa: E731
                a, b = near(take_off, stood[k]), near(c, place)
                u = np.clip((t - take_off) / (c - take_off), 0, 1)
                s = u**2 * (3 - 2 * u)
                rel = a + (b - a) * s[:, None, None]
                tuck = (0.10 + 0.5 * wish.rise_m) * (1.0 if k else 1.35)
                rel[..., 2] += tuck * (np.sin(np.pi * u) ** 2)[:, None]
                world = np.stack([_turned(rel[i], heading[i]) + root[i] for i in range(len(t))])
                target[:, k] = np.where((t < take_off)[:, None, None], stood[k], np.where((t < c)[:, None, None], world, place))
            else:
                w = minimum_jerk((t - stand_s - 0.12 - 0.2 * k) / 0.4)
                arc = _bump(t, stand_s + 0.12 + 0.2 * k, 0.4) * 0.06
                target[:, k] = stood[k] + (place - stood[k]) * w[:, None, None]
                target[:, k, :, 2] += arc[:, None]
            if land_event and (k == 1 or land_event.kind == "landing_hop"):
                w = minimum_jerk((t - land_event.at_s) / land_event.for_s)
                target[:, k] -= (displaced[k] * w[:, None])[:, None]
                target[:, k, :, 2] += (0.06 * _bump(t, land_event.at_s, land_event.for_s))[:, None]
        # Down: the kneeling foot rolls from its sole into the stance, the knee comes down.
        lower_share = (lowered * (1 - rising))[:, None, None] if wish.knee_down else np.zeros((len(t), 1, 1))
        target[:, 0] += (feet_hold[0] - landed[0]) * lower_share
        target[:, 0, :, 2] += (0.02 * np.sin(np.pi * np.clip(lower_share[:, 0, 0], 0, 1)))[:, None]
        weight[:, 0, 3] = 0.3 + (1 / 0.004) * np.clip(2 * lower_share[:, 0, 0] - 1, 0, 1) ** 2
        target[:, 1] += (shift + np.stack([0 * t, 0 * t, lift], 1))[:, None]
        for e in events:
            if e.kind == "other_knee":
                # The front leg goes back beside the kneeling one and lies down, knee and instep on the carpet: a mirror image of the kneeling leg, level.
                share = _plateau(t, e.at_s, e.for_s, 0.45)
                knee, foot = _beside(feet_hold, _turned(np.array([1.0, 0.0, 0.0]), heading_end))
                lying = np.stack([foot, foot + (foot - knee) * 0.12, foot + (foot - knee) * 0.35, knee])
                lying[:, 2] = (0.08, 0.09, 0.04, KNEELING_KNEE_M)
                arc = 0.06 * np.sin(np.pi * share)[:, None]
                moved = target[:, 1] * (1 - share[:, None, None]) + lying * share[:, None, None]
                moved[..., 2] += arc
                target[:, 1] = moved
                weight[:, 1, 1:3] = np.where(share[:, None] > 0.02, 1 / 0.02, weight[:, 1, 1:3])
                weight[:, 1, 3] = np.maximum(weight[:, 1, 3], (1 / 0.006) * np.clip(2 * share - 1, 0, 1) ** 2)

        # Angles: key poses blended, then made to reach.
        keys = stand + (squat - stand) * (np.clip((t - stand_s) / crouch_s, 0, 1) * (t < take_off))[:, None] * 0.6
        if wish.jump:
            flying = _bump(t, take_off, contact - take_off)
            keys = stand + (air - stand) * flying[:, None] + (squat - stand) * (0.6 * _bump(t, stand_s, crouch_s))[:, None]
            after = minimum_jerk((t - contact) / 0.2)
            keys = keys + (squat - stand) * after[:, None] * 0.7
        to_hold = (lowered * (1 - 0.9 * rising))[:, None] * (1.0 if wish.knee_down else 0.0)
        keys = keys + (hold - keys) * to_hold
        keys[:, INDEX["pelvis_turn"]] = heading
        keys[:, INDEX["pelvis_lean"]] *= np.where(t < down, np.clip(0.5 + in_stance, 0, 1), 1)
        for e in events:
            if e.kind in ("elbow", "near_elbow"):
                keys[:, INDEX["pelvis_lean"]] += 40 * _plateau(t, e.at_s, e.for_s, 0.35)
        prior = torch.as_tensor(keys, dtype=torch.float32)
        about = torch.as_tensor(target - root[:, None, None], dtype=torch.float32)
        angles = _reach(model, coefficients, prior, about, torch.as_tensor(weight, dtype=torch.float32))
        if attempt == 0:
            upper = _upper(model, t, rng, wish, events, take_off, contact, in_stance, rising)
        root_t = torch.as_tensor(root, dtype=torch.float32)
        landmarks, soles = _points(model).of(model, coefficients, angles, root_t, upper)
        com = _centre_of_mass(landmarks.numpy())
        com_offset = com[:, 2] - root[:, 2]
        kernel = np.hanning(33)[1:-1]
        com_offset = np.convolve(np.pad(com_offset, 15, mode="edge"), kernel / kernel.sum(), mode="valid")
    _arms_to_carpet(model, coefficients, angles, root_t, upper, t, events, landmarks.numpy())
    landmarks, soles = _points(model).of(model, coefficients, angles, root_t, upper)
    left = wish.kneeling == "left"
    out = landmarks.numpy().astype(np.float64)
    sole_z = soles.numpy()
    if left:
        out = out[:, [LANDMARK_NAMES.index(_swap_side(n)) for n in LANDMARK_NAMES]] * np.array([-1.0, 1.0, 1.0])
    truth = _truth(wish, events, land_event, t, out, sole_z, take_off, contact_of, down, settle, leave, target, heading, lower_share[:, 0, 0], body)
    return Repetition(out, truth, body, angles.numpy(), root, upper, left)


#: Height of the hip joints over the carpet when the seat rests on it, and of a knee's joint when it kneels, metres (from memory of seated and kneeling bodies; the truth is measured
#: on the landmarks, not taken from here).
SEATED_HIP_M = 0.10
KNEELING_KNEE_M = 0.05


def _way_to_seat(model, coefficients, stance, root_hold, feet_hold):
    """How far the root goes back and down (m, the way *from* the seat) until the kneeling leg's hip lies a thigh's length from its knee, low over the carpet."""
    rig = _leg_rig(model)
    _, heads = model.rest(coefficients, rig.vertices[:1])
    pelvis, legs = leg_rotations(stance[None].to(torch.float32))
    _, position, _ = _legs_forward(legs, pelvis, heads, torch.zeros_like(heads[:, 0]), rig.bones)
    hip = position[0, 1].numpy().astype(float) + root_hold
    knee = feet_hold[0][3]
    thigh = np.linalg.norm(hip - knee)
    down = hip[2] - SEATED_HIP_M
    level = hip[:2] - knee[:2]
    reach = np.sqrt(max(thigh**2 - (SEATED_HIP_M - knee[2]) ** 2, 0.01))
    back = level / np.linalg.norm(level) * (0.97 * reach - np.linalg.norm(level))
    return np.array([*(-back), down])


def _beside(feet_hold, left):
    """Knee and foot (m) of a front leg that kneels beside the other, on the body's left."""
    knee, foot = feet_hold[0][3].copy(), feet_hold[0][0].copy()
    away = 0.24 * left
    return knee + away, foot + away


def _centre_of_mass(landmarks: np.ndarray) -> np.ndarray:
    """(T, 3) of landmarks (T, 33, 3) by `MASSES`."""
    at = {n: landmarks[:, i] for i, n in enumerate(LANDMARK_NAMES)}
    for both in ("shoulder", "hip"):
        at[f"{both}s"] = 0.5 * (at[f"left_{both}"] + at[f"right_{both}"])
    return sum(m * (at[a] + s * (at[b] - at[a])) for m, a, b, s in MASSES) / sum(m for m, *_ in MASSES)


def _upper(model, t, rng, wish, events, take_off, contact, in_stance, rising):
    """Trunk and arms over time."""
    from .stance import sample_upper_body

    def direction(*values):
        return np.array(values, float)

    hang = (direction(0.3, -0.1, -0.95), direction(0.1, -0.5, -0.85))
    drawn = (direction(0.5, -0.6, -0.3), direction(-0.45, -0.7, 0.3))  # arms drawn in for the turn
    last = sample_upper_body(1, rng, torch.device("cpu"))
    flying = _bump(t, take_off, max(contact - take_off, 0.1)) if wish.jump else 0 * t
    arms, fore = np.zeros((len(t), 2, 3)), np.zeros((len(t), 2, 3))
    for k in range(2):
        mirror = np.array([1.0 if k == 0 else -1.0, 1, 1])
        a, f = hang[0] * mirror, hang[1] * mirror
        arms[:, k] = a + (drawn[0] * mirror - a) * flying[:, None]
        fore[:, k] = f + (drawn[1] * mirror - f) * flying[:, None]
        arms[:, k] += (last.upper_arm[0, k].numpy() - arms[:, k]) * in_stance[:, None]
        fore[:, k] += (last.forearm[0, k].numpy() - fore[:, k]) * in_stance[:, None]
    chest = np.zeros((len(t), 3))
    settled = last.chest[0].numpy().copy()
    settled[0] = np.clip(settled[0], -5, 18)
    chest += settled * in_stance[:, None]
    chest[:, 0] += 14 * (_bump(t, take_off - 0.45, 0.45) + _plateau(t, contact, 0.5, 0.2))
    chest += np.stack([_sway(t, rng, 1.2), _sway(t, rng, 1.0), _sway(t, rng, 1.2)], 1) * in_stance[:, None]
    if not wish.still:
        lean = np.degrees(0.2 / 0.62)
        chest += np.stack([_sway(t, rng, lean, 1.1), _sway(t, rng, lean, 1.0), _sway(t, rng, 14, 0.8)], 1) * in_stance[:, None]
    for e in events:
        if e.kind == "sway":
            wave = np.sin(2 * np.pi * (t - e.at_s) / e.for_s) * _plateau(t, e.at_s, e.for_s, 0.12)
            chest[:, 1] += 0.9 * e.size * wave
            chest[:, 0] += 0.45 * e.size * wave
        if e.kind in ("elbow", "near_elbow"):
            share = _plateau(t, e.at_s, e.for_s, 0.3)
            chest[:, 0] += (104 - chest[:, 0]) * share
            # The other arm lies along the trunk, clear of the carpet.
            for part, along in ((arms, direction(0.35, 0.3, -0.9)), (fore, direction(0.1, 0.35, -0.95))):
                part[:, 0] += (along - part[:, 0]) * share[:, None]
        if e.kind in ("hand", "near_hand", "passing_hand"):
            share = _plateau(t, e.at_s, e.for_s, 0.3)
            if e.side == "front":
                chest[:, 0] += (86 - chest[:, 0]) * share
            else:
                chest[:, 0] += (-14 - chest[:, 0]) * share
                chest[:, 1] += (66 - chest[:, 1]) * share  # leans over its right, the kneeling side
    tensor = lambda x: torch.as_tensor(np.ascontiguousarray(x), dtype=torch.float32)  # noqa: E731
    rep = lambda x: x.repeat(len(t), *[1] * (x.dim() - 1))  # noqa: E731
    return UpperBody(tensor(chest), rep(last.head) * tensor(in_stance)[:, None], tensor(arms), tensor(fore), rep(last.fist), rep(last.shrug))


def _arms_to_carpet(model, coefficients, angles, root, upper, t, events, landmarks):
    """Bends the right arm so that its hand reaches its place over the carpet during 'hand', 'near_hand' and 'passing_hand' events (two-bone reach)."""
    from .stance import _euler, axis_rotation

    name = {n: i for i, n in enumerate(LANDMARK_NAMES)}
    for e in events:
        if e.kind in ("elbow", "near_elbow"):
            _elbow_to_carpet(model, coefficients, angles, root, upper, t, e, landmarks)
            continue
        if e.kind not in ("hand", "near_hand", "passing_hand"):
            continue
        share = _plateau(t, e.at_s, e.for_s, 0.3)
        on = np.flatnonzero(share > 0)
        old = [part[:, 1].numpy() / np.linalg.norm(part[:, 1].numpy(), axis=1, keepdims=True) for part in (upper.upper_arm, upper.forearm)]
        fingers = {"hand": 0.0, "near_hand": 0.13, "passing_hand": 0.035}[e.kind]
        for _round in range(4):
            chest = (axis_rotation(torch.deg2rad(angles[:, INDEX["pelvis_turn"]]), 2) @ _euler(upper.chest)).numpy().astype(float)
            shoulder, elbow, wrist = (landmarks[:, name[f"right_{j}"]] for j in ("shoulder", "elbow", "wrist"))
            tip = landmarks[:, [name["right_index"], name["right_pinky"], name["right_thumb"]]]
            hang = tip[..., 2].min(1) - wrist[:, 2]  # how far the lowest finger is under the wrist
            l1, l2 = np.linalg.norm(elbow - shoulder, axis=1), np.linalg.norm(wrist - elbow, axis=1)
            forward = chest[:, :, 1] * -1.0
            away = forward if e.side == "front" else -forward
            middle = on[len(on) // 2]
            base = shoulder[middle].copy()
            for i in on:
                goal = base + 0.05 * away[middle]
                if e.kind == "passing_hand":
                    u = (t[i] - e.at_s) / e.for_s
                    goal = goal + (u - 0.5) * 1.6 * chest[middle, :, 0]
                    goal[2] = fingers - hang[i] + 1.2 * (u - 0.5) ** 2
                else:
                    goal[2] = fingers - hang[i]
                d = goal - shoulder[i]
                length = np.clip(np.linalg.norm(d), 0.1, 0.985 * (l1[i] + l2[i]))
                d = d / np.linalg.norm(d)
                cosine = (l1[i] ** 2 + length**2 - l2[i] ** 2) / (2 * l1[i] * length)
                side = -chest[i, :, 0] - d * (-chest[i, :, 0] @ d)
                side /= max(np.linalg.norm(side), 1e-6)
                e_at = shoulder[i] + l1[i] * (d * cosine + side * np.sqrt(max(0.0, 1 - cosine**2)))
                w_at = shoulder[i] + d * length
                a, f = chest[i].T @ (e_at - shoulder[i]) / l1[i], chest[i].T @ (w_at - e_at) / l2[i]
                s = share[i]
                for part, before, value in ((upper.upper_arm, old[0], a), (upper.forearm, old[1], f)):
                    part[i, 1] = torch.as_tensor(before[i] * (1 - s) + value * s, dtype=torch.float32)
            landmarks = _points(model).of(model, coefficients, angles, root, upper)[0].numpy()


def _elbow_to_carpet(model, coefficients, angles, root, upper, t, e, landmarks):
    """Puts the right elbow on the carpet below and before the shoulder, the forearm level ahead."""
    from .stance import _euler, axis_rotation

    name = {n: i for i, n in enumerate(LANDMARK_NAMES)}
    share = _plateau(t, e.at_s, e.for_s, 0.3)
    on = np.flatnonzero(share > 0)
    old = [part[:, 1].numpy() / np.linalg.norm(part[:, 1].numpy(), axis=1, keepdims=True) for part in (upper.upper_arm, upper.forearm)]
    goal_z = {"elbow": RESTING_ELBOW_M, "near_elbow": RESTING_ELBOW_M + 0.13}[e.kind]
    chest = (axis_rotation(torch.deg2rad(angles[:, INDEX["pelvis_turn"]]), 2) @ _euler(upper.chest)).numpy().astype(float)
    shoulder, elbow = (landmarks[:, name[f"right_{j}"]] for j in ("shoulder", "elbow"))
    length = np.linalg.norm(elbow - shoulder, axis=1)
    middle = on[len(on) // 2]
    up = chest[middle, :, 2] if chest.shape[-1] == 3 else np.array([0, 0, 1.0])
    ahead = np.array([up[0], up[1], 0.0])
    ahead /= max(np.linalg.norm(ahead), 1e-6)
    for i in on:
        drop = min(max(shoulder[i, 2] - goal_z, 0.0), 0.99 * length[i])
        d = np.array([0.0, 0.0, -drop]) + ahead * np.sqrt(max(length[i] ** 2 - drop**2, 0.0))
        a, f = chest[i].T @ d / length[i], chest[i].T @ (ahead + np.array([0, 0, 0.05]))
        s = share[i]
        for part, before, value in ((upper.upper_arm, old[0], a), (upper.forearm, old[1], f / np.linalg.norm(f))):
            part[i, 1] = torch.as_tensor(before[i] * (1 - s) + value * s, dtype=torch.float32)


#: Height of the elbow's joint over the carpet when the elbow rests on it, metres (from memory).
RESTING_ELBOW_M = 0.04


def _runs(mask, least=1):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(a, b) for a, b in zip(edges[::2], edges[1::2]) if b - a >= least]


def _truth(wish, events, land_event, t, landmarks, sole_z, take_off, contact_of, down, settle, leave, target, heading, knee_share, body):
    """What is true, measured on the motion; names are the athlete's own sides."""
    name = {n: i for i, n in enumerate(LANDMARK_NAMES)}
    left = wish.kneeling == "left"
    kneel, front = ("left", "right") if left else ("right", "left")
    truth = {"kneeling_leg": kneel, "stature_m": round(float(body.stature_m), 4), "rate": RATE, "events": []}
    shank = np.linalg.norm(landmarks[:, name[f"{kneel}_knee"]] - landmarks[:, name[f"{kneel}_ankle"]], axis=1)
    truth["shank_m"] = round(float(np.median(shank)), 4)
    if wish.jump:
        truth["take_off_s"] = round(float(take_off), 4)
        truth["contact_s"] = {kneel: round(float(contact_of[0]), 4), front: round(float(contact_of[1]), 4)}
        truth["flight_s"] = round(float(min(contact_of) - take_off), 4)

        def facing(tt):
            lines = (landmarks[:, name[f"left_{j}"]] - landmarks[:, name[f"right_{j}"]] for j in ("hip", "shoulder"))
            return np.degrees(np.mean([np.interp(tt, t, np.unwrap(np.arctan2(d[:, 1], d[:, 0]))) for d in lines]))

        truth["turn_deg"] = round(float(facing(min(contact_of)) - facing(take_off)), 2)
    knee = landmarks[:, name[f"{kneel}_knee"], 2]
    on = knee < np.median(knee[(t > down) & (t < leave)]) + 0.05 if wish.knee_down else np.zeros(len(t), bool)
    runs = _runs(on, RATE // 10)
    if runs:
        a, b = max(runs, key=lambda r: r[1] - r[0])
        truth["stance_s"] = [round(float(t[a]), 4), round(float(t[min(b, len(t) - 1)]), 4)]
        truth["rest_s"] = round(float(down + settle), 4) if wish.still else None
        truth["leave_s"] = round(float(leave), 4)
    for e in [*events, *([land_event] if land_event else [])]:
        entry = {"kind": e.kind, "start_s": round(float(e.at_s), 4), "end_s": round(float(e.at_s + e.for_s), 4)}
        if e.kind in ("hand", "near_hand", "passing_hand"):
            hand = "left" if left else "right"
            tips = landmarks[:, [name[f"{hand}_{f}"] for f in ("index", "pinky", "thumb", "wrist")], 2].min(1)
            touch = _runs((tips < 0.02) & (t > e.at_s) & (t < e.at_s + e.for_s), 8)
            entry["lowest_m"] = round(float(tips[(t > e.at_s) & (t < e.at_s + e.for_s)].min()), 4)
            entry["limb"] = f"{hand}_hand"
            if e.kind == "hand" and touch:
                entry["start_s"], entry["end_s"] = round(float(t[touch[0][0]]), 4), round(float(t[touch[-1][1] - 1]), 4)
        elif e.kind in ("elbow", "near_elbow", "seat", "other_knee"):
            points, limb, rest = {
                "elbow": ([f"{kneel}_elbow"], f"{kneel}_elbow", RESTING_ELBOW_M + 0.025),
                "near_elbow": ([f"{kneel}_elbow"], f"{kneel}_elbow", 0.0),
                "seat": (["left_hip", "right_hip"], "seat", SEATED_HIP_M + 0.03),
                "other_knee": ([f"{front}_knee"], f"{front}_knee", KNEELING_KNEE_M + 0.03),
            }[e.kind]
            height = landmarks[:, [name[p] for p in points], 2].min(1)
            inside = (t > e.at_s) & (t < e.at_s + e.for_s)
            touch = _runs((height < rest) & inside, 8)
            entry["lowest_m"] = round(float(height[inside].min()), 4)
            entry["limb"] = limb
            if touch:
                entry["start_s"], entry["end_s"] = round(float(t[touch[0][0]]), 4), round(float(t[touch[-1][1] - 1]), 4)
        elif e.kind == "sway":
            h = 0.5 * (landmarks[:, name["left_hip"]] + landmarks[:, name["right_hip"]])
            s = 0.5 * (landmarks[:, name["left_shoulder"]] + landmarks[:, name["right_shoulder"]]) - h
            s /= np.linalg.norm(s, axis=1)[:, None]
            inside = (t > e.at_s - 0.1) & (t < e.at_s + e.for_s + 0.1)
            ref = s[inside][0]
            entry["size"] = round(float(np.degrees(np.arccos(np.clip(s[inside] @ ref, -1, 1))).max()), 2)
            entry["limb"] = "trunk"
        else:
            entry["size"], entry["limb"] = round(e.size, 4), "both" if e.kind == "landing_hop" else f"{front}_foot"
        truth["events"].append(entry)
    return truth


def frames_of(rep: Repetition, fps: float, phase: float = 0.0, part: tuple[float, float] | None = None, device: str = "cpu") -> list[tuple[float, Posed]]:
    """The repetition as whole bodies at `fps` for rendering: (time in s, body)."""
    model = body_model(device)
    t = np.arange(len(rep.angles)) / RATE
    start, end = part or (0.0, t[-1])
    times = np.arange(start + phase / fps, end, 1 / fps)
    pick = np.round(times * RATE).astype(int).clip(0, len(t) - 1)
    angles = torch.as_tensor(rep.angles[pick], dtype=torch.float32)
    root = torch.as_tensor(rep.root[pick], dtype=torch.float32)
    upper = rep.upper.rows(torch.as_tensor(pick))
    out = []
    for k in range(0, len(pick), 16):
        part_ = slice(k, min(k + 16, len(pick)))
        n = part_.stop - k
        batch = pose_batch(model, [rep.body] * n, angles[part_], root[part_, 2], upper.rows(part_), torch.full((n,), rep.left), root_xy=root[part_, :2], kind="repetition")
        out += list(zip(times[part_].tolist(), batch.posed(model), strict=True))
    return out
