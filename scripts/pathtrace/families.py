"""What the path-traced scenes look like: families of carpets, lights and walls that the rasteriser never drew, sampled as plain numbers.

Needs NumPy alone, so that both environments (scene generator and path tracer) read it. Colours are linear rgb. Strengths and
sizes are by eye (no source) unless a source is named.
"""

from __future__ import annotations

import numpy as np

#: `pile` stands on real fibres (blades), the others are bumped surfaces.
CARPETS = ("loops", "flecks", "chevron", "ornament", "sisal", "felt", "pile")
LIGHTS = ("window_sun", "tubes", "lamps", "softboxes", "environment", "skylit")
WALLS = ("brick", "slats", "curtain", "plaster", "open")
#: Families kept out of pictures made for training (`sample(rng, "train")`).
HELD_OUT = {"carpet": ("chevron", "sisal"), "light": ("softboxes",), "wall": ("slats",)}
LOWER = ("bare", "shorts", "tights", "trousers")
FOOTWEAR = ("bare", "socks", "shoes")
UPPER = ("vest", "shirt", "jacket")


def linear(srgb) -> np.ndarray:
    """sRGB in [0, 1] to linear light (IEC 61966-2-1)."""
    c = np.asarray(srgb, float)
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def hsv(h: float, s: float, v: float) -> list[float]:
    """Hue, saturation, value in [0, 1] to linear rgb."""
    import colorsys

    return linear(colorsys.hsv_to_rgb(h % 1, s, v)).tolist()


def kelvin(t: float) -> np.ndarray:
    """Colour of a lamp of temperature t (K), linear rgb, green = 1: a straight line through daylight, by eye, no source."""
    x = (t - 6500) / 6500
    return np.array([1 - 0.8 * x, 1.0, 1 + 1.0 * x]).clip(0.12, 2.5)


def _skin(rng) -> dict:
    ladder = np.array([[236, 198, 176], [222, 178, 148], [198, 146, 112], [160, 108, 78], [112, 72, 52], [70, 46, 36]]) / 255
    x = rng.random() * (len(ladder) - 1)
    i = min(int(x), len(ladder) - 2)
    base = linear(ladder[i] * (1 - x + i) + ladder[i + 1] * (x - i)) * rng.normal(1, 0.05, 3)
    return {"base": base.clip(0.02, 0.8).tolist(), "mottle": float(rng.uniform(0.1, 0.5)), "rough": float(rng.uniform(0.35, 0.65)),
            "scatter": float(rng.choice([0.0, rng.uniform(0.4, 1.0)], p=[0.2, 0.8])), "scatter_m": float(rng.uniform(0.002, 0.008)), "bump": float(rng.uniform(0.05, 0.35))}


def _cloth(rng) -> dict:
    u = rng.random()
    if u < 0.3:
        a = hsv(rng.random(), rng.uniform(0, 0.12), rng.uniform(0.6, 0.92))
    elif u < 0.6:
        a = hsv(rng.random(), rng.uniform(0, 0.5), rng.uniform(0.06, 0.3))
    else:
        a = hsv(rng.random(), rng.uniform(0.3, 0.9), rng.uniform(0.25, 0.85))
    return {"a": a, "b": (np.array(a) * rng.uniform(0.55, 0.95)).tolist(), "weave": float(rng.uniform(0.1, 0.9)), "weave_m": float(rng.uniform(0.0008, 0.003)),
            "turn": float(rng.uniform(0, np.pi)), "sheen": float(rng.choice([0, rng.uniform(0.1, 0.8)])), "rough": float(rng.uniform(0.45, 0.95)), "dirt": float(rng.choice([0, rng.uniform(0.05, 0.25)]))}


def _carpet(rng) -> dict:
    family = str(rng.choice(CARPETS, p=[0.15, 0.15, 0.12, 0.13, 0.13, 0.12, 0.2]))
    hue = rng.choice([rng.random(), 0.0, 0.6, 0.38])
    a = np.array(hsv(hue, rng.choice([rng.uniform(0, 0.25), rng.uniform(0.35, 0.85)]), rng.uniform(0.2, 0.8)))
    b = a * rng.uniform(0.4, 0.8) if rng.random() < 0.6 else np.array(hsv(hue + rng.normal(0, 0.25), rng.uniform(0, 0.8), rng.uniform(0.15, 0.85)))
    c = hsv(rng.random(), rng.uniform(0, 0.8), rng.uniform(0.2, 0.9))
    if family == "sisal":
        a = np.array(hsv(rng.uniform(0.07, 0.13), rng.uniform(0.2, 0.5), rng.uniform(0.45, 0.8)))
        b = a * rng.uniform(0.5, 0.75)
    scale = {"loops": (0.004, 0.009), "flecks": (0.004, 0.015), "chevron": (0.06, 0.4), "ornament": (0.4, 1.6), "sisal": (0.004, 0.012), "felt": (0.15, 0.6), "pile": (0.15, 0.8)}[family]
    half = [40.0, 40.0] if rng.random() < 0.5 else rng.uniform(1.3, 5.0, 2).tolist()
    return {"family": family, "a": a.tolist(), "b": b.tolist(), "c": c, "scale_m": float(np.exp(rng.uniform(*np.log(scale)))), "turn": float(rng.uniform(0, 2 * np.pi)),
            "bump": float(rng.uniform(0.25, 1.0)), "stains": float(rng.choice([0, rng.uniform(0.1, 0.6)])), "half_m": half, "line": bool(rng.random() < 0.35), "line_at_m": float(rng.normal(0, 0.9)),
            "line_half_m": float(rng.uniform(0.015, 0.035)), "pile_m": float(rng.uniform(0.004, 0.009)), "hall_floor": hsv(rng.uniform(0.05, 0.12), rng.uniform(0.1, 0.6), rng.uniform(0.2, 0.7)),
            "sheen": float(rng.uniform(0, 0.5)), "worn": float(rng.uniform(0.05, 0.6)), "worn_scale": float(np.exp(rng.uniform(np.log(8), np.log(90))))}


def _light(rng) -> dict:
    family = str(rng.choice(LIGHTS, p=[0.22, 0.18, 0.17, 0.13, 0.18, 0.12]))
    azimuth = float(rng.uniform(0, 2 * np.pi))
    out = {"family": family, "azimuth": azimuth, "white": kelvin(float(np.exp(rng.uniform(np.log(2700), np.log(7500))))).tolist()}
    ambient = {"window_sun": (0.08, 0.5), "tubes": (0.05, 0.5), "lamps": (0.03, 0.3), "softboxes": (0.05, 0.4), "environment": (0, 0), "skylit": (0, 0)}[family]
    out["ambient"] = float(np.exp(rng.uniform(*np.log(np.maximum(ambient, 1e-3)))))
    if family == "window_sun":
        out.update(sun_elevation=float(np.radians(rng.uniform(14, 50))), sun=float(rng.uniform(1.5, 5)), sun_radius=float(rng.uniform(0.004, 0.02)), sky=float(rng.uniform(0.5, 2.0)),
                   sill_m=float(rng.uniform(0.2, 1.0)), window=rng.uniform([0.7, 1.3], [1.6, 2.4]).tolist(), gap_m=float(rng.uniform(0.2, 0.8)), bars=int(rng.integers(0, 3)), off_m=rng.normal(0, 0.35, 2).tolist())
    elif family == "tubes":
        out.update(height=float(rng.uniform(3, 7)), rows=int(rng.integers(2, 4)), columns=int(rng.integers(2, 5)), spacing=float(rng.uniform(1.6, 3.2)), size=[float(rng.uniform(0.1, 0.35)), float(rng.uniform(0.9, 1.6))],
                   shift=rng.normal(0, 1.2, 2).tolist())
    elif family == "lamps":
        n = int(rng.integers(1, 4))
        out["lamps"] = [{"azimuth": float(rng.uniform(0, 2 * np.pi)), "distance": float(rng.uniform(1.0, 4.0)), "height": float(rng.uniform(1.2, 3.4)), "radius": float(rng.uniform(0.03, 0.25)),
                         "share": float(rng.uniform(0.3, 1.0)), "white": kelvin(float(rng.uniform(2400, 4500))).tolist()} for _ in range(n)]
    elif family == "softboxes":
        out["boxes"] = [{"azimuth": azimuth + float(rng.uniform(1.2, 4.5)) * k, "distance": float(rng.uniform(2.0, 4.5)), "height": float(rng.uniform(1.8, 3.8)), "size": rng.uniform(0.5, 1.8, 2).tolist(), "share": [1.0, float(rng.uniform(0.15, 0.9))][k]} for k in range(2)]
    elif family == "environment":
        out.update(map=str(rng.choice(["city", "courtyard", "forest", "interior", "night", "studio", "sunrise", "sunset"])), strength=1.0)
    else:
        out.update(sun_elevation=float(np.radians(rng.uniform(8, 60))), sun=float(rng.choice([0.0, rng.uniform(0.15, 1.0)])), haze=float(rng.uniform(0, 6)))
    return out


def _wall(rng, light: str) -> dict:
    family = str(rng.choice(WALLS[:4])) if light in ("window_sun", "tubes", "lamps", "softboxes") or rng.random() < 0.5 else "open"
    return {"family": family, "half_m": np.exp(rng.uniform(np.log(2.6), np.log(9), 2)).tolist(), "height_m": float(rng.uniform(3.0, 6.5)), "a": hsv(rng.random(), rng.choice([rng.uniform(0, 0.2), rng.uniform(0.2, 0.6)]), rng.uniform(0.25, 0.9)),
            "b": hsv(rng.random(), rng.uniform(0, 0.5), rng.uniform(0.1, 0.7)), "wood": hsv(rng.uniform(0.05, 0.1), rng.uniform(0.3, 0.7), rng.uniform(0.2, 0.7)), "skirting": bool(rng.random() < 0.6)}


def _props(rng) -> list:
    kinds = ("bag", "bottle", "bench", "cone", "ball")
    return [{"kind": str(rng.choice(kinds)), "azimuth": float(rng.uniform(0, 2 * np.pi)), "distance": float(rng.uniform(0.2, 2.5)), "turn": float(rng.uniform(0, np.pi)),
             "colour": hsv(rng.random(), rng.uniform(0, 0.9), rng.uniform(0.1, 0.9))} for _ in range(int(rng.choice([0, 1, 2, 3, 4])))]


def held_out(scene: dict) -> bool:
    """Whether a scene shows a family that training pictures never do."""
    return any(scene[part]["family"] in families for part, families in HELD_OUT.items())


def sample(rng: np.random.Generator, split: str = "test") -> dict:
    """One scene's appearance, JSON-serialisable. For training, scenes of held-out families are drawn again."""
    while True:
        scene = _sample(rng)
        if split != "train" or not held_out(scene):
            return scene


def _sample(rng: np.random.Generator) -> dict:
    light = _light(rng)
    return {
        "skin": _skin(rng), "lower_cloth": _cloth(rng), "upper_cloth": _cloth(rng), "sock": _cloth(rng),
        "shoe": {"a": hsv(rng.random(), rng.choice([0.0, 0.6]), rng.uniform(0.05, 0.9)), "sole": hsv(rng.random(), rng.choice([0.0, 0.3]), rng.uniform(0.1, 0.9)), "rough": float(rng.uniform(0.3, 0.8))},
        "hair": hsv(0.07, 0.5, float(rng.choice([0.05, 0.1, 0.25, 0.5]))),
        "lower": str(rng.choice(LOWER, p=[0.3, 0.15, 0.2, 0.35])), "footwear": str(rng.choice(FOOTWEAR, p=[0.42, 0.23, 0.35])), "upper": str(rng.choice(UPPER)),
        "carpet": _carpet(rng), "light": light, "wall": _wall(rng, light["family"]), "props": _props(rng), "neighbours": int(rng.choice([0, 0, 0, 1, 2])),
    }


def lens(rng: np.random.Generator) -> dict:
    """Aperture's diameter (m; 0: everything sharp) and where the focus lies against the leg (factor on its distance)."""
    return {"aperture_m": float(rng.choice([0.0, rng.uniform(0.001, 0.004), rng.uniform(0.006, 0.02)], p=[0.3, 0.35, 0.35])), "focus": float(np.exp(rng.normal(0, 0.04)))}
