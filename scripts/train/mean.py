"""Means the weights of trained networks that began from the same ones; often better than each of them.

    python mean.py --out MEAN.pt A.pt B.pt ...

Wortsman et al., "Model soups: averaging weights of multiple fine-tuned models", ICML 2022 (from memory). What is no floating-point number is the first one's.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import torch

from train import load, save


def mean(paths: list[Path]) -> torch.nn.Module:
    """A network with the mean of the checkpoints' weights; ends the program where their sizes differ."""
    nets = [load(path) for path in paths]
    if len({net.size for net in nets}) > 1:
        raise SystemExit(f"mean: networks of different sizes ({', '.join(net.size for net in nets)}) have no mean; give networks of one size")
    states = [net.state_dict() for net in nets]
    middle = {name: sum(s[name] for s in states) / len(states) if v.is_floating_point() else v for name, v in states[0].items()}
    nets[0].load_state_dict(middle)
    return nets[0]


if __name__ == "__main__":
    p = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("networks", type=Path, nargs="+")
    o = p.parse_args()
    save(o.out, mean(o.networks))
