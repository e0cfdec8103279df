"""Errors of a lower-leg network on any folder of crop shards, the bad cases included.

    python evaluate.py --model models/lower_leg.onnx --json models/lower_leg.json --data DIR [--unknown] [--still]
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from sklearn.metrics import roc_auc_score

import calibrate
import contract
import predict

#: Share of the kneeling leg's points from which on a leg counts as seen.
SEEN = 0.7
#: Classes of the shank's length in the frame that the crop was cut from, px: below about 120 the crop is blown up.
RESOLUTIONS = (("under 80 px a shank", 0.0, 80.0), ("80-140 px", 80.0, 140.0), ("over 140 px", 140.0, 1e9))
GAP_SIZES = (("0-5", -50.0, 5.0), ("5-30", 5.0, 30.0), ("30-120", 30.0, 120.0))


def apply_calibration(p: dict, numbers: dict) -> dict:
    """Scales spreads and bins by the class of the elevation that the network is told, or else predicts."""
    degrees = np.degrees(np.where(p["camera"][:, 1] > 0.5, p["camera"][:, 0], p["elevation"][:, 0]))
    p = dict(p)
    p["gap_log_sd"], p["gap_bins"], p["points_cholesky"] = p["gap_log_sd"].copy(), p["gap_bins"].copy(), p["points_cholesky"].copy()
    for name, low, high in contract.ELEVATION_CLASSES:
        e = numbers["classes"].get(name.split()[0]) or numbers["classes"].get("all")
        m = (degrees >= low) & (degrees < high)
        if e is None or not m.any():
            continue
        for i, s in enumerate(contract.STATIONS):
            p["gap_log_sd"][m, i] += np.log(e["gap_sd_scale"][s]["scale"])
            p["gap_bins"][m, i] /= e["gap_bins_temperature"][s]
        for i, s in enumerate(contract.POINTS):
            p["points_cholesky"][m, i] *= e["points_sd_scale_seen"][s]["scale"]
    return p


def any_over(p: dict, tolerance_mm: float, stations=slice(None)) -> np.ndarray:
    """Score that some station's gap exceeds a tolerance: the largest of the stations' probabilities."""
    t = tolerance_mm / 1000 / p["true_shank_m"]
    return contract.probability_over(p["gap_bins"][:, stations], t[:, None]).max(1)


def auc(score, yes, no) -> float:
    if yes.sum() < 3 or no.sum() < 3:
        return float("nan")
    return float(roc_auc_score(np.r_[np.ones(yes.sum()), np.zeros(no.sum())], np.r_[score[yes], score[no]]))


def caught(score, yes, no, false_share: float) -> float:
    if yes.sum() < 3 or no.sum() < 3:
        return float("nan")
    return float((score[yes] > np.quantile(score[no], 1 - false_share)).mean())


def points_off(p: dict, pick: np.ndarray) -> np.ndarray:
    """Distance of every point of the chosen crops from the truth, % of the shank; NaN where it is not in the crop."""
    d = np.linalg.norm(p["points"][pick] - p["true_points"][pick], axis=-1) / np.exp(p["true_scale"][pick])[:, None] * 100
    return np.where(p["true_in_crop"][pick] > 0.5, d, np.nan)


def summary(p: dict, pick: np.ndarray) -> dict:
    """All figures of the chosen crops; gaps in mm, points in % of the shank."""
    mm = p["true_shank_m"][pick, None] * 1000
    truth = p["true_gap"][pick] * mm
    error = p["gap"][pick] * mm - truth
    bins_error = contract.bin_mean(p["gap_bins"][pick]) * mm - truth
    sd = np.exp(p["gap_log_sd"][pick]) * mm
    out: dict = {"n": int(pick.sum()), "gap": {}, "by_size": {}}
    for i, s in enumerate(contract.STATIONS):
        out["gap"][s] = dict(mae=float(np.abs(error[:, i]).mean()), bias=float(error[:, i].mean()), sd=float(error[:, i].std()),
                             bins_mae=float(np.abs(bins_error[:, i]).mean()), cover95=float((np.abs(error[:, i]) < 1.96 * sd[:, i]).mean()))
        for name, low, high in GAP_SIZES:
            m = (truth[:, i] >= low) & (truth[:, i] < high)
            if m.sum() >= 5:
                out["by_size"].setdefault(name, {})[s] = dict(n=int(m.sum()), mae=float(np.abs(error[m, i]).mean()), bias=float(error[m, i].mean()), sd=float(error[m, i].std()))
    out["cover95"] = float((np.abs(error) < 1.96 * sd).mean())
    d = points_off(p, pick)
    m2 = calibrate.mahalanobis2(p["points"][pick], p["true_points"][pick], p["points_cholesky"][pick])
    out["points"] = {}
    for i, s in enumerate(contract.POINTS):
        ok = np.isfinite(d[:, i])
        if ok.sum() >= 5:
            out["points"][s] = dict(n=int(ok.sum()), median=float(np.median(d[ok, i])), p95=float(np.quantile(d[ok, i], 0.95)), cover95=float((m2[ok, i] < 5.991).mean()))
    largest = truth.max(1)
    score = any_over({k: v[pick] for k, v in p.items() if k in ("gap_bins", "true_shank_m")}, 12.0)
    yes, no = largest >= 20, largest <= 5
    out["any20"] = dict(auc=auc(score, yes, no), caught2=caught(score, yes, no, 0.02), caught5=caught(score, yes, no, 0.05), yes=int(yes.sum()), no=int(no.sum()))
    heel = any_over({k: v[pick] for k, v in p.items() if k in ("gap_bins", "true_shank_m")}, 10.0, slice(5, 6))
    yes, no = truth[:, 5] >= 15, truth[:, 5] <= 5
    out["heel15"] = dict(auc=auc(heel, yes, no), caught2=caught(heel, yes, no, 0.02), caught5=caught(heel, yes, no, 0.05), yes=int(yes.sum()), no=int(no.sum()))
    # is a probability of 0.9 right nine times in ten? gap over 15 mm at any one station
    t = 15.0 / 1000 / p["true_shank_m"][pick]
    q = contract.probability_over(p["gap_bins"][pick], t[:, None]).ravel()
    y = (truth > 15).ravel()
    out["reliability_15mm"] = [dict(said=float(q[m].mean()), was=float(y[m].mean()), n=int(m.sum())) for lo, hi in
                               ((0, .02), (.02, .1), (.1, .3), (.3, .7), (.7, .9), (.9, .98), (.98, 1.01)) if (m := (q >= lo) & (q < hi)).sum() >= 20]
    return out


def report(p: dict) -> dict:
    """The figures by elevation, clothing, footwear and carpet; presence and side."""
    on = p["true_present"] > 0.5
    degrees = np.degrees(p["true_elevation"])
    fields = ("clothing", "footwear", "carpet", "light", "held_out")
    out: dict = {"elevation": {}, "resolution": {}, "seen": {}, **{f: {} for f in fields}}
    for name, low, high in contract.ELEVATION_CLASSES:
        m = on & (degrees >= low) & (degrees < high)
        if m.sum() >= 10:
            out["elevation"][name] = summary(p, m)
    for name, low, high in RESOLUTIONS:
        m = on & (p["source_shank_px"] >= low) & (p["source_shank_px"] < high)
        if m.sum() >= 30:
            out["resolution"][name] = summary(p, m)
    seen = p["true_visible"][:, :contract.KNEELING_POINTS].mean(1)
    for which, part in ((f"{SEEN:.0%} of the leg's points or more", seen >= SEEN), (f"less than {SEEN:.0%} of them", seen < SEEN)):
        for name, low, high in contract.ELEVATION_CLASSES:
            m = on & part & (degrees >= low) & (degrees < high)
            if m.sum() >= 10:
                out["seen"][f"{which}, {name}"] = summary(p, m)
    for field in fields:
        for value in sorted(set(p[field][on].tolist())):
            m = on & (p[field] == value)
            if m.sum() >= 30:
                out[field][str(value)] = summary(p, m)
    # legs of ordinary poses: no stance, but some of their points are known
    d = points_off(p, ~on)
    known = d[np.isfinite(d)]
    middle, most = np.quantile(known, (0.5, 0.95)).tolist() if known.size else (float("nan"),) * 2
    out["ordinary"] = dict(legs=int(np.isfinite(d).any(1).sum()), median=middle, p95=most)
    out["present"] = dict(auc=auc(p["present"], on, ~on), accuracy=float(((p["present"] > 0) == on).mean()), negatives=int((~on).sum()))
    out["is_left_accuracy"] = float(((p["is_left"] > 0) == (p["true_is_left"] > 0.5))[on].mean())
    out["elevation_error_deg"] = float(np.degrees(np.abs(p["elevation"][:, 0] - p["true_elevation"]))[on].mean())
    return out


def show(r: dict, before: str = "") -> None:
    for field in ("elevation", "resolution", "seen", "clothing", "footwear", "carpet", "light", "held_out"):
        for name, s in r[field].items():
            print(f"{before}{field} {name} n={s['n']}")
            if field == "elevation":
                print("  gap mm  " + "  ".join(f"{k}: MAE {v['mae']:.1f} bias {v['bias']:+.1f} SD {v['sd']:.1f} (bins {v['bins_mae']:.1f}) cover {v['cover95'] * 100:.0f}%" for k, v in s["gap"].items()))
                for size, stations in s["by_size"].items():
                    print(f"  true {size} mm  " + "  ".join(f"{k}: MAE {v['mae']:.1f} bias {v['bias']:+.1f} (n {v['n']})" for k, v in stations.items()))
                print("  points %  " + "  ".join(f"{k}: {v['median']:.2f}/{v['p95']:.1f} cover {v['cover95'] * 100:.0f}%" for k, v in s["points"].items()))
                print("  said/was over 15 mm  " + "  ".join(f"{v['said']:.2f}/{v['was']:.2f}({v['n']})" for v in s["reliability_15mm"]))
            else:
                print("  gap MAE mm  " + "  ".join(f"{k} {v['mae']:.1f}" for k, v in s["gap"].items()))
            a, h = s["any20"], s["heel15"]
            print(f"  any gap>=20 against all<=5 mm: AUC {a['auc']:.3f} caught {a['caught2'] * 100:.0f}% / {a['caught5'] * 100:.0f}% at 2 % / 5 % false ({a['yes']}/{a['no']});"
                  f" heel>=15: AUC {h['auc']:.3f} caught {h['caught2'] * 100:.0f}% / {h['caught5'] * 100:.0f}% ({h['yes']}/{h['no']}); 95 % covers {s['cover95'] * 100:.0f}%")
    print(f"{before}ordinary legs {r['ordinary']['legs']}: points {r['ordinary']['median']:.1f} % of the shank off in the middle, 95 % under {r['ordinary']['p95']:.0f}")
    print(f"{before}present AUC {r['present']['auc']:.3f} accuracy {r['present']['accuracy']:.3f} ({r['present']['negatives']} negatives);"
          f" side right {r['is_left_accuracy']:.3f}; elevation off by {r['elevation_error_deg']:.1f} deg")


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--model", type=Path, required=True)
    p.add_argument("--json", type=Path, help="calibration to apply; without it the network's own numbers are used")
    p.add_argument("--data", type=Path, required=True)
    p.add_argument("--out", type=Path, help="write the figures as JSON")
    p.add_argument("--limit", type=int)
    p.add_argument("--unknown", action="store_true", help="do not tell the network the camera's elevation")
    p.add_argument("--still", action="store_true", help="crops placed exactly by the truth")
    p.add_argument("--damaged", action="store_true", help="disturb the pictures as in training")
    p.add_argument("--seed", type=int, default=21)
    o = p.parse_args()
    known = 0.0 if o.unknown else 1.0
    result = predict.predict_folder(predict.Model(o.model), o.data, predict.plan(known, o.still, o.damaged), o.seed, o.limit)
    if o.json:
        result = apply_calibration(result, json.loads(o.json.read_text())["calibration"]["elevation_unknown" if o.unknown else "elevation_known"])
    r = report(result)
    show(r)
    if o.out:
        o.out.write_text(json.dumps(r, indent=1) + "\n")


if __name__ == "__main__":
    main()
