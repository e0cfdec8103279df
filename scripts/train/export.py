"""Writes the ONNX file: float16 weights behind Cast nodes (32-bit arithmetic), checked against torch, timed.

    python export.py --model OUT/final.pt --onnx models/lower_leg.onnx
"""

from __future__ import annotations

import argparse
import hashlib
import os
import time
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper

import contract
import network
from train import load


def half_weights(model: onnx.ModelProto, least: int = 256) -> int:
    """Stores large float weights as float16, brought to the same size row by row (a row: one output), with Cast and Mul behind each; returns how many.

    Rows of a convolution that took its batch normalisation in can be small enough for float16 to lose their digits; each row's largest value is
    therefore kept beside it in 32 bits. The runtime folds both when it loads the file.
    """
    changed = 0
    before, scales = [], []
    for tensor in model.graph.initializer:
        if tensor.data_type != TensorProto.FLOAT or int(np.prod(tensor.dims)) < least:
            continue
        value = numpy_helper.to_array(tensor)
        name = tensor.name
        rows = value.reshape(value.shape[0], -1)
        largest = np.maximum(np.abs(rows).max(1), 1e-30).astype(np.float32)
        scale = largest.reshape(-1, *[1] * (value.ndim - 1))
        tensor.CopyFrom(numpy_helper.from_array((value / scale).astype(np.float16), name + "_half"))
        scales.append(numpy_helper.from_array(scale, name + "_rows"))
        before.append(helper.make_node("Cast", [name + "_half"], [name + "_unit"], name=f"cast_{changed}", to=TensorProto.FLOAT))
        before.append(helper.make_node("Mul", [name + "_unit", name + "_rows"], [name], name=f"rows_{changed}"))
        changed += 1
    nodes = before + list(model.graph.node)
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    model.graph.initializer.extend(scales)
    return changed


def fold_norms(net: network.LowerLegNetwork) -> network.LowerLegNetwork:
    """Each convolution takes its batch normalisation in, so that what is rounded to float16 is what runs."""
    for module in net.modules():
        if isinstance(module, torch.nn.Sequential) and len(module) >= 2 and isinstance(module[0], torch.nn.Conv2d) and isinstance(module[1], torch.nn.BatchNorm2d):
            module[0] = torch.nn.utils.fuse_conv_bn_eval(module[0], module[1])
            module[1] = torch.nn.Identity()
    return net


def quieten(net: network.LowerLegNetwork) -> int:
    """Makes channels constant that were constant on all crops of training, whose norm nevertheless amplifies; returns how many.

    A channel of the resumed backbone that nothing on a rendered crop wakes has next to no spread, and its norm learns to divide by that. Something never
    seen in training could wake it, many times too loud. What it gives on rendered crops stays the same.
    """
    count = 0
    for norm in net.modules():
        if isinstance(norm, torch.nn.BatchNorm2d):
            gain = norm.weight.data.abs() / torch.sqrt(norm.running_var + norm.eps)
            still = (norm.running_var < 1e-6) & (gain > 1.5)
            norm.weight.data[still] = 0.0
            count += int(still.sum())
    return count


def write(net: network.LowerLegNetwork, path: Path) -> int:
    """Exports, halves the weights, checks, renames into place. Returns the size in bytes."""
    temporary = path.with_name(path.name + ".tmp")
    crop, camera = torch.rand(2, 3, contract.INPUT_PX, contract.INPUT_PX), torch.tensor([[0.2, 1.0], [0.0, 0.0]])
    names = list(contract.OUTPUTS)
    torch.onnx.export(network.Exported(net).eval(), (crop, camera), str(temporary), input_names=["crop", "camera"], output_names=names,
                      dynamic_axes={k: {0: "batch"} for k in ("crop", "camera", *names)}, opset_version=17, dynamo=False)
    model = onnx.load(str(temporary))
    half_weights(model)
    model.producer_name = "scripts/train/export.py"
    onnx.checker.check_model(model, full_check=True)
    onnx.save(model, str(temporary))
    os.replace(temporary, path)
    return path.stat().st_size


def compare(net: network.LowerLegNetwork, path: Path, count: int = 4, seed: int = 5) -> dict[str, float]:
    """Largest difference between torch and onnxruntime for each output, on random crops."""
    import predict

    rng = np.random.default_rng(seed)
    crop = torch.from_numpy(rng.random((count, 3, contract.INPUT_PX, contract.INPUT_PX), dtype=np.float32))
    camera = torch.tensor(np.stack([rng.uniform(0, 1, count), np.arange(count) % 2], 1), dtype=torch.float32)
    camera[:, 0] *= camera[:, 1]
    model = predict.Model(path)
    got = model(crop, camera)
    with torch.no_grad():
        want = net(crop, camera)
    return {name: float(np.abs(got[name] - want[name].numpy()).max()) for name in contract.OUTPUTS}


def milliseconds(path: Path, repeat: int = 60) -> dict[str, float]:
    """Time of one crop on one thread without spinning, after ten warm-up runs."""
    import predict

    model = predict.Model(path)
    crop, camera = torch.rand(1, 3, contract.INPUT_PX, contract.INPUT_PX), torch.tensor([[0.2, 1.0]])
    times = []
    for _ in range(repeat + 10):
        begin = time.perf_counter()
        model(crop, camera)
        times.append((time.perf_counter() - begin) * 1000)
    t = np.array(times[10:])
    return {"least": float(t.min()), "median": float(np.median(t)), "p90": float(np.quantile(t, 0.9))}


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--model", type=Path, help="checkpoint of train.py; without it an untrained network of --size is exported, to time it")
    p.add_argument("--size", default="small", choices=network.SIZES)
    p.add_argument("--onnx", type=Path, required=True)
    o = p.parse_args()
    torch.manual_seed(0)
    torch.set_num_threads(1)
    net = load(o.model) if o.model else network.LowerLegNetwork(o.size).eval()
    quiet = quieten(net)
    net = fold_norms(net)
    o.onnx.parent.mkdir(parents=True, exist_ok=True)
    size = write(net, o.onnx)
    difference = compare(net, o.onnx)
    print(f"{o.onnx}: {size / 1e6:.2f} MB, {network.parameters(net) / 1e6:.2f} M parameters, {quiet} channels made constant, SHA-256 {hashlib.sha256(o.onnx.read_bytes()).hexdigest()}")
    print("largest difference to torch (float16 weights included): " + ", ".join(f"{k} {v:.2g}" for k, v in difference.items()))
    print("ms a crop, one thread: " + ", ".join(f"{k} {v:.1f}" for k, v in milliseconds(o.onnx).items()))


if __name__ == "__main__":
    main()
