"""Carpet, fibres, walls, lights and things lying about, as Blender objects."""

from __future__ import annotations

import math
from pathlib import Path

import bpy
import materials
import numpy as np


def mesh_object(name: str, v: np.ndarray, f: np.ndarray, material, smooth: bool = True):
    """A triangle (or quad) mesh from arrays, linked to the scene."""
    mesh = bpy.data.meshes.new(name)
    mesh.vertices.add(len(v))
    mesh.vertices.foreach_set("co", np.ascontiguousarray(v, np.float32).ravel())
    k = f.shape[1]
    mesh.loops.add(f.size)
    mesh.loops.foreach_set("vertex_index", np.ascontiguousarray(f, np.int32).ravel())
    mesh.polygons.add(len(f))
    mesh.polygons.foreach_set("loop_start", np.arange(len(f), dtype=np.int32) * k)
    mesh.update(calc_edges=True)
    mesh.polygons.foreach_set("use_smooth", np.full(len(f), smooth))
    mesh.materials.append(material)
    o = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(o)
    return o


def attribute(o, name: str, values: np.ndarray) -> None:
    """A per-vertex attribute, scalar or 3-vector."""
    values = np.ascontiguousarray(values, np.float32)
    a = o.data.attributes.new(name, "FLOAT_VECTOR" if values.ndim == 2 else "FLOAT", "POINT")
    a.data.foreach_set("vector" if values.ndim == 2 else "value", values.ravel())


def quad(name: str, corners, material):
    return mesh_object(name, np.asarray(corners, float), np.array([[0, 1, 2, 3]]), material, False)


def floor(c: dict, focus, rng) -> None:
    """The carpet with its surface (tips of the fibres) at Z = 0, and the hall's floor below it."""
    pile = c["pile_m"] if c["family"] == "pile" else 0.0
    turn, hx, hy = c["turn"], *c["half_m"]
    corners = np.array([(-hx, -hy), (hx, -hy), (hx, hy), (-hx, hy)]) @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + np.asarray(focus)[:2]
    quad("carpet", np.column_stack([corners, np.full(4, -pile)]), materials.carpet("carpet", c))
    if hx < 30:
        big = 40.0
        quad("hall_floor", [(-big, -big, -0.012), (big, -big, -0.012), (big, big, -0.012), (-big, big, -0.012)], materials.hall_floor("hall_floor", c["hall_floor"]))
    if pile:
        fibres(c, focus, rng, pile)


def fibres(c: dict, focus, rng, pile: float, count: int = 260_000, radius: float = 1.0) -> None:
    """Blades a millimetre wide standing on the carpet's ground about the leg, sparser and shorter towards the rim."""
    r = radius * np.sqrt(rng.random(count)) ** 1.5
    a = rng.uniform(0, 2 * np.pi, count)
    root = np.column_stack([focus[0] + r * np.cos(a), focus[1] + r * np.sin(a), np.full(count, -pile)])
    length = pile * rng.uniform(0.75, 1.0, count) * np.clip((radius - r) / (0.25 * radius), 0.15, 1.0)
    lean = rng.normal(0, 0.35, (count, 2)) + rng.normal(0, 0.2, 2)
    tip = root + np.column_stack([lean * length[:, None], length])
    turn = rng.uniform(0, np.pi, count)
    half = (0.0006 * rng.uniform(0.6, 1.4, count))[:, None] * np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
    v = np.stack([root - half, root + half, tip], 1).reshape(-1, 3)
    o = mesh_object("fibres", v, np.arange(3 * count).reshape(-1, 3), materials.carpet("fibres", c, blades=True), False)
    tint = np.repeat(rng.uniform(0.75, 1.0, count), 3)
    tint[0::3] *= 0.5
    tint[1::3] *= 0.5  # roots see less light than the few samples of a pixel show
    attribute(o, "tint", tint)


def _walls(w: dict, eye, focus):
    """Four walls that hold camera and athlete, as (middle of the foot, direction along, half length, outward normal), and their height."""
    hx = max(w["half_m"][0], abs(eye[0]) + 0.6, abs(focus[0]) + 1.8)
    hy = max(w["half_m"][1], abs(eye[1]) + 0.6, abs(focus[1]) + 1.8)
    h = max(w["height_m"], eye[2] + 0.6)
    walls = []
    for nx, ny in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        d, half = (hx, hy) if nx else (hy, hx)
        origin, along = np.array([nx * d, ny * d]), np.array([-ny, nx])
        walls.append((origin, along, half, np.array([nx, ny])))
    return walls, h


def room(scene: dict, eye, focus) -> None:
    """Walls with the family's material; with window_sun one wall has openings and stops the light, the others only show."""
    w, light = scene["wall"], scene["light"]
    if w["family"] == "open":
        return
    material = materials.wall("wall", w)
    walls, h = _walls(w, eye, focus)
    sun = np.array([math.cos(light["azimuth"]), math.sin(light["azimuth"])])
    through = int(np.argmax([sun @ n for *_, n in walls])) if light["family"] == "window_sun" else -1

    def piece(name, origin, along, s0, s1, z0, z1, shade):
        if s1 - s0 < 1e-3 or z1 - z0 < 1e-3:
            return
        a, b = origin + along * s0, origin + along * s1
        o = quad(name, [(*a, z0), (*b, z0), (*b, z1), (*a, z1)], material)
        o.visible_shadow = shade

    for i, (origin, along, half, normal) in enumerate(walls):
        if i != through:
            piece(f"wall{i}", origin, along, -half, half, -0.02, h, False)
            continue
        ww, wh = light["window"]
        step = ww + light["gap_m"]
        # a window's middle stands where the ray from the leg to the sun meets the wall
        d = (origin @ normal - np.asarray(focus)[:2] @ normal) / (sun @ normal)
        hit = np.asarray(focus)[:2] + sun * d
        middle_z = min(max(d * math.tan(light["sun_elevation"]), 0.4), 4.5) + light["off_m"][1] * 0.5
        s_mid = float((hit - origin) @ along) + light["off_m"][0]
        z0 = max(middle_z - wh / 2, 0.05)
        z1 = z0 + wh
        h_wall = max(h, z1 + 0.3)
        piece("sill", origin, along, -half, half, -0.02, z0, True)
        piece("lintel", origin, along, -half, half, z1, h_wall, True)
        left = s_mid - ww / 2 - step * math.ceil((s_mid + half) / step)
        s = -half
        k = left
        while s < half:
            if k > s:
                piece("pier", origin, along, s, min(k, half), z0, z1, True)
            s = max(k + ww, s)
            for j in range(light["bars"]):
                x = k + ww * (j + 1) / (light["bars"] + 1)
                piece("bar", origin, along, max(x - 0.025, -half), min(x + 0.025, half), z0, z1, True)
            k += step
        light["_window"] = {"origin": (origin + normal * 0.15).tolist(), "along": along.tolist(), "z0": z0, "z1": z1, "half": half, "normal": normal.tolist()}
    if w["skirting"] and through < 0:
        dark = materials.plain("skirting", [x * 0.6 for x in w["wood"]], 0.4)
        for origin, along, half, normal in walls:
            a, b = origin - along * half - normal * 0.02, origin + along * half - normal * 0.02
            o = quad("skirting", [(*a, 0), (*b, 0), (*b, 0.1), (*a, 0.1)], dark)
            o.visible_shadow = False


def _world(colour=None, strength: float = 0.0):
    world = bpy.data.worlds.new("world")
    bpy.context.scene.world = world
    world.use_nodes = True
    background = world.node_tree.nodes["Background"]
    if colour is not None:
        background.inputs[0].default_value = (*colour, 1)
    background.inputs[1].default_value = strength
    return world, background


def _lamp(kind: str, place, energy: float, colour, toward=None, **settings):
    data = bpy.data.lights.new(kind, kind)
    data.energy, data.color = energy, [float(c) for c in colour]
    for k, v in settings.items():
        setattr(data, k, v)
    o = bpy.data.objects.new(kind, data)
    o.location = place
    if toward is not None:
        import mathutils

        o.rotation_euler = (mathutils.Vector(toward) - mathutils.Vector(place)).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(o)
    return o


def lights(scene: dict, focus) -> None:
    """Lamps, windows and sky. An area light of P watts gives irradiance P / (pi d^2) on its axis, a point light P / (4 pi^2 d^2)."""
    light, f = scene["light"], np.asarray(focus, float)
    family, white = light["family"], light["white"]
    world, background = _world(white, light["ambient"])
    sun_way = lambda e: np.array([math.cos(light["azimuth"]) * math.cos(e), math.sin(light["azimuth"]) * math.cos(e), math.sin(e)])  # noqa: E731
    if family == "window_sun":
        _lamp("SUN", f + 10 * sun_way(light["sun_elevation"]), light["sun"], (1.0, 0.93, 0.8), f, angle=2 * light["sun_radius"])
        w = light.get("_window")
        if w:
            place = np.array([*w["origin"], (w["z0"] + w["z1"]) / 2])
            _lamp("AREA", place, light["sky"] * 25 * (w["z1"] - w["z0"]), (0.8, 0.92, 1.1), place - np.array([*w["normal"], 0.15]), shape="RECTANGLE", size=min(2 * w["half"], 6.0), size_y=float(w["z1"] - w["z0"]))
    elif family == "tubes":
        for i in range(light["rows"]):
            for j in range(light["columns"]):
                at = np.array([(i - (light["rows"] - 1) / 2), (j - (light["columns"] - 1) / 2)]) * light["spacing"] + np.array(light["shift"]) + f[:2]
                _lamp("AREA", (*at, light["height"]), 12.0 * light["height"] ** 2 / (light["rows"] * light["columns"]) ** 0.7, white, (*at, 0), shape="RECTANGLE", size=light["size"][0], size_y=light["size"][1])
    elif family == "lamps":
        for k in light["lamps"]:
            at = f + [k["distance"] * math.cos(k["azimuth"]), k["distance"] * math.sin(k["azimuth"]), k["height"]]
            _lamp("POINT", at, 40.0 * k["share"] * (k["distance"] ** 2 + k["height"] ** 2), k["white"], shadow_soft_size=k["radius"])
    elif family == "softboxes":
        for k in light["boxes"]:
            at = f + [k["distance"] * math.cos(k["azimuth"]), k["distance"] * math.sin(k["azimuth"]), k["height"]]
            _lamp("AREA", at, 10.0 * k["share"] * (k["distance"] ** 2 + k["height"] ** 2), white, f, shape="RECTANGLE", size=k["size"][0], size_y=k["size"][1])
    elif family == "environment":
        tree = world.node_tree
        image = bpy.data.images.load(str(Path(bpy.utils.resource_path("LOCAL")) / "datafiles" / "studiolights" / "world" / f"{light['map']}.exr"))
        texture = tree.nodes.new("ShaderNodeTexEnvironment")
        texture.image = image
        mapping = tree.nodes.new("ShaderNodeMapping")
        mapping.inputs["Rotation"].default_value = (0, 0, light["azimuth"])
        place = tree.nodes.new("ShaderNodeTexCoord")
        tree.links.new(place.outputs["Generated"], mapping.inputs[0])
        tree.links.new(mapping.outputs[0], texture.inputs[0])
        tree.links.new(texture.outputs[0], background.inputs[0])
        background.inputs[1].default_value = light["strength"]
    else:
        tree = world.node_tree
        sky = tree.nodes.new("ShaderNodeTexSky")
        sky.sky_type = "NISHITA"
        sky.sun_disc = light["sun"] > 0
        sky.sun_intensity = max(light["sun"], 0.01)
        sky.sun_elevation, sky.sun_rotation = light["sun_elevation"], light["azimuth"]
        sky.sun_size = math.radians(0.545)
        sky.dust_density = light["haze"]
        tree.links.new(sky.outputs[0], background.inputs[0])
        background.inputs[1].default_value = 0.3


def props(items: list, focus, reach: float) -> None:
    """Bags, bottles, benches, cones and balls clear of the athlete."""
    for p in items:
        size = {"bag": 0.3, "bottle": 0.06, "bench": 0.7, "cone": 0.15, "ball": 0.14}[p["kind"]]
        d = reach + size + p["distance"]
        at = (focus[0] + d * math.cos(p["azimuth"]), focus[1] + d * math.sin(p["azimuth"]))
        material = materials.plain(p["kind"], p["colour"], 0.5)
        if p["kind"] == "bag":
            bpy.ops.mesh.primitive_cube_add(size=1, location=(*at, 0.14), rotation=(0, 0, p["turn"]), scale=(0.52, 0.3, 0.28))
            bevel = bpy.context.object.modifiers.new("bevel", "BEVEL")
            bevel.width, bevel.segments = 0.09, 4
        elif p["kind"] == "bottle":
            bpy.ops.mesh.primitive_cylinder_add(radius=0.036, depth=0.23, location=(*at, 0.115), vertices=24)
        elif p["kind"] == "bench":
            bpy.ops.mesh.primitive_cube_add(size=1, location=(*at, 0.21), rotation=(0, 0, p["turn"]), scale=(1.3, 0.3, 0.42))
        elif p["kind"] == "cone":
            bpy.ops.mesh.primitive_cone_add(radius1=0.14, radius2=0.02, depth=0.32, location=(*at, 0.16))
        else:
            bpy.ops.mesh.primitive_uv_sphere_add(radius=0.12, location=(*at, 0.12))
        bpy.context.object.data.materials.append(material)
