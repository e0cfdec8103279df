"""Node materials of the path-traced scenes: skin that scatters, woven cloth, carpets, walls. Blender's Python (bpy) only.

Patterns on the body stick to the attribute `rest` (unposed place, m); those of carpets and walls to places in the hall (m).
"""

from __future__ import annotations

import bpy


class Nodes:
    """A material's node tree with short calls: sockets in, sockets out."""

    def __init__(self, name: str):
        self.material = bpy.data.materials.new(name)
        self.material.use_nodes = True
        self.tree = self.material.node_tree
        self.tree.nodes.clear()
        self.output = self.tree.nodes.new("ShaderNodeOutputMaterial")

    def put(self, socket, value) -> None:
        if isinstance(value, bpy.types.NodeSocket):
            self.tree.links.new(value, socket)
        elif value is not None:
            if socket.type == "RGBA" and len(value) == 3:
                value = [*value, 1.0]
            socket.default_value = value

    def node(self, kind: str, inputs: dict | None = None, **settings):
        n = self.tree.nodes.new(kind)
        for k, v in settings.items():
            setattr(n, k, v)
        for k, v in (inputs or {}).items():
            self.put(n.inputs[k], v)
        return n

    def math(self, operation: str, a, b=0.0, clamp=False):
        return self.node("ShaderNodeMath", {0: a, 1: b}, operation=operation, use_clamp=clamp).outputs[0]

    def mix(self, factor, a, b, kind="MIX"):
        n = self.tree.nodes.new("ShaderNodeMix")
        n.data_type, n.blend_type, n.clamp_factor = "RGBA", kind, True
        self.put(n.inputs[0], factor)
        self.put(n.inputs[6], a)
        self.put(n.inputs[7], b)
        return n.outputs[2]

    def rest(self):
        return self.node("ShaderNodeAttribute", attribute_name="rest").outputs["Vector"]

    def place(self, turn: float = 0.0, scale: float = 1.0):
        """Place in the hall, turned about the vertical and divided by `scale` (m)."""
        at = self.node("ShaderNodeNewGeometry").outputs["Position"]
        return self.node("ShaderNodeMapping", {"Vector": at, "Rotation": (0, 0, turn), "Scale": (1 / scale,) * 3}, vector_type="POINT").outputs[0]

    def noise(self, vector, scale: float, detail: float = 2.0, out="Fac"):
        return self.node("ShaderNodeTexNoise", {"Vector": vector, "Scale": scale, "Detail": detail}).outputs[out]

    def ramp(self, x, low: float, high: float):
        return self.node("ShaderNodeMapRange", {"Value": x, "From Min": low, "From Max": high}).outputs[0]

    def bump(self, height, distance: float, strength: float = 1.0):
        return self.node("ShaderNodeBump", {"Height": height, "Distance": distance, "Strength": strength}).outputs[0]

    def surface(self, colour, rough=0.6, normal=None, **more):
        inputs = {"Base Color": colour, "Roughness": rough, **more}
        n = self.node("ShaderNodeBsdfPrincipled", {k: v for k, v in inputs.items() if v is not None})
        if normal is not None:
            self.put(n.inputs["Normal"], normal)
        self.tree.links.new(n.outputs[0], self.output.inputs["Surface"])
        return self.material


def plain(name: str, colour, rough: float = 0.6) -> bpy.types.Material:
    return Nodes(name).surface(colour, rough)


def skin(name: str, s: dict) -> bpy.types.Material:
    n = Nodes(name)
    at = n.rest()
    blotch = n.ramp(n.noise(at, 14.0, 4.0), 0.35, 0.65)
    colour = n.mix(n.math("MULTIPLY", blotch, s["mottle"]), s["base"], [s["base"][0] * 0.95, s["base"][1] * 0.7, s["base"][2] * 0.66])
    colour = n.mix(n.math("MULTIPLY", n.ramp(n.noise(at, 160.0, 3.0), 0.4, 0.7), 0.25 * s["mottle"]), colour, [c * 0.55 for c in s["base"]])
    normal = n.bump(n.noise(at, 600.0, 3.0), 0.0006, s["bump"])
    return n.surface(colour, s["rough"], normal, **{"Subsurface Weight": s["scatter"], "Subsurface Radius": (1.0, 0.36, 0.2), "Subsurface Scale": s["scatter_m"], "Specular IOR Level": 0.4})


def cloth(name: str, c: dict) -> bpy.types.Material:
    """Twill: two sets of threads on the unposed body, with dirt low down."""
    n = Nodes(name)
    at = n.node("ShaderNodeMapping", {"Vector": n.rest(), "Rotation": (0.6, 0.4, c["turn"])}, vector_type="POINT").outputs[0]
    k = 1.0 / c["weave_m"] / 6.283
    warp = n.node("ShaderNodeTexWave", {"Vector": at, "Scale": k, "Distortion": 0.6, "Detail": 1.0}, bands_direction="X").outputs["Fac"]
    weft = n.node("ShaderNodeTexWave", {"Vector": at, "Scale": k, "Distortion": 0.6, "Detail": 1.0}, bands_direction="Z").outputs["Fac"]
    thread = n.math("MAXIMUM", warp, weft)
    fade = n.ramp(n.noise(n.rest(), 9.0, 3.0), 0.3, 0.7)
    colour = n.mix(n.math("MULTIPLY", thread, c["weave"]), c["a"], c["b"])
    colour = n.mix(n.math("MULTIPLY", fade, 0.25), colour, [x * 0.75 for x in c["a"]])
    if c["dirt"]:
        colour = n.mix(n.math("MULTIPLY", n.ramp(n.noise(n.rest(), 60.0, 6.0), 0.5, 0.75), c["dirt"]), colour, (0.22, 0.19, 0.15))
    crease = n.noise(n.rest(), 55.0, 2.0)
    normal = n.bump(n.math("ADD", n.math("MULTIPLY", crease, 4.0), thread), c["weave_m"] * 0.6, 0.6)
    return n.surface(colour, c["rough"], normal, **{"Sheen Weight": c["sheen"], "Specular IOR Level": 0.25})


def shoe(name: str, s: dict) -> bpy.types.Material:
    n = Nodes(name)
    tone = n.node("ShaderNodeAttribute", attribute_name="tone").outputs["Fac"]
    colour = n.mix(n.ramp(tone, 0.20, 0.26), s["sole"], s["a"])
    return n.surface(colour, s["rough"], n.bump(n.noise(n.rest(), 300.0, 2.0), 0.0008, 0.4))


def carpet(name: str, c: dict, blades: bool = False) -> bpy.types.Material:
    n = Nodes(name)
    turn, s = c["turn"], c["scale_m"]
    family = c["family"]
    a, b = c["a"], c["b"]
    here = n.place(turn, 1.0)
    height, distance = n.noise(here, 350.0, 3.0), 0.0015
    if family == "loops":
        cell = n.node("ShaderNodeTexVoronoi", {"Vector": n.place(turn, s), "Scale": 1.0, "Randomness": 0.35})
        height, distance = n.math("SUBTRACT", 1.0, cell.outputs["Distance"]), s * 0.5
        colour = n.mix(n.ramp(cell.outputs["Distance"], 0.1, 0.9), a, [x * 0.35 for x in a])
        colour = n.mix(n.math("MULTIPLY", n.ramp(n.noise(here, 120.0, 2.0), 0.45, 0.6), 0.6), colour, b)
    elif family == "flecks":
        cell = n.node("ShaderNodeTexVoronoi", {"Vector": n.place(turn, s), "Scale": 1.0})
        pick = n.node("ShaderNodeSeparateColor", {"Color": cell.outputs["Color"]}).outputs[0]
        colour = n.mix(n.ramp(pick, 0.72, 0.74), a, b)
        colour = n.mix(n.ramp(pick, 0.92, 0.94), colour, c["c"])
        height, distance = n.math("ADD", n.noise(here, 250.0, 3.0), n.math("MULTIPLY", pick, 0.4)), 0.002
    elif family == "chevron":
        v = n.node("ShaderNodeSeparateXYZ", {"Vector": n.place(turn, s)})
        zig = n.math("PINGPONG", v.outputs[0], 0.5)
        band = n.math("FRACT", n.math("ADD", v.outputs[1], zig))
        colour = n.mix(n.ramp(band, 0.49, 0.51), a, b)
        colour = n.mix(n.math("MULTIPLY", n.noise(here, 180.0, 3.0), 0.5), colour, [x * 0.6 for x in a])
    elif family == "ornament":
        v = n.node("ShaderNodeSeparateXYZ", {"Vector": n.place(turn, s)})
        x, y = n.math("PINGPONG", v.outputs[0], 0.5), n.math("PINGPONG", v.outputs[1], 0.5)
        folded = n.node("ShaderNodeCombineXYZ", {0: n.math("ADD", x, y), 1: n.math("ABSOLUTE", n.math("SUBTRACT", x, y))}).outputs[0]
        level = n.noise(folded, 9.0, 4.0)
        colour = n.mix(n.ramp(level, 0.47, 0.49), a, b)
        colour = n.mix(n.ramp(n.noise(folded, 14.0, 2.0), 0.60, 0.62), colour, c["c"])
        ring = n.math("FRACT", n.math("MULTIPLY", n.math("MAXIMUM", x, y), 6.0))
        colour = n.mix(n.math("GREATER_THAN", ring, 0.86), colour, [v * 0.5 for v in b])
        colour = n.mix(n.math("MULTIPLY", n.noise(here, 220.0, 2.0), 0.35), colour, (0.03, 0.03, 0.03))
    elif family == "sisal":
        w = n.place(turn, s)
        one = n.node("ShaderNodeTexWave", {"Vector": w, "Scale": 0.5, "Distortion": 1.2, "Detail": 2.0, "Detail Scale": 0.6}, bands_direction="X").outputs["Fac"]
        two = n.node("ShaderNodeTexWave", {"Vector": w, "Scale": 0.25, "Distortion": 1.0, "Detail": 1.0}, bands_direction="Y").outputs["Fac"]
        height, distance = n.math("MULTIPLY", one, two), s * 0.35
        colour = n.mix(height, b, a)
        colour = n.mix(n.math("MULTIPLY", n.noise(here, 30.0, 4.0), 0.4), colour, b)
    else:  # felt, and the ground and blades of pile
        colour = n.mix(n.ramp(n.noise(n.place(turn, s), 1.0, 5.0), 0.4, 0.6), a, b if family == "pile" else [0.6 * x + 0.4 * y for x, y in zip(a, b)])
        colour = n.mix(n.math("MULTIPLY", n.noise(here, 300.0, 3.0), 0.5), colour, [x * 0.5 for x in a])
    worn = n.math("MULTIPLY", n.ramp(n.noise(here, c["worn_scale"], 6.0), 0.3, 0.7), c["worn"])  # what is left of a carpet's texture from some metres away
    colour = n.mix(worn, colour, [x * 0.55 for x in a])
    if blades:
        tint = n.node("ShaderNodeAttribute", attribute_name="tint").outputs["Fac"]
        colour = n.mix(tint, [0.0, 0.0, 0.0], colour)
    elif family == "pile":
        colour = n.mix(0.45, colour, (0.0, 0.0, 0.0))  # between the fibres it is dark
    if c["stains"]:
        colour = n.mix(n.math("MULTIPLY", n.ramp(n.noise(here, 2.2, 5.0), 0.52, 0.72), c["stains"]), colour, (0.12, 0.1, 0.08))
    if c["line"]:
        x = n.node("ShaderNodeSeparateXYZ", {"Vector": n.place(turn + 0.4, 1.0)}).outputs[0]
        on = n.math("LESS_THAN", n.math("ABSOLUTE", n.math("SUBTRACT", x, c["line_at_m"])), c["line_half_m"])
        colour = n.mix(n.math("MULTIPLY", on, 0.9), colour, c["c"])
    normal = None if blades else n.bump(height, distance, c["bump"])
    return n.surface(colour, 0.9, normal, **{"Sheen Weight": c["sheen"], "Specular IOR Level": 0.15})


def hall_floor(name: str, colour) -> bpy.types.Material:
    n = Nodes(name)
    brick = n.node("ShaderNodeTexBrick", {"Vector": n.place(0.3, 1.0), "Color1": [*colour, 1], "Color2": [*(x * 0.7 for x in colour), 1], "Mortar": [*(x * 0.2 for x in colour), 1],
                                          "Scale": 1.0, "Mortar Size": 0.003, "Brick Width": 1.2, "Row Height": 0.11}).outputs["Color"]
    grain = n.noise(n.node("ShaderNodeMapping", {"Vector": n.place(0.3, 1.0), "Scale": (2, 40, 1)}).outputs[0], 3.0, 5.0)
    return n.surface(n.mix(n.math("MULTIPLY", grain, 0.5), brick, [x * 0.5 for x in colour]), 0.35)


def wall(name: str, w: dict) -> bpy.types.Material:
    n = Nodes(name)
    at = n.node("ShaderNodeNewGeometry").outputs["Position"]
    v = n.node("ShaderNodeSeparateXYZ", {"Vector": at})
    flat = n.node("ShaderNodeCombineXYZ", {0: n.math("ADD", v.outputs[0], v.outputs[1]), 1: v.outputs[2]}).outputs[0]
    a, b, wood = w["a"], w["b"], w["wood"]
    if w["family"] == "brick":
        tex = n.node("ShaderNodeTexBrick", {"Vector": flat, "Color1": [*a, 1], "Color2": [*(x * 0.6 for x in a), 1], "Mortar": (0.4, 0.38, 0.36, 1), "Scale": 1.0, "Mortar Size": 0.012, "Brick Width": 0.25, "Row Height": 0.075})
        return n.surface(n.mix(n.math("MULTIPLY", n.noise(at, 6.0, 5.0), 0.5), tex.outputs["Color"], b), 0.85, n.bump(tex.outputs["Fac"], -0.006))
    if w["family"] == "slats":
        band = n.math("FRACT", n.math("MULTIPLY", n.math("ADD", v.outputs[0], v.outputs[1]), 9.0))
        grain = n.noise(n.node("ShaderNodeMapping", {"Vector": at, "Scale": (30, 30, 2)}).outputs[0], 1.0, 4.0)
        colour = n.mix(n.math("LESS_THAN", band, 0.2), n.mix(grain, wood, [x * 0.5 for x in wood]), (0.01, 0.01, 0.01))
        return n.surface(n.mix(n.math("GREATER_THAN", v.outputs[2], 2.4), colour, a), 0.5)
    if w["family"] == "curtain":
        fold = n.node("ShaderNodeTexWave", {"Vector": flat, "Scale": 0.9, "Distortion": 1.5, "Detail": 1.0}, bands_direction="X").outputs["Fac"]
        return n.surface(n.mix(fold, [x * 0.45 for x in a], a), 0.8, n.bump(fold, 0.05))
    colour = n.mix(n.math("MULTIPLY", n.ramp(n.noise(at, 1.2, 6.0), 0.45, 0.7), 0.5), a, [x * 0.6 for x in a])
    shelf = n.node("ShaderNodeTexBrick", {"Vector": flat, "Color1": [*b, 1], "Color2": [*wood, 1], "Mortar": [*a, 1], "Scale": 1.0, "Mortar Size": 0.35, "Brick Width": 2.6, "Row Height": 1.7}).outputs
    on = n.math("MULTIPLY", n.math("SUBTRACT", 1.0, shelf["Fac"]), n.math("GREATER_THAN", v.outputs[2], 0.9))
    return n.surface(n.mix(on, colour, shelf["Color"]), 0.8, n.bump(n.noise(at, 90.0, 3.0), 0.002))
