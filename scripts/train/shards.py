"""Crop shards: the arrays that renderers write and that training, calibration and tests read.

A shard is one ``.npz`` (uncompressed but for pictures kept as JPEG) holding ``n`` stored crops. A stored crop is wider than
the network's input so that training can move and scale the window. It is written under a
temporary name and renamed, so a reader never sees half a shard.

Stored-crop px below are px of the stored picture, origin at its top-left pixel's corner.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterable
from pathlib import Path

import numpy as np

import contract

#: name -> (numpy dtype, trailing shape; None stands for the stored picture's side)
FIELDS = {
    "image": (np.uint8, (None, None, 3)),  # RGB
    "points": (np.float32, (len(contract.POINTS), 2)),  # stored-crop px; NaN where there is no such point to teach
    "visible": (np.uint8, (len(contract.POINTS),)),  # 1: seen by the camera (not hidden by body, cloth or clutter)
    "gap_mm": (np.float32, (len(contract.STATIONS),)),  # measured on the mesh; negative: pressed in
    "cloth_gap_mm": (np.float32, (len(contract.STATIONS),)),  # lowest cloth over the carpet; NaN where there is none
    "shank_m": (np.float32, ()),  # knee joint to ankle joint
    "shank_px": (np.float32, ()),  # stored px per shank length at the leg's depth
    "centre": (np.float32, (2,)),  # stored px: midpoint of knee and heel, the centre of an undisturbed crop
    "focal_store_px": (np.float32, ()),  # focal length in stored px
    "elevation_rad": (np.float32, ()),  # of the camera over the carpet along the ray to `centre`
    "azimuth_rad": (np.float32, ()),  # direction leg to camera against knee to ankle, on the carpet, anticlockwise from above
    "source_shank_px": (np.float32, ()),  # px per shank length in the picture the crop was cut from; 0: rendered as is
    "is_left": (np.uint8, ()),
    "present": (np.uint8, ()),  # 1: a kneeling lower leg of this stance is at the crop's centre
    "pose_id": (np.int64, ()),
    "body_id": (np.int64, ()),
    "appearance_id": (np.int64, ()),
    "clothing": ("U24", ()),
    "footwear": ("U24", ()),
    "carpet": ("U24", ()),
    "light": ("U24", ()),
    "held_out": (np.uint8, ()),  # 1: carpet, light or hall of a family that training never sees
    "kind": ("U24", ()),  # pose kind, or the kind of negative
}


def write(path: Path, arrays: dict[str, np.ndarray], quality: int | None = None) -> None:
    """Check the arrays against ``FIELDS`` and write one shard; with a ``quality`` its pictures as JPEG, a tenth of the size (for carrying them about)."""
    n = len(arrays["image"])
    out = {}
    for name, (dtype, shape) in FIELDS.items():
        if name not in arrays:
            raise ValueError(f"shard {path}: the array '{name}' is missing")
        a = np.asarray(arrays[name], dtype=dtype)
        want = tuple(a.shape[i + 1] if s is None else s for i, s in enumerate(shape))
        if a.shape != (n, *want):
            raise ValueError(f"shard {path}: '{name}' has shape {a.shape}, {(n, *want)} is wanted")
        out[name] = a
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(path.name + ".tmp")
    if quality is not None:
        coded = [_jpeg(picture, quality) for picture in out.pop("image")]
        out.update(coded=np.frombuffer(b"".join(coded), np.uint8), coded_end=np.cumsum([len(c) for c in coded]))
    with open(temporary, "wb") as f:
        np.savez(f, **out)
    os.replace(temporary, path)


def _jpeg(picture: np.ndarray, quality: int) -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=quality, subsampling=0)
    return out.getvalue()


def _pictures(coded: Iterable[bytes]) -> np.ndarray:
    """Coded pictures of one size, read: ``[n,S,S,3] uint8``."""
    from PIL import Image

    return np.stack([np.asarray(Image.open(io.BytesIO(c)).convert("RGB")) for c in coded])


def _decoded(arrays: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The arrays of a shard whose pictures are JPEG, with the pictures themselves."""
    code, end = arrays.pop("coded").tobytes(), arrays.pop("coded_end")
    begin = np.concatenate([[0], end[:-1]])
    arrays["image"] = _pictures(code[a:b] for a, b in zip(begin, end))
    return arrays


def read(path: Path) -> dict[str, np.ndarray]:
    """One shard's arrays; one clear error where it is not a shard."""
    try:
        with np.load(path, allow_pickle=False) as f:
            arrays = {name: f[name] for name in f.files}
        if "coded" in arrays:
            arrays = _decoded(arrays)
    except Exception as e:  # zip, truncated file, not numpy
        raise ValueError(f"{path} cannot be read as a crop shard: {e}") from e
    missing = [name for name in FIELDS if name not in arrays]
    if missing:
        raise ValueError(f"{path} lacks {', '.join(missing)}: it was not written by shards.write")
    return arrays


def read_placed(path: Path) -> dict[str, np.ndarray]:
    """Crops of the scene generator's own shards (zip of pictures and ``truth.npz``), already placed.

    Such a crop is the network's input as it stands: read it with ``Plan.as_is``.
    """
    import json
    import zipfile

    with zipfile.ZipFile(path) as z:
        t = dict(np.load(io.BytesIO(z.read("truth.npz"))))
        names = sorted(n for n in z.namelist() if n.rsplit(".", 1)[-1] in ("webp", "png", "jpg"))
        image = _pictures(z.read(n) for n in names)
        families = json.loads(z.read("families.json")) if "families.json" in z.namelist() else {}
    n, size = len(image), image.shape[1]

    def family(name, field):
        table = families.get(name)
        return np.array([table[int(i)] for i in t[field]]) if table is not None and field in t else np.full(n, "unknown")

    points = len(contract.POINTS)
    return {
        "image": image,
        "points": t["points"][:, :points].astype(np.float32),
        "visible": t["visible"][:, :points].astype(np.uint8),
        "gap_mm": t["gap_m"].astype(np.float32) * 1000,
        "cloth_gap_mm": t.get("cloth_gap_m", np.full((n, 6), np.nan)).astype(np.float32) * 1000,
        "shank_m": t["shank_m"].astype(np.float32),
        "shank_px": (t["px_per_m"] * t["shank_m"] / t["side_px"] * size).astype(np.float32),
        "centre": np.full((n, 2), size / 2, np.float32),
        "focal_store_px": np.full(n, 1e6, np.float32),
        "elevation_rad": np.radians(t["elevation_deg"]).astype(np.float32),
        "azimuth_rad": np.radians(t["azimuth_deg"]).astype(np.float32),
        "source_shank_px": (t["px_per_m"] * t["shank_m"]).astype(np.float32),
        "is_left": 1 - t["kneeling_right"].astype(np.uint8),
        "present": t.get("present", np.ones(n)).astype(np.uint8),
        "pose_id": t.get("pose", np.arange(n)).astype(np.int64),
        "body_id": t.get("body_id", np.full(n, -1)).astype(np.int64),
        "appearance_id": np.arange(n, dtype=np.int64),
        "clothing": family("lower", "lower"),
        "footwear": family("footwear", "footwear"),
        "carpet": family("carpet", "carpet"),
        "light": family("light", "light"),
        "held_out": np.zeros(n, np.uint8),
        "kind": np.full(n, "stance"),
    }


def read_all(folder: Path, limit: int | None = None) -> dict[str, np.ndarray]:
    """Every shard of a folder (sorted by name) joined."""
    parts, total = [], 0
    for path in sorted(Path(folder).glob("*.npz")):
        parts.append(read(path))
        total += len(parts[-1]["image"])
        if limit is not None and total >= limit:
            break
    if not parts:
        raise ValueError(f"{folder} holds no crop shards (*.npz)")
    joined = {name: np.concatenate([p[name] for p in parts]) for name in FIELDS}
    return {k: v[:limit] for k, v in joined.items()} if limit is not None else joined
