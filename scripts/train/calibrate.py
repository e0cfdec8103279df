"""Fits, on crops of bodies and appearances never trained on, how far the network's own spreads can be trusted.

Writes the numbers into ``lower_leg.json`` beside the ONNX file: scales of standard
deviations by elevation class, temperatures of the bins and of the yes/no outputs, and the
correlation of gap errors between stations and between two views of one pose.

    python calibrate.py --model OUT/final.pt --data DIR/calibration --json lower_leg.json
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import numpy as np

import contract
import predict


def spread_scale(z: np.ndarray) -> dict[str, float]:
    """Factor on a standard deviation so that 95 % of errors lie inside 1.96 of it; and the plain root mean square."""
    z = z[np.isfinite(z)]
    if len(z) < 20:
        return {"scale": 1.0, "rms": float("nan"), "n": int(len(z))}
    return {"scale": float(np.quantile(np.abs(z), 0.95) / 1.96), "rms": float(np.sqrt(np.mean(z**2))), "n": int(len(z))}


def ellipse_scale(m2: np.ndarray) -> dict[str, float]:
    """Factor on a 2-D standard ellipse so that 95 % of errors lie inside its 95 % contour (chi-squared, 2: 5.991)."""
    m2 = m2[np.isfinite(m2)]
    if len(m2) < 20:
        return {"scale": 1.0, "rms": float("nan"), "n": int(len(m2))}
    return {"scale": float(np.sqrt(np.quantile(m2, 0.95) / 5.991)), "rms": float(np.sqrt(np.mean(m2) / 2)), "n": int(len(m2))}


def mahalanobis2(points, target, cholesky) -> np.ndarray:
    d = points - target
    z1 = d[..., 0] / cholesky[..., 0]
    z2 = (d[..., 1] - cholesky[..., 1] * z1) / cholesky[..., 2]
    return z1**2 + z2**2


def bin_index(gap: np.ndarray) -> np.ndarray:
    return np.searchsorted(contract.GAP_BIN_EDGES, gap)


def temperature_bins(logits: np.ndarray, gap: np.ndarray) -> float:
    """Temperature that minimises the cross-entropy of the bins (golden search over its logarithm)."""
    k = bin_index(gap)

    def cost(log_t):
        x = logits / np.exp(log_t)
        x = x - x.max(-1, keepdims=True)
        return float((np.log(np.exp(x).sum(-1)) - np.take_along_axis(x, k[..., None], -1)[..., 0]).mean())

    return float(np.exp(golden(cost, -1.5, 2.0)))


def temperature_yes_no(logit: np.ndarray, yes: np.ndarray) -> float:
    """Temperature of a logistic output."""
    sign = np.where(yes > 0.5, 1.0, -1.0)

    def cost(log_t):
        return float(np.logaddexp(0, -sign * logit / np.exp(log_t)).mean())

    return float(np.exp(golden(cost, -1.5, 2.0)))


def golden(f, low: float, high: float, steps: int = 40) -> float:
    """Minimum of a function with one valley, by golden section."""
    r = (np.sqrt(5) - 1) / 2
    a, b = low, high
    c, d = b - r * (b - a), a + r * (b - a)
    fc, fd = f(c), f(d)
    for _ in range(steps):
        if fc < fd:
            b, d, fd = d, c, fc
            c = b - r * (b - a)
            fc = f(c)
        else:
            a, c, fc = c, d, fd
            d = a + r * (b - a)
            fd = f(d)
    return (a + b) / 2


def correlation(r: np.ndarray) -> list[list[float]]:
    """Correlation matrix of columns, rows clipped at 4 robust spreads so that one bad crop does not decide it."""
    s = 1.4826 * np.median(np.abs(r - np.median(r, 0)), 0) + 1e-9
    x = np.clip((r - np.median(r, 0)) / s, -4, 4)
    return np.corrcoef(x.T).round(3).tolist()


def pair_correlation(r: np.ndarray, pose: np.ndarray, degrees: np.ndarray) -> dict[str, float]:
    """Correlation of mean gap errors of two crops of one pose: any pair, and pairs over 15 degrees apart in elevation."""
    order = np.argsort(pose, kind="stable")
    a, b = order[:-1], order[1:]
    same = pose[a] == pose[b]
    a, b = a[same], b[same]
    out: dict[str, float] = {"pairs": int(len(a))}
    for name, pick in (("all", np.ones(len(a), bool)), ("apart", np.abs(degrees[a] - degrees[b]) > 15)):
        if pick.sum() >= 30:
            x, y = r[a[pick]].ravel(), r[b[pick]].ravel()
            out[name] = float(np.corrcoef(x, y)[0, 1])
    return out


def fit(p: dict[str, np.ndarray]) -> dict:
    """All calibration numbers of one set of predictions."""
    on = p["true_present"] > 0.5
    degrees = np.degrees(p["true_elevation"])
    z = (p["true_gap"] - p["gap"]) / np.exp(p["gap_log_sd"])
    m2 = mahalanobis2(p["points"], p["true_points"], p["points_cholesky"])
    m2 = np.where(p["true_in_crop"] > 0.5, m2, np.nan)
    seen = p["true_visible"] > 0.5
    result: dict = {"crops": int(on.sum()), "classes": {}}
    for name, low, high in (("all", -91.0, 91.0), *contract.ELEVATION_CLASSES):
        m = on & (degrees >= low) & (degrees < high)
        if m.sum() < 20:
            continue
        entry = {
            "crops": int(m.sum()),
            "gap_sd_scale": {s: spread_scale(z[m, i]) for i, s in enumerate(contract.STATIONS)},
            "gap_bias_shank": {s: float(np.mean(p["gap"][m, i] - p["true_gap"][m, i])) for i, s in enumerate(contract.STATIONS)},
            "gap_bins_temperature": {s: temperature_bins(p["gap_bins"][m, i], p["true_gap"][m, i]) for i, s in enumerate(contract.STATIONS)},
            "gap_error_correlation": correlation((p["gap"] - p["true_gap"])[m]),
            "points_sd_scale_seen": {s: ellipse_scale(m2[m & seen[:, i], i]) for i, s in enumerate(contract.POINTS)},
            "points_sd_scale_hidden": {s: ellipse_scale(m2[m & ~seen[:, i], i]) for i, s in enumerate(contract.POINTS)},
            "elevation_sd_scale": spread_scale((p["elevation"][m, 0] - p["true_elevation"][m]) / np.exp(np.clip(p["elevation"][m, 1], -6, 1))),
            "scale_sd_scale": spread_scale((p["scale"][m, 0] - p["true_scale"][m]) / np.exp(np.clip(p["scale"][m, 1], -6, 1))),
            "same_pose_error_correlation": pair_correlation((p["gap"] - p["true_gap"])[m], p["pose_id"][m], degrees[m]),
        }
        result["classes"][name.split()[0]] = entry
    result["is_left_temperature"] = temperature_yes_no(p["is_left"][on], p["true_is_left"][on])
    result["present_temperature"] = temperature_yes_no(p["present"], p["true_present"])
    v = p["true_points"].shape[1]
    result["visibility_temperature"] = {contract.POINTS[i]: temperature_yes_no(p["visibility"][on, i], p["true_visible"][on, i]) for i in range(v)}
    azimuth = np.degrees(np.angle(np.exp(1j * (np.arctan2(p["azimuth"][on, 0], p["azimuth"][on, 1]) - np.arctan2(p["true_azimuth"][on, 0], p["true_azimuth"][on, 1])))))
    result["azimuth_error_deg"] = {"median": float(np.median(np.abs(azimuth))), "p95": float(np.quantile(np.abs(azimuth), 0.95))}
    return result


def describe() -> dict:
    """What a reader of the ONNX file needs besides calibration."""
    return {
        "format": 1,
        "input_px": contract.INPUT_PX,
        "crop_side_shanks": contract.CROP_SIDE_SHANKS,
        "crop_rule": "square, upright; side = crop_side_shanks x shank length x px per metre at the leg's depth; "
                     "centre = midpoint of knee joint and heel; bilinear; outside the picture: border, black or grey (all trained)",
        "camera_input": "[elevation over the carpet along the ray to the crop's centre, rad, 0 if unknown; 1 if known else 0]",
        "points": list(contract.POINTS),
        "kneeling_points": contract.KNEELING_POINTS,
        "stations": list(contract.STATIONS),
        "gap_unit": "fraction of the shank length (knee joint to ankle joint)",
        "gap_bin_edges": contract.GAP_BIN_EDGES.tolist(),
        "gap_bin_open_ends": [contract.GAP_OPEN_LOW, contract.GAP_OPEN_HIGH],
        "outputs": {k: list(v) for k, v in contract.OUTPUTS.items()},
        "elevation_classes_deg": [[n.split()[0], lo, hi] for n, lo, hi in contract.ELEVATION_CLASSES],
        "azimuth": "angle from the direction knee to ankle to the direction leg to camera, on the carpet, anticlockwise from above",
        "picture_against_geometry_error_correlation": None,
    }


def plain(x):
    """The same with numbers that are not finite as null: JSON knows no NaN."""
    if isinstance(x, dict):
        return {k: plain(v) for k, v in x.items()}
    if isinstance(x, list):
        return [plain(v) for v in x]
    return None if isinstance(x, float) and not np.isfinite(x) else x


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--model", type=Path, required=True)
    p.add_argument("--data", type=Path, required=True)
    p.add_argument("--json", type=Path, required=True)
    p.add_argument("--limit", type=int)
    p.add_argument("--seed", type=int, default=11)
    p.add_argument("--made", default="{}", help="JSON merged under 'made': command, versions, counts, date")
    o = p.parse_args()
    model = predict.Model(o.model)
    result = describe()
    result["made"] = json.loads(o.made)
    # pictures damaged as in training: renders alone are cleaner than any camera's picture
    for name, known in (("elevation_known", 1.0), ("elevation_unknown", 0.0)):
        result.setdefault("calibration", {})[name] = fit(predict.predict_folder(model, o.data, predict.plan(known, picture=True), o.seed, o.limit))
    temporary = o.json.with_suffix(".tmp")
    temporary.write_text(json.dumps(plain(result), indent=1, allow_nan=False) + "\n")
    os.replace(temporary, o.json)
    for name, c in result["calibration"].items():
        for k, e in c["classes"].items():
            print(name, k, "gap sd scale", {s: round(v["scale"], 2) for s, v in e["gap_sd_scale"].items()},
                  "bins temperature", {s: round(v, 2) for s, v in e["gap_bins_temperature"].items()})


if __name__ == "__main__":
    main()
