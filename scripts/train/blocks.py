"""What the networks' backbones are built of."""

from __future__ import annotations

from torch import nn


def conv(c_in: int, c_out: int, k: int, stride: int = 1, groups: int = 1, relu: type[nn.Module] | None = nn.ReLU) -> nn.Sequential:
    """Convolution, batch normalisation and an activation, where there is one."""
    layers: list[nn.Module] = [nn.Conv2d(c_in, c_out, k, stride, k // 2, groups=groups, bias=False), nn.BatchNorm2d(c_out)]
    if relu is not None:
        layers.append(relu(inplace=True))
    return nn.Sequential(*layers)


class Block(nn.Module):
    """1x1 to ``mid`` channels, depthwise k x k, 1x1 back; residual where shapes allow."""

    def __init__(self, c_in: int, c_out: int, mid: int, k: int, stride: int, relu: type[nn.Module] = nn.ReLU):
        super().__init__()
        self.body = nn.Sequential(conv(c_in, mid, 1, relu=relu), conv(mid, mid, k, stride, groups=mid, relu=relu), conv(mid, c_out, 1, relu=None))
        self.residual = stride == 1 and c_in == c_out

    def forward(self, x):
        y = self.body(x)
        return x + y if self.residual else y


class Staged(nn.Module):
    """A backbone of a stem and stages (``stem``, ``stages``): the map that each stage ends with."""

    def forward(self, crop):
        out, x = [], self.stem(crop)
        for stage in self.stages:
            x = stage(x)
            out.append(x)
        return out
