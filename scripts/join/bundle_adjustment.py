"""Two views of one leg fitted by SciPy, for tests/join_outside.rs: tests/data/joined/two_views.json.

    python scripts/join/bundle_adjustment.py

Seeded cameras over the carpet (with their covariances), a tie of the second carpet frame, a leg drawn from models/leg_shape.json, image points with noise. Bundle adjustment by
`scipy.optimize.least_squares` (trust region, numeric Jacobian) over the knee's place, the heading, the shank's length, both cameras, the tie and the shape's modes, all priors as
residuals; covariance of the six gaps from (J^T J)^-1. Written from the definitions in src/leg/observe.rs, not from its code: rotations by SciPy, derivatives numeric.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

ROOT = Path(__file__).resolve().parents[2]
SIZE = [1920, 1080]
SHANK, SHANK_SD = 0.42, 0.021
POINTS, STATIONS = 11, 6


def camera(elevation_deg: float, azimuth_deg: float, distance_m: float, focal_px: float):
    """World-to-camera rotation and translation of a level camera that looks at the origin."""
    e, a = np.radians([elevation_deg, azimuth_deg])
    centre = distance_m * np.array([np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e)])
    forward = -centre / np.linalg.norm(centre)
    right = np.cross(forward, [0, 0, 1])
    right /= np.linalg.norm(right)
    R = np.stack([right, np.cross(forward, right), forward])
    return R, -R @ centre, focal_px


def project(R, t, f, X):
    c = X @ R.T + t
    return np.array(SIZE) / 2 + f * c[:, :2] / c[:, 2:]


def stepped(cam, step):
    """ln focal, rotation vector about the camera's axes, translation."""
    R, t, f = cam
    return Rotation.from_rotvec(step[1:4]).as_matrix() @ R, t + step[4:7], f * np.exp(step[0])


def main() -> None:
    rng = np.random.default_rng(6)
    shape = json.loads((ROOT / "models" / "leg_shape.json").read_text())
    mean, basis = np.array(shape["mean"]), np.array(shape["modes"]).T
    modes = basis.shape[1]
    cams = [camera(5.0, 70.0, 4.0, 1500.0), camera(28.0, 165.0, 6.0, 2100.0)]
    roots = []
    for scale in (1.0, 1.5):
        sd = scale * np.array([0.01, 0.004, 0.004, 0.004, 0.015, 0.015, 0.015])
        q, _ = np.linalg.qr(rng.standard_normal((7, 7)))
        roots.append(np.diag(sd) @ q @ np.diag(rng.uniform(0.5, 1.5, 7)))
    tie, tie_root = np.array([0.31, -0.18, 0.6]), np.array([[0.05, 0, 0], [0.01, 0.06, 0], [0.02, -0.03, 0.08]])
    sigma = np.array([[1.3, 0.4], [0.4, 0.9]])
    white = np.linalg.cholesky(np.linalg.inv(sigma)).T

    def leg(x):
        """Points (11, 3) and gaps (6) of the leg, first carpet frame, metres."""
        s = (mean + basis @ x[4:][-modes:]) * SHANK * np.exp(SHANK_SD / SHANK * x[3])
        c, n = np.cos(x[2]), np.sin(x[2])
        p = s[: 3 * POINTS].reshape(-1, 3) @ np.array([[c, -n, 0], [n, c, 0], [0, 0, 1]]).T
        return p + [x[0], x[1], 0], s[3 * POINTS :]

    def seen(x):
        p, _ = leg(x)
        own = tie + tie_root @ x[4 + 14 : 4 + 17]
        c, n = np.cos(own[2]), np.sin(own[2])
        q = p @ np.array([[c, -n, 0], [n, c, 0], [0, 0, 1]]).T + [own[0], own[1], 0]
        return [project(*stepped(cams[k], roots[k] @ x[4 + 7 * k : 11 + 7 * k]), v) for k, v in enumerate((p, q))]

    size = 4 + 14 + 3 + modes
    truth = np.concatenate([[0.03, -0.05, 2.2], rng.standard_normal(size - 3) * 0.7])
    noise = [rng.multivariate_normal([0, 0], sigma, POINTS) for _ in cams]
    observed = [s + n for s, n in zip(seen(truth), noise)]

    def residuals(x):
        misses = [(s - o) @ white.T for s, o in zip(seen(x), observed)]
        return np.concatenate([m.ravel() for m in misses] + [x[3:]])

    start = np.zeros(size)
    start[:3] = truth[:3] + [0.02, 0.02, 0.1]
    fit = least_squares(residuals, start, method="trf", x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-12)
    assert np.abs(residuals(fit.x)[: 4 * POINTS]).max() < 3.0, "a residual so large that the program would soften it; take another seed"

    def gaps(x):
        return 1000 * leg(x)[1]

    h = 1e-6
    slope = np.stack([(gaps(fit.x + h * e) - gaps(fit.x - h * e)) / (2 * h) for e in np.eye(size)], 1)
    spread = np.linalg.inv(fit.jac.T @ fit.jac)
    pick = np.zeros((3, size))
    pick[:, 18:21] = tie_root
    out = {
        "made_by": "scripts/join/bundle_adjustment.py",
        "image_size": SIZE,
        "shank_m": SHANK,
        "shank_sd_m": SHANK_SD,
        "cameras": [{"rotation": R.tolist(), "translation_m": t.tolist(), "focal_px": f, "covariance": (root @ root.T).tolist()} for (R, t, f), root in zip(cams, roots)],
        "tie": {"x_y_yaw": tie.tolist(), "covariance": (tie_root @ tie_root.T).tolist()},
        "point_covariance_px2": sigma.tolist(),
        "observed_px": [o.tolist() for o in observed],
        "scipy": {
            "cost": 2 * fit.cost,
            "gap_mm": gaps(fit.x).tolist(),
            "gap_covariance_mm2": (slope @ spread @ slope.T).tolist(),
            "points_m": leg(fit.x)[0].tolist(),
            "tie": (tie + tie_root @ fit.x[18:21]).tolist(),
            "tie_covariance": (pick @ spread @ pick.T).tolist(),
        },
    }
    path = ROOT / "tests" / "data" / "joined" / "two_views.json"
    text = json.dumps(out, separators=(",", ":"))
    path.with_suffix(".tmp").write_text(text + "\n")
    path.with_suffix(".tmp").rename(path)
    print(f"gaps {np.round(gaps(fit.x), 1)} mm, sd {np.round(np.sqrt(np.diag(slope @ spread @ slope.T)), 2)} mm; {len(text)} bytes")


if __name__ == "__main__":
    main()
