"""What the lower-leg network takes and gives: names, orders, units and bin edges.

Everything that a reader of ``models/lower_leg.onnx`` must know is here once and is
written into ``models/lower_leg.json`` from here.

Frames: a crop's origin is at the top-left pixel's corner, x right, y down, px. The
carpet frame has Z up and Z = 0 on the carpet.
"""

from __future__ import annotations

import numpy as np

#: Side of the network's square input, px.
INPUT_PX = 256
#: Side of the crop window in shank lengths (times px per metre at the leg's depth).
CROP_SIDE_SHANKS = 2.1
#: Side of the window kept on disk in shank lengths: the margin that jitter draws on.
STORE_SIDE_SHANKS = 2.94
#: Side of the stored picture, px (as many px per shank as the network's input has).
STORE_PX = 352

#: Points of the kneeling leg, then of the front foot.
POINTS = (
    "knee_joint",
    "knee_floor",
    "calf25_floor",
    "calf50_floor",
    "calf75_floor",
    "ankle_inner",
    "ankle_outer",
    "heel_back",
    "heel_floor",
    "big_toe_tip",
    "small_toe_tip",
    "front_heel_sole",
    "front_ball_sole",
    "front_big_toe_tip",
    "front_small_toe_tip",
)
KNEELING_POINTS = 11

#: Places along the inner side of the kneeling lower leg where the gap is measured.
STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")

#: Inner edges of the gap's bins, as a fraction of the shank length. The first bin is
#: everything under the first edge, the last everything over the last edge.
GAP_BIN_EDGES = np.array(
    [0.005, 0.010, 0.015, 0.020, 0.030, 0.040, 0.050, 0.060, 0.070, 0.080, 0.090, 0.100,
     0.120, 0.140, 0.160, 0.180, 0.200, 0.240, 0.280, 0.340, 0.420],
    dtype=np.float64,
)
#: Width given to the two open bins when a value is read inside them.
GAP_OPEN_LOW = -0.03
GAP_OPEN_HIGH = 0.60
GAP_BINS = len(GAP_BIN_EDGES) + 1

#: Output names and trailing shapes, in the order of the ONNX file.
OUTPUTS = {
    "points": (len(POINTS), 2),
    "points_cholesky": (len(POINTS), 3),
    "visibility": (len(POINTS),),
    "gap": (len(STATIONS),),
    "gap_log_sd": (len(STATIONS),),
    "gap_bins": (len(STATIONS), GAP_BINS),
    "elevation": (2,),
    "azimuth": (2,),
    "scale": (2,),
    "is_left": (),
    "present": (),
}

#: Camera elevation classes used wherever results are printed, degrees: [low, high).
ELEVATION_CLASSES = (("low (<=10)", -90.0, 10.0), ("middle (10-25)", 10.0, 25.0), ("high (>=25)", 25.0, 90.0))


def bin_bounds() -> np.ndarray:
    """All bin bounds with the open ends closed, ``[GAP_BINS + 1]`` fractions of a shank."""
    return np.concatenate([[GAP_OPEN_LOW], GAP_BIN_EDGES, [GAP_OPEN_HIGH]])


def probability_over(gap_bins_logits: np.ndarray, tolerance: np.ndarray | float) -> np.ndarray:
    """Probability that a gap exceeds a tolerance, from the bins.

    ``gap_bins_logits``: ``[..., GAP_BINS]``; ``tolerance``: fraction of the shank length,
    broadcast against the leading axes. A bin's probability is spread evenly inside it.
    """
    logits = np.asarray(gap_bins_logits, dtype=np.float64)
    p = np.exp(logits - logits.max(-1, keepdims=True))
    p /= p.sum(-1, keepdims=True)
    bounds = bin_bounds()
    low, high = bounds[:-1], bounds[1:]
    t = np.asarray(tolerance, dtype=np.float64)[..., None]
    share = np.clip((high - t) / (high - low), 0.0, 1.0)
    return (p * share).sum(-1)


def bin_mean(gap_bins_logits: np.ndarray) -> np.ndarray:
    """Mean gap (fraction of a shank) of the bins' distribution, ``[...]``."""
    logits = np.asarray(gap_bins_logits, dtype=np.float64)
    p = np.exp(logits - logits.max(-1, keepdims=True))
    p /= p.sum(-1, keepdims=True)
    bounds = bin_bounds().copy()
    bounds[0] = -0.005  # the low open bin really ends near the compressed flesh
    return (p * (bounds[:-1] + bounds[1:]) / 2).sum(-1)
