"""Rendered pictures with the printed sheet on the carpet beside the kneeling leg, true camera and gaps known: NAME.jpg, NAME.truth.json, NAME.floor.json.

    python scripts/bench/make_sheet_pictures.py --page page.png --out FOLDER [--count 60] [--seed 1] [--movement clean]

page.png: the page as an outside tool rasterises it (pdftoppm -r 150 -gray -png -singlefile sheet.pdf page). The sheet lies tilted and curled by what src/floor/sheet/fit.rs
assumes (1 degree; 1 and 1.5 mm at the ends) unless --flat. The floor file is the taped rectangle read with 1 px. Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import posed  # noqa: E402

#: Middle of all that is printed against the middle of the block of markers (m, to the page's top): MIDDLE_MM in src/floor/sheet/artwork.rs.
MIDDLE_M = -0.0085
#: The page (A4), m.
PAGE_M = (0.210, 0.297)
ELEVATIONS = ((8.0, 14.0), (14.0, 22.0), (22.0, 40.0))
FRAMES = ((1920, 1080), (1920, 1080), (3840, 2160))


def camera_of(rng, cameras, held, leg, front_deg, wanted):
    """A phone or a moderate zoom that shows the whole athlete, from the side where the leg lies in front (azimuth `front_deg`)."""
    azimuth = front_deg + rng.uniform(-50, 50)
    size = FRAMES[rng.integers(len(FRAMES))]
    distance = float(np.exp(rng.uniform(np.log(2.5), np.log(6.0))))
    # The athlete fills half to three quarters of the frame's height, as far as a phone's or a zoom's lens goes.
    focal = np.clip(size[1] * rng.uniform(0.45, 0.75) * distance / 1.5, 0.70 * size[0], 1.8 * size[0])
    camera = cameras.place(leg, rng.uniform(*ELEVATIONS[wanted]), azimuth, distance, focal, size)
    aim = np.array([*held.vertices.mean(0)[:2], rng.uniform(0.45, 0.7)])
    R, t = cameras.look_at(camera.centre_m, aim, np.radians(rng.normal(0, 1.5)))
    return replace(camera, R=R, t=t)


def place_sheet(rng, camera, leg, held):
    """Middle and turn of the page: on the carpet on the camera's side of the leg, clear of the body."""
    ground = held.vertices[:, :2].astype(float)
    low = ground[held.vertices[:, 2] < 0.12]
    to_camera = camera.centre_m[:2] - leg[:2]
    a = np.arctan2(to_camera[1], to_camera[0])
    for _ in range(300):
        b = a + rng.normal(0, 0.7)
        at = leg[:2] + rng.uniform(0.3, 0.7) * np.array([np.cos(b), np.sin(b)])
        if np.linalg.norm(low - at, axis=1).min() > 0.19:
            break
    return at, rng.uniform(0, 2 * np.pi)


def main() -> int:
    """Command line."""
    from PIL import Image

    from scenes import cameras
    from scenes import make_fixtures as fixtures
    from scenes.raster import Renderer, thread_limit

    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--page", type=Path, required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--count", type=int, default=60)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--movement", default="clean,heel,calf,left")
    p.add_argument("--flat", action="store_true")
    p.add_argument("--clip", action="store_true", help="one recording, sheet-heel30.mp4, instead of pictures")
    o = p.parse_args()
    rng = np.random.default_rng(o.seed)
    page = np.array(Image.open(o.page).convert("L"))
    o.out.mkdir(parents=True, exist_ok=True)
    if o.clip:
        view = fixtures.View("sheet-heel30", elevation=18.0, azimuth=12.0, distance=4.0, focal_px=1150.0)
        movement = replace(next(m for m in fixtures.MOVEMENTS if m.name == "heel"), views=(view,))

        def lay(renderer, held):
            at, turn = place_sheet(rng, fixtures.camera_of(view, held), fixtures.leg_of(held), held)
            renderer.lay_sheet(page, PAGE_M, at, turn, np.radians(rng.normal(0, 0.7, 2)), (0.0, 0.0))

        fixtures.make(movement, o.out, lay=lay)
        return 0
    movements = [m for m in fixtures.MOVEMENTS if m.name in o.movement.split(",")]
    bodies = posed.holds(movements)
    thread_limit()
    renderer = Renderer(fixtures.QUALITY, slots=1)
    written = 0
    for k, (m, held) in enumerate(zip(movements, bodies)):
        scene = posed.dressed_scene(renderer, m, held)
        leg, front_deg = fixtures.leg_of(held), fixtures.front_azimuth_deg(held)
        share = o.count // len(movements) + (k < o.count % len(movements))
        for _ in range(share):
            camera = camera_of(rng, cameras, held, leg, front_deg, written % 3)
            at, turn = place_sheet(rng, camera, leg, held)
            tilt = np.zeros(2) if o.flat else np.radians(rng.normal(0, 1.0, 2))
            curl = np.zeros(2) if o.flat else rng.normal(0, [0.001, 0.0015])
            # Curl counts at the block's ends (0.090 and 0.118 m); the shader's at the page's.
            curl = curl * (np.array(PAGE_M) / 2 / [0.090, 0.118]) ** 2
            renderer.lay_sheet(page, PAGE_M, at, turn, tilt, curl)
            name = f"sheet{written:04d}"
            middle = at + MIDDLE_M * -1 * np.array([-np.sin(turn), np.cos(turn)])
            d = camera.centre_m - np.array([*middle, 0])
            sheet = {"middle_m": middle.tolist(), "turn_rad": float(turn), "tilt_deg": np.degrees(tilt).tolist(), "distance_m": float(np.linalg.norm(d)), "elevation_deg": float(np.degrees(np.arcsin(d[2] / np.linalg.norm(d))))}
            truth = posed.write(o.out, name, renderer, scene, camera, held, rng, o.seed * 1000 + written, sheet=sheet)
            written += 1
            print(f"{name}: {camera.width} px, {truth['elevation_deg']:.0f} degrees, {truth['sheet']['distance_m']:.1f} m", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
