"""Fits models/view_errors.json: how sure the lower-leg network says it is, as a function of the view (for `shankline where`).

    cargo run --release --example measure_stills -- CALIBRATION_STILLS > measured.jsonl
    python scripts/calibrate/view_errors.py measured.jsonl... --used models/fusion.json --lower-leg models/lower_leg.json --out models/view_errors.json
    cargo run --release --example where_bench -- measured.jsonl      # then once more with --joined-sd-factor

The stated (calibrated) standard deviations of every reading on calibration stills (`scripts/bench/make_stills.py --split calibration`), as a log-linear function of the shank's
apparent length, the camera's elevation and azimuth, whether marks gave the elevation, and (for the gaps) how large the gap is. Ridge regression; left-out bodies say how well it
foretells. Readings on another person or the other leg are left out, as in fusion.py. Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path

import numpy as np
from fusion import STATIONS, misplaced

POINTS = ("knee_joint", "knee_floor", "calf25_floor", "calf50_floor", "calf75_floor", "ankle_inner", "ankle_outer", "heel_back", "heel_floor", "big_toe_tip", "small_toe_tip")
#: One shank length in the network's own crop, px: 256 / 2.1. A leg larger than that in the frame is shrunk, a smaller one blown up.
CROP_SHANK_PX = 256 / 2.1
FEATURES = ("1", "ln(shank_px / 122) where smaller", "ln(shank_px / 122) where larger", "sin elevation", "cos azimuth", "sin azimuth, positive on the side the kneeling foot's toes point to",
            "cos² azimuth", "elevation known", "ln(1 + gap / 10 mm)")
RIDGE = 1.0


def complete(x: dict, used: dict, description: dict) -> dict | None:
    """The line with its reading; where the measuring program did not print that yet, from what it printed (all but the size's own deviation)."""
    if x.get("reading") or not (x.get("points") and x.get("picture") and x.get("hold")):
        return x if x.get("reading") and x.get("hold") else None
    mm = x["hold"]["shank_length_mm"]
    relative = x["hold"]["shank_length_sd_mm"] / mm
    gap, sd = np.array(x["picture"]["gap_mm"]), np.array(x["picture"]["sd_mm"])
    # As `picture_profile` in src/check/hold_report.rs made them, backwards.
    own = np.sqrt(np.maximum(sd**2 - (gap * relative) ** 2, 0.04 * sd**2)) / np.array(used["picture_sd_scale"])
    e = x["truth"]["elevation_deg"]
    fits = description["calibration"]["elevation_known" if x["floor"] == "marks" else "elevation_unknown"]["classes"]
    x["reading"] = {
        "points": x["points"],
        "shank_px": x["truth"]["shank_px"],
        "gap_fraction": list(gap / mm),
        "gap_sd_fraction": list(own / mm),
        "elevation_sd_rad": float(np.radians(x["floor_report"]["elevation_sd_deg"])),
        "shank_log_sd": None,
        "gap_correlation": fits["low" if e < 10 else "middle" if e < 25 else "high"]["gap_error_correlation"],
    }
    return x


def features(x: dict) -> np.ndarray:
    truth = x["truth"]
    size = np.log(truth["shank_px"] / CROP_SHANK_PX)
    side = 1 if truth["kneeling_leg"] == "right" else -1
    a = np.radians(truth["azimuth_deg"]) * side
    return np.array([1, min(size, 0), max(size, 0), np.sin(np.radians(truth["elevation_deg"])), np.cos(a), np.sin(a), np.cos(a) ** 2, x["floor"] == "marks"], float)


def fit(f: np.ndarray, y: np.ndarray) -> np.ndarray:
    penalty = RIDGE * np.eye(f.shape[1])
    penalty[0, 0] = 0
    return np.linalg.solve(f.T @ f + penalty, f.T @ y)


def left_out(f: np.ndarray, y: np.ndarray, bodies: np.ndarray) -> float:
    """Standard deviation of what is foretold for bodies that were left out, natural logarithm."""
    miss = np.zeros(len(y))
    for fold in range(5):
        out = bodies % 5 == fold
        miss[out] = y[out] - f[out] @ fit(f[~out], y[~out])
    return float(np.sqrt(np.mean(miss**2)))


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("measured", type=Path, nargs="+")
    p.add_argument("--used", type=Path, required=True, help="the fusion.json that the measuring program was built with")
    p.add_argument("--lower-leg", type=Path, required=True, help="the lower_leg.json that it used")
    p.add_argument("--joined-sd-factor", type=float, nargs=3, default=(1.0, 1.0, 1.0), metavar=("LOW", "MIDDLE", "HIGH"),
                   help="how much larger than simulated the program's own numbers are on the same stills, as where_bench prints (its last three rows) with factors of 1")
    p.add_argument("--out", type=Path)
    o = p.parse_args()
    used, description = json.loads(o.used.read_text()), json.loads(o.lower_leg.read_text())
    lines = [json.loads(line) for path in o.measured for line in path.read_text().splitlines()]
    # A still measured twice counts once, with its reading where there is one.
    once = {}
    for x in lines:
        # Names repeat from folder to folder; sizes do not.
        key = (x["name"], x["floor"], round(x["truth"]["shank_px"], 6))
        if x["floor"] in ("marks", "body") and (key not in once or x.get("reading")):
            once[key] = x
    lines = [y for x in once.values() if (y := complete(x, used, description)) and not misplaced(y)]
    names = sorted({x["truth"]["stature_m"] for x in lines})
    bodies = np.array([names.index(x["truth"]["stature_m"]) for x in lines])
    f = np.array([features(x) for x in lines])

    residuals: dict[str, list] = {"points": [], "gaps": []}

    def table(values: list, extra: np.ndarray | None = None, of: str | None = None) -> dict:
        y = np.log(np.array(values))
        g = np.column_stack([f, np.zeros(len(f)) if extra is None else extra])
        if of:
            residuals[of].append(y - g @ fit(g, y))
        return {"coefficients": [round(float(v), 4) for v in fit(g, y)], "left_out_log_sd": round(left_out(g, y, bodies), 3)}

    shank_px = np.array([x["reading"]["shank_px"] for x in lines])
    points = {}
    for k, name in enumerate(POINTS):
        c = [x["reading"]["points"][k]["covariance"] for x in lines]
        points[name] = {axis: table(np.sqrt([v[axis * 2] for v in c]) / shank_px, of="points") for axis in ("u", "v")}
    gaps = {}
    for k, name in enumerate(STATIONS):
        gap_mm = [max(x["reading"]["gap_fraction"][k], 0.0) * 1000 * x["truth"]["shank_length_m"] for x in lines]
        gaps[name] = table([x["reading"]["gap_sd_fraction"][k] for x in lines], np.log1p(np.array(gap_mm) / 10), of="gaps")
    blind = [i for i, x in enumerate(lines) if x["floor"] == "body"]
    body = [lines[i] for i in blind]
    f_all, bodies_all = f, bodies
    f, bodies = f[blind], bodies[blind]
    elevation = table([x["reading"]["elevation_sd_rad"] for x in body])
    sized = [i for i in blind if lines[i]["reading"]["shank_log_sd"]]
    f, bodies = f_all[sized], bodies_all[sized]
    size = table([lines[i]["reading"]["shank_log_sd"] for i in sized])
    f, bodies = f_all, bodies_all
    # What a picture's clothes, light and body do to all its points, and to all its gaps, together.
    both = [np.mean(residuals[of], 0) for of in ("points", "gaps")]
    scatter = {
        "points_log_sd": round(float(np.std(both[0])), 3),
        "gaps_log_sd": round(float(np.std(both[1])), 3),
        "correlation": round(float(np.corrcoef(*both)[0, 1]), 3),
    }
    # And to each by itself.
    for of, name in (("points", "points_alone_log_sd"), ("gaps", "gaps_alone_log_sd")):
        r = np.array(residuals[of])
        scatter[name] = round(float(np.sqrt(np.mean((r - r.mean(0)) ** 2))), 3)
    print(scatter)
    correlation = {}
    for name, low, high in (("low", -90, 10), ("middle", 10, 25), ("high", 25, 91)):
        these = [x["reading"]["gap_correlation"] for x in lines if low <= x["truth"]["elevation_deg"] < high]
        correlation[name] = np.round(np.mean(these, 0), 3).tolist()
    fitted = {
        "features": FEATURES,
        "points_log_sd_shanks": points,
        "gaps_log_sd_shanks": gaps,
        "elevation_log_sd_rad": elevation,
        "shank_log_sd": size,
        "between_pictures": scatter,
        "gap_correlation": correlation,
        "joined_sd_factor": dict(zip(("low", "middle", "high"), o.joined_sd_factor)),
        "made_by": f"scripts/calibrate/view_errors.py on {len(lines)} readings of {len({(x['name'], x['truth']['shank_px']) for x in lines})} calibration stills (rendered), {time.strftime('%Y-%m-%d')}",
    }
    for name, of in points.items():
        print(f"{name}: left out {of['u']['left_out_log_sd']}, {of['v']['left_out_log_sd']}")
    for name, of in [*gaps.items(), ("elevation", elevation), ("size", size)]:
        print(f"{name}: left out {of['left_out_log_sd']}, {of['coefficients']}")
    if o.out:
        temporary = o.out.with_suffix(".tmp")
        temporary.write_text(json.dumps(fitted, indent=1) + "\n")
        os.replace(temporary, o.out)


if __name__ == "__main__":
    main()
