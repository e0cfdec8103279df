"""Fits models/fusion.json: how the geometric fit's and the picture's gap errors go together, and how far their stated spreads hold in use.

    cargo run --release --example measure_stills -- CALIBRATION_STILLS > measured.jsonl
    python scripts/calibrate/fusion.py measured.jsonl... [--other pathtraced.jsonl...] --used models/fusion.json --out models/fusion.json

For calibration stills only (`scripts/bench/make_stills.py --split calibration`), never for those a table is reported on. Factors on the spreads, one a station: the 95 %
quantile of |error| / stated spread over 1.96, the larger of marks and body floor, the mean of both renderers (`--other`: pictures of a kind that the network was not trained on), drawn halfway to the mean of all stations because the stills are few. Stills where the
reading lies on another person or the other leg (knee or heel off by more than half a shank) are counted and left out: no spread of a gap covers that.

How the two parts are joined (`one_view_*_factor`: on the geometry's spreads and on the correlation) is what gives the best log score of the joint estimate, not what was measured of each part: the geometry's errors are far larger where
a lift is large than where the leg is down, and weights from one factor a station would trust it too much there; with the whole measured correlation the weights turn negative on noise. At least half of the correlation stays, so that the two are never taken for independent (none at all scored 0.01 nats better). The program's own way of joining is replayed here; that the replay gives the program's numbers is checked.
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


def measured(lines: list[dict], floor: str) -> list[dict]:
    """The lines of one kind of floor that hold both parts, read on the right leg."""
    return [x for x in lines if x["floor"] == floor and x.get("geometry") and x.get("picture") and x.get("hold") and not misplaced(x)]


def errors(these: list[dict], used: dict) -> tuple[dict, dict]:
    """Errors (mm) and errors over stated spread of both parts, arrays [stills, stations]."""
    truth = np.array([[x["truth"]["gap_mm"][s] for s in STATIONS] for x in these])
    e, z = {}, {}
    for part in ("geometry", "picture"):
        e[part] = np.array([x[part]["gap_mm"] for x in these]) - truth
        # the picture's spread was already widened by the factors in use when it was measured
        z[part] = e[part] / np.array([x[part]["sd_mm"] for x in these]) * (np.asarray(used["picture_sd_scale"]) if part == "picture" else 1.0)
    return e, z


def join(line: dict, geometry_sd_scale: np.ndarray, picture_sd_change: np.ndarray, correlation: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The joint gaps (mm) and their standard deviations, as `fuse::join` in src/leg/fuse.rs makes them, before `joined_sd_scale`."""
    n = len(STATIONS)
    y, c = [], []
    for part, scale in (("geometry", geometry_sd_scale), ("picture", picture_sd_change)):
        y.append(np.array(line[part]["gap_mm"]))
        c.append(np.array(line[part]["covariance_mm2"]) * np.outer(scale, scale))
    sd = [np.sqrt(np.diag(m)) for m in c]
    pattern = 0.5 * sum(m / np.outer(s, s) for m, s in zip(c, sd))
    cross = np.sqrt(np.outer(correlation, correlation)) * pattern * np.outer(*sd)
    joint = np.block([[c[0], cross], [cross.T, c[1]]])
    joint[np.diag_indices(2 * n)] *= 1.02
    values, vectors = np.linalg.eigh(joint)
    inverse = (vectors / np.maximum(values, 1e-6 * values.max())) @ vectors.T
    h, y = np.vstack([np.eye(n)] * 2), np.concatenate(y)
    covariance = np.linalg.inv(h.T @ inverse @ h)
    mean = covariance @ h.T @ inverse @ y
    chi2 = (y - h @ mean) @ inverse @ (y - h @ mean) / n
    return mean, np.sqrt(np.diag(covariance) * max(chi2, 1.0))


def replayed(sets: list[list[dict]], how: tuple) -> tuple[list[np.ndarray], float, float]:
    """The joint estimate's |z| 95 % / 1.96 a station in each set of lines; its mean log score (nats a station, spreads scaled by those) and its mean absolute error (mm) over the sets."""
    scales, scores, errors = [], [], []
    for lines in sets:
        out = [join(x, *how) for x in lines]
        truth = np.array([[x["truth"]["gap_mm"][s] for s in STATIONS] for x in lines])
        e, sd = np.array([m for m, _ in out]) - truth, np.array([s for _, s in out])
        scales.append(np.quantile(np.abs(e / sd), 0.95, axis=0) / 1.96)
        scores.append(float((-np.log(sd * scales[-1]) - 0.5 * (e / sd / scales[-1]) ** 2).mean()))
        errors.append(float(np.abs(e).mean()))
    return scales, float(np.mean(scores)), float(np.mean(errors))


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("measured", type=Path, nargs="+")
    p.add_argument("--other", type=Path, nargs="+", default=[], help="calibration stills of another renderer (scripts/pathtrace)")
    p.add_argument("--out", type=Path)
    p.add_argument("--common-share", type=float, default=0.85)
    p.add_argument("--used", type=Path, required=True, help="the fusion.json that the measuring program was built with")
    o = p.parse_args()
    used = json.loads(o.used.read_text())
    scales, correlations, counts, sets = {"geometry": [], "picture": []}, [], [], []
    for which, paths in (("rasterised", o.measured), ("path-traced", o.other)):
        if not paths:
            continue
        lines = [json.loads(line) for path in paths for line in path.read_text().splitlines()]
        scale = {part: [] for part in scales}
        readings = [x for x in lines if x["floor"] == "body" and x.get("picture")]
        wrong = sum(misplaced(x) for x in readings)
        print(f"{which}: {len([x for x in lines if x['floor'] == 'body'])} stills, {len(readings)} read, {wrong} of them on another person or the other leg")
        for floor in ("marks", "body"):
            sets.append(measured(lines, floor))
            e, z = errors(sets[-1], used)
            if floor == "body":
                counts.append(f"{len(e['geometry'])} {which}")
            for part in ("geometry", "picture"):
                scale[part].append(np.quantile(np.abs(z[part]), 0.95, axis=0) / 1.96)
                print(f"{which}, {floor} {part}: MAE mm {np.round(np.abs(e[part]).mean(0), 1)}, |z| 95 % over 1.96 {np.round(scale[part][-1], 2)}")
            c = [float(np.corrcoef(np.clip(z["geometry"][:, i], -4, 4), np.clip(z["picture"][:, i], -4, 4))[0, 1]) for i in range(len(STATIONS))]
            print(f"{which}, {floor} correlation {np.round(c, 2)}")
            correlations.append(c)
        for part, v in scale.items():
            scales[part].append(np.max(v, 0))
    drawn = lambda v: (v + v.mean()) / 2  # the stills are few
    factors = {part: drawn(np.mean(v, 0)) for part, v in scales.items()}
    correlation = np.clip(np.max(correlations, 0), 0, 0.95)
    # lines were measured with the picture's factors in use then
    change = factors["picture"] / np.asarray(used["picture_sd_scale"])

    of_use = [used.get(f"one_view_{name}_factor", 1.0) for name in ("geometry", "correlation")]
    as_used = (np.asarray(used["geometry_sd_scale"]) * of_use[0], np.ones(len(STATIONS)), np.asarray(used["geometry_picture_correlation"]) * of_use[1])
    reported = lambda x: np.array([g["gap_mm"] + g["natural_hollow_mm"] for g in x["hold"]["gaps"]])
    off = max(float(np.abs(join(x, *as_used)[0] - reported(x)).max()) for lines in sets for x in lines)
    print(f"the replay differs from the program's joint gaps by {off:.3f} mm at most")
    if off > 0.1:
        raise SystemExit("fusion: the replay does not give what the program gave: is --used the file it was built with, and was fuse.rs changed? Nothing was written.")

    how = {(k, c): (factors["geometry"] * k, change, correlation * c) for k in (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.5, 3.0) for c in (0.5, 0.75, 1.0)}
    tried = {key: replayed(sets, h) for key, h in how.items()}
    best = max(tried, key=lambda key: tried[key][1])
    for key in ((1.0, 1.0), best):
        print(f"geometry's spreads times {key[0]}, correlation times {key[1]}: log score {tried[key][1]:.3f} nats a station, error {tried[key][2]:.2f} mm, |z| 95 % over 1.96 by set {[round(float(v.mean()), 2) for v in tried[key][0]]}")
    by_renderer = [np.max(tried[best][0][i: i + 2], 0) for i in range(0, len(sets), 2)]
    fitted = {
        "geometry_picture_correlation": [round(float(c), 2) for c in correlation],
        **{f"{part}_sd_scale": [round(float(x), 2) for x in factors[part]] for part in ("geometry", "picture")},
        "one_view_geometry_factor": best[0],
        "one_view_correlation_factor": best[1],
        "joined_sd_scale": [round(float(x), 2) for x in drawn(np.mean(by_renderer, 0))],
        "common_share": o.common_share,
        **{k: used[k] for k in ("picture_picture_correlation", "picture_picture_made_by", "several_views_sd_factor", "several_views_made_by") if k in used},  # by scripts/bench/join_stills.py
        "made_by": f"scripts/calibrate/fusion.py on {' and '.join(counts)} calibration stills (scripts/bench/make_stills.py and scripts/pathtrace, --split calibration), {time.strftime('%Y-%m-%d')}; "
                   "correlations are the largest of marks and body floor and of both renderers, factors the larger of marks and body floor and the mean of both renderers; one_view factors by the joint estimate's log score on the same stills; common_share is a cautious guess, not measured",
    }
    print(json.dumps(fitted, indent=1))
    if o.out:
        temporary = o.out.with_suffix(".tmp")
        temporary.write_text(json.dumps(fitted, indent=1) + "\n")
        os.replace(temporary, o.out)


if __name__ == "__main__":
    main()
