"""Runs a network (a checkpoint in torch, or an ONNX file) over crop shards: outputs and truth side by side.

Crops are placed as in use: centre and scale disturbed by a seeded draw, the camera's
elevation given or not. Everything comes back as numpy arrays in one dictionary.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch

import augment
import contract
import shards

#: Truth fields added to the outputs, under the name "true_<field>".
TRUTH = ("points", "visible", "in_crop", "gap", "shank_m", "elevation", "azimuth", "scale", "is_left", "present")
KEPT = ("source_shank_px", "pose_id", "body_id", "appearance_id", "clothing", "footwear", "carpet", "light", "held_out", "kind", "gap_mm", "cloth_gap_mm")

#: Placement of the crop in evaluation: within 10 % of the crop's side and 15 % in scale, as the trial network was tested.
PLACED = augment.Plan(centre_sd_shanks=0.08, scale_log_sd=0.10, roll_sd_deg=0, flip=False, picture=False, cutout_share=0, edge_share=0,
                      known_share=1.0, elevation_noise_deg=1.0)


def plan(known: float = 1.0, still: bool = False, picture: bool = False) -> augment.Plan:
    if still:
        return augment.Plan.still(known)
    p = augment.Plan(**{**PLACED.__dict__, "known_share": known, "picture": picture})
    return p


class Model:
    """A checkpoint (.pt) or an ONNX file (.onnx) behind one call."""

    def __init__(self, path: Path, threads: int = 1):
        self.path = Path(path)
        if self.path.suffix == ".onnx":
            import onnxruntime

            options = onnxruntime.SessionOptions()
            options.intra_op_num_threads, options.inter_op_num_threads = threads, 1
            options.add_session_config_entry("session.intra_op.allow_spinning", "0")
            self.session = onnxruntime.InferenceSession(str(self.path), options, providers=["CPUExecutionProvider"])
            self.device = torch.device("cpu")
        else:
            from train import load

            self.session = None
            self.device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
            self.net = load(self.path).to(self.device)

    @torch.no_grad()
    def __call__(self, crop: torch.Tensor, camera: torch.Tensor) -> dict[str, np.ndarray]:
        if self.session is not None:
            feed = {"crop": crop.float().cpu().numpy(), "camera": camera.float().cpu().numpy()}
            return dict(zip(contract.OUTPUTS, self.session.run(list(contract.OUTPUTS), feed)))
        out = self.net(crop.float(), camera.float())
        return {name: out[name].float().cpu().numpy() for name in contract.OUTPUTS}


def predict(model: Model, arrays: dict[str, np.ndarray], placement: augment.Plan, seed: int, batch: int = 128) -> dict[str, np.ndarray]:
    """Outputs, ``true_*`` labels in crop px, the camera input and the kept fields, for every crop."""
    gen = torch.Generator(model.device).manual_seed(seed)
    rows: dict[str, list] = {}
    n = len(arrays["image"])
    for a in range(0, n, batch):
        part = slice(a, min(a + batch, n))
        images = torch.from_numpy(arrays["image"][part]).to(model.device)
        labels = {k: torch.from_numpy(np.ascontiguousarray(arrays[k][part]).astype(np.float32)).to(model.device) for k in augment.LABELS}
        crop, camera, truth = augment.batch(images, labels, placement, gen)
        out = model(crop, camera)
        out["camera"] = camera.cpu().numpy()
        for name in TRUTH:
            out[f"true_{name}"] = truth[name].float().cpu().numpy()
        for name, value in out.items():
            rows.setdefault(name, []).append(value)
    result = {k: np.concatenate(v) for k, v in rows.items()}
    for name in KEPT:
        result[name] = arrays[name]
    return result


def predict_folder(model: Model, folder: Path, placement: augment.Plan, seed: int, limit: int | None = None, batch: int = 128):
    """:func:`predict` over a folder of shards, one shard in memory at a time."""
    rows: dict[str, list] = {}
    total = 0
    paths = sorted([*Path(folder).glob("*.npz"), *Path(folder).glob("*.zip")])
    for k, path in enumerate(paths):
        if limit is not None and total >= limit:
            break
        placed = path.suffix == ".zip"
        arrays = shards.read_placed(path) if placed else shards.read(path)
        use = augment.Plan(**{**placement.__dict__, "as_is": True, "roll_sd_deg": 0.0, "flip": False}) if placed else placement
        if limit is not None:
            arrays = {name: v[: limit - total] for name, v in arrays.items()}
        total += len(arrays["image"])
        for name, value in predict(model, arrays, use, seed + k, batch).items():
            rows.setdefault(name, []).append(value)
    if not rows:
        raise ValueError(f"{folder} holds no crop shards (*.npz, or *.zip of the scene generator)")
    return {k: np.concatenate(v) for k, v in rows.items()}
