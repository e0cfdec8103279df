"""The lower-leg network: one crop in; points, gaps and view out.

A residual backbone made of plain convolutions, batch normalisation and ReLU (all three
fuse into one kernel in onnxruntime on the CPU), a light top-down decoder to a quarter of
the input's resolution, and heads that read it through the points' own heatmaps:

* a point is the mean, under its heatmap, of cell centre plus a predicted offset: finer
  than a cell, and able to lie outside the crop;
* features gathered under each heatmap, and under a few free attention maps, feed one
  hidden layer together with the points themselves and the camera's elevation; gaps,
  their spread and the view come from there. So the gap head can use both the picture
  at the floor and how sharp joints go together.
"""

from __future__ import annotations

import math

import torch
from torch import nn

import contract
import mobile
from blocks import Block, Staged, conv


class Inverted(Block):
    """A block whose width is a multiple of its input's."""

    def __init__(self, c_in: int, c_out: int, expand: float, k: int = 5, stride: int = 1):
        super().__init__(c_in, c_out, int(round(c_in * expand / 8) * 8), k, stride)


class Decode(nn.Module):
    """Nearest upsampling, a lateral from the finer level, one depthwise-separable block."""

    def __init__(self, c_deep: int, c_lateral: int, c_out: int, k: int):
        super().__init__()
        self.top = conv(c_deep, c_out, 1, relu=None)
        self.lateral = conv(c_lateral, c_out, 1, relu=None)
        self.relu = nn.ReLU(inplace=True)
        self.mix = nn.Sequential(conv(c_out, c_out, k, groups=c_out, relu=None), conv(c_out, c_out, 1))

    def forward(self, deep, fine):
        up = nn.functional.interpolate(self.top(deep), scale_factor=2.0, mode="nearest")
        return self.mix(self.relu(up + self.lateral(fine)))


# (width, blocks, expansion, kernel) at strides 4, 8, 16 and 32
SIZES = {
    "tiny": dict(stem=8, stages=((16, 1, 2, 3), (24, 1, 2, 3), (32, 1, 2, 3), (48, 1, 2, 3)), decoder=(24, 24, 24),
                 hidden=64, maps=2),
    "small": dict(stem=16, stages=((32, 2, 2, 3), (64, 3, 2, 5), (128, 4, 3, 5), (320, 2, 2, 5)),
                  decoder=(96, 64, 48), hidden=320, maps=8),
    "base": dict(stem=24, stages=((40, 2, 2, 3), (80, 4, 3, 5), (176, 6, 3, 5), (448, 4, 2, 5)),
                 decoder=(128, 80, 64), hidden=384, maps=8),
    # backbone and first weights of the general network (mobile.py, start_from.py)
    "full": dict(backbone="full", decoder=(112, 80, 56), hidden=384, maps=8),
    "heavy": dict(backbone="heavy", decoder=(128, 80, 64), hidden=384, maps=8),
}


class Backbone(Staged):
    """A backbone trained from nothing: ``[N,3,256,256]`` to maps at strides 4, 8, 16 and 32."""

    def __init__(self, plan: dict):
        super().__init__()
        self.stem = conv(3, plan["stem"], 3, 2)
        # the widest maps get a plain strided convolution; below it, inverted bottlenecks
        (c4, n4, e4, k4), *deeper = plan["stages"]
        stages = [nn.Sequential(conv(plan["stem"], c4, 3, 2), *[Inverted(c4, c4, e4, k4) for _ in range(n4 - 1)])]
        before, self.widths = c4, [c4]
        for c, n, e, k in deeper:
            stages.append(nn.Sequential(
                Inverted(before, c, max(e, 3), k, 2), *[Inverted(c, c, e, k) for _ in range(n - 1)]))
            before = c
            self.widths.append(c)
        self.stages = nn.ModuleList(stages)


class LowerLegNetwork(nn.Module):
    """``crop [N,3,256,256]`` in [0,1] and ``camera [N,2]`` to the outputs of ``contract.OUTPUTS``."""

    def __init__(self, size: str = "small"):
        super().__init__()
        s = SIZES[size]
        self.size = size
        points, stations, bins = len(contract.POINTS), len(contract.STATIONS), contract.GAP_BINS
        self.points, self.stations, self.bins, self.maps = points, stations, bins, s["maps"]

        if "backbone" in s:
            self.backbone = mobile.Backbone(s["backbone"])
            w = self.backbone.widths
            # its maps have values in the hundreds, which a linear layer should not meet
            self.level = nn.BatchNorm1d(w[3])
        else:
            self.backbone = Backbone(s)
            w = self.backbone.widths
            self.level = nn.Identity()
        dec = s["decoder"]
        self.decode16 = Decode(w[3], w[2], dec[0], 5)
        self.decode8 = Decode(dec[0], w[1], dec[1], 5)
        self.decode4 = Decode(dec[1], w[0], dec[2], 3)
        # one 1x1 convolution: heatmap logits, attention logits, offsets
        self.maps_out = nn.Conv2d(dec[2], points + self.maps + 2 * points, 1)

        gather = 24
        self.gather_points = nn.Parameter(torch.randn(points, dec[2], gather) / math.sqrt(dec[2]))
        self.gather_maps = nn.Linear(dec[2], 32)
        self.cholesky = nn.Linear(gather + 2, 3)
        self.cholesky_point = nn.Parameter(torch.zeros(points, 3))
        self.local_visibility = nn.Linear(gather + 2, 1)
        self.deep = nn.Sequential(nn.Linear(w[3], s["hidden"]), nn.ReLU(inplace=True))
        wide = s["hidden"] + points * (gather + 2) + self.maps * 32
        self.view = nn.Sequential(nn.Linear(wide, s["hidden"]), nn.ReLU(inplace=True))
        self.view_out = nn.Linear(s["hidden"], 2 + 2 + 2 + 1 + 1 + points)
        # camera elevation: given or not, sine and cosine and the known flag
        self.hidden = nn.Sequential(
            nn.Linear(wide + 6, s["hidden"]), nn.ReLU(inplace=True),
            nn.Linear(s["hidden"], s["hidden"]), nn.ReLU(inplace=True))
        self.gap_out = nn.Linear(s["hidden"], stations * (2 + bins))

        cells = contract.INPUT_PX // 4
        c = (torch.arange(cells, dtype=torch.float32) + 0.5) * 4
        yy, xx = torch.meshgrid(c, c, indexing="ij")
        self.register_buffer("cell_x", xx.reshape(1, 1, -1), persistent=False)
        self.register_buffer("cell_y", yy.reshape(1, 1, -1), persistent=False)
        self._initialise()

    def _initialise(self):
        for m in self.modules():
            if isinstance(m, nn.Conv2d):
                nn.init.kaiming_normal_(m.weight, mode="fan_out", nonlinearity="relu")
                if m.bias is not None:
                    nn.init.zeros_(m.bias)
        # a residual block starts as the identity
        for m in self.modules():
            if isinstance(m, Inverted) and m.residual:
                nn.init.zeros_(m.body[-1][1].weight)
        nn.init.normal_(self.maps_out.weight, std=0.01)
        for head in (self.view_out, self.gap_out, self.cholesky, self.local_visibility):
            nn.init.normal_(head.weight, std=0.01)
            nn.init.zeros_(head.bias)

    def features(self, crop):
        # no normalisation of colours: the stem's batch normalisation does it without another pass
        f4, f8, f16, f32 = self.backbone(crop)
        d4 = self.decode4(self.decode8(self.decode16(f32, f16), f8), f4)
        return f32, d4, self.maps_out(d4)

    def forward(self, crop, camera):
        f32, d4, maps = self.features(crop)
        with torch.autocast(crop.device.type, enabled=False):
            return self.heads(f32, d4, maps, camera)

    def heads(self, f32, d4, maps, camera):
        """Everything after the decoder, in 32-bit floats: soft-argmax over 4096 cells needs the digits."""
        n, p, m = maps.shape[0], self.points, self.maps
        d4 = d4.float().flatten(2)
        maps = maps.float().flatten(2)
        # sharper than the raw maps: 4096 cells are told apart in fewer steps
        logits = maps[:, : p + m] * 4
        weight = torch.softmax(logits, dim=2)
        heat = weight[:, :p]
        ox, oy = maps[:, p + m: 2 * p + m] * 4, maps[:, 2 * p + m:] * 4
        x = (heat * (self.cell_x + ox)).sum(2)
        y = (heat * (self.cell_y + oy)).sum(2)
        points = torch.stack([x, y], 2)
        gathered = torch.bmm(weight, d4.transpose(1, 2))  # N, p+m, D
        at_points = torch.einsum("npd,pdg->npg", gathered[:, :p], self.gather_points)
        at_maps = self.gather_maps(gathered[:, p:])
        # the points' places go in as numbers; gaps must not bend the points, so detached
        place = (points.detach() / contract.INPUT_PX - 0.5) * 4
        local = torch.cat([nn.functional.relu(at_points), place], 2)
        deep = self.deep(self.level(f32.float().mean((2, 3))))
        wide = torch.cat([deep, local.flatten(1), nn.functional.relu(at_maps).flatten(1)], 1)

        c = self.cholesky(local) + self.cholesky_point
        l11 = torch.exp(torch.clamp(c[..., 0:1] + 2.0, -3.0, 5.0))
        l22 = torch.exp(torch.clamp(c[..., 2:3] + 2.0, -3.0, 5.0))
        l21 = c[..., 1:2] * l22.detach()
        cholesky = torch.cat([l11, l21, l22], 2)

        v = self.view_out(self.view(wide))
        elevation = torch.stack([v[:, 0] + 0.35, v[:, 1] - 1.5], 1)
        azimuth = v[:, 2:4]
        scale = torch.stack([v[:, 4] + math.log(contract.INPUT_PX / contract.CROP_SIDE_SHANKS), v[:, 5] - 2.0], 1)
        is_left, present = v[:, 6], v[:, 7]
        visibility = v[:, 8: 8 + p] + self.local_visibility(local)[..., 0]

        known = camera[:, 1:2]
        given = camera[:, 0:1]
        seen = elevation[:, 0:1].detach()
        eyes = torch.cat([torch.sin(given) * known * 4, torch.cos(given) * known, known,
                          torch.sin(seen) * 4, azimuth.detach()], 1)
        h = self.hidden(torch.cat([wide, eyes], 1))
        g = self.gap_out(h).view(n, self.stations, 2 + self.bins)
        gap = g[..., 0] * 0.3 + 0.05
        gap_log_sd = torch.clamp(g[..., 1] - 3.5, -7.0, 1.0)
        return {
            "points": points,
            "points_cholesky": cholesky,
            "visibility": visibility,
            "gap": gap,
            "gap_log_sd": gap_log_sd,
            "gap_bins": g[..., 2:],
            "elevation": elevation,
            "azimuth": azimuth,
            "scale": scale,
            "is_left": is_left,
            "present": present,
            "heat_logits": logits[:, :p],
        }


class Exported(nn.Module):
    """The network with its outputs as a tuple in the order of ``contract.OUTPUTS``."""

    def __init__(self, network: LowerLegNetwork):
        super().__init__()
        self.network = network

    def forward(self, crop, camera):
        out = self.network(crop, camera)
        return tuple(out[name] for name in contract.OUTPUTS)


def parameters(network: nn.Module) -> int:
    return sum(p.numel() for p in network.parameters())
