"""One against two views on rendered stills that two cameras saw at one instant: runs `shankline join` on each pair and prints what came out against the mesh.

    python scripts/bench/make_stills.py --poses FOLDER --split calibration --cameras 2 --count 45 --out STILLS
    python scripts/bench/join_stills.py STILLS PROGRAM > pairs.jsonl
    python scripts/bench/join_stills.py --table pairs.jsonl [--fit models/fusion.json]

`--fit` puts the factor on the spreads of several views together into the fusion file: the 95 % quantile of all stations' |error| / stated spread over 1.96, times the factor in use. For pairs of calibration bodies only.

The athlete meant is pointed at in both pictures. Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")


def measure(folder: Path, program: str) -> None:
    for first in sorted(folder.glob("*-a.jpg")):
        second = first.with_name(first.name.replace("-a.jpg", "-b.jpg"))
        truths = [json.loads(p.with_suffix(".truth.json").read_text()) for p in (first, second)]
        at = []
        for t in truths:
            at += ["--athlete", ",".join(f"{x / s:.4f}" for x, s in zip(t["points_px"][0], t["image_size"]))]
        with tempfile.TemporaryDirectory() as out:
            run = subprocess.run([program, "join", str(first), str(second), "--stature", f"{truths[0]['stature_m']:.3f}", *at, "--out", out, "--json", "-"], capture_output=True, text=True)
            answer = json.loads(run.stdout) if run.returncode == 0 else {"error": run.stderr.strip()}
        for hold in answer.get("joins", []):
            hold.pop("shown", None)
        print(json.dumps({"name": first.name[:-6], "truth": truths, "answer": answer}), flush=True)


def table(path: Path, fusion: Path | None) -> None:
    lines = [json.loads(x) for x in path.read_text().splitlines()]
    joined = [x for x in lines if x["answer"].get("holds")]
    refused = [x for x in lines if not x["answer"].get("holds")]
    print(f"{len(lines)} pairs; {len(joined)} joined; {len(refused)} not:")
    for x in refused:
        print("  ", x["name"], [n["detail"] for n in x["answer"].get("not_judged", [])] or x["answer"].get("error"))

    def off(x, view):  # the reading on another person or the other leg: the kneeling knee's place tells
        hold = x["answer"]["views"][view]["holds"][x["answer"]["joins"][0]["holds"][view]]
        t = x["truth"][view]
        knee = hold["best_frame"]["surface"][0]
        return np.hypot(knee["u"] - t["points_px"][1][0], knee["v"] - t["points_px"][1][1]) / t["shank_px"]

    misplaced = [x for x in joined if max(off(x, 0), off(x, 1)) > 0.5]
    print("read on another person or leg:", [(x["name"], "contradiction" if x["answer"]["joins"][0]["contradiction"] else "not noticed", x["answer"]["holds"][0]["call"]) for x in misplaced])
    kept = [x for x in joined if x not in misplaced]
    called = [x for x in kept if x["answer"]["joins"][0]["contradiction"]]
    print(f"of the other {len(kept)}: contradiction said {len(called)} times", [x["name"] for x in called])
    rows = {"first": [], "second": [], "better": [], "together": []}
    gap = lambda h: np.array([[g["gap_mm"] + g["natural_hollow_mm"], g["sd_mm"]] for g in h["gaps"]])  # noqa: E731
    truth = np.array([[x["truth"][0]["gap_mm"][s] for s in STATIONS] for x in kept])
    views = [np.array([gap(x["answer"]["views"][v]["holds"][x["answer"]["joins"][0]["holds"][v]]) for x in kept]) for v in (0, 1)]
    both = np.array([gap(x["answer"]["holds"][0]) for x in kept])
    better = np.where((views[0][:, :, 1] <= views[1][:, :, 1])[:, :, None], views[0], views[1])
    for name, m in (("first alone", views[0]), ("second alone", views[1]), ("the surer alone", better), ("together", both)):
        e = m[:, :, 0] - truth
        z = e / m[:, :, 1]
        print(f"{name}: mean absolute error, heel {np.abs(e[:, 5]).mean():.1f} mm, calf {np.abs(e[:, 1:4]).mean():.1f} mm; stated (rms) heel {np.sqrt((m[:, 5, 1] ** 2).mean()):.1f}, calf {np.sqrt((m[:, 1:4, 1] ** 2).mean()):.1f}; 95 % covers {100 * (np.abs(z) < 1.96).mean():.1f} %; |z| 95 %/1.96 by station {np.round(np.quantile(np.abs(z), 0.95, axis=0) / 1.96, 2)}")

    def calls(get):
        checks = [(f, x) for x in kept for f in get(x)["findings"]]
        wrong = tell = 0
        for f, x in checks:
            stations = STATIONS[:5] if f["check"] != [g["check"] for g in get(x)["findings"]][-1] else STATIONS[5:]
            hollow = {g["station"]: g["natural_hollow_mm"] for g in get(x)["gaps"]}
            worst = max(x["truth"][0]["gap_mm"][s] - hollow[s] for s in stations)
            fault = worst > f["tolerance_mm"]
            tell += f["call"] != "cannot_tell"
            wrong += (f["call"] == "suspected" and not fault) or (f["call"] == "clear" and fault)
        return f"{len(checks)} checks, told {tell}, of them untrue {wrong}"

    own = lambda v: (lambda x: x["answer"]["views"][v]["holds"][x["answer"]["joins"][0]["holds"][v]])  # noqa: E731
    print("calls: first", calls(own(0)), "| second", calls(own(1)), "| together", calls(lambda x: x["answer"]["holds"][0]))
    # The parts: correlation of their errors over stated spreads.
    z = {}
    for x, t in zip(kept, truth):
        parts = {p["view"]: (np.array(p["gap_mm"]) - t) / np.array(p["sd_mm"]) for p in x["answer"]["joins"][0]["parts"]}
        if set(parts) == {None, 0, 1}:
            for k, v in parts.items():
                z.setdefault(k, []).append(np.clip(v, -4, 4))
    z = {k: np.array(v) for k, v in z.items()}
    for a, b in ((0, 1), (None, 0), (None, 1)):
        c = [np.corrcoef(z[a][:, i], z[b][:, i])[0, 1] for i in range(6)]
        print(f"correlation of parts {a} and {b}: {np.round(c, 2)}, mean {np.mean(c):.2f} ({len(z[a])} pairs)")
    if fusion:
        numbers = json.loads(fusion.read_text())
        together = np.abs((both[:, :, 0] - truth) / both[:, :, 1])
        factor = max(1.0, numbers.get("several_views_sd_factor", 1.0) * float(np.quantile(together, 0.95)) / 1.96)
        numbers["several_views_sd_factor"] = round(factor, 2)
        numbers["several_views_made_by"] = f"several_views_sd_factor by scripts/bench/join_stills.py on {len(kept)} calibration legs that two cameras saw, {time.strftime('%Y-%m-%d')}"
        temporary = fusion.with_suffix(".tmp")
        temporary.write_text(json.dumps(numbers, indent=1) + "\n")
        os.replace(temporary, fusion)
        print(f"several views' factor {factor:.2f}, put into {fusion}")
    for k in z:
        print(f"part {k}: |z| 95 %/1.96 {np.round(np.quantile(np.abs(z[k]), 0.95, axis=0) / 1.96, 2)}, rms z {np.round(np.sqrt((z[k] ** 2).mean(0)), 2)}")


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("folder", type=Path, nargs="?")
    p.add_argument("program", nargs="?")
    p.add_argument("--table", type=Path)
    p.add_argument("--fit", type=Path, help="with --table: the fusion file to put several views' factor into")
    o = p.parse_args()
    if o.table:
        table(o.table, o.fit)
    elif o.folder and o.program:
        measure(o.folder, o.program)
    else:
        sys.exit("give STILLS and PROGRAM, or --table FILE")


if __name__ == "__main__":
    main()
