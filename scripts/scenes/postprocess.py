"""What a camera and its codec do to a clean picture: focus, movement, noise, sharpening, block compression, colour.

Twice: `degrade` for whole frames with NumPy and OpenCV, and `Degrade` for batches of crops on a torch device, drawn anew
every time a crop is seen in training. Both draw from the same `draw` of settings, in the same order of steps, in px of the real frame
(not of the resampled crop). The strengths are by eye over what phones give; no source.
"""

from __future__ import annotations

import math

import numpy as np

#: Luminance quantisation table of ITU-T T.81 (JPEG), Annex K.1, and chrominance, K.2.
JPEG_LUMINANCE = np.array(
    [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56, 14, 17, 22, 29, 51, 87, 80, 62,
     18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92, 49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99], float
).reshape(8, 8)
JPEG_CHROMINANCE = np.full((8, 8), 99.0)
JPEG_CHROMINANCE[:4, :4] = [[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]


def _dct8() -> np.ndarray:
    k = np.arange(8)
    m = np.cos((2 * k[None] + 1) * k[:, None] * np.pi / 16) * 0.5
    m[0] /= math.sqrt(2)
    return m


DCT = _dct8()


def draw(rng: np.random.Generator, n: int, strength: float = 1.0) -> dict[str, np.ndarray]:
    """Settings for n pictures, each an array (n, ...): blurs in px of the real frame, noise in units of full scale."""
    def some(share, low, high):
        return np.where(rng.random(n) < share, rng.uniform(low, high, n), 0.0) * strength

    quality = np.where(rng.random(n) < 0.75, rng.uniform(18, 95, n), 100.0)
    return {
        "defocus": np.maximum(some(0.5, 0.3, 1.6), np.where(rng.random(n) < 0.06, rng.uniform(1.5, 3.5, n), 0) * strength),
        "motion": some(0.25, 1.0, 7.0),
        "motion_angle": rng.uniform(0, np.pi, n),
        "noise": some(0.85, 0.002, 0.05) * rng.random(n) ** 0.7,
        "noise_grain": rng.uniform(0.0, 0.9, n),  # how far noise is smeared by demosaicing and noise reduction, px
        "noise_colour": rng.uniform(0.0, 0.8, n),
        "sharpen": some(0.5, 0.2, 1.4),
        "quality": quality,
        "gain": 1 + np.clip(rng.normal(0, 0.05, (n, 3)), -0.12, 0.12) * strength,
        "exposure": np.exp(rng.normal(0, 0.18, n) * strength),
        "gamma": np.exp(rng.normal(0, 0.13, n) * strength),
        "contrast": 1 + rng.uniform(-0.2, 0.25, n) * strength,
        "saturation": np.where(rng.random(n) < 0.05, 0.0, 1 + rng.uniform(-0.4, 0.35, n) * strength),
        "block_x": rng.integers(0, 8, n),
        "block_y": rng.integers(0, 8, n),
    }


def kernel(defocus: float, motion: float, angle: float, size: int = 11) -> np.ndarray:
    """Point spread (size, size): a Gaussian of sigma `defocus` px smeared along `motion` px."""
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    out = np.zeros((size, size))
    steps = max(1, int(math.ceil(motion * 2)))
    s = max(defocus, 0.28)
    for k in (np.arange(steps) + 0.5) / steps - 0.5:
        dx, dy = k * motion * math.cos(angle), k * motion * math.sin(angle)
        out += np.exp(-((x - dx) ** 2 + (y - dy) ** 2) / (2 * s * s))
    return out / out.sum()


def quantisation(quality: float) -> tuple[np.ndarray, np.ndarray]:
    """JPEG tables at a quality 1..100 (the common scaling of Annex K's tables), for samples in [0, 255]."""
    s = 5000 / quality if quality < 50 else 200 - 2 * quality
    return (np.clip((JPEG_LUMINANCE * s + 50) // 100, 1, 255), np.clip((JPEG_CHROMINANCE * s + 50) // 100, 1, 255))


def degrade(image: np.ndarray, rng: np.random.Generator, settings: dict | None = None, compress: bool = True) -> np.ndarray:
    """A whole frame (H, W, 3) uint8 -> the same after focus, movement, colour, noise, sharpening and JPEG.

    Leave `compress` out where a codec follows.
    """
    import cv2

    s = {k: v[0] for k, v in draw(rng, 1).items()} if settings is None else settings
    x = image.astype(np.float32) / 255
    if s["defocus"] > 0 or s["motion"] > 0:
        x = cv2.filter2D(x, -1, kernel(s["defocus"], s["motion"], s["motion_angle"], 21).astype(np.float32), borderType=cv2.BORDER_REPLICATE)
    x = x * (np.asarray(s["gain"]) * s["exposure"]).astype(np.float32)
    x = np.clip(x, 0, 1) ** np.float32(s["gamma"])
    grey = x.mean(2, keepdims=True)
    x = (grey + (x - grey) * s["saturation"] - 0.5) * s["contrast"] + 0.5
    if s["noise"] > 0:
        h, w = x.shape[:2]
        luma = rng.standard_normal((h, w, 1), np.float32)
        chroma = rng.standard_normal((h, w, 3), np.float32)
        n = luma + s["noise_colour"] * chroma
        if s["noise_grain"] > 0.2:
            n = cv2.GaussianBlur(n, (0, 0), float(s["noise_grain"]))
            n = n / max(float(n.std()), 1e-6)
        level = np.sqrt(np.clip(x, 0.0, 1.0) + 0.06)  # shot noise after the tone curve is near even, a little more in the lights
        x = x + s["noise"] * level * n
    if s["sharpen"] > 0:
        x = x + s["sharpen"] * (x - cv2.GaussianBlur(x, (0, 0), 1.0))
    out = (np.clip(x, 0, 1) * 255 + 0.5).astype(np.uint8)
    if compress and s["quality"] < 100:
        ok, code = cv2.imencode(".jpg", out[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(s["quality"])])
        out = cv2.imdecode(code, cv2.IMREAD_COLOR)[..., ::-1]
    return np.ascontiguousarray(out)


class Degrade:
    """The same on a batch of crops, on a torch device.

        degrade = Degrade("cuda", seed=1)
        x = degrade(images_uint8_nhwc, side_px)      # (N, 3, H, W) float in [0, 1]

    side_px (N,) is the crop's side in px of the real frame: the steps are done at that resolution (rounded to a few sizes, at
    most the crop's own), then brought back, so that grain and blocks of small figures are large.
    """

    SIZES = (64, 96, 128, 176, 256)

    def __init__(self, device="cpu", seed: int = 0, strength: float = 1.0):
        import torch

        self.torch = torch
        self.device = torch.device(device)
        self.rng = np.random.default_rng(seed)
        self.generator = torch.Generator(self.device)
        self.generator.manual_seed(seed)
        self.strength = strength
        t = lambda a: torch.tensor(np.asarray(a), dtype=torch.float32, device=self.device)  # noqa: E731
        self.dct = t(DCT)
        self.to_ycc = t([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])  # ITU-T T.871
        self.to_rgb = t([[1, 0, 1.402], [1, -0.344136, -0.714136], [1, 1.772, 0]])

    def __call__(self, images, side_px):
        """images (N, H, W, 3) uint8 tensor or array; side_px (N,). Returns (N, 3, H, W) float32 in [0, 1]."""
        torch = self.torch
        x = torch.as_tensor(images).to(self.device, non_blocking=True).permute(0, 3, 1, 2).float() / 255
        side = np.asarray(side_px.cpu() if hasattr(side_px, "cpu") else side_px, float)
        n, size = len(x), x.shape[-1]
        s = draw(self.rng, n, self.strength)
        x = self._colour(x, s)
        sizes = np.array([k for k in self.SIZES if k < size] + [size])
        which = np.abs(np.log(np.clip(side, sizes[0], size)[:, None] / sizes[None])).argmin(1)
        out = torch.empty_like(x)
        for k, px in enumerate(sizes):
            index = np.flatnonzero(which == k)
            if not len(index):
                continue
            part = {name: v[index] for name, v in s.items()}
            # A frame finer than the crop: blur, grain and blocks shrink with it.
            shrink = np.minimum(1.0, px / side[index])
            i = torch.as_tensor(index, device=self.device)
            y = x[i]
            if px < size:
                y = torch.nn.functional.interpolate(y, size=(int(px), int(px)), mode="bilinear", antialias=True, align_corners=False)
            y = self._at_native(y, part, shrink)
            if px < size:
                y = torch.nn.functional.interpolate(y, size=(size, size), mode="bilinear", align_corners=False)
            out[i] = y
        return out.clamp_(0, 1)

    def _vector(self, v, *shape):
        return self.torch.as_tensor(np.asarray(v, np.float32), device=self.device).reshape(-1, *shape)

    def _colour(self, x, s):
        x = (x * self._vector(s["gain"] * s["exposure"][:, None], 3, 1, 1)).clamp(0, 1)
        x = x.clamp_min(1e-4) ** self._vector(s["gamma"], 1, 1, 1)
        grey = x.mean(1, keepdim=True)
        x = (grey + (x - grey) * self._vector(s["saturation"], 1, 1, 1) - 0.5) * self._vector(s["contrast"], 1, 1, 1) + 0.5
        return x.clamp(0, 1)

    def _filter(self, x, kernels):
        torch = self.torch
        n, c, h, w = x.shape
        k = kernels.shape[-1]
        p = torch.nn.functional.pad(x, [k // 2] * 4, mode="replicate")
        p = p.reshape(1, n * c, h + k - 1, w + k - 1)
        weight = kernels.repeat_interleave(c, 0)[:, None]
        return torch.nn.functional.conv2d(p, weight, groups=n * c).reshape(n, c, h, w)

    def _at_native(self, x, s, shrink):
        torch = self.torch
        n, _, h, w = x.shape
        kernels = np.stack([kernel(d * f, m * f, a, 11) for d, m, a, f in zip(s["defocus"], s["motion"], s["motion_angle"], shrink)])
        x = self._filter(x, torch.as_tensor(kernels, dtype=torch.float32, device=self.device))
        luma = torch.randn((n, 1, h, w), generator=self.generator, device=self.device)
        chroma = torch.randn((n, 3, h, w), generator=self.generator, device=self.device)
        noise = luma + self._vector(s["noise_colour"], 1, 1, 1) * chroma
        grain = np.stack([kernel(g * f, 0, 0, 5) for g, f in zip(s["noise_grain"], shrink)])
        noise = self._filter(noise, torch.as_tensor(grain / np.sqrt((grain**2).sum((1, 2), keepdims=True)), dtype=torch.float32, device=self.device))
        x = x + self._vector(s["noise"] * shrink, 1, 1, 1) * (x.clamp(0, 1) + 0.06).sqrt() * noise
        soft = self._filter(x, torch.as_tensor(np.stack([kernel(max(f, 0.35), 0, 0, 7) for f in shrink]), dtype=torch.float32, device=self.device))
        x = (x + self._vector(s["sharpen"], 1, 1, 1) * (x - soft)).clamp(0, 1)
        return self._compress(x, s, shrink)

    def _compress(self, x, s, shrink):
        """Block transform and quantisation at a random block phase; half-resolution chroma."""
        torch = self.torch
        todo = np.flatnonzero(s["quality"] < 100)
        if not len(todo):
            return x
        i = torch.as_tensor(todo, device=self.device)
        y = x[i]
        n, _, h, w = y.shape
        # Blocks of a finer frame cannot be drawn here; the same loss spread over less of the picture is a better quality.
        quality = 100 - (100 - s["quality"][todo]) * shrink[todo]
        tables = [quantisation(q) for q in quality]
        luminance = self._vector(np.stack([t[0] for t in tables]) / 255, 1, 1, 8, 8)
        chrominance = self._vector(np.stack([t[1] for t in tables]) / 255, 1, 1, 8, 8)
        px, py = int(s["block_x"][0]), int(s["block_y"][0])
        pad = [px, (-(w + px)) % 16, py, (-(h + py)) % 16]
        y = torch.nn.functional.pad(y, pad, mode="replicate")
        y = torch.einsum("ij,njhw->nihw", self.to_ycc, y)
        y = y - self._vector([0.5, 0, 0], 1, 1).reshape(1, 3, 1, 1)

        def code(plane, table):
            n, c, h, w = plane.shape
            b = plane.reshape(n, c, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5)
            b = b.reshape(n, -1, 1, 8, 8)
            f = self.dct @ b @ self.dct.T
            f = torch.round(f / table) * table
            b = self.dct.T @ f @ self.dct
            return b.reshape(n, c, h // 8, w // 8, 8, 8).permute(0, 1, 2, 4, 3, 5).reshape(n, c, h, w)

        light = code(y[:, :1], luminance)
        colour = code(torch.nn.functional.avg_pool2d(y[:, 1:], 2), chrominance)
        colour = torch.nn.functional.interpolate(colour, scale_factor=2, mode="bilinear", align_corners=False)
        y = torch.cat([light + 0.5, colour], 1)
        y = torch.einsum("ij,njhw->nihw", self.to_rgb, y)
        x = x.clone()
        x[i] = y[:, :, py : py + h, px : px + w].clamp(0, 1)
        return x
