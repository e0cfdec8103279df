"""Plain data that passes between the modules of the scene generator.

Frames: carpet (Z up, Z = 0 on the carpet, metres); camera (x right, y down, z forward, metres); image (origin at the
top-left pixel's corner, so that pixel (0, 0) has its centre at (0.5, 0.5)).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

#: Places along the kneeling lower leg where the gap to the carpet is measured, knee to heel.
STATIONS = ("knee", "calf25", "calf50", "calf75", "ankle", "heel")

#: Named points of the truth, in order. The first eleven are on the kneeling leg, the next four on the other foot.
POINT_NAMES = (
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
    "ankle_joint",
)

#: The general keypoint network's 33 body landmarks, in its order.
LANDMARK_NAMES = (
    "nose",
    "left_eye_inner",
    "left_eye",
    "left_eye_outer",
    "right_eye_inner",
    "right_eye",
    "right_eye_outer",
    "left_ear",
    "right_ear",
    "mouth_left",
    "mouth_right",
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_pinky",
    "right_pinky",
    "left_index",
    "right_index",
    "left_thumb",
    "right_thumb",
    "left_hip",
    "right_hip",
    "left_knee",
    "right_knee",
    "left_ankle",
    "right_ankle",
    "left_heel",
    "right_heel",
    "left_foot_index",
    "right_foot_index",
)


class Region(IntEnum):
    """Part of the body that a vertex belongs to."""

    SKIN_OTHER = 0
    HEAD = 1
    HAIR_CAP = 2
    TORSO = 3
    UPPER_ARM = 4
    FOREARM = 5
    HAND = 6
    THIGH_L = 7
    THIGH_R = 8
    CALF_L = 9
    CALF_R = 10
    FOOT_L = 11
    FOOT_R = 12
    EYES = 13


@dataclass
class Camera:
    """Pinhole camera with one radial distortion term (x_d = x (1 + k1 r²) in normalised image coordinates)."""

    width: int
    height: int
    focal_px: float
    R: np.ndarray  # (3, 3) carpet -> camera
    t: np.ndarray  # (3,) metres: x_camera = R x + t
    k1: float = 0.0

    @property
    def centre_m(self) -> np.ndarray:
        """Camera centre in the carpet frame, metres."""
        return -np.asarray(self.R).T @ np.asarray(self.t)

    def project(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Image points (N, 2) in px and depths (N,) in metres of carpet-frame points (N, 3); px are NaN at depth <= 0."""
        camera = np.asarray(points, float).reshape(-1, 3) @ np.asarray(self.R, float).T + np.asarray(self.t, float)
        depth = camera[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            normal = camera[:, :2] / np.where(depth > 0, depth, np.nan)[:, None]
        radial = 1.0 + self.k1 * (normal**2).sum(1, keepdims=True)
        return normal * radial * self.focal_px + np.array([self.width / 2, self.height / 2]), depth


@dataclass
class Truth:
    """What is true of a posed body, measured on its mesh."""

    gap_mm: dict[str, float]  # station -> height of the lowest inner-side skin over the carpet; negative: pressed in
    shank_length_m: float  # knee joint to ankle joint
    stature_m: float  # standing height of the unposed body
    points: dict[str, np.ndarray]  # POINT_NAMES -> (3,) carpet frame, metres
    joints33: dict[str, np.ndarray]  # LANDMARK_NAMES -> (3,) carpet frame, metres


@dataclass
class Posed:
    """A posed body standing on the carpet, with its truth."""

    vertices: np.ndarray  # (V, 3) float32, carpet frame, metres
    faces: np.ndarray  # (F, 3) int32 triangles, outward by the right-hand rule
    region: np.ndarray  # (V,) uint8, Region
    rest_vertices: np.ndarray  # (V, 3) float32, unposed, same topology: for textures that stick to the body
    joints: dict[str, np.ndarray]  # bone name -> (3,) head of the bone
    kneeling_leg: str  # 'left' or 'right'; for poses that are no stance the leg that the truth describes
    truth: Truth
    kind: str = "stance"  # 'stance', or the name of another pose (negatives)
    notes: dict = field(default_factory=dict)  # body parameters and request, JSON-serialisable

    def normals(self) -> np.ndarray:
        """Unit vertex normals (V, 3) float32, area weighted."""
        from .body import vertex_normals

        return vertex_normals(self.vertices, self.faces)
