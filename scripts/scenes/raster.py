"""Fast rasteriser of a posed body on a carpet: OpenGL through EGL, on a card or on the CPU (llvmpipe).

What the training needs right is the light on the carpet at the leg. It is therefore not read from a shadow map, which
needs a bias: the casters are flattened on to the carpet plane once for each sample of each light and of the sky, and
what they hide is summed in a light map (texel about 1 mm around the lower leg). Contact is exact and a gap of 5 mm
lets light through. Folds of the body on itself use ordinary shadow maps and a sky visibility for each vertex.

The picture is drawn with 4 samples a pixel in linear light at the resolution that the real frame would have, then
developed (exposure, tone curve, white balance) and resampled to the size asked for.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import moderngl
import numpy as np

SHADERS = Path(__file__).parent / "shaders"
MAX_MATERIALS = 32
PROBES = 16


@dataclass
class Mesh:
    """Triangles to draw. tag: material, part code (what a picture probe reports), flags, fade (shader detail)."""

    position: np.ndarray  # (V, 3) float32, carpet frame, metres
    normal: np.ndarray  # (V, 3) float32
    rest: np.ndarray  # (V, 3) float32, texture coordinates that stick to the body
    tag: np.ndarray  # (V, 4) uint8
    faces: np.ndarray  # (F, 3) int32: seen by the camera
    casters: np.ndarray  # (C, 3) int32: seen by the lights (may be coarser)
    closed: int = 0  # this many faces, from the first, belong to closed skin: their backs need no drawing

    @staticmethod
    def join(meshes: list["Mesh"]) -> "Mesh":
        """One mesh of several."""
        start = np.cumsum([0] + [len(m.position) for m in meshes])
        return Mesh(
            np.concatenate([m.position for m in meshes]),
            np.concatenate([m.normal for m in meshes]),
            np.concatenate([m.rest for m in meshes]),
            np.concatenate([m.tag for m in meshes]),
            np.concatenate([m.faces + s for m, s in zip(meshes, start)]),
            np.concatenate([m.casters + s for m, s in zip(meshes, start)]),
            meshes[0].closed,
        )


def vertex_normals(position: np.ndarray, faces: np.ndarray) -> np.ndarray:
    """Area-weighted unit normals (V, 3) float32."""
    a, b, c = (position[faces[:, k]] for k in range(3))
    n = np.cross(b - a, c - a)
    count = len(position)
    index = faces.T.ravel()
    out = np.stack([np.bincount(index, np.tile(n[:, k], 3), count) for k in range(3)], 1)
    return (out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)).astype(np.float32)


def _look_at(eye: np.ndarray, target: np.ndarray) -> np.ndarray:
    z = target - eye
    z = z / np.linalg.norm(z)
    up = np.array([0.0, 0.0, 1.0]) if abs(z[2]) < 0.95 else np.array([0.0, 1.0, 0.0])
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    y = np.cross(x, z)
    m = np.eye(4)
    m[:3, :3] = np.stack([x, y, -z])
    m[:3, 3] = -m[:3, :3] @ eye
    return m


def _perspective(half: float, near: float, far: float) -> np.ndarray:
    m = np.zeros((4, 4))
    m[0, 0] = m[1, 1] = 1.0 / half
    m[2, 2] = -(far + near) / (far - near)
    m[2, 3] = -2 * far * near / (far - near)
    m[3, 2] = -1
    return m


def _fibonacci_hemisphere(count: int, turn: float) -> np.ndarray:
    """Directions (count, 3) spread evenly over the upper hemisphere."""
    k = np.arange(count) + 0.5
    z = k / count
    a = 2.399963 * k + turn
    s = np.sqrt(1 - z**2)
    return np.stack([s * np.cos(a), s * np.sin(a), z], 1)


def _cosine_hemisphere(count: int, turn: float) -> np.ndarray:
    """Directions (count, 3), as many as the cosine asks for, so that equal weights give irradiance."""
    k = np.arange(count) + 0.5
    r2 = k / count
    a = 2.399963 * k + turn
    return np.stack([np.sqrt(r2) * np.cos(a), np.sqrt(r2) * np.sin(a), np.sqrt(np.maximum(1 - r2, 0.0016))], 1)


@dataclass
class Quality:
    """Sizes of maps (px) and sample counts. The defaults suit training crops; FULL suits whole-body pictures."""

    tight: int = 1024
    wide: int = 512
    depth: int = 1024
    tile: int = 256
    sky: int = 51
    light: int = 17
    wide_sky: int = 17
    wide_light: int = 5
    vertex_sky: int = 24
    tight_half_m: float = 0.62
    wide_half_m: float = 2.6
    depth_half_m: float = 0.7


FULL = Quality(tight=1024, wide=1024, depth=2048, sky=51, light=17, wide_sky=17, wide_light=5, tight_half_m=0.7, wide_half_m=2.4, depth_half_m=1.3)
#: On a processor without a card: fewer samples, same contact.
LIGHT = Quality(sky=17, light=15, wide_sky=5, wide_light=3)


class Renderer:
    """One OpenGL context with its buffers. Not for several threads; use one a process."""

    def __init__(self, quality: Quality | None = None, samples: int = 4, slots: int = 32, crop_px: int = 256):
        self.quality = quality or Quality()
        try:
            # several cards in one machine: SHANKLINE_EGL_DEVICE says which one draws (its number in EGL's order)
            card = {"device_index": int(os.environ["SHANKLINE_EGL_DEVICE"])} if os.environ.get("SHANKLINE_EGL_DEVICE") else {}
            self.ctx = moderngl.create_standalone_context(backend="egl", require=430, **card)
        except Exception as error:  # moderngl raises bare Exception
            raise RuntimeError(f"no OpenGL 4.3 through EGL ({error}); install libegl1 and libgl1-mesa-dri, or the card's driver") from error
        self.name = self.ctx.info["GL_RENDERER"]
        self.samples = min(samples, self.ctx.max_samples)
        self.slots, self.crop_px = slots, crop_px
        ctx, q = self.ctx, self.quality
        ctx.front_face = "cw"  # rows run downwards, so windings turn round
        self._programs: dict[str, moderngl.Program] = {}
        common = (SHADERS / "common.glsl").read_text()
        lighting = (SHADERS / "lighting.glsl").read_text()

        def build(name, vertex, fragment=None, scene=False, lit=False, varyings=()):
            head = "#version 430\n"
            vs = head + (common if scene else "") + (SHADERS / vertex).read_text()
            fs = None
            if fragment:
                fs = head + (common if scene else "") + (lighting if lit else "") + (SHADERS / fragment).read_text()
            p = ctx.program(vertex_shader=vs, fragment_shader=fs, varyings=varyings)
            for block, binding in (("Scene", 0), ("Materials", 1), ("Samples", 2), ("Tiles", 3), ("Directions", 4)):
                if block in p:
                    p[block].binding = binding
            self._programs[name] = p
            return p

        self.p_bake = build("bake", "bake_floor.vert", "bake_floor.frag")
        self.p_depth = build("depth", "depth.vert", "depth.frag")
        self.p_sky = build("sky", "sky_visibility.vert", varyings=("v_sky",))
        self.p_mesh = build("mesh", "mesh.vert", "mesh.frag", scene=True, lit=True)
        self.p_floor = build("floor", "floor.vert", "floor.frag", scene=True, lit=True)
        self.p_backdrop = build("backdrop", "backdrop.vert", "backdrop.frag", scene=True)
        self.p_resolve = build("resolve", "quad.vert", "resolve.frag")
        self.p_develop = build("develop", "quad.vert", "develop.frag")
        self.p_probe = build("probe", "quad.vert", "probe.frag")

        self.u_scene = ctx.buffer(reserve=(16 * 4 + 4 * (1 + 3 + 3 + 2 + 2 + 14 + 6 + 1)) * 4)
        self.u_materials = ctx.buffer(reserve=MAX_MATERIALS * 64)
        self.u_samples = ctx.buffer(reserve=512 * 16)
        self.u_tiles = ctx.buffer(reserve=64 * 64)
        self.u_directions = ctx.buffer(reserve=64 * 16)
        for k, b in enumerate((self.u_scene, self.u_materials, self.u_samples, self.u_tiles, self.u_directions)):
            b.bind_to_uniform_block(k)

        def light_map(size):
            t = ctx.texture((size, size), 4)
            t.repeat_x = t.repeat_y = False
            return t, ctx.framebuffer([t], ctx.depth_renderbuffer((size, size)))

        self.tight, self.f_tight = light_map(q.tight)
        self.wide, self.f_wide = light_map(q.wide)
        self.depths = [ctx.depth_texture((q.depth, q.depth)) for _ in range(3)]
        self.f_depths = [ctx.framebuffer(depth_attachment=d) for d in self.depths]
        self.grid = (6, (q.vertex_sky + 5) // 6)
        self.tiles = ctx.depth_texture((self.grid[0] * q.tile, self.grid[1] * q.tile))
        self.f_tiles = ctx.framebuffer(depth_attachment=self.tiles)
        for d in self.depths + [self.tiles]:
            d.compare_func = "<="
            d.repeat_x = d.repeat_y = False
            d.filter = (moderngl.LINEAR, moderngl.LINEAR)

        rng = np.random.default_rng(7)
        self.noise_image = ctx.texture((256, 256), 1, rng.random((256, 256), np.float32).tobytes(), dtype="f4")
        self.noise_volume = ctx.texture3d((64, 64, 64), 1, rng.random((64, 64, 64), np.float32).tobytes(), dtype="f4")
        self.noise_image.filter = self.noise_volume.filter = (moderngl.LINEAR, moderngl.LINEAR)
        for program in (self.p_mesh, self.p_floor, self.p_backdrop):
            for name, unit in (("noise_image", 5), ("noise_volume", 6)):
                if name in program:
                    program[name].value = unit

        self.lay_sheet(None)

        corners = np.array([-1, -1, 1, -1, -1, 1, 1, 1], "f4")
        self.b_quad = ctx.buffer(corners.tobytes())
        self.v_floor = ctx.vertex_array(self.p_floor, [(self.b_quad, "2f", "in_corner")])
        self.v_backdrop = ctx.vertex_array(self.p_backdrop, [(self.b_quad, "2f", "in_corner")])
        self.v_resolve = ctx.vertex_array(self.p_resolve, [(self.b_quad, "2f", "in_corner")])
        self.v_develop = ctx.vertex_array(self.p_develop, [(self.b_quad, "2f", "in_corner")])
        self.v_probe = ctx.vertex_array(self.p_probe, [(self.b_quad, "2f", "in_corner")])
        self.targets: dict[tuple[int, int], tuple] = {}
        self.atlas = ctx.texture((crop_px, crop_px * slots), 4)
        self.f_atlas = ctx.framebuffer([self.atlas])
        self.probes = ctx.texture((PROBES, slots), 2, dtype="f4")
        self.f_probes = ctx.framebuffer([self.probes])
        self._capacity = (0, 0, 0)
        self._bound = None

    # ---- mesh ----------------------------------------------------------------------------------------------------
    def upload(self, mesh: Mesh) -> None:
        """Sends a mesh to the card; it stays until the next one."""
        ctx = self.ctx
        v, f, c = len(mesh.position), len(mesh.faces), len(mesh.casters)
        if v > self._capacity[0] or f > self._capacity[1] or c > self._capacity[2]:
            for name in ("b_geometry", "b_tag", "b_sky", "b_faces", "b_casters", "v_mesh", "v_bake", "v_depth", "v_sky"):
                if hasattr(self, name):
                    getattr(self, name).release()
            cv, cf, cc = (int(x * 1.25) + 1024 for x in (v, f, c))
            self._capacity = (cv, cf, cc)
            self.b_geometry = ctx.buffer(reserve=cv * 36)
            self.b_tag = ctx.buffer(reserve=cv * 4)
            self.b_sky = ctx.buffer(reserve=cv * 4)
            self.b_faces = ctx.buffer(reserve=cf * 12)
            self.b_casters = ctx.buffer(reserve=cc * 12)
            g = self.b_geometry
            self.v_mesh = ctx.vertex_array(
                self.p_mesh,
                [(g, "3f 3f 3f", "in_position", "in_normal", "in_rest"), (self.b_tag, "4u1", "in_tag"), (self.b_sky, "1f", "in_sky")],
                index_buffer=self.b_faces,
            )
            self.v_bake = ctx.vertex_array(self.p_bake, [(g, "3f 24x", "in_position")], index_buffer=self.b_casters)
            self.v_depth = ctx.vertex_array(self.p_depth, [(g, "3f 24x", "in_position")], index_buffer=self.b_casters)
            self.v_sky = ctx.vertex_array(self.p_sky, [(g, "3f 3f 12x", "in_position", "in_normal")])
        block = np.concatenate([mesh.position, mesh.normal, mesh.rest], 1).astype(np.float32)
        self.b_geometry.write(block.tobytes())
        self.b_tag.write(np.ascontiguousarray(mesh.tag, np.uint8).tobytes())
        self.b_faces.write(np.ascontiguousarray(mesh.faces, np.int32).tobytes())
        self.b_casters.write(np.ascontiguousarray(mesh.casters, np.int32).tobytes())
        self.count = (v, f, c)
        self.closed = mesh.closed

    # ---- printed sheet ----
    def lay_sheet(self, image: np.ndarray | None, size_m=(0.210, 0.297), at_m=(0.0, 0.0), turn_rad: float = 0.0, tilt_rad=(0.0, 0.0), curl_m=(0.0, 0.0)) -> None:
        """Lays a printed page (rows from its top, uint8, 255 is paper) on the carpet until the next call; None takes it away.

        at_m: its middle; turn_rad: its x axis from the carpet's; tilt_rad: about its x and y axis; curl_m: height of its ends over its middle along x and y.
        """
        p = self.p_floor
        p["sheet_place"].value = (*at_m, float(np.cos(turn_rad)), float(np.sin(turn_rad)))
        p["sheet_size"].value = (size_m[0] / 2, size_m[1] / 2, float(image is not None), 0.0)
        p["sheet_shape"].value = (*tilt_rad, *curl_m)
        p["sheet_image"].value = 7
        image = np.full((1, 1), 255, np.uint8) if image is None else np.ascontiguousarray(image, np.uint8)
        if hasattr(self, "sheet_image"):
            self.sheet_image.release()
        self.sheet_image = self.ctx.texture((image.shape[1], image.shape[0]), 1, image.tobytes(), alignment=1)
        self.sheet_image.filter = (moderngl.LINEAR, moderngl.LINEAR)
        self.sheet_image.repeat_x = self.sheet_image.repeat_y = False

    # ---- light -----------------------------------------------------------------------------------------------------
    def bake(self, light_position: np.ndarray, light_radius: np.ndarray, focus: np.ndarray, body_centre: np.ndarray, turn: float = 0.0, lights=None) -> None:
        """Light maps of the carpet, shadow maps and sky visibility for the mesh uploaded last.

        light_position (3, 3) m and light_radius (3,) m: spheres of light (far ones stand for the sun). focus (3,): middle of
        the lower leg on the carpet; body_centre (3,): of what the wide map covers. Colours are given at drawing time;
        lights (3,): which of them will shine at all (None: all).
        """
        ctx, q = self.ctx, self.quality
        self.light_position, self.light_radius = np.asarray(light_position, float), np.asarray(light_radius, float)
        self.focus = np.asarray(focus, float)
        lit = [i for i in range(3) if lights is None or lights[i]]
        self.tight_region = (focus[0], focus[1], q.tight_half_m)
        self.wide_region = (body_centre[0], body_centre[1], q.wide_half_m)
        for target, texture, region, n_sky, n_light in (
            (self.f_tight, self.tight, self.tight_region, q.sky, q.light),
            (self.f_wide, self.wide, self.wide_region, q.wide_sky, q.wide_light),
        ):
            # The maps have 8 bits: sample counts that divide 255 make every sum exact.
            assert 255 % n_sky == 0 and 255 % n_light == 0, "sample counts must divide 255"
            source, weight = [], []
            d = _cosine_hemisphere(n_sky, turn)
            source.append(np.concatenate([d, np.zeros((n_sky, 1))], 1))
            weight.append(np.tile([0, 0, 0, 1.0 / n_sky], (n_sky, 1)))
            for i in lit:
                p = self.light_position[i]
                axis = p - np.array([focus[0], focus[1], 0.0])
                axis /= np.linalg.norm(axis)
                u = np.cross(axis, [0.0, 0.0, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0.0, 0.0])
                u /= np.linalg.norm(u)
                v = np.cross(axis, u)
                k = np.arange(n_light) + 0.5
                r = np.sqrt(k / n_light) * self.light_radius[i]
                a = 2.399963 * k + turn + i
                points = p + (r * np.cos(a))[:, None] * u + (r * np.sin(a))[:, None] * v
                points[:, 2] = np.maximum(points[:, 2], 0.05)
                source.append(np.concatenate([points, np.ones((n_light, 1))], 1))
                w = np.zeros((n_light, 4))
                w[:, i] = 1.0 / n_light
                weight.append(w)
            source, weight = np.concatenate(source), np.concatenate(weight)
            n = len(source)
            block = np.zeros((512, 4), np.float32)
            block[:n], block[256 : 256 + n] = source, weight
            self.u_samples.write(block.tobytes())
            self.p_bake["region"].value = (*region, float(n))
            target.use()
            target.clear(0, 0, 0, 0, depth=1.0)
            ctx.enable_only(moderngl.DEPTH_TEST | moderngl.BLEND)
            ctx.depth_func = "<"
            ctx.blend_func = moderngl.ONE, moderngl.ONE
            self.v_bake.render(vertices=self.count[2] * 3, instances=n)
            texture.build_mipmaps(0, 6)
            texture.filter = (moderngl.LINEAR_MIPMAP_LINEAR, moderngl.LINEAR)
        # Shadow maps of the lights.
        ctx.enable_only(moderngl.DEPTH_TEST)
        target = np.array([focus[0], focus[1], 0.15]) if q.depth_half_m < 1.0 else np.asarray(body_centre, float)
        matrices = []
        for i in range(3):
            p = self.light_position[i]
            d = np.linalg.norm(p - target)
            half = q.depth_half_m / np.sqrt(max(d * d - q.depth_half_m**2, 0.05 * d * d))
            matrices.append(_perspective(half, max(0.15, d - 2.2), d + 1.6) @ _look_at(p, target))
        self.light_matrix = matrices
        block = np.zeros((64, 4, 4), np.float32)
        for i, m in enumerate(matrices):
            block[i] = m.T
        self.u_tiles.write(block.tobytes())
        self.p_depth["tiles"].value = (1, 1)
        for i in lit:
            self.f_depths[i].use()
            self.f_depths[i].clear(depth=1.0)
            self.p_depth["first_tile"].value = i
            self.v_depth.render(vertices=self.count[2] * 3, instances=1)
        # Sky visibility of every vertex.
        n = q.vertex_sky
        directions = _fibonacci_hemisphere(n, turn)
        centre, radius = np.asarray(body_centre, float), 1.15
        block[:] = 0
        for i, d in enumerate(directions):
            m = _look_at(centre + d * 3.0, centre)
            o = np.diag([1 / radius, 1 / radius, -1 / 2.5, 1.0])
            o[2, 3] = -3.0 / 2.5
            block[i] = (o @ m).T
        self.u_tiles.write(block.tobytes())
        block4 = np.zeros((64, 4), np.float32)
        block4[:n, :3] = directions
        self.u_directions.write(block4.tobytes())
        self.f_tiles.use()
        self.f_tiles.clear(depth=1.0)
        self.p_depth["tiles"].value = self.grid
        self.p_depth["first_tile"].value = 0
        self.v_depth.render(vertices=self.count[2] * 3, instances=n)
        self.p_sky["tiles"].value = self.grid
        self.p_sky["count"].value = n
        self.p_sky["offset_m"].value = 0.009
        self.p_sky["tile_depth"].value = 0
        self.tiles.use(0)
        self.v_sky.transform(self.b_sky, vertices=self.count[0])

    # ---- picture -----------------------------------------------------------------------------------------------------
    def _target(self, width: int, height: int):
        key = (width, height)
        if key not in self.targets:
            ctx = self.ctx
            colour = ctx.texture(key, 4, samples=self.samples, dtype="f2")
            depth = ctx.depth_texture(key, samples=self.samples)
            linear = ctx.texture(key, 4, dtype="f2")
            linear.repeat_x = linear.repeat_y = False
            self.targets[key] = (colour, depth, ctx.framebuffer([colour], depth), linear, ctx.framebuffer([linear]))
        return self.targets[key]

    def draw(self, look: "Look", camera, window: tuple[float, float, float, float], render_px: tuple[int, int]):
        """Draws the part `window` (x0, y0, width, height in px of the full frame) of a camera's picture in linear light."""
        ctx = self.ctx
        R, t = np.asarray(camera.R, float), np.asarray(camera.t, float)
        centre = -R.T @ t
        target_depth = float((R @ self.focus + t)[2])
        near, far = max(0.05, target_depth * 0.1), target_depth + 45.0
        x0, y0, w, h = window
        f, cx, cy = camera.focal_px, camera.width / 2 - x0, camera.height / 2 - y0
        p = np.zeros((4, 4))
        p[0, 0], p[0, 2] = 2 * f / w, 2 * cx / w - 1
        p[1, 1], p[1, 2] = 2 * f / h, 2 * cy / h - 1
        p[2, 2], p[2, 3] = (far + near) / (far - near), -2 * far * near / (far - near)
        p[3, 2] = 1
        view = np.eye(4)
        view[:3, :3], view[:3, 3] = R, t
        block = [(p @ view).T.ravel()] + [m.T.ravel() for m in self.light_matrix]
        q = self.quality
        d2 = ((self.light_position - self.focus) ** 2).sum(1)
        block += [
            np.r_[centre, w / f / render_px[0]],
            np.concatenate([self.light_position, self.light_radius[:, None]], 1).ravel(),
            np.concatenate([look.light_colour, d2[:, None]], 1).ravel(),
            np.r_[look.sky_top, 2 * q.tight_half_m / q.tight],
            np.r_[look.sky_horizon, max(0.0025, 2.2 * q.depth_half_m / q.depth)],
            np.r_[self.tight_region, 0.1],
            np.r_[self.wide_region, 0.1],
            look.floor.ravel(),
            look.wall.ravel(),
            np.r_[look.seed, look.pile_m, 0.0, 0.0],
        ]
        self.u_scene.write(np.concatenate(block).astype(np.float32).tobytes())
        materials = np.zeros((MAX_MATERIALS, 16), np.float32)
        materials[: len(look.materials)] = look.materials
        self.u_materials.write(materials.tobytes())
        colour, depth, frame, linear, linear_frame = self._target(*render_px)
        frame.use()
        frame.clear(0.05, 0.05, 0.05, 0.0, depth=1.0)
        ctx.enable_only(moderngl.DEPTH_TEST)
        ctx.depth_func = "<="
        for program in (self.p_mesh, self.p_floor):
            program["tight_map"].value = 0
            program["wide_map"].value = 1
            if "light_depth" in program:
                program["light_depth"].value = [2, 3, 4]
        self.tight.use(0)
        self.wide.use(1)
        for i in range(3):
            self.depths[i].use(2 + i)
        self.noise_image.use(5)
        self.noise_volume.use(6)
        self.sheet_image.use(7)
        if self.closed:
            ctx.enable(moderngl.CULL_FACE)
            self.v_mesh.render(vertices=self.closed * 3)
        # Open cloth: what faces the camera first, so that insides behind it are never shaded.
        ctx.enable(moderngl.CULL_FACE)
        for side in ("back", "front"):
            ctx.cull_face = side
            self.v_mesh.render(vertices=(self.count[1] - self.closed) * 3, first=self.closed * 3)
        ctx.cull_face = "back"
        ctx.disable(moderngl.CULL_FACE)
        self.v_floor.render(moderngl.TRIANGLE_STRIP)
        ray = R.T @ np.array([[w / 2 / f, 0, (w / 2 - cx) / f], [0, h / 2 / f, (h / 2 - cy) / f], [0, 0, 1.0]])
        self.p_backdrop["ray_matrix"].write(ray.T.astype("f4").tobytes())
        self.v_backdrop.render(moderngl.TRIANGLE_STRIP)
        linear_frame.use()
        ctx.enable_only(moderngl.NOTHING)
        colour.use(0)
        self.p_resolve["colour_ms"].value = 0
        self.p_resolve["samples"].value = self.samples
        self.v_resolve.render(moderngl.TRIANGLE_STRIP)
        self._last = (colour, depth, linear, near, far, render_px)

    def develop(self, look: "Look", slot: int, points_px: np.ndarray) -> None:
        """Puts the picture drawn last into slot `slot` of the atlas and probes up to 16 points (px of that picture)."""
        colour, depth, linear, near, far, px = self._last
        n = self.crop_px
        self.f_atlas.use()
        self.f_atlas.viewport = (0, slot * n, n, n)
        self._develop(look, linear, px[0] / n)
        self.f_probes.use()
        self.f_probes.viewport = (0, slot, PROBES, 1)
        colour.use(0)
        depth.use(1)
        pts = np.full((PROBES, 2), -1.0, np.float32)
        pts[: len(points_px)] = points_px
        p = self.p_probe
        p["colour_ms"].value, p["depth_ms"].value = 0, 1
        p["point"].write(pts.tobytes())
        p["depth_range"].value = (near, far, float(px[0]), float(px[1]))
        self.v_probe.render(moderngl.TRIANGLE_STRIP)

    def _develop(self, look: "Look", linear, ratio: float) -> None:
        linear.use(0)
        p = self.p_develop
        p["linear_map"].value = 0
        p["extent"].value = (1.0, 1.0, float(ratio), 0.0)
        p["develop_a"].value = tuple(look.develop[:4])
        p["develop_b"].value = tuple(look.develop[4:8])
        self.v_develop.render(moderngl.TRIANGLE_STRIP)

    def read_slots(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        """Pictures (count, n, n, 3) uint8 and probes (count, 16, 2): depth in metres, part code in [0, 1]; -1 outside."""
        n = self.crop_px
        raw = self.f_atlas.read(viewport=(0, 0, n, n * count), components=3, alignment=1)
        pictures = np.frombuffer(raw, np.uint8).reshape(count, n, n, 3)
        raw = self.f_probes.read(viewport=(0, 0, PROBES, count), components=2, dtype="f4")
        return pictures, np.frombuffer(raw, np.float32).reshape(count, PROBES, 2)

    def frame(self, look: "Look", camera, window: tuple[int, int, int, int] | None = None) -> np.ndarray:
        """The picture of a camera (height, width, 3) uint8, from the mesh and light at hand; or its part x0, y0, width, height."""
        x0, y0, *size = window or (0, 0, camera.width, camera.height)
        size = tuple(size)
        self.draw(look, camera, (x0, y0, *size), size)
        linear = self._last[2]
        key = ("display", size)
        if key not in self.targets:
            texture = self.ctx.texture(size, 4)
            self.targets[key] = (texture, self.ctx.framebuffer([texture]))
        target = self.targets[key][1]
        target.use()
        target.viewport = (0, 0, *size)
        self._develop(look, linear, 1.0)
        return np.frombuffer(target.read(components=3, alignment=1), np.uint8).reshape(size[1], size[0], 3).copy()

    def render(self, posed, appearance, camera, size: tuple[int, int] | None = None, samples: int | None = None) -> np.ndarray:
        """Whole picture (height, width, 3) uint8 of a posed body; `size` and `samples` are those of camera and renderer."""
        from .appearance import build, place_lights

        mesh, look, focus, centre = build(posed, appearance, camera)
        self.upload(mesh)
        self.bake(place_lights(appearance, focus), appearance.light_radius, focus, centre, appearance.seed, appearance.light["on"])
        return self.frame(look, camera)


@dataclass
class Look:
    """Numbers for the shaders: colours and patterns, no geometry."""

    light_colour: np.ndarray  # (3, 3) linear rgb at the leg
    sky_top: np.ndarray  # (3,)
    sky_horizon: np.ndarray  # (3,)
    floor: np.ndarray  # (14, 4)
    wall: np.ndarray  # (6, 4)
    materials: np.ndarray  # (M, 16)
    develop: np.ndarray  # (8,)
    seed: float
    pile_m: float


def thread_limit() -> None:
    """One thread for llvmpipe, so that several workers share a processor fairly; call before the first context."""
    os.environ.setdefault("LP_NUM_THREADS", "1")
