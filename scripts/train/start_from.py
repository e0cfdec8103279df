"""Writes the first weights of a network that starts from the general network's backbone (see mobile.py).

    python start_from.py --size heavy --onnx models/body_landmarks_heavy.onnx --crops DIR --out start_heavy.pt
    python start_from.py --size heavy --trained models/lower_leg.onnx --crops DIR --out start_again.pt      # goes on from the shipped network
    python start_from.py --size full --onnx FILE --crops DIR --out start_full.pt      # FILE: scripts/models/convert.py --full FILE

`--crops`: a folder of training shards; a few hundred of them, disturbed as in training, give the batch normalisations their means and spreads.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import torch

import augment
import mobile
import network
import shards
from train import save


def take_trained(net: network.LowerLegNetwork, onnx_file: Path) -> None:
    """Copies every weight of a network that ``export.py`` wrote. Its norms are folded into the convolutions: they compute the same until they are set anew."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(onnx_file)).graph
    values = {t.name: numpy_helper.to_array(t) for t in graph.initializer}
    for name in [n.removesuffix("_half") for n in values if n.endswith("_half")]:
        values[name] = values.pop(f"{name}_half").astype(np.float32) * values.pop(f"{name}_rows")
    for node in graph.node:
        # a linear layer over more than one axis is written as a product with the weight transposed, without its name
        if node.op_type == "MatMul" and node.input[1] in values:
            values["network." + node.output[0].split("/")[2] + ".weight"] = values[node.input[1]].T
    modules = dict(net.named_modules())
    state = net.state_dict()
    for name, tensor in state.items():
        owner, _, leaf = name.rpartition(".")
        if isinstance(modules[owner], torch.nn.BatchNorm2d):
            convolution = f"{owner.rpartition('.')[0]}.0.bias"
            tensor.copy_(torch.as_tensor({"weight": 1.0, "bias": 0.0, "running_mean": 0.0, "running_var": 1 - modules[owner].eps}.get(leaf, 0)))
            if leaf == "bias":
                tensor.copy_(torch.from_numpy(values[f"network.{convolution}"]))
        elif leaf != "num_batches_tracked":
            value = values.get(f"network.{name}")
            if value is None or value.shape != tuple(tensor.shape):
                raise ValueError(f"{onnx_file} holds no weight {name} of shape {tuple(tensor.shape)}; it is another size of network, or was not written by export.py")
            tensor.copy_(torch.from_numpy(np.ascontiguousarray(value, dtype=np.float32)))
    net.load_state_dict(state)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--size", required=True, choices=mobile.BACKBONES)
    source = p.add_mutually_exclusive_group(required=True)
    source.add_argument("--onnx", type=Path, help="the general network")
    source.add_argument("--trained", type=Path, help="a network that export.py wrote")
    p.add_argument("--crops", type=Path, required=True)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--count", type=int, default=256)
    p.add_argument("--seed", type=int, default=1)
    o = p.parse_args()
    torch.manual_seed(o.seed)
    net = network.LowerLegNetwork(o.size)
    if o.onnx:
        names = mobile.take_weights(net.backbone, o.onnx)
    else:
        take_trained(net, o.trained)
        names = [f"stride {4 * 2**i}" for i in range(4)]
    arrays = shards.read_all(o.crops, o.count)
    labels = {k: torch.from_numpy(np.ascontiguousarray(arrays[k]).astype(np.float32)) for k in augment.LABELS}
    generator = torch.Generator().manual_seed(o.seed)
    crop, camera, _ = augment.batch(torch.from_numpy(arrays["image"]), labels, augment.Plan(), generator)
    with torch.no_grad():
        before = net.eval().backbone(crop[:8])
        mobile.set_norms(net, net.backbone if o.onnx else net, crop, camera)
        after = net.backbone(crop[:8])
    # the norms must not have changed what is computed
    for name, a, b in zip(names, before, after):
        difference = float((a - b).abs().max() / a.abs().max())
        print(f"{name}: {tuple(a.shape[1:])}, changed by {difference:.1e} of its largest value")
        if difference > 1e-3:
            raise SystemExit(f"the batch normalisations changed {name}; nothing was written")
    save(o.out, net, step=0)
    print(f"{o.out}: {network.parameters(net) / 1e6:.2f} M parameters, {len(crop)} crops")


if __name__ == "__main__":
    main()
