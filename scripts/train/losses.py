"""What the network is trained on.

Points and gaps use the negative log-likelihood of a Gaussian whose terms are weighted by
the variance to a power (beta-NLL: Seitzer et al., "On the Pitfalls of Heteroscedastic
Uncertainty Estimation with Probabilistic Neural Networks", ICLR 2022), which keeps hard
samples from being explained away by a large variance. The gap's bins use cross-entropy
against a slightly smeared bin, plus the continuous ranked probability score, which knows
that neighbouring bins are near.
"""

from __future__ import annotations

import math
from functools import lru_cache

import torch
from torch.nn import functional as F

import contract

BETA = 0.5


def beta_nll(residual, log_sd, beta=BETA):
    """Gaussian negative log-likelihood times sd^(2 beta), without the constant."""
    weight = torch.exp(2 * beta * log_sd.detach())
    return weight * (log_sd + 0.5 * residual.square() * torch.exp(-2 * log_sd))


def points_loss(out, labels):
    q, target = out["points"], labels["points"]
    finite = torch.isfinite(target).all(-1)  # points that the crop does not teach are not
    target = torch.nan_to_num(target, nan=0.0)
    away = torch.maximum(-target, target - contract.INPUT_PX).amax(-1).clamp(min=0)  # px outside the crop
    weight = torch.where(away > 0, 0.3, 1.0) * torch.where(away > 96, 0.0, 1.0)
    weight = weight * (0.4 + 0.6 * labels["visible"]) * finite
    l11, l21, l22 = out["points_cholesky"].unbind(-1)
    d = q - target
    z1 = d[..., 0] / l11
    z2 = (d[..., 1] - l21 * z1) / l22
    log_det = torch.log(l11) + torch.log(l22)
    # Huber-like far tail, so that one bad sample cannot throw a whole step
    square = z1.square() + z2.square()
    square = torch.where(square < 36, square, 12 * torch.sqrt(square.clamp(min=36)) - 36)
    nll = (log_det + 0.5 * square) * torch.exp(BETA * log_det.detach()).clamp(0.1, 30)
    total = (nll * weight).sum() / weight.sum().clamp(min=1)
    # a plain distance in crop sides drives the first epochs
    plain = (F.smooth_l1_loss(q / 16, target / 16, reduction="none").sum(-1) * weight).sum() / weight.sum().clamp(min=1)

    # heatmap near the point: one clean mode
    cells = contract.INPUT_PX // 4
    inside = (away <= 0).float() * finite
    logits = out["heat_logits"]
    n, p, _ = logits.shape
    cell = ((torch.arange(cells, device=q.device) + 0.5) * 4)
    gx = torch.exp(-0.5 * ((cell - target[..., 0:1]) / 5.0).square())
    gy = torch.exp(-0.5 * ((cell - target[..., 1:2]) / 5.0).square())
    gx = gx / gx.sum(-1, keepdim=True).clamp(min=1e-6)
    gy = gy / gy.sum(-1, keepdim=True).clamp(min=1e-6)
    log_p = F.log_softmax(logits, 2).view(n, p, cells, cells)
    ce = -torch.einsum("npyx,npy,npx->np", log_p, gy, gx)
    heat = (ce * inside).sum() / inside.sum().clamp(min=1)
    return total, plain, heat


@lru_cache
def _bounds(device, dtype) -> torch.Tensor:
    """All bin bounds with the open ends; kept, because a recorded step may not copy from the host."""
    return torch.as_tensor(contract.bin_bounds(), device=device, dtype=dtype)


def soft_bins(gap, smear=0.004):
    """Bin probabilities of a gap smeared by a small Gaussian, ``[..., GAP_BINS]``."""
    edges = _bounds(gap.device, gap.dtype)[1:-1]
    sd = smear * (1 + 4 * gap.clamp(min=0).unsqueeze(-1))
    cdf = 0.5 * (1 + torch.erf((edges - gap.unsqueeze(-1)) / (sd * math.sqrt(2))))
    zero, one = torch.zeros_like(cdf[..., :1]), torch.ones_like(cdf[..., :1])
    return torch.cat([cdf, one], -1) - torch.cat([zero, cdf], -1)


def gap_losses(out, labels, weight):
    """Beta-NLL of the mean, cross-entropy and ranked probability score of the bins."""
    target = labels["gap"]
    w = weight[:, None] * torch.ones_like(target)
    total_w = w.sum().clamp(min=1)
    r = (out["gap"] - target) * 100  # per cent of a shank
    log_sd = out["gap_log_sd"] + math.log(100)
    square = (r * torch.exp(-log_sd)).square()
    square = torch.where(square < 36, square, 12 * torch.sqrt(square.clamp(min=36)) - 36)
    nll = (log_sd + 0.5 * square) * torch.exp(2 * BETA * log_sd.detach()).clamp(0.05, 20)
    nll = (nll * w).sum() / total_w
    plain = (F.smooth_l1_loss(r / 5, torch.zeros_like(r), reduction="none") * w).sum() / total_w
    p = soft_bins(target)
    log_q = F.log_softmax(out["gap_bins"], -1)
    ce = (-(p * log_q).sum(-1) * w).sum() / total_w
    bounds = _bounds(target.device, target.dtype)
    widths = (bounds[1:] - bounds[:-1])[:-1] * 20
    cdf_gap = (torch.cumsum(log_q.exp(), -1) - torch.cumsum(p, -1))[..., :-1]
    crps = ((cdf_gap.square() * widths).sum(-1) * w).sum() / total_w
    return nll, plain, ce, crps


#: How the parts add up. `plain` terms and the heatmaps carry the first steps and fade to a fifth.
WEIGHTS = dict(points=0.2, points_plain=1.0, heat=0.5, gap=0.5, gap_plain=1.0, gap_ce=0.25, gap_crps=1.0,
               visibility=0.2, elevation=0.2, azimuth=0.5, scale=0.2, is_left=0.1, present=0.3)


def fade_at(progress: float) -> float:
    """Weight of the parts that carry the first steps, from 1 down to a fifth half-way through training."""
    return max(0.2, 1 - 2 * progress)


def loss(out, labels, fade):
    """Sum of all parts (`fade`: see :func:`fade_at`, a number or a scalar tensor) and the parts as a dictionary of detached scalars."""
    present = labels["present"]
    on = present.sum().clamp(min=1)
    parts = {}
    parts["points"], parts["points_plain"], parts["heat"] = points_loss(out, labels)
    # large gaps are rare and pull to the mean: they count more
    largest = labels["gap"].amax(1).clamp(0, 0.4)
    weight = present * (1 + 3 * largest)
    parts["gap"], parts["gap_plain"], parts["gap_ce"], parts["gap_crps"] = gap_losses(out, labels, weight)
    seen = labels["visible"]
    parts["visibility"] = F.binary_cross_entropy_with_logits(out["visibility"], seen)
    r = (out["elevation"][:, 0] - labels["elevation"]) * 10
    parts["elevation"] = (beta_nll(r, out["elevation"][:, 1].clamp(-6, 1) + math.log(10)) * present).sum() / on
    parts["azimuth"] = ((out["azimuth"] - labels["azimuth"]).square().sum(-1) * present).sum() / on
    r = (out["scale"][:, 0] - labels["scale"]) * 10
    parts["scale"] = (beta_nll(r, out["scale"][:, 1].clamp(-6, 1) + math.log(10)) * present).sum() / on
    parts["is_left"] = (F.binary_cross_entropy_with_logits(out["is_left"], labels["is_left"], reduction="none") * present).sum() / on
    parts["present"] = F.binary_cross_entropy_with_logits(out["present"], present)
    total = 0.0
    for name, value in parts.items():
        total = total + WEIGHTS[name] * (fade if name.endswith("plain") or name == "heat" else 1.0) * value
    return total, {k: x.detach() for k, x in parts.items()}
