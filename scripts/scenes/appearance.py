"""How a scene looks: skin, clothes, carpet, light, hall, clutter and the camera's development; sampled, and JSON-serialisable.

Geometry that the light depends on (clothes, neighbours, clutter, places of the lights) is sampled by `sample`; colours,
patterns and strengths may be drawn anew for each crop with `recolour`, while mesh and light maps stay.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field, replace

import numpy as np

from .raster import Look, Mesh, vertex_normals
from .types import STATIONS, Posed, Region

CARPETS = ("plain", "heather", "mottled", "stripes", "tiles", "shapes", "planks", "mats")
LOWER = ("bare", "shorts", "tights", "trousers")
FOOTWEAR = ("bare", "socks", "shoes")
UPPER = ("skin", "vest", "shirt", "jacket")
LIGHTS = ("hall", "sun", "overcast", "window", "lamp", "spots")
WALLS = ("gradient", "dado", "stands", "panels", "blotches")

#: Part codes that a probe of the picture reports (as value / 255).
PART_LOWER_LEG, PART_THIGH, PART_BODY, PART_OTHER, PART_FLOOR = 255, 191, 128, 96, 64

SKIN, LOWER_CLOTH, UPPER_CLOTH, SOCK, SHOE, HAIR, EYE, TRIM = range(8)
CLUTTER, NEIGHBOUR = 8, 14  # clutter 8..13, neighbour 14..19


@dataclass
class Appearance:
    """Everything about a scene but the pose and the camera. Colours are linear rgb."""

    seed: float = 0.0
    skin: dict = field(default_factory=dict)
    lower: dict = field(default_factory=dict)
    upper: dict = field(default_factory=dict)
    footwear: dict = field(default_factory=dict)
    hair: dict = field(default_factory=dict)
    carpet: dict = field(default_factory=dict)
    light: dict = field(default_factory=dict)
    wall: dict = field(default_factory=dict)
    clutter: list = field(default_factory=list)
    neighbours: list = field(default_factory=list)
    develop: dict = field(default_factory=dict)

    @property
    def light_position(self) -> np.ndarray:
        """(3, 3) m, relative to the carpet frame once `place` has run."""
        return np.array(self.light["position"], float)

    @property
    def light_radius(self) -> np.ndarray:
        """(3,) m."""
        return np.array(self.light["radius"], float)

    def to_json(self) -> str:
        """One line of JSON."""
        return json.dumps(asdict(self), default=lambda x: x.tolist() if isinstance(x, np.ndarray) else float(x))


def _linear(c: float) -> float:
    """sRGB component to linear light (IEC 61966-2-1)."""
    return c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4


def _srgb(c) -> np.ndarray:
    return np.array([_linear(float(v)) for v in c])


def _hsv(h: float, s: float, v: float) -> np.ndarray:
    # Plain floats: this runs some dozen times a crop. Saturation is pulled in, as dyes of cloth and carpet are.
    s = 0.88 * s
    out = []
    for n in (5.0, 3.0, 1.0):
        k = (n + h * 6.0) % 6.0
        out.append(_linear(min(max(v - v * s * min(max(min(k, 4.0 - k), 0.0), 1.0), 0.0), 1.0)))
    return np.array(out)


def _list(x) -> list:
    return np.asarray(x, float).ravel().tolist()


def _cloth_colour(rng) -> np.ndarray:
    kind = rng.random()
    if kind < 0.25:
        return _hsv(rng.random(), rng.uniform(0, 0.15), rng.uniform(0.7, 0.95))  # whites
    if kind < 0.5:
        return _hsv(rng.random(), rng.uniform(0, 0.4), rng.uniform(0.07, 0.3))  # blacks and navies
    return _hsv(rng.random(), rng.uniform(0.3, 0.95), rng.uniform(0.3, 0.95))


def _skin(rng) -> dict:
    # From very light to very dark, along the line that melanin and blood draw in sRGB (by eye, no source).
    tone = rng.random()
    ladder = np.array([[241, 205, 182], [228, 184, 152], [208, 158, 122], [176, 122, 86], [128, 82, 56], [84, 54, 40], [58, 38, 30]]) / 255
    x = tone * (len(ladder) - 1)
    i = min(int(x), len(ladder) - 2)
    base = _srgb(ladder[i] * (1 - x + i) + ladder[i + 1] * (x - i)) * rng.uniform(0.85, 1.15) * rng.normal(1, 0.03, 3)
    red = np.array([1.05, 0.72, 0.68]) if rng.random() < 0.7 else np.array([0.62, 0.6, 0.58])  # reddened, or dusty
    return {
        "base": _list(np.clip(base, 0.01, 0.9)),
        "accent": _list(1 + (red - 1) * rng.uniform(0.2, 1.0)),
        "mottle": float(rng.uniform(0.05, 0.45)),
        "hair": float(rng.choice([0, 0, rng.uniform(0.1, 0.5)])),
        "ink": float(rng.random() < 0.07) * float(rng.uniform(0.55, 0.9)),
        "rough": float(rng.uniform(0.38, 0.7)),
        "specular": float(rng.uniform(0.2, 0.9)),
        "bump": float(rng.uniform(0.0, 0.3)),
    }


def _carpet(rng, family: str | None = None) -> dict:
    family = family or str(rng.choice(CARPETS, p=[0.2, 0.2, 0.12, 0.08, 0.1, 0.1, 0.08, 0.12]))
    hue, value = rng.random(), rng.uniform(0.12, 0.9)
    if rng.random() < 0.4:
        hue = rng.choice([0.0, 0.02, 0.33, 0.45, 0.58, 0.62])  # the reds, greens and blues of halls
    sat = rng.choice([rng.uniform(0, 0.2), rng.uniform(0.3, 0.9)])
    a = _hsv(hue, sat, value)
    if rng.random() < 0.5:
        b = np.clip(a * rng.uniform(0.55, 1.6), 0.01, 0.85)
    else:
        b = _hsv((hue + rng.normal(0, 0.2)) % 1, rng.uniform(0, 0.9), rng.uniform(0.1, 0.9))
    if family in ("plain", "heather"):
        b = a
    if family == "planks":
        a = _hsv(rng.uniform(0.06, 0.11), rng.uniform(0.3, 0.7), rng.uniform(0.35, 0.85))
        b = a * rng.uniform(0.5, 0.8)
    hard = family == "planks" or (family in ("tiles", "mats") and rng.random() < 0.6)
    scale = {"mottled": (0.04, 0.5), "stripes": (0.02, 0.5), "tiles": (0.3, 1.0), "shapes": (0.08, 0.6), "planks": (0.06, 0.15), "mats": (0.5, 1.0)}.get(family, (0.2, 0.5))
    turn = rng.uniform(0, 2 * np.pi)
    lines = []
    for _ in range(rng.choice([0, 0, 1, 2, 3])):
        n = rng.uniform(0, 2 * np.pi)
        lines.append([float(np.cos(n)), float(np.sin(n)), float(rng.normal(0, 1.2)), 1.0])
    line_colour = _hsv(rng.random(), rng.choice([0.0, 0.8]), rng.uniform(0.6, 0.95))
    pile = 0.0 if hard else float(rng.uniform(0.0, 0.003))
    return {
        "family": family,
        "a": _list(a),
        "b": _list(b),
        "scale": float(np.exp(rng.uniform(*np.log(scale)))),
        "turn": float(turn),
        "offset": _list(rng.uniform(-1, 1, 2)),
        "heather": float(rng.uniform(0.2, 0.9)) if family == "heather" else (0.05 if hard else float(rng.uniform(0.05, 0.4))),
        "contrast": float(rng.uniform(0.2, 1.0)),
        "bump": 0.03 if hard else float(rng.uniform(0.1, 0.6)),
        "tufts": 0.0 if hard else float(rng.uniform(0.0, 0.5)),
        "wear": float(rng.uniform(0.0, 0.5)),
        "dirt": float(rng.choice([0, rng.uniform(0, 0.5)])),
        "gloss": float(rng.uniform(0.2, 1.0)) if hard else float(rng.choice([0, 0, rng.uniform(0, 0.25)])),
        "rough": float(rng.uniform(0.2, 0.6)),
        "pile_m": pile,
        "lines": lines,
        "line_colour": _list(line_colour),
        "line_half_m": float(rng.uniform(0.012, 0.04)),
        "rectangle": None,
        "bounds": [-40.0, -40.0, 40.0, 40.0] if rng.random() < 0.6 else _list(np.r_[-rng.uniform(0.8, 6, 2), rng.uniform(0.8, 6, 2)]),
        "outside": _list(_hsv(rng.random(), rng.uniform(0, 0.5), rng.uniform(0.15, 0.8))),
    }


def _kelvin(rng, low: float = 2700, high: float = 7500) -> np.ndarray:
    # Rough white of a black body in linear rgb, green = 1 (fit by eye, good enough for tints; no source).
    x = (np.exp(rng.uniform(np.log(low), np.log(high))) - 6500) / 6500
    return np.array([1 - 0.75 * x, 1.0 - 0.05 * abs(x), 1 + 1.05 * x]).clip(0.25, 2.0)


def _light_places(rng, family: str | None = None) -> dict:
    family = family or str(rng.choice(LIGHTS, p=[0.34, 0.1, 0.12, 0.16, 0.12, 0.16]))
    position, radius = [], []
    main = rng.uniform(0, 2 * np.pi)
    for i in range(3):
        azimuth = main + rng.uniform(-0.6, 0.6) + (0, 2.1, 4.2)[i]
        if family == "hall":
            d, z, r = rng.uniform(0.5, 8), rng.uniform(4, 10), rng.uniform(0.2, 1.4)
        elif family == "sun":
            e = np.radians(rng.uniform(18, 75))
            d, z, r = (45 * np.cos(e), 45 * np.sin(e), 0.21) if i == 0 else (rng.uniform(3, 6), rng.uniform(1, 4), 1.2)
        elif family == "overcast":
            d, z, r = rng.uniform(1, 6), rng.uniform(4, 9), rng.uniform(1.0, 2.5)
        elif family == "window":
            d, z, r = rng.uniform(2, 6), rng.uniform(1.0, 3.2), rng.uniform(0.4, 1.1)
        elif family == "lamp":
            d, z, r = rng.uniform(1.0, 4), rng.uniform(1.4, 3.2), rng.uniform(0.04, 0.25)
        else:
            d, z, r = rng.uniform(3, 14), rng.uniform(3, 10), rng.uniform(0.05, 0.3)
        position.append([float(d * np.cos(azimuth)), float(d * np.sin(azimuth)), float(z)])
        radius.append(float(min(r, 0.6 * z)))
    on = [True, bool(rng.random() < 0.5 and family != "sun"), bool(rng.random() < 0.4 and family not in ("sun", "overcast"))]
    return {"family": family, "position": position, "radius": radius, "on": on}


def _light_strength(rng, light: dict) -> None:
    """Colours and strengths for the lights and the sky; total at the leg about 1."""
    family = light["family"]
    sky_share = {"hall": (0.2, 0.75), "sun": (0.1, 0.4), "overcast": (0.7, 0.97), "window": (0.15, 0.6), "lamp": (0.05, 0.5), "spots": (0.08, 0.45)}[family]
    sky = rng.uniform(*sky_share)
    weights = np.array([1.0, rng.uniform(0.1, 0.9), rng.uniform(0.1, 0.8)]) * light["on"]
    if family == "lamp":
        weights[1:] *= 0.3
    position = np.array(light["position"])
    cosine = position[:, 2] / np.linalg.norm(position, axis=1)
    weights = weights / (weights * cosine).sum() * (1 - sky)
    base = _kelvin(rng)
    colour = np.stack([base * rng.normal(1, 0.04, 3) if rng.random() < 0.8 else _kelvin(rng) for _ in range(3)])
    tint = base * rng.normal(1, 0.05, 3) if family != "sun" else base * np.array([0.8, 0.95, 1.3])
    light["colour"] = [_list(weights[i] * colour[i]) for i in range(3)]
    light["sky_top"] = _list(sky * tint * rng.uniform(0.6, 1.2))
    light["sky_horizon"] = _list(sky * tint * rng.uniform(0.6, 1.2) * rng.normal(1, 0.04, 3))
    light["white"] = _list(base)


def _wall(rng, family: str | None = None) -> dict:
    family = family or str(rng.choice(WALLS))
    c = [_hsv(rng.random(), rng.choice([rng.uniform(0, 0.25), rng.uniform(0.2, 0.9)]), rng.uniform(0.1, 0.95)) for _ in range(3)]
    return {
        "family": family,
        "half": _list(np.exp(rng.uniform(np.log(4), np.log(18), 2))),
        "height": float(rng.uniform(3.0, 9.0)),
        "a": _list(c[0]),
        "b": _list(c[1]),
        "c": _list(c[2]),
        "level": float(rng.uniform(0.6, 2.0)),
        "scale": float(rng.uniform(0.5, 2.5)),
        "hoarding": float(rng.choice([0, 0, rng.uniform(0.5, 1.0)])),
        "ceiling": _list(_hsv(rng.random(), rng.uniform(0, 0.2), rng.uniform(0.3, 0.9))),
        "gain": float(rng.uniform(0.3, 1.3)),
    }


def _develop(rng) -> dict:
    return {
        "key": float(np.exp(rng.uniform(np.log(0.13), np.log(0.42)))),
        "contrast": float(rng.choice([0, rng.uniform(0, 0.7)])),
        "saturation": float(rng.uniform(0.7, 1.25)),
        "shoulder": float(rng.uniform(0.2, 1.0)),
        "balance": _list(rng.normal(1, 0.05, 3)),
        "balance_strength": float(rng.uniform(0.6, 1.05)),
        "vignette": float(rng.uniform(0, 0.5)),
    }


def _cloth(rng) -> dict:
    a = _cloth_colour(rng)
    return {
        "a": _list(a),
        "b": _list(_cloth_colour(rng)),
        "pattern": int(rng.choice([0, 0, 0, 0, 0, 0, 0, 1, 2, 4])),
        "scale": float(np.exp(rng.uniform(np.log(0.01), np.log(0.12)))),
        "rough": float(rng.uniform(0.35, 0.9)),
        "specular": float(rng.choice([0.1, 0.3, rng.uniform(0.5, 1.5)])),  # satin at the upper end
        "bump": float(rng.uniform(0.1, 0.9)),
        "weave": float(rng.uniform(0.0, 0.3)),
    }


def sample(rng: np.random.Generator, **fixed) -> Appearance:
    """A random appearance. `fixed` names families: lower, footwear, upper, carpet, light, wall."""
    a = Appearance(seed=float(rng.uniform(0, 50)))
    lower = fixed.get("lower") or str(rng.choice(LOWER, p=[0.3, 0.22, 0.2, 0.28]))
    a.lower = {
        "family": lower,
        "hem": float(rng.uniform(0.35, 0.95) if lower == "shorts" else rng.uniform(0.72, 1.0)),
        "offset_m": float(rng.uniform(0.006, 0.02) if lower == "shorts" else rng.uniform(0.008, 0.034)),
        "flare": float(rng.uniform(0.0, 1.0)),
        "sag_m": float(rng.uniform(0.0, 0.03)),
        "fold": float(rng.uniform(0.08, 0.35)),
        "fold_seed": float(rng.uniform(0, 50)),
    }
    footwear = fixed.get("footwear") or str(rng.choice(FOOTWEAR, p=[0.45, 0.2, 0.35]))
    a.footwear = {
        "family": footwear,
        "sock_top": float(rng.uniform(0.05, 0.5)),
        "upper_m": float(rng.uniform(0.0025, 0.005)),
        "sole_m": float(rng.uniform(0.004, 0.012)),
        "collar": float(rng.uniform(-0.02, 0.08)),
        "with_sock": bool(rng.random() < 0.6),
    }
    a.upper = {"family": fixed.get("upper") or str(rng.choice(UPPER, p=[0.06, 0.24, 0.35, 0.35])), "offset_m": float(rng.uniform(0.006, 0.022)), "skirt": float(rng.uniform(0.0, 0.35))}
    a.hair = {"offset_m": float(rng.uniform(0.004, 0.02))}
    a.light = _light_places(rng, fixed.get("light"))
    for _ in range(rng.choice([0, 0, 1, 2, 4])):
        size = np.exp(rng.uniform(np.log([0.04, 0.04, 0.002]), np.log([0.7, 0.7, 0.6])))
        distance, azimuth = rng.uniform(0.75, 4.0), rng.uniform(0, 2 * np.pi)
        a.clutter.append({"centre": [float(distance * np.cos(azimuth)), float(distance * np.sin(azimuth))], "size": _list(size), "turn": float(rng.uniform(0, np.pi))})
    for _ in range(rng.choice([0, 0, 0, 1, 2])):
        distance, azimuth = rng.uniform(1.3, 4.5), rng.uniform(0, 2 * np.pi)
        a.neighbours.append({"centre": [float(distance * np.cos(azimuth)), float(distance * np.sin(azimuth))], "turn": float(rng.uniform(0, 2 * np.pi))})
    recolour(a, rng, **fixed)
    return a


def recolour(a: Appearance, rng: np.random.Generator, **fixed) -> Appearance:
    """Draws colours, patterns, strengths and the development anew; the geometry stays. Changes and returns `a`."""
    a.seed = float(rng.uniform(0, 50))
    a.skin = _skin(rng)
    a.lower["cloth"], a.upper["cloth"], a.footwear["sock"] = _cloth(rng), _cloth(rng), _cloth(rng)
    a.footwear["shoe"] = {"a": _list(_cloth_colour(rng)), "b": _list(_hsv(rng.random(), rng.choice([0.0, 0.5]), rng.uniform(0.1, 0.95))), "specular": float(rng.uniform(0.1, 1.2)), "rough": float(rng.uniform(0.3, 0.8))}
    a.hair["base"] = _list(_srgb(np.array([30, 24, 20]) / 255) * rng.choice([0.6, 1.0, 2.0, 6.0]))
    a.carpet = _carpet(rng, fixed.get("carpet"))
    _light_strength(rng, a.light)
    a.wall = _wall(rng, fixed.get("wall"))
    a.develop = _develop(rng)
    for c in a.clutter:
        c["colour"] = _list(_hsv(rng.random(), rng.uniform(0, 0.9), rng.uniform(0.1, 0.9)))
    for c in a.neighbours:
        c["skin"], c["cloth"] = _skin(rng)["base"], _list(_cloth_colour(rng))
    return a


# ---- numbers for the shaders -------------------------------------------------------------------------------------------


def look_of(a: Appearance, camera, pixels_bright: float = 1.0) -> Look:
    """Uniform blocks of an appearance, seen by a camera (which must stand inside the hall)."""
    m = np.zeros((20, 16))

    def cloth(i, c, wrap=0.25):
        m[i] = [*c["a"], 1, c["rough"], c["specular"], wrap, c["bump"], *c["b"], c["pattern"], c["scale"], c["weave"], 0, a.seed + i]

    s = a.skin
    m[SKIN] = [*s["base"], 0, s["rough"], s["specular"], 0.28, s["bump"], *s["accent"], s["ink"], 0.1, s["mottle"], s["hair"], a.seed]
    cloth(LOWER_CLOTH, a.lower["cloth"])
    cloth(UPPER_CLOTH, a.upper["cloth"])
    cloth(SOCK, {**a.footwear["sock"], "pattern": 0, "bump": 0.2})
    k = a.footwear["shoe"]
    m[SHOE] = [*k["a"], 2, k["rough"], k["specular"], 0.05, 0, *k["b"], 0, 0.1, 0, 0, a.seed]
    m[HAIR] = [*a.hair["base"], 3, 0.5, 0.5, 0.1, 0, 0, 0, 0, 0, 0.1, 0, 0, a.seed]
    m[EYE] = [0.03, 0.02, 0.02, 4, 0.2, 1.0, 0, 0, 0, 0, 0, 0, 0.1, 0, 0, a.seed]
    m[TRIM] = [*a.upper["cloth"]["b"], 1, 0.6, 0.3, 0.2, 0.2, *a.upper["cloth"]["b"], 0, 0.1, 0.1, 0, a.seed]
    for i, c in enumerate(a.clutter[:6]):
        m[CLUTTER + i] = [*c["colour"], 4, 0.5, 0.5, 0, 0, 0, 0, 0, 0, 0.1, 0, 0, a.seed + i]
    for i, c in enumerate(a.neighbours[:3]):
        m[NEIGHBOUR + 2 * i] = [*c["skin"], 0, 0.5, 0.5, 0.28, 0, 1, 1, 1, 0, 0.1, 0.2, 0, a.seed]
        m[NEIGHBOUR + 2 * i + 1] = [*c["cloth"], 1, 0.7, 0.3, 0.2, 0.4, 0, 0, 0, 0, 0.1, 0.1, 0, a.seed]
    c = a.carpet
    f = np.zeros((14, 4))
    f[0] = [*c["a"], {"plain": 0, "heather": 1, "mottled": 2, "stripes": 3, "tiles": 4, "shapes": 5, "planks": 6, "mats": 7}[c["family"]]]
    f[1] = [*c["b"], c["scale"]]
    f[2] = [*c["line_colour"], c["line_half_m"]]
    f[3] = [np.cos(c["turn"]), np.sin(c["turn"]), c["heather"], c["contrast"]]
    f[4] = [c["bump"], c["tufts"], c["wear"], c["dirt"]]
    f[5] = [c["gloss"], c["rough"], 0, c["pile_m"]]
    for i, line in enumerate(c["lines"][:4]):
        f[6 + i] = line
    f[10] = c["bounds"]
    f[11, :3] = c["outside"]
    if c["rectangle"]:
        f[12] = c["rectangle"]
    f[13, :2] = c["offset"]
    w = a.wall
    half = np.maximum(np.array(w["half"]), np.abs(camera.centre_m[:2]) + 1.0)
    height = max(w["height"], camera.centre_m[2] + 0.7)
    wall = np.zeros((6, 4))
    wall[0] = [*half, height, WALLS.index(w["family"])]
    wall[1] = [*w["a"], w["hoarding"]]
    wall[2] = [*w["b"], w["level"]]
    wall[3] = [*w["c"], w["scale"]]
    wall[4] = [*w["ceiling"], w["gain"]]
    wall[5, :3] = np.array(a.light["white"]) * 1.5
    light = np.array(a.light["colour"])
    top, horizon = np.array(a.light["sky_top"]), np.array(a.light["sky_horizon"])
    position = np.array(a.light["position"])
    cosine = position[:, 2] / np.linalg.norm(position, axis=1)
    floor_light = (light * cosine[:, None]).sum(0) + 0.7 * top + 0.3 * horizon
    d = a.develop
    albedo = 0.45 * (f[0, :3] + f[1, :3]) / 2 + 0.3 * m[SKIN, :3] + 0.25 * m[LOWER_CLOTH, :3]
    white = np.array(a.light["white"]) ** d["balance_strength"]
    balance = np.array(d["balance"]) / white
    balance /= balance.mean()
    exposure = d["key"] / max(float((floor_light * albedo * balance).mean()), 1e-3)
    exposure = min(exposure, 2.2 / float((floor_light * balance).mean()) / max(float(f[0, :3].max()), 0.25))
    exposure = d.get("exposure", exposure)
    develop = np.array([exposure, d["contrast"], d["saturation"], d["shoulder"], *balance, d["vignette"]])
    return Look(light, top, horizon, f, wall, m, develop, a.seed, c["pile_m"])


# ---- meshes ------------------------------------------------------------------------------------------------------------

_CACHE: dict = {}


def _topology(posed: Posed) -> dict:
    """What depends on the topology alone: coarse faces for shadows, region masks."""
    key = (len(posed.vertices), len(posed.faces), int(posed.faces[:: max(1, len(posed.faces) // 97)].sum()))
    if key in _CACHE:
        return _CACHE[key]
    region, rest, faces = posed.region, posed.rest_vertices, posed.faces
    leg = np.isin(region, [Region.CALF_L, Region.CALF_R, Region.FOOT_L, Region.FOOT_R])
    thigh = np.isin(region, [Region.THIGH_L, Region.THIGH_R])
    out = {"coarse": _clustered(rest, region, faces, np.where(leg, 0.0, np.where(thigh, 0.022, 0.035)))}
    hand = np.isin(region, [Region.HAND, Region.FOREARM])
    cell = np.where(leg | thigh, 0.0, np.where(hand, 0.009, np.where(region == Region.TORSO, 0.02, 0.014)))
    out["crop"] = _compact(_clustered(rest, region, faces, cell), len(rest))
    if len(rest) > 9000:  # the full body, not one that is reduced already
        cell = np.where(leg | thigh, 0.006, np.where(region == Region.TORSO, 0.014, 0.008))
        out["distant"] = _compact(_clustered(rest, region, faces, cell), len(rest))
    for s in "LR":
        foot = region == Region[f"FOOT_{s}"]
        calf, upper = region == Region[f"CALF_{s}"], region == Region[f"THIGH_{s}"]
        out[f"leg_faces_{s}"] = faces[(foot | calf | upper)[faces].any(1)]
        index = np.flatnonzero(foot)
        if len(index) < 20:
            continue
        y, z = rest[index, 1], rest[index, 2] - rest[index, 2].min()
        along = (y - y.min()) / np.ptp(y)  # 0 at the toes, 1 at the heel
        out[f"toes_{s}"] = _hull(rest, index[along < 0.36])
        out[f"last_{s}"] = [_hull(rest, index[(along < 0.62) & (z < 0.09)]), _hull(rest, index[(along > 0.45) & (z < 0.062)])]
    if len(_CACHE) > 8:
        _CACHE.clear()
    _CACHE[key] = out
    return out


def _hull(rest: np.ndarray, index: np.ndarray) -> np.ndarray:
    """Faces (F, 3) of the convex hull of some body vertices, turned outwards: the rounded front of a sock or a shoe."""
    from scipy.spatial import ConvexHull

    p = rest[index].astype(float)
    faces = ConvexHull(p).simplices
    a, b, c = (p[faces[:, k]] for k in range(3))
    inwards = (np.cross(b - a, c - a) * (a - p.mean(0))).sum(1) < 0
    faces[inwards] = faces[inwards][:, ::-1]
    return index[faces].astype(np.int32)


def _clustered(rest: np.ndarray, region: np.ndarray, faces: np.ndarray, cell: np.ndarray) -> np.ndarray:
    """Faces left when the vertices of each grid cell (edge `cell` m; 0: keep) of a region fall together."""
    keep = cell <= 0
    cells = np.concatenate([np.floor(rest / np.where(keep, 1.0, cell)[:, None]).astype(np.int64), region[:, None].astype(np.int64)], 1)
    cells[keep] = -(np.flatnonzero(keep)[:, None] + 10**6)
    _, first, inverse = np.unique(cells, axis=0, return_index=True, return_inverse=True)
    coarse = first[inverse.ravel()].astype(np.int32)[faces]
    coarse = coarse[(coarse[:, 0] != coarse[:, 1]) & (coarse[:, 1] != coarse[:, 2]) & (coarse[:, 2] != coarse[:, 0])]
    _, once = np.unique(np.sort(coarse, 1), axis=0, return_index=True)
    return np.ascontiguousarray(coarse[np.sort(once)])


def reduced(posed: Posed, part: str = "crop") -> Posed:
    """The same body with fewer faces, several times faster to draw.

    'crop': coarse head, trunk and arms, where only the lower leg is looked at; 'distant': nothing finer than 6-14 mm, for
    whole-body pictures in which that is about a pixel.
    """
    used, faces = _topology(posed)[part]
    return replace(posed, vertices=posed.vertices[used], faces=faces, region=posed.region[used], rest_vertices=posed.rest_vertices[used])


def _side(posed: Posed, side: str) -> dict:
    """Joints and regions of one leg; along = 0 at the knee, 1 at the ankle."""
    s = side[0].upper()
    j = posed.truth.joints33
    return {
        "calf": Region[f"CALF_{s}"],
        "foot": Region[f"FOOT_{s}"],
        "thigh": Region[f"THIGH_{s}"],
        "hip_joint": np.asarray(posed.joints.get(f"upperleg01.{s}", j[f"{side}_hip"]), float),
        "knee_joint": np.asarray(posed.joints.get(f"lowerleg01.{s}", j[f"{side}_knee"]), float),
        "ankle_joint": np.asarray(posed.joints.get(f"foot.{s}", j[f"{side}_ankle"]), float),
    }


def _up(posed: Posed) -> np.ndarray:
    """Direction (3,) from the hips up the trunk."""
    j = posed.joints
    hips = 0.5 * (_side(posed, "left")["hip_joint"] + _side(posed, "right")["hip_joint"])
    top = j.get("spine03")
    up = np.asarray(top, float) - hips if top is not None else posed.vertices[posed.region == Region.TORSO].mean(0) - hips
    return up / max(np.linalg.norm(up), 1e-6)


def _along(p: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    d = b - a
    return ((p - a) @ d / (d @ d)).astype(np.float32)


def _waves(rest: np.ndarray, seed: float) -> np.ndarray:
    """Smooth pseudo-random field in [-1, 1] on the rest body, drawn out across the limb like folds of cloth."""
    r = np.random.default_rng(int(seed * 1e4))
    out = np.zeros(len(rest), np.float32)
    for _ in range(6):
        k = (r.normal(0, 1, 3) * np.array([22, 22, 45])).astype(np.float32)
        out += np.sin(rest @ k + np.float32(r.uniform(0, 6.28)))
    return (out / 3.2).clip(-1, 1).astype(np.float32)


@dataclass
class _Shell:
    position: np.ndarray
    rest: np.ndarray
    faces: np.ndarray
    source: np.ndarray  # body vertices
    tag: np.ndarray


def _compact(faces: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Vertices that faces use, and the faces renumbered to them."""
    mask = np.zeros(count, bool)
    mask[faces.ravel()] = True
    number = np.cumsum(mask, dtype=np.int32) - 1
    return np.flatnonzero(mask), number[faces]


def _shell(posed: Posed, covered: np.ndarray, position: np.ndarray, material: int, part: np.ndarray, snap=None, faces: np.ndarray | None = None) -> _Shell:
    """Faces of the body that touch `covered`, at new places; `snap` moves the vertices beyond the hem back on to it."""
    among = posed.faces if faces is None else faces
    used, faces = _compact(among[covered[among].any(1)], len(position))
    p = position[used].copy()
    if snap is not None:
        p = snap(used, p)
    tag = np.zeros((len(used), 4), np.uint8)
    tag[:, 0], tag[:, 1] = material, part[used]
    return _Shell(p.astype(np.float32), posed.rest_vertices[used], faces, used, tag)


def _part_codes(posed: Posed) -> np.ndarray:
    s = posed.kneeling_leg[0].upper()
    part = np.full(len(posed.vertices), PART_BODY, np.uint8)
    part[np.isin(posed.region, [Region[f"CALF_{s}"], Region[f"FOOT_{s}"]])] = PART_LOWER_LEG
    part[posed.region == Region[f"THIGH_{s}"]] = PART_THIGH
    return part


def dress(posed: Posed, a: Appearance) -> tuple[Mesh, dict]:
    """Mesh of the dressed athlete, and what the clothes do at each station: cloth_gap_mm (NaN where there is none)."""
    body, rest, region, faces = posed.vertices, posed.rest_vertices, posed.region, posed.faces
    topology = _topology(posed)
    normal = vertex_normals(body, faces)
    part = _part_codes(posed)
    tag = np.zeros((len(body), 4), np.uint8)
    tag[:, 1] = part
    tag[region == Region.EYES, 0] = EYE
    fade = np.zeros(len(body), np.float32)
    hidden = np.zeros(len(body), bool)      # drawn by a shell instead
    caster_hidden = np.zeros(len(body), bool)
    shells: list[tuple[_Shell, bool]] = []
    legs = {side: _side(posed, side) for side in ("left", "right")}
    along = {}
    for side, leg in legs.items():
        t = np.full(len(body), -9.0, np.float32)
        lower = np.isin(region, [leg["calf"], leg["foot"]])
        t[lower] = _along(body[lower], leg["knee_joint"], leg["ankle_joint"])
        t[region == leg["foot"]] = np.maximum(t[region == leg["foot"]], 1.0)
        thigh = region == leg["thigh"]
        t[thigh] = _along(body[thigh], leg["hip_joint"], leg["knee_joint"]) - 1.0   # -1 at the hip, 0 at the knee
        along[side] = t
        fade += np.exp(-((t / 0.09) ** 2)) * 0.7
        foot = region == leg["foot"]
        if foot.any():
            low = rest[foot, 2].min()
            fade[foot] = np.maximum(fade[foot], np.clip(1 - (rest[foot, 2] - low) / 0.03, 0, 1) * 0.9)
    tag[:, 3] = (fade.clip(0, 1) * 255).astype(np.uint8)
    cloth = {}

    def hem_snap(t, hem, axis):
        def move(used, p):
            beyond = (t[used] > hem) & (t[used] > -5)
            p[beyond] -= (t[used][beyond] - hem)[:, None] * axis
            return p
        return move

    family = a.lower["family"]
    if family != "bare":
        hem = a.lower["hem"] - 1.0 if family == "shorts" else a.lower["hem"]
        hips = 0.5 * (rest[region == Region.THIGH_L].max(0)[2] + rest[region == Region.THIGH_R].max(0)[2])
        waist = hips + 0.06
        torso_low = (region == Region.TORSO) & (rest[:, 2] < waist)
        wave = _waves(rest, a.lower["fold_seed"])
        for side, leg in legs.items():
            t = along[side]
            cover = (t > -5) & (t <= hem)
            axis_lower = leg["ankle_joint"] - leg["knee_joint"]
            axis_upper = leg["knee_joint"] - leg["hip_joint"]
            if family == "tights":
                position = body + normal * 0.0012
                loose = False
            else:
                wide = a.lower["offset_m"] * (0.5 + a.lower["flare"] * np.clip(t + 1.0, 0, 2) * 0.75) * (1 + a.lower["fold"] * wave)
                wide = np.where(t < -0.8, np.minimum(wide, 0.01), wide)
                position = body + normal * wide[:, None]
                sag = a.lower["sag_m"] * np.clip(0.4 - normal[:, 2], 0, 1) * np.clip((t + 0.9) * 1.5, 0, 1)
                position[:, 2] -= sag
                loose = True
            position[:, 2] = np.maximum(position[:, 2], np.where(body[:, 2] > 0, 0.0008, np.minimum(body[:, 2], 0.0)) if not loose else 0.0012 + 0.002 * (0.5 + 0.5 * wave))
            shell = _shell(posed, cover, position, LOWER_CLOTH, part, hem_snap(t, hem, axis_upper if family == "shorts" else axis_lower), topology[f"leg_faces_{side[0].upper()}"])
            shells.append((shell, loose))
            inside = cover & (t < hem - (0.08 if loose else 0.02))
            hidden |= inside
            if loose:
                caster_hidden |= inside
            if side == posed.kneeling_leg and family in ("tights", "trousers"):
                cloth = {"shell": shell, "along": t}
        if torso_low.any():
            up = _up(posed)

            def waist_snap(used, p, waist=waist, up=up):
                over = np.maximum(rest[used, 2] - waist, 0) * (region[used] == Region.TORSO)
                return p - over[:, None] * up

            shells.append((_shell(posed, torso_low, body + normal * 0.006, LOWER_CLOTH, part, waist_snap), False))

    footwear = a.footwear["family"]
    if footwear != "bare":
        for side, leg in legs.items():
            t = along[side]
            foot = region == leg["foot"]
            axis = leg["ankle_joint"] - leg["knee_joint"]
            if footwear == "socks" or a.footwear["with_sock"]:
                top = 1.0 - a.footwear["sock_top"]
                cover = foot | (t >= top)
                position = body + normal * 0.0016
                position[:, 2] = np.where(body[:, 2] > 0, np.maximum(position[:, 2], 0.0006), body[:, 2])

                def snap(used, p, t=t, top=top, axis=axis):
                    short = (t[used] < top) & (t[used] > -5)
                    p[short] += (top - t[used][short])[:, None] * axis
                    return p

                shells.append((_shell(posed, cover, position, SOCK, part, snap, topology[f"leg_faces_{side[0].upper()}"]), False))
                if f"toes_{side[0].upper()}" in topology:
                    round_toes = body + normal * 0.0022
                    round_toes[:, 2] = np.where(body[:, 2] > 0, np.maximum(round_toes[:, 2], 0.0006), body[:, 2])
                    shells.append((_shell(posed, foot, round_toes, SOCK, part, None, topology[f"toes_{side[0].upper()}"]), False))
                hidden |= cover & (t > top + 0.03)
            if footwear == "shoes" and foot.any():
                rest_foot, posed_foot = rest[foot], body[foot]
                u, _, vt = np.linalg.svd((rest_foot - rest_foot.mean(0)).T @ (posed_foot - posed_foot.mean(0)))
                turn = (u @ np.diag([1, 1, np.sign(np.linalg.det(u @ vt))]) @ vt).T
                low = rest_foot[:, 2].min()
                height = rest[:, 2] - low
                cover = foot & (height < 0.085 + a.footwear["collar"])
                sole = np.clip(1 - height / 0.02, 0, 1)
                down = (turn @ [0, 0, 1])[None] * (a.footwear["sole_m"] * sole)[:, None]
                tone = (np.clip(height / 0.1, 0, 1) * 255).astype(np.uint8)
                letter = side[0].upper()
                pieces = [_shell(posed, cover, body + normal * a.footwear["upper_m"] - down, SHOE, part, None, topology[f"leg_faces_{letter}"])]
                for hull in topology[f"last_{letter}"]:
                    pieces.append(_shell(posed, foot, body + normal * (a.footwear["upper_m"] + 0.0012) - down * 1.02, SHOE, part, None, hull))
                for shell in pieces:
                    shell.tag[:, 3] = tone[shell.source]
                    shells.append((shell, True))
                hidden |= cover & (height < 0.06)

    upper = a.upper["family"]
    if upper != "skin":
        regions = [Region.TORSO] + ([Region.UPPER_ARM] if upper in ("shirt", "jacket") else []) + ([Region.FOREARM] if upper == "jacket" else [])
        hips = 0.5 * (rest[region == Region.THIGH_L].max(0)[2] + rest[region == Region.THIGH_R].max(0)[2])
        hem_z = hips + 0.03 - 0.12 * a.upper["skirt"]
        cover = np.isin(region, regions) & (rest[:, 2] > hem_z)
        wave = _waves(rest, a.lower["fold_seed"] + 3)
        position = body + normal * (0.007 + a.upper["offset_m"] * (0.7 + 0.3 * wave) * (0.4 if upper == "vest" else 1.0))[:, None]
        up = _up(posed)

        def hem_upper(used, p):
            short = np.maximum(hem_z - rest[used, 2], 0) * np.isin(region[used], [Region.TORSO, Region.THIGH_L, Region.THIGH_R])
            return p + short[:, None] * up

        shells.append((_shell(posed, cover, position, UPPER_CLOTH, part, hem_upper), False))
        hidden |= cover & (upper != "vest")
    hair = region == Region.HAIR_CAP
    if hair.any():
        shells.append((_shell(posed, hair, body + normal * a.hair["offset_m"], HAIR, part), False))

    cloth_gap = {s: float("nan") for s in STATIONS}
    if cloth:
        shell, t = cloth["shell"], cloth["along"]
        ts = t[shell.source]
        for name, where in zip(STATIONS, (0.0, 0.25, 0.5, 0.75, 1.0, 9.0)):
            near = np.abs(ts - where) < 0.06
            if near.any() and where <= a.lower["hem"]:
                cloth_gap[name] = float(shell.position[near, 2].min() * 1000)

    meshes = []
    keep = ~hidden[faces].all(1)
    coarse = topology["coarse"]
    meshes.append(Mesh(body.astype(np.float32), normal, rest.astype(np.float32), tag, faces[keep], coarse[~caster_hidden[coarse].all(1)], int(keep.sum())))
    for shell, casts in shells:
        n = vertex_normals(shell.position, shell.faces)
        meshes.append(Mesh(shell.position, n, shell.rest, shell.tag, shell.faces, shell.faces if casts else np.zeros((0, 3), np.int32)))
    return Mesh.join(meshes), {"cloth_gap_mm": cloth_gap}


def _box(centre, size, turn, material) -> Mesh:
    x, y, z = np.asarray(size) / 2
    corners = np.array([[sx * x, sy * y, (sz + 1) * z] for sx in (-1, 1) for sy in (-1, 1) for sz in (-1, 1)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    c, s = np.cos(turn), np.sin(turn)
    corners = corners @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]]) + np.array([*centre, 0.0])
    p = corners[np.array(quads).ravel()].astype(np.float32)
    f = np.array([[4 * i, 4 * i + 1, 4 * i + 2, 4 * i, 4 * i + 2, 4 * i + 3] for i in range(6)], np.int32).reshape(-1, 3)
    n = vertex_normals(p, f)
    tag = np.zeros((24, 4), np.uint8)
    tag[:, 0], tag[:, 1] = material, PART_OTHER
    return Mesh(p, n, p.copy(), tag, f, f)


def surroundings(posed: Posed, a: Appearance, others: list[Posed]) -> list[Mesh]:
    """Clutter, and neighbours made of other posed bodies (coarse), placed about the athlete."""
    meshes = []
    centre = posed.vertices.mean(0)[:2]
    reach = np.linalg.norm(posed.vertices[:, :2] - centre, axis=1).max()
    for i, c in enumerate(a.clutter[:6]):
        at = np.array(c["centre"])
        size = np.array(c["size"])
        d = np.linalg.norm(at)
        at = at / max(d, 1e-6) * max(d, reach + 0.1 + np.hypot(*size[:2]) / 2)
        meshes.append(_box(centre + at, size, c["turn"], CLUTTER + i))
    for i, c in enumerate(a.neighbours[: min(3, len(others))]):
        other = others[i]
        coarse = _topology(other)["coarse"]
        used, faces = _compact(coarse, len(other.vertices))
        p = other.vertices[used] - np.array([*other.vertices.mean(0)[:2], 0], np.float32)
        k, s = np.cos(c["turn"]), np.sin(c["turn"])
        p = p @ np.array([[k, s, 0], [-s, k, 0], [0, 0, 1.0]], np.float32)
        size = np.linalg.norm(p[:, :2], axis=1).max()
        at = np.array(c["centre"])
        d = np.linalg.norm(at)
        at = at / max(d, 1e-6) * max(d, reach + size + 0.05)
        p = (p + np.array([*(centre + at), 0])).astype(np.float32)
        tag = np.zeros((len(used), 4), np.uint8)
        bare = np.isin(other.region[used], [Region.HEAD, Region.HAND, Region.FOREARM, Region.FOOT_L, Region.FOOT_R, Region.CALF_L, Region.CALF_R, Region.SKIN_OTHER])
        tag[:, 0] = np.where(bare, NEIGHBOUR + 2 * i, NEIGHBOUR + 2 * i + 1)
        tag[:, 1] = PART_OTHER
        meshes.append(Mesh(p, vertex_normals(p, faces), other.rest_vertices[used].astype(np.float32), tag, faces, faces))
    return meshes


def focus_of(posed: Posed) -> tuple[np.ndarray, np.ndarray]:
    """Middle of the kneeling lower leg dropped on to the carpet, and middle of the body, (3,) metres each."""
    p = posed.truth.points
    focus = np.array([*(0.45 * np.asarray(p["knee_joint"]) + 0.55 * np.asarray(p["ankle_joint"]))[:2], 0.0])
    low, high = posed.vertices.min(0), posed.vertices.max(0)
    return focus, (low + high) / 2


def place_lights(a: Appearance, focus: np.ndarray) -> np.ndarray:
    """Light places (3, 3) m in the carpet frame: sampled about the leg."""
    return a.light_position + np.array([focus[0], focus[1], 0.0])


def build(posed: Posed, a: Appearance, camera, others: list[Posed] | None = None) -> tuple[Mesh, Look, np.ndarray, np.ndarray]:
    """Mesh, look, focus and body centre of a whole scene."""
    mesh, _ = dress(posed, a)
    mesh = Mesh.join([mesh, *surroundings(posed, a, others or [])])
    focus, centre = focus_of(posed)
    return mesh, look_of(a, camera), focus, centre
