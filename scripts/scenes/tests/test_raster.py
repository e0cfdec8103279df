"""The rasteriser's light and geometry against closed forms and OpenCV."""

import numpy as np
import pytest

cv2 = pytest.importorskip("cv2")

from scenes import appearance, cameras, postprocess, raster  # noqa: E402


@pytest.fixture(scope="module")
def renderer():
    raster.thread_limit()
    try:
        return raster.Renderer(raster.Quality(sky=85, light=5, wide_sky=5, wide_light=3), slots=1)
    except RuntimeError as error:
        pytest.skip(str(error))


def mesh_of(position, faces):
    position, faces = np.asarray(position, np.float32), np.asarray(faces, np.int32)
    return raster.Mesh(position, raster.vertex_normals(position, faces), position, np.zeros((len(position), 4), np.uint8), faces, faces)


def box(low, high):
    x, y, z = np.array([low, high]).T
    corners = [(a, b, c) for a in x for b in y for c in z]
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return mesh_of(corners, [t for q in quads for t in ((q[0], q[1], q[2]), (q[0], q[2], q[3]))])


def light_map(r, mesh, light, radius=1e-4):
    """Hidden share of light 0 and of the sky over the tight region, [y, x], and the texel's size in m."""
    r.upload(mesh)
    lights = np.array([light, [0, 0, 5], [0, 0, 5]], float)
    r.bake(lights, np.array([radius, 0.1, 0.1]), np.zeros(3), np.zeros(3), 0.0, [True, False, False])
    n = r.quality.tight
    data = np.frombuffer(r.tight.read(), np.uint8).reshape(n, n, 4) / 255.0
    return data[..., 0], data[..., 3], 2 * r.quality.tight_half_m / n


@pytest.mark.parametrize("height,radius", [(0.1, 0.1), (0.05, 0.15), (0.2, 0.1)])
def test_sky_under_a_disc(renderer, height, radius):
    """Configuration factor of a coaxial parallel disc, R^2 / (R^2 + h^2) (Howell, A Catalog of Radiation Heat Transfer Configuration Factors)."""
    a = np.linspace(0, 2 * np.pi, 97)[:-1]
    rim = np.stack([radius * np.cos(a), radius * np.sin(a), np.full(96, height)], 1)
    disc = mesh_of(np.vstack([[0, 0, height], rim]), [(0, i + 1, (i + 1) % 96 + 1) for i in range(96)])
    _, sky, _ = light_map(renderer, disc, [0, 0, 5])
    n = len(sky) // 2
    assert sky[n, n] == pytest.approx(radius**2 / (radius**2 + height**2), abs=0.02)


@pytest.mark.parametrize("gap_mm", [0.0, 5.0, 15.0, 60.0])
def test_shadow_starts_where_the_gap_puts_it(renderer, gap_mm):
    """A light of elevation 45 degrees shines under a box's edge by gap * cot(45 deg) = gap: no bias, to two texels."""
    g = gap_mm / 1000
    far = 2000.0
    shadow, _, texel = light_map(renderer, box([-0.2, -0.2, g], [0.2, 0.2, g + 0.1]), [far, 0, far])
    n = len(shadow)
    row = shadow[n // 2] > 0.5
    right = (np.flatnonzero(row).max() + 1 - n / 2) * texel  # towards the light: edge at x = 0.2
    assert right == pytest.approx(0.2 - g, abs=2 * texel)


def test_picture_agrees_with_the_projection(renderer):
    """Edges of a taped rectangle lie where cv2.projectPoints puts them, to a third of a pixel and without a lean."""
    rng = np.random.default_rng(1)
    a = appearance.sample(rng, carpet="plain", light="hall", lower="bare")
    a.carpet.update(a=[0.1, 0.1, 0.1], b=[0.1, 0.1, 0.1], heather=0, wear=0, dirt=0, tufts=0, bump=0, gloss=0, lines=[], rectangle=[-0.4, -0.3, 0.4, 0.3], line_colour=[0.9] * 3, line_half_m=0.05, bounds=[-9, -9, 9, 9])
    a.develop.update(vignette=0.0, contrast=0.0, shoulder=0.0, saturation=1.0, exposure=0.8)
    camera = cameras.place([0, 0, 0], 35, 40, 3.0, 1500, (1280, 720), roll_deg=2)
    renderer.upload(mesh_of(np.zeros((3, 3)), [(0, 0, 0)]))
    renderer.bake(a.light_position, a.light_radius, np.zeros(3), np.zeros(3), 0.0, a.light["on"])
    picture = renderer.frame(appearance.look_of(a, camera), camera).astype(np.float32) / 255
    grey = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4).mean(2).astype(np.float32)  # linear light: an edge lies at its middle
    rvec, _ = cv2.Rodrigues(np.asarray(camera.R))
    k = np.array([[camera.focal_px, 0, 640], [0, camera.focal_px, 360], [0, 0, 1.0]])
    # Across each outer edge, at nine places: where the brightness is half way, and how far that is from the true edge, px.
    offset = np.linspace(-0.03, 0.03, 121)
    errors = []
    for s in np.linspace(-0.25, 0.25, 9):
        for at, out in (((0.4, s), (1, 0)), ((-0.4, s), (-1, 0)), ((s, 0.3), (0, 1)), ((s, -0.3), (0, -1))):
            across = np.array([[at[0] + out[0] * o, at[1] + out[1] * o, 0.0] for o in offset])
            uv = cv2.projectPoints(across, rvec, np.asarray(camera.t), k, None)[0][:, 0].astype(np.float32)
            # OpenCV puts the centre of pixel (0, 0) at (0, 0), we at (0.5, 0.5).
            profile = cv2.remap(grey, uv[:, 0] - 0.5, uv[:, 1] - 0.5, cv2.INTER_LINEAR).ravel()
            half = (profile[:20].mean() + profile[-20:].mean()) / 2
            i = int(np.flatnonzero(profile < half)[0])
            where = i - 1 + (profile[i - 1] - half) / (profile[i - 1] - profile[i])
            errors.append((where - 60) * np.linalg.norm(uv[-1] - uv[0]) / 120)
    assert abs(np.mean(errors)) < 0.1
    assert np.abs(errors).max() < 0.35


def test_block_transform_is_scipys():
    """The 8-point transform matrix against scipy.fft.dct (type II, orthonormal)."""
    scipy_fft = pytest.importorskip("scipy.fft")
    np.testing.assert_allclose(postprocess.DCT, scipy_fft.dct(np.eye(8), axis=0, norm="ortho"), atol=1e-12)


def test_compression_is_like_libjpeg():
    """Grey loss of the torch block coder against OpenCV's JPEG encoder (libjpeg) at the same quality: same pixels to 3 levels at 99 % (a coefficient on the edge of two steps may fall either way)."""
    torch = pytest.importorskip("torch")
    rng = np.random.default_rng(3)
    grey = cv2.GaussianBlur(rng.integers(0, 256, (64, 64), dtype=np.uint8), (0, 0), 2.0)
    d = postprocess.Degrade("cpu")
    x = torch.tensor(np.repeat(grey[None, None], 3, 1)).float() / 255
    s = {"quality": np.array([50.0]), "block_x": np.array([0]), "block_y": np.array([0])}
    ours = d._compress(x, s, np.ones(1))[0, 0].numpy() * 255
    theirs = cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 50])[1], cv2.IMREAD_GRAYSCALE).astype(float)
    assert np.mean(np.abs(ours - theirs) <= 3) > 0.99
    assert np.abs(ours - grey).max() > 3  # something was lost at all
