"""Truth of posed bodies for the keypoint bench: fixtures/bench/poses.csv, from the files that scripts/train/produce.py writes.

    cd scripts/train
    python produce.py poses --split calibration --count 600 --others 0 --seed 41 --out POSES_CALIBRATION
    python produce.py poses --split test --count 600 --others 0 --seed 41 --out POSES_TEST
    python ../bench/make_poses.py --calibration POSES_CALIBRATION... --test POSES_TEST... --out ../../fixtures/bench/poses.csv

Points and gaps are measured on the posed mesh. The bodies of the two halves differ, and neither half shares bodies with models/leg_shape.json (made from the train split).
Lengths are in tenths of a millimetre, carpet frame; points in the order of src/pose/track.rs. Rendered bodies, not athletes.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

import numpy as np

POINTS = ("knee_joint", "knee_floor", "calf25_floor", "calf50_floor", "calf75_floor", "ankle_inner", "ankle_outer", "heel_back", "heel_floor",
          "big_toe_tip", "small_toe_tip")
STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")


def rows_of(folders: list[Path], half: str, most: int) -> list[str]:
    rows = []
    for path in sorted(p for f in folders for p in f.glob("truth_*.npz")):
        with np.load(path, allow_pickle=False) as f:
            a = {name: f[name] for name in f.files}
        for i in np.flatnonzero(a["kind"] == "stance"):
            points = a["points"][i][: len(POINTS)].astype(float)
            # about the leg's middle, so that the numbers stay short
            points[:, :2] -= points[[0, 7], :2].mean(0)
            lengths = [a["stature_m"][i], a["shank_length_m"][i], *(a["gap_mm"][i] / 1000.0), *points.ravel()]
            rows.append(",".join([half, "left" if a["left"][i] else "right", *(str(round(float(x) * 1e4)) for x in lengths)]))
    return rows[:most]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--calibration", nargs="+", type=Path, required=True)
    parser.add_argument("--test", nargs="+", type=Path, required=True)
    parser.add_argument("--most", type=int, default=800, help="poses a half at most")
    parser.add_argument("--out", type=Path, required=True)
    o = parser.parse_args()
    rows = [*rows_of(o.calibration, "calibration", o.most), *rows_of(o.test, "test", o.most)]
    head = ["half", "kneeling_leg", "stature", "shank", *(f"gap_{s}" for s in STATIONS), *(f"{p}_{axis}" for p in POINTS for axis in "xyz")]
    temporary = o.out.with_suffix(".tmp")
    temporary.write_text("\n".join([",".join(head), *rows]) + "\n")
    os.replace(temporary, o.out)
    print(f"{len(rows)} poses, {o.out.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
