"""Tables from measured stills: how often the call is right, and does it know when it cannot tell.

    python scripts/bench/table.py measured.jsonl [--markdown FILE]

measured.jsonl comes from `cargo run --release --example measure_stills -- FOLDER`. Statistics by scikit-learn (Brier score, area under the curve) and
statsmodels (Wilson intervals). Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from sklearn.metrics import brier_score_loss, roc_auc_score
from statsmodels.stats.proportion import proportion_confint

STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")
PARTS = {"inner_calf": STATIONS[:5], "inner_heel": STATIONS[5:]}
CLASSES = (("low (<10°)", -90, 10), ("middle (10-25°)", 10, 25), ("high (≥25°)", 25, 91))


def share(k: int, n: int) -> str:
    """k of n with its 95 % Wilson interval, per cent."""
    if n == 0:
        return "-"
    low, high = proportion_confint(k, n, method="wilson")
    return f"{100 * k / n:.0f} % ({100 * low:.0f}-{100 * high:.0f}; {k}/{n})"


def rows_of(lines: list[dict], floor: str, pick) -> list[dict]:
    """One row a check of every still of one floor."""
    rows = []
    for line in lines:
        if line["floor"] != floor or not pick(line):
            continue
        hold = line.get("hold")
        if hold is None:
            rows.append({"missing": True, "line": line})
            continue
        by_station = {g["station"]: g for g in hold["gaps"]}
        for finding in hold["findings"]:
            stations = PARTS[finding["check"]]
            truth = {s: line["truth"]["gap_mm"][s] - by_station[s]["natural_hollow_mm"] for s in stations}
            rows.append({
                "missing": False, "line": line, "check": finding["check"], "call": finding["call"], "p": finding["fault_probability"],
                "fault": max(truth.values()) > finding["tolerance_mm"], "worst": max(truth.values()), "tolerance": finding["tolerance_mm"],
                "leg_right": hold["kneeling_leg"] == line["truth"]["kneeling_leg"],
                "errors": {s: by_station[s]["gap_mm"] - truth[s] for s in stations}, "sds": {s: by_station[s]["sd_mm"] for s in stations},
            })
    return rows


def table(lines: list[dict], pick=lambda line: True) -> str:
    out = ["| floor | view | stills | not found | heel MAE / bias / 95th, mm | calf MAE / bias, mm | 95 % interval covers | faults called (suspected) | of clean: suspected | wrong confident calls | cannot tell | AUC | Brier |",
           "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |"]
    for floor in ("marks", "body", "body_only"):
        for name, low, high in CLASSES:
            rows = rows_of(lines, floor, lambda line: low <= line["truth"]["elevation_deg"] < high and pick(line))
            missing = sum(r["missing"] for r in rows)
            rows = [r for r in rows if not r["missing"]]
            if not rows:
                continue
            heel = np.array([r["errors"]["heel"] for r in rows if r["check"] == "inner_heel"])
            calf = np.array([e for r in rows if r["check"] == "inner_calf" for e in r["errors"].values()])
            z = np.array([r["errors"][s] / r["sds"][s] for r in rows for s in r["errors"]])
            fault = np.array([r["fault"] for r in rows])
            p = np.array([r["p"] for r in rows])
            # a fault within 3 mm of the tolerance is neither right nor wrong to call
            decided = [r for r in rows if abs(r["worst"] - r["tolerance"]) > 3]
            wrong = sum((r["call"] == "suspected" and not r["fault"]) or (r["call"] == "clear" and r["fault"]) for r in decided)
            caught = sum(r["call"] == "suspected" for r in decided if r["fault"])
            false = sum(r["call"] == "suspected" for r in decided if not r["fault"])
            auc = roc_auc_score(fault, p) if 0 < fault.sum() < len(fault) else float("nan")
            out.append(
                f"| {floor} | {name} | {len(rows) // 2} | {missing} | {np.abs(heel).mean():.1f} / {heel.mean():+.1f} / {np.quantile(np.abs(heel), 0.95):.0f} | "
                f"{np.abs(calf).mean():.1f} / {calf.mean():+.1f} | {share(int((np.abs(z) < 1.96).sum()), len(z))} | "
                f"{share(caught, sum(r['fault'] for r in decided))} | {share(false, sum(not r['fault'] for r in decided))} | {share(wrong, len(decided))} | "
                f"{share(sum(r['call'] == 'cannot_tell' for r in rows), len(rows))} | {auc:.2f} | {brier_score_loss(fault, p):.3f} |")
    return "\n".join(out)


def reliability(lines: list[dict]) -> str:
    """Stated fault probability against the share of faults, all floors."""
    rows = [r for floor in ("marks", "body", "body_only") for r in rows_of(lines, floor, lambda line: True) if not r["missing"]]
    p, fault = np.array([r["p"] for r in rows]), np.array([r["fault"] for r in rows])
    out = ["| stated probability of a fault | cases | mean stated | share of faults |", "| --- | --- | --- | --- |"]
    for low, high in ((0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        m = (p >= low) & (p < high)
        if m.any():
            out.append(f"| {low:.1f}-{min(high, 1):.1f} | {m.sum()} | {p[m].mean():.2f} | {share(int(fault[m].sum()), int(m.sum()))} |")
    ece = sum(abs(p[m].mean() - fault[m].mean()) * m.mean() for m in [(p >= a) & (p < a + 0.1 + (a > 0.85)) for a in np.arange(0, 0.95, 0.1)] if m.any())
    return "\n".join(out) + f"\n\nExpected calibration error {ece:.3f}."


def parts(lines: list[dict]) -> str:
    """Errors of the geometric fit and of the picture's reading by themselves, and how they go together."""
    out = ["| floor | station | picture MAE, z rms | geometry MAE, z rms | correlation |", "| --- | --- | --- | --- | --- |"]
    for floor in ("marks", "body"):
        these = [x for x in lines if x["floor"] == floor and x.get("geometry") and x.get("picture")]
        if len(these) < 10:
            continue
        for i, s in enumerate(STATIONS):
            t = np.array([x["truth"]["gap_mm"][s] for x in these])
            e = {k: np.array([x[k]["gap_mm"][i] for x in these]) - t for k in ("picture", "geometry")}
            sd = {k: np.array([x[k]["sd_mm"][i] for x in these]) for k in ("picture", "geometry")}
            z = {k: np.clip(e[k] / sd[k], -6, 6) for k in e}
            out.append(f"| {floor} | {s} | {np.abs(e['picture']).mean():.1f}, {np.sqrt((z['picture'] ** 2).mean()):.2f} | "
                       f"{np.abs(e['geometry']).mean():.1f}, {np.sqrt((z['geometry'] ** 2).mean()):.2f} | {np.corrcoef(z['picture'], z['geometry'])[0, 1]:.2f} |")
    return "\n".join(out)


def points(lines: list[dict]) -> str:
    """Median and 95th percentile of point errors, per cent of the shank: our network against the general one, same pictures."""
    ours, general = {}, {}
    names = {"knee_joint": (0, (2, 3)), "ankle": (5, (4, 5)), "heel_back": (7, (6, 7)), "big_toe_tip": (9, (8, 9))}
    for x in lines:
        if x["floor"] != "body" or not x.get("points") or not x.get("body"):
            continue
        truth, shank = np.array(x["truth"]["points_px"]), x["truth"]["shank_px"]
        left = x["truth"]["kneeling_leg"] == "left"
        for name, (i, (l, r)) in names.items():
            t = (truth[5] + truth[6]) / 2 if name == "ankle" else truth[i]
            at = lambda k: np.array([k["at"]["u"], k["at"]["v"]])  # noqa: E731
            o = (at(x["points"][5]) + at(x["points"][6])) / 2 if name == "ankle" else at(x["points"][i])
            g = at(x["body"][l if left else r])
            ours.setdefault(name, []).append(100 * np.linalg.norm(o - t) / shank)
            general.setdefault(name, []).append(100 * np.linalg.norm(g - t) / shank)
    out = ["| point | lower-leg network: median / 95th, % of shank | general network: median / 95th |", "| --- | --- | --- |"]
    for name in ours:
        q = lambda a: f"{np.median(a):.1f} / {np.quantile(a, 0.95):.1f}"  # noqa: E731
        out.append(f"| {name} | {q(ours[name])} | {q(general[name])} |")
    return "\n".join(out)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("measured", type=Path)
    p.add_argument("--markdown", type=Path)
    o = p.parse_args()
    lines = [json.loads(t) for t in o.measured.read_text().splitlines() if t.strip()]
    text = "\n\n".join(["### Calls", table(lines), "### Reliability", reliability(lines), "### Points", points(lines), "### Geometry and picture by themselves", parts(lines),
                        "### Clothes", *(f"{c}:\n\n{table(lines, lambda x, c=c: x['truth']['clothing'] == c)}" for c in sorted({x["truth"]["clothing"] for x in lines}))]) + "\n"
    if o.markdown:
        o.markdown.write_text(text)
    print(text)


if __name__ == "__main__":
    main()
