"""Fits models/fusion.json: how the geometric fit's and the picture's gap errors go together, and how far their stated spreads hold in use.

    cargo run --release --example measure_stills -- CALIBRATION_STILLS > measured.jsonl
    python scripts/calibrate/fusion.py measured.jsonl... [--other pathtraced.jsonl...] --used models/fusion.json --out models/fusion.json

For calibration stills only (`scripts/bench/make_stills.py --split calibration`), never for those a table is reported on. Factors on the spreads, one a station: the 95 %
quantile of |error| / stated spread over 1.96, the larger of marks and body floor, the mean of both renderers (`--other`: pictures of a kind that the network was not trained on), drawn halfway to the mean of all stations because the stills are few. Stills where the
reading lies on another person or the other leg (knee or heel off by more than half a shank) are counted and left out: no spread of a gap covers that. The joint estimate's factors hold for the factors on its parts that the measuring program was built with: where these change, measure and fit again.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from pathlib import Path

import numpy as np

STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")


def misplaced(line: dict) -> bool:
    """Whether the reading lies on another person or the other leg."""
    def off(point: int) -> float:
        p, t = line["points"][point], line["truth"]["points_px"][point]
        p = p.get("at", p) if isinstance(p, dict) else {"u": p[0], "v": p[1]}
        return float(np.hypot(p["u"] - t[0], p["v"] - t[1])) / line["truth"]["shank_px"]
    return max(off(0), off(7)) > 0.5


def errors(lines: list[dict], floor: str, used: dict) -> tuple[dict, dict]:
    """Errors (mm) and errors over stated spread of both parts, arrays [stills, stations]."""
    these = [x for x in lines if x["floor"] == floor and x.get("geometry") and x.get("picture") and not misplaced(x)]
    truth = np.array([[x["truth"]["gap_mm"][s] for s in STATIONS] for x in these])
    e, z = {}, {}
    for part in ("geometry", "picture"):
        e[part] = np.array([x[part]["gap_mm"] for x in these]) - truth
        # the picture's spread was already widened by the factors in use when it was measured
        z[part] = e[part] / np.array([x[part]["sd_mm"] for x in these]) * (np.asarray(used["picture_sd_scale"]) if part == "picture" else 1.0)
    return e, z


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("measured", type=Path, nargs="+")
    p.add_argument("--other", type=Path, nargs="+", default=[], help="calibration stills of another renderer (scripts/pathtrace)")
    p.add_argument("--out", type=Path)
    p.add_argument("--common-share", type=float, default=0.85)
    p.add_argument("--used", type=Path, required=True, help="the fusion.json that the measuring program was built with")
    o = p.parse_args()
    used = json.loads(o.used.read_text())
    scales, correlations, counts = {"geometry": [], "picture": [], "joined": []}, [], []
    for which, paths in (("rasterised", o.measured), ("path-traced", o.other)):
        if not paths:
            continue
        lines = [json.loads(line) for path in paths for line in path.read_text().splitlines()]
        scale = {part: [] for part in scales}
        readings = [x for x in lines if x["floor"] == "body" and x.get("picture")]
        wrong = sum(misplaced(x) for x in readings)
        print(f"{which}: {len([x for x in lines if x['floor'] == 'body'])} stills, {len(readings)} read, {wrong} of them on another person or the other leg")
        for floor in ("marks", "body"):
            e, z = errors(lines, floor, used)
            if floor == "body":
                counts.append(f"{len(e['geometry'])} {which}")
            for part in ("geometry", "picture"):
                scale[part].append(np.quantile(np.abs(z[part]), 0.95, axis=0) / 1.96)
                print(f"{which}, {floor} {part}: MAE mm {np.round(np.abs(e[part]).mean(0), 1)}, |z| 95 % over 1.96 {np.round(scale[part][-1], 2)}")
            c = [float(np.corrcoef(np.clip(z["geometry"][:, i], -4, 4), np.clip(z["picture"][:, i], -4, 4))[0, 1]) for i in range(len(STATIONS))]
            print(f"{which}, {floor} correlation {np.round(c, 2)}")
            correlations.append(c)
        # The joint estimate, as reported: what is left over after both parts were scaled.
        for floor in ("marks", "body"):
            z = []
            for x in lines:
                if x["floor"] == floor and x.get("picture") and x.get("hold") and not misplaced(x):
                    z.append([(g["gap_mm"] + g["natural_hollow_mm"] - x["truth"]["gap_mm"][s]) / g["sd_mm"] for s, g in zip(STATIONS, x["hold"]["gaps"])])
            scale["joined"].append(np.quantile(np.abs(z), 0.95, axis=0) / 1.96 * np.asarray(used.get("joined_sd_scale", [1.0] * len(STATIONS))))
            print(f"{which}, {floor} joint: |z| 95 % over 1.96 {np.round(scale['joined'][-1], 2)}")
        for part, v in scale.items():
            scales[part].append(np.max(v, 0))
    factors = {part: np.mean(v, 0) for part, v in scales.items()}
    factors = {part: [round(float(x), 2) for x in (v + v.mean()) / 2] for part, v in factors.items()}
    fitted = {
        "geometry_picture_correlation": [round(float(c), 2) for c in np.clip(np.max(correlations, 0), 0, 0.95)],
        "geometry_sd_scale": factors["geometry"],
        "picture_sd_scale": factors["picture"],
        "joined_sd_scale": factors["joined"],
        "common_share": o.common_share,
        **{k: used[k] for k in ("picture_picture_correlation",) if k in used},  # measured elsewhere: scripts/bench/join_stills.py
        "made_by": f"scripts/calibrate/fusion.py on {' and '.join(counts)} calibration stills (scripts/bench/make_stills.py and scripts/pathtrace, --split calibration), {time.strftime('%Y-%m-%d')}; "
                   "correlations are the largest of marks and body floor and of both renderers, factors the larger of marks and body floor and the mean of both renderers; common_share is a cautious guess, not measured",
    }
    print(json.dumps(fitted, indent=1))
    if o.out:
        temporary = o.out.with_suffix(".tmp")
        temporary.write_text(json.dumps(fitted, indent=1) + "\n")
        os.replace(temporary, o.out)


if __name__ == "__main__":
    main()
