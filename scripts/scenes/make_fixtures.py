"""Whole-body clips and stills with their truth, for the program's end-to-end tests: fixtures/clips/.

    python -m scenes.make_fixtures [--only clean,heel] [--frames 4 --out FOLDER]        (from the folder scripts/)

Beside NAME.mp4 (or .jpg, .png): NAME.truth.json (what is true, frame by frame) and NAME.floor.json (the marked rectangle as a
person would have clicked it: 1 px standard deviation, in the upright picture). Clips of one movement share
body and clothes, so their cameras are two or three views of one hold.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from . import appearance as look
from . import cameras, postprocess
from .raster import Mesh, Quality, Renderer, thread_limit
from .types import LANDMARK_NAMES, POINT_NAMES, STATIONS, Camera, Posed

OUT = Path(__file__).resolve().parents[2] / "fixtures" / "clips"
FPS = 30.0
#: Few samples in the light maps keep a clip at minutes on two cores; contact stays exact.
QUALITY = Quality(tight=1024, wide=512, depth=1024, sky=17, light=5, wide_sky=5, wide_light=3, vertex_sky=12, tight_half_m=0.7, wide_half_m=2.3, depth_half_m=1.2)
#: Outer edges of the taped rectangle (x0, y0, x1, y1), m, and half its tape's breadth.
RECTANGLE = (-1.2, -0.9, 1.2, 0.9)
TAPE_HALF_M = 0.025


@dataclass
class View:
    """One camera of a movement: angles in degrees (azimuth off the shank's perpendicular), distance in m."""

    name: str
    elevation: float
    azimuth: float
    distance: float
    focal_px: float
    size: tuple[int, int] = (1280, 720)
    rotate: int = 0  # display rotation that the file carries, degrees clockwise
    still: str = ""  # also write the middle of the hold as this file


@dataclass
class Movement:
    """One movement: kind and request for motion.clip, seeds, clothes, colours, views."""

    name: str
    kind: str
    request: dict
    seed: int
    lower: str
    footwear: str
    carpet_rgb: tuple[float, float, float]
    views: tuple[View, ...]


LOW = dict(elevation=4.0, distance=4.0, focal_px=1080.0)
HIGH = dict(elevation=30.0, distance=9.0, focal_px=2150.0)
MOVEMENTS = (
    Movement("clean", "clean", {"kneeling": "right"}, 11, "shorts", "bare", (0.42, 0.06, 0.07), (View("clean-low", azimuth=8, **LOW, still="clean-low-still.png"), View("clean-high", azimuth=-35, **HIGH))),
    Movement("heel", "heel", {"kneeling": "right"}, 12, "tights", "bare", (0.05, 0.16, 0.38), (
        View("heel30-low", azimuth=-6, **LOW),
        View("heel30-high", azimuth=30, **HIGH),
        View("heel30-portrait", 7.0, 20.0, 4.6, 1050.0, (1080, 1920), 90, still="heel30-portrait-still.jpg"),
    )),
    Movement("calf", "calf", {"kneeling": "right"}, 13, "shorts", "socks", (0.07, 0.25, 0.13), (View("calf60-low", azimuth=4, **LOW), View("calf60-high", azimuth=-25, **HIGH))),
    Movement("left", "clean", {"kneeling": "left"}, 14, "trousers", "shoes", (0.35, 0.3, 0.24), (View("clean-left-low", azimuth=10, **LOW),)),
    Movement("restless", "never_still", {"kneeling": "right"}, 15, "shorts", "bare", (0.3, 0.08, 0.2), (View("never-still-low", azimuth=-10, **LOW),)),
)


def scene_of(m: Movement) -> look.Appearance:
    """A believable hall: ceiling lights, a heathered carpet with a taped rectangle, plain clothes."""
    rng = np.random.default_rng(m.seed)
    a = look.sample(rng, lower=m.lower, footwear=m.footwear, upper="shirt", carpet="heather", light="hall", wall=("dado", "stands", "gradient", "panels", "dado")[m.seed % 5])
    a.light.update(position=[[2.2, -1.6, 5.2], [-3.0, 2.4, 5.6], [0, 0, 6]], radius=[0.45, 0.6, 0.3], on=[True, True, False])
    a.light.update(colour=[[0.55, 0.53, 0.5], [0.3, 0.3, 0.31], [0, 0, 0]], sky_top=[0.32, 0.32, 0.33], sky_horizon=[0.3, 0.3, 0.3], white=[1.03, 1, 0.97])
    c = np.array(m.carpet_rgb)
    a.carpet.update(a=c.tolist(), b=c.tolist(), heather=0.35, wear=0.12, dirt=0.1, tufts=0.25, bump=0.35, gloss=0.0, pile_m=0.001, lines=[], rectangle=list(RECTANGLE), line_colour=[0.72, 0.72, 0.7], line_half_m=TAPE_HALF_M, bounds=[-7, -4, 7, 4], outside=[0.25, 0.2, 0.14])
    a.wall.update(half=[11.0, 9.0], height=6.5, hoarding=0.0, gain=0.7)
    for piece in (a.lower["cloth"], a.upper["cloth"]):
        piece.update(pattern=0, specular=0.25, bump=0.4)
    a.lower["cloth"]["a"] = [0.04, 0.04, 0.05] if m.seed % 2 else [0.5, 0.5, 0.52]
    a.lower.update(offset_m=0.014, fold=0.15, flare=0.3, sag_m=0.01)
    a.skin.update(ink=0.0, mottle=0.2)
    a.develop = {"key": 0.24, "exposure": 1.07, "contrast": 0.3, "saturation": 1.0, "shoulder": 0.7, "balance": [1, 1, 1], "balance_strength": 1.0, "vignette": 0.0}
    a.clutter, a.neighbours = [], []
    return a


def front_azimuth_deg(held: Posed) -> float:
    """Azimuth (degrees, from +X) square to the kneeling leg, on the side where it lies in front of the other foot."""
    p = held.truth.points
    knee, ankle, front = (np.asarray(p[n], float) for n in ("knee_joint", "ankle_joint", "front_ball_sole"))
    d = (ankle - knee)[:2] / np.linalg.norm((ankle - knee)[:2])
    side = np.array([-d[1], d[0]])
    if side @ (front - (knee + ankle) / 2)[:2] > 0:
        side = -side
    return np.degrees(np.arctan2(side[1], side[0]))


def leg_of(held: Posed) -> np.ndarray:
    """The middle of the kneeling lower leg, 5 cm over the carpet."""
    knee, ankle = (np.asarray(held.truth.points[n], float) for n in ("knee_joint", "ankle_joint"))
    return np.array([*((knee + ankle) / 2)[:2], 0.05])


def camera_of(view: View, held: Posed) -> Camera:
    """Camera at the side where the kneeling leg lies in front of the other foot."""
    azimuth = front_azimuth_deg(held) + view.azimuth
    camera = cameras.place(leg_of(held), view.elevation, azimuth, view.distance, view.focal_px, view.size)
    aim = np.array([*held.vertices.mean(0)[:2], 0.62 if view.elevation > 15 else 0.72])
    R, t = cameras.look_at(camera.centre_m, aim, np.radians(0.6))
    return replace(camera, R=R, t=t)


def marks_of(camera: Camera) -> list[dict]:
    """Corners of the tape, outer and inner, with their exact image points; only those inside the picture."""
    x0, y0, x1, y1 = RECTANGLE
    w = 2 * TAPE_HALF_M
    corners = [(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0 + w, y0 + w), (x1 - w, y0 + w), (x1 - w, y1 - w), (x0 + w, y1 - w)]
    uv, depth = camera.project(np.array([(x, y, 0.0) for x, y in corners]))
    return [
        {"carpet_m": [round(x, 4), round(y, 4)], "image": [round(float(u), 3), round(float(v), 3)]}
        for (x, y), (u, v), z in zip(corners, uv, depth)
        if z > 0 and 0 < u < camera.width and 0 < v < camera.height
    ]


def truth_of(view: View, m: Movement, camera: Camera, frames, appearance, cloth_gaps) -> dict:
    """Everything that is true of a clip; image points are of the upright picture."""
    first = frames[0][1].truth
    held = [t for t, p in frames if p.notes.get("phase") == "hold"]
    rows = []
    for (t, p), cloth in zip(frames, cloth_gaps):
        points, _ = camera.project(np.stack([p.truth.points[n] for n in POINT_NAMES]))
        marks33, _ = camera.project(np.stack([p.truth.joints33[n] for n in LANDMARK_NAMES]))
        rows.append({
            "time_s": round(float(t), 5),
            "phase": p.notes.get("phase"),
            "gap_mm": {s: round(float(p.truth.gap_mm[s]), 2) for s in STATIONS},
            "cloth_gap_mm": {s: (None if np.isnan(cloth[s]) else round(cloth[s], 2)) for s in STATIONS},
            "points_px": np.round(points, 2).tolist(),
            "points_m": np.round(np.stack([p.truth.points[n] for n in POINT_NAMES]), 4).tolist(),
            "landmarks_px": np.round(marks33, 2).tolist(),
        })
    return {
        "about": "rendered; not a real athlete",
        "kind": m.kind,
        "kneeling_leg": frames[0][1].kneeling_leg,
        "stature_m": round(float(first.stature_m), 4),
        "shank_length_m": round(float(first.shank_length_m), 4),
        "fps": FPS,
        "image_size": list(view.size),
        "stored_rotation_deg": view.rotate,
        "hold_s": [round(held[0], 5), round(held[-1], 5)] if held else None,
        "camera": {"focal_px": camera.focal_px, "principal_px": [camera.width / 2, camera.height / 2], "rotation": np.round(camera.R, 8).tolist(), "translation_m": np.round(camera.t, 6).tolist(), "centre_m": np.round(camera.centre_m, 5).tolist()},
        "view": {"elevation_deg": view.elevation, "distance_m": view.distance},
        "clothes": {"lower": appearance.lower["family"], "footwear": appearance.footwear["family"]},
        "carpet_marks": marks_of(camera),
        "point_names": list(POINT_NAMES),
        "landmark_names": list(LANDMARK_NAMES),
        "stations": list(STATIONS),
        "frames": rows,
    }


def write_json(path: Path, data: dict) -> None:
    """Compact JSON under a temporary name, then renamed."""
    temporary = path.with_name(path.name + ".tmp")
    temporary.write_text(json.dumps(data, separators=(",", ":")))
    os.replace(temporary, path)


def write_floor(path: Path, camera: Camera, seed: int) -> None:
    """The marks as clicked: exact points plus 1 px of noise."""
    rng = np.random.default_rng(seed)
    marks = [{"image": np.round(np.array(k["image"]) + rng.normal(0, 1.0, 2), 1).tolist(), "carpet_m": k["carpet_m"]} for k in marks_of(camera)]
    write_json(path, {"image_size": [camera.width, camera.height], "marks": marks, "sigma_px": 1.0})


class Encoder:
    """H.264 through the ffmpeg tool, BT.709, at most about 1.5 MB for three seconds."""

    def __init__(self, path: Path, size: tuple[int, int], rotate: int):
        self.path, self.rotate = path, rotate
        self.temporary = path.with_name(path.stem + ".part.mp4")
        if rotate % 180:
            size = size[::-1]
        self.process = subprocess.Popen(
            ["ffmpeg", "-v", "error", "-y", "-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{size[0]}x{size[1]}", "-r", str(FPS), "-i", "-",
             "-vf", "scale=out_color_matrix=bt709:out_range=tv,format=yuv420p", "-c:v", "libx264", "-preset", "fast", "-crf", "24", "-maxrate", "3500k", "-bufsize", "3500k",
             "-threads", "1", "-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709", "-movflags", "+faststart", str(self.temporary)],
            stdin=subprocess.PIPE,
        )

    def add(self, image: np.ndarray) -> None:
        """One upright picture; stored turned back where the file carries a rotation."""
        if self.rotate:
            image = np.rot90(image, self.rotate // 90)  # anticlockwise, undone by the display matrix
        self.process.stdin.write(np.ascontiguousarray(image).tobytes())

    def close(self) -> None:
        """Finishes the file and sets its display matrix (ffmpeg 5.1 counts this tag anticlockwise: checked by playing it)."""
        self.process.stdin.close()
        if self.process.wait():
            raise RuntimeError(f"ffmpeg failed on {self.path.name}")
        if self.rotate:
            turned = self.path.with_name(self.path.stem + ".turned.mp4")
            subprocess.run(["ffmpeg", "-v", "error", "-y", "-i", str(self.temporary), "-c", "copy", "-metadata:s:v:0", f"rotate={(360 - self.rotate) % 360}", "-movflags", "+faststart", str(turned)], check=True)
            os.replace(turned, self.temporary)
        os.replace(self.temporary, self.path)


def write_still(path: Path, image: np.ndarray) -> None:
    """PNG as it is; JPEG stored lying on its side with EXIF orientation 6 (turn 90 degrees clockwise to view)."""
    from PIL import Image

    if path.suffix == ".png":
        Image.fromarray(image).save(path, optimize=True)
        return
    picture = Image.fromarray(np.ascontiguousarray(np.rot90(image, 1)))
    exif = picture.getexif()
    exif[274] = 6
    picture.save(path, quality=90, exif=exif)


def make(m: Movement, out: Path, limit: int | None = None, frames=None, more: dict | None = None, lay=None) -> None:
    """Renders all views of one movement; `frames` (time in s, body) instead of a clip of its kind, `more` to add to the truth, `lay` (renderer, body in the hold) to lay a sheet."""
    from .motion import clip

    start = time.perf_counter()
    frames = frames or clip(m.kind, FPS, np.random.default_rng(m.seed), dict(m.request))
    shift = None
    middle = [i for i, (_, p) in enumerate(frames) if p.notes.get("phase") in ("hold", "restless")]
    middle = middle[len(middle) // 2]
    held = frames[middle][1]
    # Athlete in the middle of the rectangle.
    shift = held.vertices.mean(0) * np.array([1, 1, 0], np.float32)
    frames = [(t, moved(p, -shift)) for t, p in frames]
    held = frames[middle][1]
    if limit:
        pick = np.unique(np.linspace(0, len(frames) - 1, limit).astype(int).tolist() + [middle])
        middle = int(np.flatnonzero(pick == middle)[0])
        frames = [frames[i] for i in pick]
    scene = scene_of(m)
    thread_limit()
    r = Renderer(QUALITY, slots=1)
    if lay:
        lay(r, held)
    out.mkdir(parents=True, exist_ok=True)
    views = [(v, camera_of(v, held)) for v in m.views]
    encoders = [Encoder(out / f"{v.name}.mp4", v.size, v.rotate) for v, _ in views]
    noise = np.random.default_rng(m.seed + 100)
    sensors = [Sensor(v.size, noise) for v, _ in views]
    # What does not move is drawn once: the empty hall. Then only the window that the athlete and the near shadows ever touch.
    empty = Mesh(np.zeros((3, 3), np.float32), np.zeros((3, 3), np.float32), np.zeros((3, 3), np.float32), np.zeros((3, 4), np.uint8), *[np.zeros((1, 3), np.int32)] * 2)
    focus, centre = look.focus_of(held)
    r.upload(empty)
    r.bake(scene.light_position, scene.light_radius, focus, centre, 0.3, scene.light["on"])
    halls = [sensor.lens(r.frame(look.look_of(scene, camera), camera)) for (_, camera), sensor in zip(views, sensors)]
    windows = [window_of(camera, [p for _, p in frames]) for _, camera in views]
    cloth_gaps = []
    previous = None
    for i, (t, p) in enumerate(frames):
        dressed, notes = look.dress(look.reduced(p, "distant"), scene)
        cloth_gaps.append(notes["cloth_gap_mm"])
        focus, centre = look.focus_of(p)
        r.upload(dressed)
        # The hall's lights stand still; only the maps follow the leg.
        r.bake(scene.light_position, scene.light_radius, focus, centre, 0.3, scene.light["on"])
        # A 1/60 s shutter smears what moves.
        speed = 0.0 if previous is None else float(np.linalg.norm(p.vertices - previous, axis=1).mean()) * FPS
        previous = p.vertices
        for (v, camera), encoder, sensor, hall, (x, y, w, h) in zip(views, encoders, sensors, halls, windows):
            smear = min(speed / 60 * camera.focal_px / v.distance, 8.0)
            picture = hall.copy()
            picture[y : y + h, x : x + w] = sensor.lens(r.frame(look.look_of(scene, camera), camera, (x, y, w, h)), smear)
            image = sensor.expose(picture)
            encoder.add(image)
            if i == middle and v.still:
                write_still(out / v.still, image)
                name = Path(v.still).stem
                write_json(out / f"{name}.truth.json", truth_of(v, m, camera, [frames[i]], scene, [cloth_gaps[i]]) | {"fps": None, "hold_s": None, "stored_rotation_deg": 90 if v.still.endswith(".jpg") else 0})
                write_floor(out / f"{name}.floor.json", camera, m.seed + 7)
    for (v, camera), encoder in zip(views, encoders):
        encoder.close()
        write_json(out / f"{v.name}.truth.json", truth_of(v, m, camera, frames, scene, cloth_gaps) | (more or {}))
        write_floor(out / f"{v.name}.floor.json", camera, m.seed)
    print(f"{m.name}: {len(frames)} frames, {len(views)} views, {time.perf_counter() - start:.0f} s", flush=True)


def window_of(camera: Camera, bodies: list[Posed]) -> tuple[int, int, int, int]:
    """x0, y0, width, height (px) that holds the athlete in all frames and the carpet 0.8 m about."""
    uv = []
    for p in bodies[:: max(1, len(bodies) // 12)]:
        v = p.vertices[::20].astype(float)
        ground = v[::10] * [1, 1, 0]
        uv.append(camera.project(v)[0])
        uv += [camera.project(ground + np.array([dx, dy, 0]))[0] for dx in (-0.8, 0.8) for dy in (-0.8, 0.8)]
    uv = np.concatenate(uv)
    low = np.clip(np.floor(uv.min(0) / 16) * 16, 0, [camera.width, camera.height]).astype(int)
    high = np.clip(np.ceil(uv.max(0) / 16) * 16, 0, [camera.width, camera.height]).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


class Sensor:
    """Lens blur, sharpening and noise that keeps its grain from frame to frame but never repeats; light on the processor."""

    def __init__(self, size: tuple[int, int], rng: np.random.Generator, level: float = 0.012):
        import cv2

        self.cv2, self.rng, self.level = cv2, rng, level
        cv2.setNumThreads(1)
        self.bank = []
        for _ in range(3):
            n = rng.standard_normal((size[1], size[0], 1), np.float32) + 0.35 * rng.standard_normal((size[1], size[0], 3), np.float32)
            n = cv2.GaussianBlur(n, (0, 0), 0.6)
            self.bank.append(n / n.std())

    def lens(self, image: np.ndarray, smear_px: float = 0.0) -> np.ndarray:
        """(H, W, 3) uint8 -> float32 in [0, 1], softened, smeared downwards by movement, sharpened."""
        x = image.astype(np.float32) / 255
        x = self.cv2.filter2D(x, -1, postprocess.kernel(0.45, smear_px if smear_px > 0.7 else 0.0, np.pi / 2, 11 if smear_px > 0.7 else 5).astype(np.float32), borderType=self.cv2.BORDER_REPLICATE)
        return x + 0.5 * (x - self.cv2.GaussianBlur(x, (5, 5), 1.0))

    def expose(self, x: np.ndarray) -> np.ndarray:
        """float32 -> uint8 with noise that grows with brightness."""
        n = self.bank[int(self.rng.integers(len(self.bank)))]
        n = np.roll(n, tuple(int(k) for k in self.rng.integers(0, n.shape[:2])), (0, 1))
        x = np.clip(x, 0, 1)
        return (np.clip(x + self.level * np.sqrt(x + 0.06) * n, 0, 1) * 255 + 0.5).astype(np.uint8)


def moved(p: Posed, by: np.ndarray) -> Posed:
    """The same body somewhere else on the carpet."""
    shift = lambda d: {k: np.asarray(v) + by for k, v in d.items()}  # noqa: E731
    return replace(p, vertices=(p.vertices + by).astype(np.float32), joints=shift(p.joints), truth=replace(p.truth, points=shift(p.truth.points), joints33=shift(p.truth.joints33)))


def main() -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, default=OUT)
    parser.add_argument("--only", default="", help=f"movements, comma separated, of: {', '.join(m.name for m in MOVEMENTS)}")
    parser.add_argument("--frames", type=int, help="this many frames a clip only (a look)")
    o = parser.parse_args()
    wanted = [n for n in o.only.split(",") if n]
    unknown = set(wanted) - {m.name for m in MOVEMENTS}
    if unknown:
        print(f"no movement named {', '.join(sorted(unknown))}; use {', '.join(m.name for m in MOVEMENTS)}", file=sys.stderr)
        return 2
    for m in MOVEMENTS:
        if not wanted or m.name in wanted:
            make(m, o.out, o.frames)
    return 0


if __name__ == "__main__":
    sys.exit(main())
