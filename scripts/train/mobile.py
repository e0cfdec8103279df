"""The backbone of the general network of body landmarks, as torch modules that can be trained on.

Its convolutions are depthwise-separable blocks with ReLU6; the batch normalisations of its own training are folded into
them. To train on at a full learning rate they are put back: :func:`take_weights` copies the convolutions from the ONNX
file, :func:`set_norms` gives every batch normalisation the mean and spread that its own input has on real crops, as
statistics and as affine parameters alike, so that the function computed stays the same.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import nn

from blocks import Block, Staged, conv


#: Blocks at strides 4, 8, 16 and 32 as (width, hidden channels, kernel, how many); a stage's first block halves the resolution.
#: `full` and `heavy` are the two larger networks of the package that `models/README.md` names; of `heavy` the last
#: three blocks are left out, so that the file stays small.
BACKBONES = {
    "full": dict(stem=(24, 16), stages=(
        ((24, 64, 3, 1), (24, 144, 3, 1)),
        ((32, 144, 5, 1), (32, 192, 5, 1)),
        ((64, 192, 3, 1), (64, 384, 3, 2), (88, 384, 5, 1), (88, 528, 5, 2)),
        ((144, 528, 5, 1), (144, 864, 5, 3)),
    )),
    "heavy": dict(stem=(24, 24), stages=(
        ((32, 96, 3, 1), (32, 128, 3, 1), (32, 192, 3, 2)),
        ((56, 192, 5, 1), (56, 336, 5, 3)),
        ((112, 336, 3, 1), (112, 672, 3, 5), (160, 672, 5, 1), (160, 960, 5, 5)),
        ((272, 960, 5, 1), (272, 1632, 5, 4)),
    )),
}


class Backbone(Staged):
    """``[N,3,256,256]`` in [0,1] to feature maps at strides 4, 8, 16 and 32."""

    def __init__(self, name: str):
        super().__init__()
        plan = BACKBONES[name]
        first, second = plan["stem"]
        six = nn.ReLU6
        self.stem = nn.Sequential(conv(3, first, 3, 2, relu=six), conv(first, first, 3, groups=first, relu=six), conv(first, second, 1, relu=None))
        before, stages, self.widths = second, [], []
        for groups in plan["stages"]:
            blocks: list[nn.Module] = []
            for width, mid, k, count in groups:
                for _ in range(count):
                    blocks.append(Block(before, width, mid, k, 1 if blocks else 2, six))
                    before = width
            stages.append(nn.Sequential(*blocks))
            self.widths.append(before)
        self.stages = nn.ModuleList(stages)


def take_weights(backbone: Backbone, onnx_file: Path) -> list[str]:
    """Copies convolutions and biases from an ONNX file made by ``scripts/models/convert.py``.

    Both lie in the order of computation; what the file has beside the backbone (its decoder's side branches) has another
    shape than the convolution that comes next and is passed over. Returns the names of the four maps in the file, for a check.
    """
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(onnx_file)).graph
    stored = {t.name: numpy_helper.to_array(t) for t in graph.initializer}
    casts = {n.output[0]: n.input[0] for n in graph.node if n.op_type == "Cast"}
    there = [n for n in graph.node if n.op_type == "Conv"]
    after = {name: n for n in graph.node if n.op_type in ("Add", "Clip") for name in n.input}
    at, last = 0, {}
    for module in backbone.modules():
        if not (isinstance(module, nn.Sequential) and isinstance(module[0], nn.Conv2d)):
            continue
        weight = module[0].weight
        while True:
            if at == len(there):
                raise ValueError(f"{onnx_file} has no convolution of shape {tuple(weight.shape)} where the backbone needs one; it is another network")
            node, at = there[at], at + 1
            value = stored[casts.get(node.input[1], node.input[1])]
            strides = next(list(a.ints) for a in node.attribute if a.name == "strides")
            if value.shape == tuple(weight.shape) and strides == list(module[0].stride):
                break
        weight.data.copy_(torch.from_numpy(value.astype("float32")))
        norm = module[1]
        # y = convolution + bias until set_norms has seen crops
        norm.running_mean.zero_()
        norm.running_var.fill_(1 - norm.eps)
        norm.weight.data.fill_(1.0)
        norm.bias.data.copy_(torch.from_numpy(stored[casts.get(node.input[2], node.input[2])].astype("float32")))
        last[id(module)] = node.output[0]
    names = []
    for stage in backbone.stages:
        block = stage[-1]
        name = last[id(block.body[-1])]
        names.append(after[name].output[0] if block.residual else name)
    return names


@torch.no_grad()
def set_norms(net: nn.Module, part: nn.Module, *inputs) -> None:
    """One pass of ``net`` over ``inputs`` in which every batch normalisation inside ``part`` takes its input's mean and spread."""
    def take(norm, received):
        x = received[0].float()
        mean, var = x.mean((0, 2, 3)), x.var((0, 2, 3), unbiased=False)
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        bias = norm.bias + (mean - norm.running_mean) * gain
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(var)
        norm.weight.copy_(gain * torch.sqrt(var + norm.eps))
        norm.bias.copy_(bias)

    hooks = [m.register_forward_pre_hook(take) for m in part.modules() if isinstance(m, nn.BatchNorm2d)]
    net.eval()
    net(*inputs)
    for hook in hooks:
        hook.remove()
