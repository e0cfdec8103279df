"""Check models/*.onnx against the TFLite interpreter, and write the numbers that the Rust tests compare with.

Prints the largest absolute difference of every output over several inputs: noise, a flat grey picture, a computed
pattern, and a photograph of a person (scikit-image's `data.astronaut()`, a NASA picture in the public domain) whole,
shrunk, turned and mirrored. Exits with 1 where a point is off by more than 5e-3 px, or another output by more than its
own limit below. On pictures without a person (presence or score under one half) the networks amplify float32 rounding:
TFLite's two sets of CPU kernels then differ from each other by more than that. There the limit is the larger of the
stated one and twice that difference, measured in the same run and printed.

Usage (from the repository's root, after scripts/models/setup; fetch the package as convert.py says):
    .venv-models/bin/python scripts/models/verify.py "$folder"/mediapipe-pose-0.5.1675469404.tgz [--golden FOLDER]
"""

import argparse
import json
import os
import sys
import tarfile
import time
from pathlib import Path

import numpy as np
import onnxruntime
from ai_edge_litert.interpreter import Interpreter, OpResolverType
from PIL import Image
from skimage import data

from convert import DETECTOR, LANDMARKS, REPOSITORY, read_member, write_whole

POINT_LIMIT_PX = 5e-3
# Largest differences allowed: points in pixels of the network's input, the rest in each output's own unit.
LIMITS = {
    "boxes": POINT_LIMIT_PX,
    "score_logits": 5e-3,
    "landmarks x y": POINT_LIMIT_PX,
    "landmarks z": 2e-2,
    "landmarks logits": 5e-3,
    "presence": 1e-4,
    "heatmap_logits": 2e-2,
    "world_landmarks_m": 1e-4,
}


class Tflite:
    """One TFLite network in its own interpreter; `run` gives outputs by name."""

    def __init__(self, content, kernels=OpResolverType.AUTO):
        self.interpreter = Interpreter(model_content=content, num_threads=1, experimental_op_resolver_type=kernels)
        self.interpreter.allocate_tensors()

    def run(self, image):
        self.interpreter.set_tensor(self.interpreter.get_input_details()[0]["index"], image)
        self.interpreter.invoke()
        return {d["name"]: self.interpreter.get_tensor(d["index"]).copy() for d in self.interpreter.get_output_details()}


def session(path):
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return onnxruntime.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def pattern(side):
    """A computed picture, uint8 [side, side, 3]; the Rust test computes the same."""
    y, x, c = np.meshgrid(np.arange(side), np.arange(side), np.arange(3), indexing="ij")
    return ((x * 7 + y * 13 + c * 29 + (x * y) // 64) % 256).astype(np.uint8)


def resized(image, side):
    return np.asarray(Image.fromarray(image).resize((side, side), Image.Resampling.BILINEAR))


def pictures(side):
    """Named test pictures, uint8 [side, side, 3]."""
    random = np.random.default_rng(20251)
    photo = data.astronaut()
    return {
        "noise 1": random.integers(0, 256, (side, side, 3), dtype=np.uint8),
        "noise 2": random.integers(0, 256, (side, side, 3), dtype=np.uint8),
        "flat grey": np.full((side, side, 3), 128, dtype=np.uint8),
        "pattern": pattern(side),
        "photograph": resized(photo, side),
        "photograph, centre": resized(photo[64:448, 64:448], side),
        "photograph, small": np.pad(resized(photo, side // 2), [(side // 4, side // 4)] * 2 + [(0, 0)]),
        "photograph, turned": np.ascontiguousarray(np.rot90(resized(photo, side))),
        "photograph, mirrored": np.ascontiguousarray(resized(photo, side)[:, ::-1]),
    }


def network_input(image, network):
    """float32 [1, side, side, 3] in the network's range: detector [-1, 1], landmarks [0, 1]."""
    scaled = image.astype(np.float32)
    return (scaled / 127.5 - 1.0 if network is DETECTOR else scaled / 255.0)[None].astype(np.float32)


def tflite_outputs(network, raw):
    """The TFLite outputs under the ONNX names and shapes."""
    named = {}
    for output in network.outputs:
        value = raw[output.tflite_name]
        if value.ndim == 4:
            value = value.transpose(0, 3, 1, 2)
        named[output.name] = value.reshape(output.shape)
    return named


def quantities(network, outputs):
    """The compared quantities, by the names in LIMITS."""
    if network is DETECTOR:
        return dict(outputs)
    landmarks = outputs["landmarks"]
    rest = {k: v for k, v in outputs.items() if k != "landmarks"}
    return {"landmarks x y": landmarks[..., :2], "landmarks z": landmarks[..., 2], "landmarks logits": landmarks[..., 3:], **rest}


def golden(network, outputs, rows):
    """What the Rust test compares with: whole small outputs, chosen elements of the large ones."""
    if network is DETECTOR:
        return {
            "rows": rows,
            "score_logits": outputs["score_logits"][0, rows, 0].tolist(),
            "boxes": outputs["boxes"][0, rows].tolist(),
        }
    return {
        "landmarks": outputs["landmarks"][0].tolist(),
        "presence": float(outputs["presence"][0, 0]),
        "world_landmarks_m": outputs["world_landmarks_m"][0].tolist(),
        "heatmap_logits_row_32": outputs["heatmap_logits"][0, :, 32, ::8].tolist(),
    }


def has_person(outputs):
    return outputs["presence"].max() > 0.5 if "presence" in outputs else outputs["score_logits"].max() > 0.0


def difference(one, other, quantity):
    if not (np.isfinite(one[quantity]).all() and np.isfinite(other[quantity]).all()):
        raise ValueError(f"{quantity} is not finite")
    return float(np.abs(one[quantity] - other[quantity]).max())


def check(network, content, folder, reports):
    """Compare one network on every picture; returns whether all stayed within their limits."""
    side = 224 if network is DETECTOR else 256
    tflite, onnx_session = Tflite(content), session(folder / network.file)
    plain = Tflite(content, OpResolverType.BUILTIN_WITHOUT_DEFAULT_DELEGATES)
    names, passed = [o.name for o in network.outputs], True
    print(network.file)
    for name, image in pictures(side).items():
        tensor = network_input(image, network)
        outputs = tflite_outputs(network, tflite.run(tensor))
        expected = quantities(network, outputs)
        second = quantities(network, tflite_outputs(network, plain.run(tensor)))
        found = quantities(network, dict(zip(names, onnx_session.run(names, {"image": tensor}))))
        person = has_person(outputs)
        print(f"  {name}{'' if person else ' (no person seen)'}")
        for quantity, limit in LIMITS.items():
            if quantity not in expected:
                continue
            value, own = difference(expected, found, quantity), difference(expected, second, quantity)
            limit = limit if person else max(limit, 2.0 * own)
            passed &= value <= limit
            verdict = "" if value <= limit else "  FAILED"
            print(f"    {quantity:18} {value:.1e}, limit {limit:.1e}, between TFLite's own kernels {own:.1e}{verdict}")
        if name in ("pattern", "photograph"):
            best = np.argsort(-outputs["score_logits"][0, :, 0])[:6] if network is DETECTOR else []
            rows = sorted({*range(0, 2254, 161), *(int(i) for i in best)})
            reports[f"{network.role}, {name}"] = golden(network, outputs, rows)
    times = []
    for _ in range(20):
        start = time.perf_counter()
        onnx_session.run(None, {"image": tensor})
        times.append(time.perf_counter() - start)
    print(f"  {min(times) * 1e3:.1f} ms a picture at best, {np.median(times) * 1e3:.1f} ms median, one thread")
    return passed


def main():
    parser = argparse.ArgumentParser(description="Check models/*.onnx against the TFLite interpreter.")
    parser.add_argument("package", type=Path, help="mediapipe-pose-0.5.1675469404.tgz, as written by `npm pack`")
    parser.add_argument("--models", type=Path, default=REPOSITORY / "models", help="folder of the ONNX files (default: models/)")
    parser.add_argument("--golden", type=Path, help="also write pose_networks.json and the photograph into this folder")
    arguments = parser.parse_args()
    reports, passed = {}, True
    for network in (DETECTOR, LANDMARKS):
        passed &= check(network, read_member(arguments.package, network), arguments.models, reports)
    if arguments.golden:
        arguments.golden.mkdir(parents=True, exist_ok=True)
        text = json.dumps({"source": "TFLite interpreter (ai-edge-litert), written by scripts/models/verify.py", "cases": reports})
        rounded = json.dumps(json.loads(text, parse_float=lambda v: round(float(v), 5)), separators=(",", ":"))
        write_whole(arguments.golden / "pose_networks.json", rounded.encode() + b"\n")
        # The photograph at both input sizes: resampling differs between libraries, so the pixels themselves go along.
        for side in (224, 256):
            path = arguments.golden / f"astronaut_{side}.png"
            Image.fromarray(resized(data.astronaut(), side)).save(path.with_suffix(".tmp"), format="PNG", optimize=True)
            os.replace(path.with_suffix(".tmp"), path)
        print(f"wrote pose_networks.json and the photograph to {arguments.golden}")
    print("passed" if passed else "FAILED")
    return 0 if passed else 1


if __name__ == "__main__":
    try:
        sys.exit(main())
    except (OSError, ValueError, KeyError, tarfile.TarError) as error:
        sys.exit(f"verify: {error}")
