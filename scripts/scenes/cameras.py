"""Cameras about an athlete: phones on a tripod, hand-held phones, zooms from the stands."""

from __future__ import annotations

import numpy as np

from .types import Camera

#: Horizontal field of view (degrees, long side of the frame) of each lens family; common practice, no source.
LENSES = {"phone_main": (58, 72), "phone_tele": (22, 40), "phone_wide": (85, 105), "camcorder": (12, 50), "long_zoom": (4, 14)}
FRAMES = ((1280, 720), (1920, 1080), (1920, 1080), (1920, 1080), (2704, 1520), (3840, 2160))


def look_at(centre: np.ndarray, target: np.ndarray, roll: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Rotation (3, 3) and translation (3,), carpet to camera (x right, y down, z forward); roll in radians."""
    z = np.asarray(target, float) - centre
    z /= np.linalg.norm(z)
    x = np.cross(z, [0.0, 0.0, 1.0])
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    c, s = np.cos(roll), np.sin(roll)
    R = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ np.stack([x, y, z])
    return R, -R @ centre


def place(target, elevation_deg, azimuth_deg, distance_m, focal_px, size, roll_deg=0.0, k1=0.0) -> Camera:
    """Camera at an elevation and azimuth (degrees, from +X) and distance (m) from a target, looking at it."""
    e, a = np.radians(elevation_deg), np.radians(azimuth_deg)
    centre = np.asarray(target, float) + distance_m * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    centre[2] = max(centre[2], 0.04)
    R, t = look_at(centre, np.asarray(target, float), np.radians(roll_deg))
    return Camera(int(size[0]), int(size[1]), float(focal_px), R, t, float(k1))


def sample(rng: np.random.Generator, body_low: np.ndarray, body_high: np.ndarray, leg: np.ndarray, azimuth_deg: float | None = None) -> tuple[Camera, str]:
    """Camera that has the whole athlete in frame, and its lens family.

    azimuth_deg: where it stands, seen from the leg, from X anticlockwise; None: anywhere.

    body_low, body_high: corners of the athlete's box (m); leg: middle of the kneeling lower leg (m). Elevation is that
    of the camera over the leg: half of the draws below 14 degrees, where judges and coaches film, the rest up to 50.
    """
    elevation = rng.uniform(2, 14) if rng.random() < 0.5 else rng.uniform(10, 50)
    azimuth = rng.uniform(0, 360) if azimuth_deg is None else azimuth_deg
    corners = np.array([[x, y, z] for x in (body_low[0], body_high[0]) for y in (body_low[1], body_high[1]) for z in (body_low[2], body_high[2])])
    centre = (body_low + body_high) / 2
    for _ in range(40):
        family = str(rng.choice(list(LENSES), p=[0.45, 0.15, 0.07, 0.2, 0.13]))
        fov = np.radians(rng.uniform(*LENSES[family]))
        w, h = FRAMES[rng.integers(len(FRAMES))]
        focal = w / 2 / np.tan(fov / 2)
        if family.startswith("phone") and rng.random() < 0.4:
            w, h = h, w
        distance = float(np.exp(rng.uniform(np.log(1.5), np.log(15.0))))
        aim = centre + rng.normal(0, 0.06, 3) * distance * 0.3
        e = np.radians(elevation)
        eye = np.asarray(leg, float) + distance * np.array([np.cos(e) * np.cos(np.radians(azimuth)), np.cos(e) * np.sin(np.radians(azimuth)), np.sin(e)])
        eye[2] = max(eye[2], 0.05)
        R, t = look_at(eye, aim, np.radians(rng.normal(0, 1.5)))
        camera = Camera(int(w), int(h), float(focal), R, t, 0.0)
        uv, depth = camera.project(corners)
        if (depth < 0.4).any():
            continue
        inside = (uv > 0).all(1) & (uv[:, 0] < w) & (uv[:, 1] < h)
        height = uv[:, 1].max() - uv[:, 1].min()
        if inside.all() and height > 90:
            return camera, family
    # Frames the body exactly, whatever the lens.
    uv, depth = camera.project(corners)
    focal *= 0.8 * min(w, h) / max(np.ptp(uv[:, 0]), np.ptp(uv[:, 1]), 1.0) if np.isfinite(uv).all() else 0.5
    R, t = look_at(eye, centre, 0.0)
    return Camera(int(w), int(h), float(max(focal, 200.0)), R, t, 0.0), "camcorder"
