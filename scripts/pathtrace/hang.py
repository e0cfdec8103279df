"""Trouser cloth hung on the leg by Blender's cloth simulation: it falls on the calf and the carpet, the thigh's part is pinned."""

from __future__ import annotations

import bpy
import numpy as np

#: Cloth stays this far (m) above carpet and skin.
THICKNESS_M = 0.002


def subdivided(v, f, arrays: dict):
    """Triangles split in four at the middles of their edges; per-vertex arrays averaged."""
    edges = np.sort(np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]]), 1)
    unique, inverse = np.unique(edges, axis=0, return_inverse=True)
    m = inverse.reshape(3, -1).T + len(v)
    middle = lambda a: np.concatenate([a, (a[unique[:, 0]].astype(np.float32) + a[unique[:, 1]]) / 2])  # noqa: E731
    faces = np.concatenate([np.column_stack(c) for c in ((f[:, 0], m[:, 0], m[:, 2]), (m[:, 0], f[:, 1], m[:, 1]), (m[:, 2], m[:, 1], f[:, 2]), (m[:, 0], m[:, 1], m[:, 2]))])
    return middle(v), faces.astype(np.int32), {k: middle(a) for k, a in arrays.items()}


def welded(v, f, arrays: dict):
    """Vertices at one place made one, so that the cloth does not come apart at seams."""
    _, first, inverse = np.unique(np.round(v, 5), axis=0, return_index=True, return_inverse=True)
    f = inverse.ravel()[f]
    f = f[(f[:, 0] != f[:, 1]) & (f[:, 1] != f[:, 2]) & (f[:, 2] != f[:, 0])]
    return v[first], f.astype(np.int32), {k: a[first] for k, a in arrays.items()}


def hang(o, along: np.ndarray, colliders: list, frames: int = 14) -> bool:
    """Simulates object `o` in place; False (and the cloth left as it was) where the result is not believable.

    along (V,): place on the shank, 0 knee to 1 ankle; under 0.1 the cloth is pinned.
    """
    before = np.empty(3 * len(o.data.vertices), np.float32)
    o.data.vertices.foreach_get("co", before)
    pin = np.clip((0.28 - along) / 0.18, 0, 1)
    group = o.vertex_groups.new(name="pin")
    for i in np.flatnonzero(pin > 0):
        group.add([int(i)], float(pin[i]), "REPLACE")
    cloth = o.modifiers.new("cloth", "CLOTH")
    s = cloth.settings
    s.quality, s.mass = 4, 0.25
    s.tension_stiffness = s.compression_stiffness = 18
    s.shear_stiffness, s.bending_stiffness = 8, 0.15
    s.air_damping = 1.0
    s.vertex_group_mass = "pin"
    s.shrink_min = -0.06  # a little more cloth than leg: it folds
    cloth.collision_settings.distance_min = THICKNESS_M
    cloth.collision_settings.collision_quality = 2
    cloth.point_cache.frame_start, cloth.point_cache.frame_end = 1, frames + 1
    for c in colliders:
        c.modifiers.new("collision", "COLLISION")
        c.collision.thickness_outer = THICKNESS_M
        c.collision.cloth_friction = 8.0
    scene = bpy.context.scene
    for frame in range(1, frames + 1):
        scene.frame_set(frame)
    evaluated = o.evaluated_get(bpy.context.evaluated_depsgraph_get())
    after = np.empty_like(before)
    evaluated.data.vertices.foreach_get("co", after)
    o.modifiers.remove(cloth)
    for c in colliders:
        c.modifiers.clear()
    scene.frame_set(1)
    after, before = after.reshape(-1, 3), before.reshape(-1, 3)
    moved = np.linalg.norm(after - before, axis=1)
    edges = np.empty(2 * len(o.data.edges), np.int32)
    o.data.edges.foreach_get("vertices", edges)
    edges = edges.reshape(-1, 2)
    length = lambda p: np.linalg.norm(p[edges[:, 0]] - p[edges[:, 1]], axis=1)  # noqa: E731
    stretch = np.quantile(length(after) / np.maximum(length(before), 1e-4), 0.995)
    good = bool(np.isfinite(after).all() and moved.max() < 0.2 and after[:, 2].min() > -0.02 and stretch < 3)
    print(f"cloth: moved {moved.mean() * 1000:.1f} mm mean, {moved.max() * 1000:.0f} most; lowest {after[:, 2].min() * 1000:.1f} mm; stretch {stretch:.2f}; kept {good}", flush=True)
    result = after if good else before
    result[:, 2] = np.maximum(result[:, 2], 0.0008)  # never through the carpet
    o.data.vertices.foreach_set("co", np.ascontiguousarray(result, np.float32).ravel())
    o.data.update()
    return good
