"""A camera's development and a codec's damage for path-traced pictures, other than the rasteriser's: filmic curves, H.264 or JPEG."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from scenes import postprocess  # noqa: E402


def srgb(x: np.ndarray) -> np.ndarray:
    """Linear light to sRGB (IEC 61966-2-1)."""
    x = np.clip(x, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-8) ** (1 / 2.4) - 0.055)


def develop(linear: np.ndarray, window: tuple[float, float, float], white, rng: np.random.Generator) -> np.ndarray:
    """Linear rgb (H, W, 3) to uint8: exposed half for the frame and half for the leg, white balanced in part, a tone curve of four."""
    x = np.nan_to_num(linear.astype(np.float32), posinf=6e4)
    h, w = x.shape[:2]
    x0, y0, side = window
    leg = x[max(int(y0), 0): max(int(y0 + side), 1), max(int(x0), 0): max(int(x0 + side), 1)]
    level = np.exp(0.5 * np.log(leg.mean(2) + 1e-4).mean() + 0.5 * np.log(x.mean(2) + 1e-4).mean())
    x = x * np.float32(np.exp(max(rng.normal(np.log(0.2), 0.3), np.log(0.13))) / max(level, 1e-5))
    tint = np.asarray(white, float) ** -rng.uniform(0.5, 1.0) * rng.normal(1, 0.04, 3)
    x = x * (tint / tint.mean()).astype(np.float32)
    y, xx = np.mgrid[:h, :w].astype(np.float32)
    r2 = ((xx - w / 2) ** 2 + (y - h / 2) ** 2) / (w * w + h * h) * 4
    x = x / (1 + np.float32(rng.uniform(0, 0.35)) * r2[..., None])
    curve = rng.choice(["clip", "shoulder", "narkowicz", "log"])
    if curve == "clip":
        out = srgb(x)
    elif curve == "shoulder":
        out = srgb(x * (1 + x / 9) / (1 + x * 0.6))
    elif curve == "narkowicz":  # fit of a film curve by K. Narkowicz, 2016, from memory
        out = srgb(x * (2.51 * x + 0.03) / (x * (2.43 * x + 0.59) + 0.14))
    else:
        out = np.log2(1 + 12 * np.clip(x, 0, 4)) / np.log2(1 + 12 * 4)
        out = out * out * (3 - 2 * out) * 0.5 + out * 0.5
    grey = out.mean(2, keepdims=True)
    out = grey + (out - grey) * rng.uniform(0.75, 1.2)
    return (np.clip(out, 0, 1) * 255 + 0.5).astype(np.uint8)


def h264(image: np.ndarray, quality: int, preset: str) -> np.ndarray:
    """A picture (H, W, 3) after H.264 at a constant rate factor: the last of three frames that stand still, so a predicted one."""
    h, w = image.shape[:2]
    size = ["-f", "rawvideo", "-pix_fmt", "rgb24", "-s", f"{w}x{h}", "-r", "30"]
    quiet = ["ffmpeg", "-nostdin", "-v", "error", "-threads", "1"]
    noise = np.random.default_rng(int(image[::17, ::17].sum()))
    frames = [np.clip(image.astype(np.int16) + noise.integers(-2, 3, image.shape, np.int16), 0, 255).astype(np.uint8) for _ in range(2)] + [image]
    code = subprocess.run([*(q for q in quiet if q != "-nostdin"), *size, "-i", "-", "-c:v", "libx264", "-crf", str(quality), "-preset", preset, "-bf", "0", "-pix_fmt", "yuv420p", "-f", "h264", "-"],
                          input=b"".join(f.tobytes() for f in frames), capture_output=True, check=True).stdout
    raw = subprocess.run([*(q for q in quiet if q != "-nostdin"), "-f", "h264", "-i", "-", "-f", "rawvideo", "-pix_fmt", "rgb24", "-"], input=code, capture_output=True, check=True).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, h, w, 3)[-1]


def jpeg(image: np.ndarray, quality: int) -> np.ndarray:
    ok, code = cv2.imencode(".jpg", image[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.ascontiguousarray(cv2.imdecode(code, cv2.IMREAD_COLOR)[..., ::-1])


def damage(image: np.ndarray, rng: np.random.Generator, video: bool = True) -> tuple[np.ndarray, str]:
    """Focus, movement, noise and sharpening as phones have them (a little less: the athlete holds still), then a codec; its name.

    Without `video` (no ffmpeg at hand), JPEG stands for H.264 too, at worse qualities.
    """
    settings = {k: v[0] for k, v in postprocess.draw(rng, 1, 0.7).items()}
    settings.update(exposure=1.0, gain=np.ones(3), gamma=1.0, contrast=1.0, saturation=1.0 if settings["saturation"] else 0.0)
    out = postprocess.degrade(image, rng, settings, compress=False)
    kind = rng.random()
    if kind < 0.55 and video:
        rate = int(rng.integers(18, 35))
        return h264(out, rate, str(rng.choice(["veryfast", "medium"]))), f"h264 crf {rate}"
    if kind < 0.9:
        quality = int(rng.integers(12, 75) if kind < 0.55 else rng.integers(30, 93))
        return jpeg(out, quality), f"jpeg {quality}"
    return out, "none"
