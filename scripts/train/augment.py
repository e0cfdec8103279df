"""Turns stored crops into network inputs: where the window lies, what a camera does to a picture.

All in batches in torch, so that it runs on the accelerator beside the training step.
With ``Plan.still()`` nothing is drawn at random: the undisturbed crop, for tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import torch
from torch.nn import functional as F

import contract

SIDE = contract.INPUT_PX

#: Numeric label fields that go to the device with the pictures.
LABELS = ("points", "visible", "gap_mm", "shank_m", "shank_px", "centre", "focal_store_px", "elevation_rad",
          "azimuth_rad", "is_left", "present")


@dataclass
class Plan:
    """How far the window and the picture are disturbed."""

    centre_sd_shanks: float = 0.08
    scale_log_sd: float = 0.12
    tail: float = 4.0  # degrees of freedom of Student's t for both
    roll_sd_deg: float = 2.0
    flip: bool = True
    picture: bool = True
    known_share: float = 0.5
    elevation_noise_deg: float = 1.0
    cutout_share: float = 0.25
    edge_share: float = 0.08  # the frame's own edge cuts the crop
    as_is: bool = False  # the stored picture is the placed crop itself

    @staticmethod
    def still(known: float = 1.0) -> "Plan":
        return Plan(0.0, 0.0, 4.0, 0.0, False, False, known, 0.0, 0.0, 0.0)


def student(shape, degrees: float, generator: torch.Generator, device) -> torch.Tensor:
    """Student's t with unit variance (needs more than 2 degrees of freedom)."""
    z = torch.randn(shape, generator=generator, device=device)
    k = int(degrees)
    chi = torch.randn((*shape, k), generator=generator, device=device).square().sum(-1)
    t = z / torch.sqrt(chi / k)
    return t * math.sqrt((k - 2) / k)


def uniform(n, low, high, generator, device):
    return torch.rand(n, generator=generator, device=device) * (high - low) + low


# ---------------------------------------------------------------- window

def window(images, labels, plan: Plan, generator: torch.Generator, dtype):
    """Cut network inputs from stored crops ``images [N,S,S,3] uint8`` and carry the labels along.

    Returns pictures ``[N,3,256,256]`` in [0,1] and labels in the cut crop's px.
    """
    n, store = images.shape[0], images.shape[1]
    device = images.device
    shank = labels["shank_px"]
    scale = torch.exp(torch.clamp(student((n,), plan.tail, generator, device) * plan.scale_log_sd, -0.5, 0.5))
    shift = torch.clamp(student((n, 2), plan.tail, generator, device) * plan.centre_sd_shanks, -0.5, 0.5)
    centre = labels["centre"] + shift * shank[:, None]
    side = contract.CROP_SIDE_SHANKS * shank * scale  # stored px that the window spans
    if plan.as_is:
        shift, side = torch.zeros_like(shift), torch.full_like(side, float(store))
        centre = torch.full_like(centre, store / 2)
    zoom = SIDE / side  # crop px per stored px
    angle = torch.randn(n, generator=generator, device=device) * math.radians(plan.roll_sd_deg)
    mirror = torch.ones(n, device=device)
    if plan.flip:
        mirror = torch.where(torch.rand(n, generator=generator, device=device) < 0.5, -1.0, 1.0)
    c, s = torch.cos(angle), torch.sin(angle)

    # crop px -> stored px: p = centre + (1/zoom) R(angle) M (q - 128)
    a11, a12, a21, a22 = c * mirror / zoom, -s / zoom, s * mirror / zoom, c / zoom
    half = SIDE / 2
    # grid_sample's normalised coordinates (align_corners=False) measure from the corner, as we do
    theta = torch.stack([
        torch.stack([a11 * half, a12 * half, centre[:, 0] - store / 2], 1),
        torch.stack([a21 * half, a22 * half, centre[:, 1] - store / 2], 1),
    ], 1) / (store / 2)
    # 32-bit: a grid in 16-bit floats would be off by a tenth of a px
    x = images.permute(0, 3, 1, 2).float()
    grid = F.affine_grid(theta.float(), (n, 3, SIDE, SIDE), align_corners=False)
    cut = F.grid_sample(x, grid, mode="bilinear", padding_mode="border", align_corners=False)
    cut = (cut / 255).to(dtype)
    # outside the picture: its border drawn out, black or grey; a product may do any of the three
    kind = torch.rand(n, generator=generator, device=device) if plan.picture else torch.zeros(n, device=device)
    outside = ((grid.abs() > 1).any(-1)).unsqueeze(1)
    fill = torch.where(kind < 0.5, -1.0, torch.where(kind < 0.75, 0.0, 0.5))
    fill = fill.view(n, 1, 1, 1).to(dtype)
    cut = torch.where(outside & (fill >= 0), fill, cut)

    beyond = None
    if plan.edge_share > 0:
        # crop px past a line parallel to one side lie outside the frame
        q = torch.arange(SIDE, device=device) + 0.5
        at = uniform(n, 0.0, 0.35, generator, device) * SIDE
        at = torch.where(torch.rand(n, generator=generator, device=device) < plan.edge_share, at, torch.full_like(at, -1.0))
        which = torch.randint(0, 4, (n,), generator=generator, device=device)
        line = q.view(1, -1)
        low, high = line < at[:, None], line > SIDE - at[:, None]
        high = high & (at[:, None] > 0)
        across = torch.where((which == 0)[:, None], low, torch.where((which == 1)[:, None], high, torch.zeros_like(low)))
        down = torch.where((which == 2)[:, None], low, torch.where((which == 3)[:, None], high, torch.zeros_like(low)))
        beyond = across.unsqueeze(1) | down.unsqueeze(2)
        cut = torch.where(beyond.unsqueeze(1), fill.clamp(min=0), cut)

    # stored px -> crop px
    d = labels["points"] - centre[:, None]
    c_, s_, z_, m_ = c[:, None], s[:, None], zoom[:, None], mirror[:, None]
    px = m_ * (c_ * d[..., 0] + s_ * d[..., 1]) * z_ + half
    py = (-s_ * d[..., 0] + c_ * d[..., 1]) * z_ + half
    points = torch.stack([px, py], 2)
    # a lower window looks steeper down: elevation along the ray to the moved centre
    elevation = labels["elevation_rad"] + torch.atan(shift[:, 1] * shank / labels["focal_store_px"])
    out = {
        "points": points,
        "visible": labels["visible"].float(),
        "gap": labels["gap_mm"] / 1000 / labels["shank_m"][:, None],
        "shank_m": labels["shank_m"],
        "elevation": elevation,
        "azimuth": torch.stack([torch.sin(labels["azimuth_rad"]) * mirror, torch.cos(labels["azimuth_rad"])], 1),
        "scale": torch.log(shank * zoom),
        "is_left": torch.where(mirror < 0, 1 - labels["is_left"].float(), labels["is_left"].float()),
        "present": labels["present"].float(),
    }
    if beyond is not None:
        cell = torch.nan_to_num(points, nan=-1.0).long().clamp(0, SIDE - 1)
        lost = beyond.flatten(1).gather(1, cell[..., 1] * SIDE + cell[..., 0])
        out["visible"] = out["visible"] * (~lost).float()
    known = (torch.rand(n, generator=generator, device=device) < plan.known_share).float()
    noise = torch.randn(n, generator=generator, device=device) * math.radians(plan.elevation_noise_deg)
    camera = torch.stack([(elevation + noise) * known, known], 1)
    return cut, camera, out


# ---------------------------------------------------------------- picture

@lru_cache
def _dct_matrix(device, dtype):
    k = torch.arange(8, dtype=torch.float64)
    m = torch.cos((2 * k[None] + 1) * k[:, None] * math.pi / 16) * 0.5
    m[0] *= math.sqrt(0.5)
    return m.to(device=device, dtype=dtype)


#: Quantisation tables of ITU-T T.81 (the JPEG standard), annex K, tables K.1 and K.2 (from memory).
_LUMA = [16, 11, 10, 16, 24, 40, 51, 61, 12, 12, 14, 19, 26, 58, 60, 55, 14, 13, 16, 24, 40, 57, 69, 56,
         14, 17, 22, 29, 51, 87, 80, 62, 18, 22, 37, 56, 68, 109, 103, 77, 24, 35, 55, 64, 81, 104, 113, 92,
         49, 64, 78, 87, 103, 121, 120, 101, 72, 92, 95, 98, 112, 100, 103, 99]
_CHROMA = [17, 18, 24, 47, 99, 99, 99, 99, 18, 21, 26, 66, 99, 99, 99, 99, 24, 26, 56, 99, 99, 99, 99, 99,
           47, 66] + [99] * 38


@lru_cache
def _table(which: str, device) -> torch.Tensor:
    """A quantisation table ``[1,8,8]``; kept, because a recorded step may not copy from the host."""
    return torch.tensor({"luma": _LUMA, "chroma": _CHROMA}[which], device=device, dtype=torch.float32).view(1, 8, 8)


def _quantise(plane, table, m):
    """Blockwise DCT, rounding, inverse: ``plane [N,H,W]`` in 0..255 about 0, ``table [N,8,8]``.

    Every product has a plain matrix on the right, so that it runs as one large product.
    """
    n, h, w = plane.shape
    b = plane.view(n, h // 8, 8, w // 8, 8).permute(0, 1, 3, 2, 4).contiguous()
    t = table.transpose(1, 2)[:, None, None]
    f = (b @ m.T).transpose(-1, -2).contiguous() @ m.T  # transposed coefficients
    f = torch.round(f / t) * t
    b = (f @ m).transpose(-1, -2).contiguous() @ m
    return b.permute(0, 1, 3, 2, 4).reshape(n, h, w)


def compress(x, quality):
    """What lossy still or intra-frame compression does: ``x [N,3,H,W]`` in [0,1], ``quality [N]`` 1..100."""
    n, _, h, w = x.shape
    dtype = x.dtype
    x = x.float() * 255
    r, g, b = x[:, 0], x[:, 1], x[:, 2]
    y = 0.299 * r + 0.587 * g + 0.114 * b - 128
    cb = F.avg_pool2d((-0.168736 * r - 0.331264 * g + 0.5 * b).unsqueeze(1), 2)[:, 0]
    cr = F.avg_pool2d((0.5 * r - 0.418688 * g - 0.081312 * b).unsqueeze(1), 2)[:, 0]
    s = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality).view(n, 1, 1) / 100
    m = _dct_matrix(x.device, torch.float32)
    luma = torch.clamp(_table("luma", x.device) * s, 1, 255)
    chroma = torch.clamp(_table("chroma", x.device) * s, 1, 255)
    y = _quantise(y, luma, m) + 128
    cb, cr = (F.interpolate(_quantise(p, chroma, m).unsqueeze(1), scale_factor=2.0, mode="bilinear",
                            align_corners=False)[:, 0] for p in (cb, cr))
    out = torch.stack([y + 1.402 * cr, y - 0.344136 * cb - 0.714136 * cr, y + 1.772 * cb], 1)
    return (out / 255).clamp_(0, 1).to(dtype)


def _line_kernels(n, generator, device, size=9):
    """Blur kernels: a moving camera's line of random length and direction, or defocus."""
    r = (size - 1) / 2
    yy, xx = torch.meshgrid(torch.arange(size, device=device) - r, torch.arange(size, device=device) - r, indexing="ij")
    angle = uniform(n, 0, math.pi, generator, device).view(n, 1, 1)
    length = uniform(n, 0.5, 4.0, generator, device).view(n, 1, 1)
    width = uniform(n, 0.35, 0.6, generator, device).view(n, 1, 1)
    along = xx * torch.cos(angle) + yy * torch.sin(angle)
    across = -xx * torch.sin(angle) + yy * torch.cos(angle)
    line = torch.sigmoid((length - along.abs()) * 4) * torch.exp(-0.5 * (across / width) ** 2)
    sd = uniform(n, 0.4, 1.6, generator, device).view(n, 1, 1)
    soft = torch.exp(-0.5 * (xx ** 2 + yy ** 2) / sd ** 2)
    pick = (torch.rand(n, generator=generator, device=device) < 0.5).view(n, 1, 1)
    k = torch.where(pick, line, soft)
    return k / k.sum((1, 2), keepdim=True)


def _strange_surfaces(x, generator: torch.Generator):
    """The pictures through random linear filters over place and colour, in part, at the contrast and colour they had before: shapes stay, what surfaces look like does not.

    Random convolutions of Xu et al., "Robust and Generalizable Visual Representation Learning via Random Convolutions", ICLR 2021 (from memory), one filter a picture, half of them without neighbours.
    """
    n = x.shape[0]
    k = torch.randn(n, 3, 3, 3, 3, generator=generator, device=x.device)
    # as much variance from one place as from nine; made on the device, since a recorded step may not copy from the host
    near = (torch.arange(9, device=x.device) == 4).view(3, 3) * 3.0
    alone = (torch.rand(n, generator=generator, device=x.device) < 0.5).view(n, 1, 1, 1, 1)
    k = torch.where(alone, k * near, k).to(x.dtype)
    y = F.conv2d(F.pad(x, (1, 1, 1, 1), mode="replicate").reshape(1, 3 * n, x.shape[2] + 2, x.shape[3] + 2), k.view(3 * n, 3, 3, 3), groups=n).view_as(x)
    # statistics in 32-bit floats: sums over a picture do not fit the short ones
    x_sd, x_mean = torch.std_mean(x.float(), (2, 3), keepdim=True)
    y_sd, y_mean = torch.std_mean(y.float(), (2, 3), keepdim=True)
    y = (y.float() - y_mean) / (y_sd + 1e-3) * x_sd + x_mean
    share = uniform(n, 0.2, 1.0, generator, x.device).view(n, 1, 1, 1)
    return (x.float() + (y - x.float()) * share).to(x.dtype)


def picture(x, labels, plan: Plan, generator: torch.Generator):
    """Light, lens, resolution, sensor and compression, in that order. ``x [N,3,256,256]`` in [0,1]."""
    n = x.shape[0]
    device, dtype = x.device, x.dtype

    def draw(low, high, *shape):
        return uniform((n, *shape), low, high, generator, device)

    def chance(p):
        return torch.rand(n, generator=generator, device=device) < p

    def v(t):
        return t.view(n, -1, 1, 1).to(dtype)

    # the last eighth of the (already shuffled) batch: surfaces that look like nothing
    m = n // 8
    if m:
        x = torch.cat([x[:-m], _strange_surfaces(x[-m:], generator)])
    # colour: exposure, white balance, saturation, contrast, gamma
    dim = torch.where(chance(0.1), draw(-1.0, 0.0), torch.zeros(n, device=device))  # a hall in the dark
    gain = torch.exp(draw(-0.35, 0.35) + dim).view(n, 1) * torch.exp(torch.randn(n, 3, generator=generator, device=device) * 0.08)
    x = x * v(gain)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * v(draw(0.3, 1.4))
    middle = x.mean((2, 3), keepdim=True)
    x = middle + (x - middle) * v(draw(0.75, 1.3))
    x = x.clamp(1e-4, 1) ** v(torch.exp(draw(-0.35, 0.35)))
    x = x + v(torch.where(chance(0.2), draw(0.0, 0.12), torch.zeros(n, device=device)))  # veiling glare
    # uneven light across the crop
    ramp = torch.linspace(-1, 1, SIDE, device=device, dtype=dtype)
    x = x * (1 + v(draw(-0.12, 0.12)) * ramp.view(1, 1, 1, -1) + v(draw(-0.12, 0.12)) * ramp.view(1, 1, -1, 1))

    # blur on the first 3/8 of the (already shuffled) batch
    m = (3 * n) // 8
    if m:
        k = _line_kernels(m, generator, device).to(dtype)
        r = k.shape[-1] // 2
        part = F.pad(x[:m], (r, r, r, r), mode="replicate")
        part = F.conv2d(part.permute(1, 0, 2, 3), k.unsqueeze(1), groups=m).permute(1, 0, 2, 3)
        x = torch.cat([part, x[m:]])

    # resolution, noise and compression act on the source's pixels
    order = torch.rand(n, generator=generator, device=device).argsort()
    # renders already have their frame's resolution, so most stay
    shares, sides, start, out = (0.64, 0.14, 0.12, 0.1), (SIDE, 192, 144, 112), 0, []
    for i, (share, side) in enumerate(zip(shares, sides)):
        stop = n if i == len(shares) - 1 else start + int(round(share * n))
        pick = order[start:stop]
        start = stop
        if len(pick) == 0:
            continue
        p = x[pick]
        if side != SIDE:
            p = F.interpolate(p.float(), size=(side, side), mode="bilinear", antialias=True, align_corners=False).to(dtype)
        k = len(pick)
        sd = torch.exp(uniform(k, math.log(0.002), math.log(0.03), generator, device)).view(k, 1, 1, 1).to(dtype)
        noise = torch.randn(p.shape, generator=generator, device=device, dtype=dtype)
        mono = (torch.rand(k, generator=generator, device=device) < 0.5).view(k, 1, 1, 1)
        noise = torch.where(mono, noise[:, :1], noise)
        p = p + noise * sd * (0.4 + p.clamp(0, 1).sqrt())
        # sharpening, as phones do
        amount = uniform(k, -0.2, 0.8, generator, device).clamp(min=0).view(k, 1, 1, 1).to(dtype)
        p = p + (p - F.avg_pool2d(p, 3, 1, 1, count_include_pad=False)) * amount
        p = p.clamp(0, 1)
        c = k // 2  # half of them are compressed
        if c:
            quality = uniform(c, 12, 90, generator, device)
            p = torch.cat([compress(p[:c], quality), p[c:]])
        if side != SIDE:
            p = F.interpolate(p.float(), size=(SIDE, SIDE), mode="bilinear", align_corners=False).to(dtype)
        out.append(p)
    back = torch.empty_like(order)
    back[order] = torch.arange(n, device=device)
    x = torch.cat(out)[back]

    # something in the way: a rectangle of one colour, or of another sample's picture
    if plan.cutout_share > 0:
        w, h = draw(20, 110), draw(20, 110)
        cx, cy = draw(0, SIDE), draw(0, SIDE)
        on = chance(plan.cutout_share)
        px = torch.arange(SIDE, device=device) + 0.5
        inside = ((px.view(1, 1, -1) - cx.view(n, 1, 1)).abs() < w.view(n, 1, 1) / 2) \
            & ((px.view(1, -1, 1) - cy.view(n, 1, 1)).abs() < h.view(n, 1, 1) / 2) & on.view(n, 1, 1)
        flat = draw(0, 1, 3).view(n, 3, 1, 1).to(dtype)
        other = torch.where(chance(0.5).view(n, 1, 1, 1), flat, torch.roll(x, 1, 0))
        x = torch.where(inside.unsqueeze(1), other, x)
        q = labels["points"]
        hit = ((q[..., 0] - cx[:, None]).abs() < w[:, None] / 2) & ((q[..., 1] - cy[:, None]).abs() < h[:, None] / 2) & on[:, None]
        labels["visible"] = labels["visible"] * (~hit).float()
    return x.clamp(0, 1)


def batch(images, labels, plan: Plan, generator: torch.Generator, dtype=torch.float32):
    """Stored crops to ``(crop, camera, labels)`` ready for the network and the losses."""
    crop, camera, out = window(images, labels, plan, generator, dtype)
    if plan.picture:
        crop = picture(crop, out, plan, generator)
    q = out["points"]
    inside = ((q > 0) & (q < SIDE)).all(-1)
    out["in_crop"] = (inside & torch.isfinite(q).all(-1)).float()
    out["visible"] = out["visible"] * out["in_crop"]
    return crop, camera, out
