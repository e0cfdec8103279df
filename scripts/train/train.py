"""Trains the lower-leg network while renderers are still writing crops.

The schedule follows the clock: training ends by itself at ``--seconds`` after the start,
whatever the speed turned out to be, and leaves ``final.pt`` (averaged weights). A
checkpoint of the averaged weights is written about once a minute.

    python train.py --data DIR/train --check DIR/check --out OUT --seconds 1200
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import signal
import time
from pathlib import Path

import numpy as np
import torch

import augment
import contract
import losses
import network
import shards
import standin
from pool import Pool, Watcher
from step import Step


def log(path: Path, **values) -> None:
    """One JSON line to the log file and one to the screen."""
    values = {k: (round(v, 5) if isinstance(v, float) else v) for k, v in values.items()}
    print(" ".join(f"{k}={v}" for k, v in values.items()), flush=True)
    with open(path, "a") as f:
        f.write(json.dumps(values) + "\n")


class Average:
    """Exponential moving average of weights and batch statistics, taken every few steps."""

    EVERY = 4

    def __init__(self, net: torch.nn.Module, decay: float):
        self.net = copy.deepcopy(net).eval().requires_grad_(False)
        self.decay, self.steps = decay, 0
        pairs = [(a, b.detach()) for a, b in zip(self.net.state_dict().values(), net.state_dict().values()) if a.is_floating_point()]
        self.mine, self.theirs = [a for a, _ in pairs], [b for _, b in pairs]

    @torch.no_grad()
    def update(self) -> None:
        self.steps += 1
        if self.steps % self.EVERY:
            return
        d = min(self.decay, (1 + self.steps) / (20 + self.steps))
        torch._foreach_lerp_(self.mine, self.theirs, 1 - d**self.EVERY)


def save(path: Path, net: torch.nn.Module, **extra) -> None:
    """Weights in 32-bit floats, under a temporary name first; and NAME_half.pt with matrices in 16-bit floats, small enough to send."""
    state = {k: v.detach().cpu().float() if v.is_floating_point() else v.cpu() for k, v in net.state_dict().items()}
    small = {k: v.half() if v.is_floating_point() and v.ndim >= 2 else v for k, v in state.items()}
    for name, kept in ((path, state), (path.with_name(path.stem + "_half.pt"), small)):
        temporary = name.with_suffix(".tmp")
        torch.save({"state": kept, "size": net.size, **extra}, temporary)
        os.replace(temporary, name)


def load(path: Path) -> network.LowerLegNetwork:
    """The network of a checkpoint written by :func:`save`, in evaluation mode."""
    stored = torch.load(path, map_location="cpu", weights_only=True)
    net = network.LowerLegNetwork(stored["size"])
    net.load_state_dict(stored["state"])
    return net.eval()


def optimiser_of(net: torch.nn.Module, rate: float, decay: float, backbone_factor: float):
    """AdamW; no decay on biases and norms, and `backbone_factor` times the rate on a backbone that was trained before."""
    groups: dict[tuple, list] = {}
    for name, p in net.named_parameters():
        factor = backbone_factor if name.startswith("backbone.") else 1.0
        groups.setdefault((factor, decay if p.ndim >= 2 else 0.0), []).append(p)
    cuda = next(net.parameters()).is_cuda
    optimiser = torch.optim.AdamW(
        [{"params": q, "weight_decay": d, "factor": f, "lr": torch.tensor(rate, device="cuda") if cuda else rate} for (f, d), q in groups.items()],
        lr=rate, betas=(0.9, 0.99), fused=cuda, capturable=cuda)
    return optimiser


@torch.no_grad()
def quick_check(net, pool: Pool, batch: int, dtype) -> dict[str, float]:
    """Errors on crops that are not trained on: gaps (mm), points (% of shank), by elevation."""
    if pool.count == 0:
        return {}
    gen = torch.Generator(pool.device).manual_seed(99)
    plan = augment.Plan(roll_sd_deg=0, flip=False, picture=False, cutout_share=0, edge_share=0, known_share=0.5)
    rows = []
    for a in range(0, pool.count, batch):
        images, labels = pool.take(torch.arange(a, min(a + batch, pool.count), device=pool.device))
        crop, camera, lab = augment.batch(images, labels, plan, gen, dtype)
        with torch.autocast(pool.device.type, torch.bfloat16, enabled=pool.device.type == "cuda"):
            out = net(crop.float(), camera)
        r = (out["gap"] - lab["gap"]) * lab["shank_m"][:, None] * 1000
        truth = lab["gap"] * lab["shank_m"][:, None] * 1000
        d = (out["points"] - lab["points"]).norm(dim=-1) / torch.exp(lab["scale"])[:, None] * 100
        d = torch.where(lab["in_crop"] > 0, d, torch.nan)
        z = (out["gap"] - lab["gap"]) / out["gap_log_sd"].exp()
        rows.append(torch.cat([r, truth, d[:, :11], z, lab["elevation"][:, None], lab["present"][:, None],
                               torch.sigmoid(out["present"])[:, None]], 1).float().cpu())
    t = torch.cat(rows).numpy()
    on = t[:, -2] > 0.5
    result = {"present_accuracy": float(((t[:, -1] > 0.5) == on).mean())}
    deg = np.degrees(t[:, -3])
    for name, low, high in contract.ELEVATION_CLASSES:
        m = on & (deg >= low) & (deg < high)
        if m.sum() < 5:
            continue
        key = name.split()[0]
        result[f"{key}_heel_mm"] = float(np.abs(t[m, 5]).mean())
        result[f"{key}_calf75_mm"] = float(np.abs(t[m, 3]).mean())
        result[f"{key}_knee_mm"] = float(np.abs(t[m, 0]).mean())
        result[f"{key}_points_pct"] = float(np.nanmedian(t[m, 12:23]))
        result[f"{key}_cover95"] = float((np.abs(t[m, 23:29]) < 1.96).mean())
    return result


def too_long(*_):
    raise TimeoutError("compiling took too long")


def rehearse(net, o, device, picture_type, layout, logfile: Path, begin: float):
    """Tries the fast ways on stand-in crops at rate zero, while crops are still being drawn.

    Returns the network to call (compiled or not) and whether steps are to be recorded. What fails is logged and left out; so is what
    computes another loss than the plain step. The network is as before afterwards.
    """
    cuda = device.type == "cuda"
    if not cuda:
        return net, False
    warm = standin.draw(16, np.random.default_rng(o.seed))
    pool = Pool(o.batch, device)
    for _ in range(-(-o.batch // 16)):
        pool.add(warm)
    signal.signal(signal.SIGALRM, too_long)
    before = copy.deepcopy(net.state_dict())
    best, known = (net, False, 0.0), None
    ways = [(False, False), (False, True)] + ([(True, True)] if o.compile else [])
    for use_compile, record in ways:
        model = torch.compile(net, dynamic=False) if use_compile else net
        generator = torch.Generator(device).manual_seed(o.seed)
        step = Step(net, optimiser_of(net, o.rate, o.decay, 1.0), pool, augment.Plan(), generator, o.batch, picture_type, layout, model)
        signal.alarm(o.compile_limit_s if use_compile else 0)
        try:
            total, _, _ = step.run(torch.arange(o.batch, device=device), 1.0, 0.0)
            plain = float(total)
            if record:
                step.record()
            speed = step.per_second()
            signal.alarm(0)
            again = float(step.run(step.index, 1.0, 0.0)[0])
            known = known or again
            # the same crops through the same network, but with draws of their own once the step is recorded
            agrees = abs(plain / known - 1) < 0.05 and abs(again / known - 1) < 0.2
            log(logfile, event="rehearsal", compiled=use_compile, recorded=record, per_s=speed, loss=again, agrees=agrees, after_s=time.time() - begin)
            if agrees and speed > 0.5 * best[2]:  # measured beside renderers: roughly is enough, and the later way is the faster
                best = (model, record, speed)
        except Exception as e:  # a nicety: training goes on without
            signal.alarm(0)
            log(logfile, event="rehearsal failed", compiled=use_compile, recorded=record, error=f"{type(e).__name__}: {e}"[:600])
        net.load_state_dict(before)
        net.zero_grad(set_to_none=True)
        del model, step
        torch.cuda.empty_cache()
    return best[0], best[1]


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--data", type=Path, required=True, help="folder of training shards; may still be filling")
    p.add_argument("--traced", type=Path, help="folder of shards of path-traced pictures; may still be filling")
    p.add_argument("--traced-times", type=float, default=4.0, help="how often a path-traced crop is drawn an epoch")
    p.add_argument("--traced-room", type=int, default=0, help="crops of --capacity that are kept for path-traced ones")
    p.add_argument("--high-times", type=float, default=1.0, help="how often a crop seen from 25 degrees or more is drawn an epoch")
    p.add_argument("--check", type=Path, help="folder of shards never trained on, for the log")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--seconds", type=float, required=True, help="when to be done, seconds after the start of this program")
    p.add_argument("--size", default="small", choices=network.SIZES)
    p.add_argument("--batch", type=int, default=512)
    p.add_argument("--capacity", type=int, default=120_000)
    p.add_argument("--check-capacity", type=int, default=3000)
    p.add_argument("--least", type=int, default=8192, help="crops wanted before the first step")
    p.add_argument("--rate", type=float, default=2.5e-3)
    p.add_argument("--decay", type=float, default=0.04)
    p.add_argument("--average", type=float, default=0.9995)
    p.add_argument("--seed", type=int, default=7)
    p.add_argument("--resume", type=Path, help="start from the weights of this checkpoint (of the same size), or from start_from.py's; the schedule begins anew, so give a lower --rate for the former")
    p.add_argument("--backbone-factor", type=float, default=0.5, help="share of the rate at which a resumed backbone learns")
    p.add_argument("--compile", action="store_true", help="takes minutes where renderers keep the processor busy")
    p.add_argument("--compile-limit-s", type=int, default=150)
    p.add_argument("--delete", action="store_true", help="remove training shards once they are read")
    p.add_argument("--full-file", type=Path, help="file to make once the pool is full or half the time is gone: tells renderers to stop")
    p.add_argument("--wait-for", type=Path, help="no crop is read and no step kept before this file exists: rendering first (beside it only the rehearsal of fast ways), then training at full speed")
    p.add_argument("--render-share", type=float, default=0.45, help="share of the time after which renderers are told to stop")
    p.add_argument("--checkpoint-s", type=float, default=60)
    o = p.parse_args()

    begin = time.time()
    until = begin + o.seconds
    o.out.mkdir(parents=True, exist_ok=True)
    o.data.mkdir(parents=True, exist_ok=True)
    logfile = o.out / "train.jsonl"
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    cuda = device.type == "cuda"
    torch.manual_seed(o.seed)
    torch.backends.cudnn.benchmark = True
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    picture_type = torch.float16 if cuda else torch.float32
    layout = torch.channels_last if cuda else torch.contiguous_format

    net = network.LowerLegNetwork(o.size).to(device)
    if o.resume:
        net.load_state_dict(load(o.resume).state_dict())
    net = net.to(memory_format=layout)
    average = Average(net, o.average)
    optimiser = optimiser_of(net, o.rate, o.decay, o.backbone_factor if o.resume else 1.0)
    generator = torch.Generator(device).manual_seed(o.seed)
    plan = augment.Plan()
    log(logfile, event="start", device=torch.cuda.get_device_name() if cuda else "cpu", torch=torch.__version__,
        parameters=network.parameters(net), resumed=o.resume.name if o.resume else "", batch=o.batch, seconds=o.seconds)

    model, recorded = rehearse(net, o, device, picture_type, layout, logfile, begin)
    while o.wait_for and not o.wait_for.exists() and time.time() < begin + 0.6 * o.seconds:
        time.sleep(0.5)

    pool = Pool(o.capacity, device)
    check = Pool(o.check_capacity if o.check else 1, device)
    watch = Watcher(o.data, o.delete)
    watch_check = Watcher(o.check) if o.check else None
    watch_traced = Watcher(o.traced) if o.traced else None
    traced = 0
    while pool.count < o.least and time.time() < begin + 0.6 * o.seconds:
        if watch.drain(pool, spare=o.traced_room) == 0:
            time.sleep(0.2)
    if pool.count == 0:
        raise SystemExit(f"no training crops appeared in {o.data}; nothing was trained")
    step_once = Step(net, optimiser, pool, plan, generator, o.batch, picture_type, layout, model)
    if recorded:
        step_once.record()
    log(logfile, event="first step", crops=pool.count, recorded=recorded, compiled=model is not net, after_s=time.time() - begin)

    started, step, samples, sums = time.time(), 0, 0, {}
    last_log = last_save = last_check = time.time()
    order, cursor = None, 0
    shuffle = torch.Generator(device).manual_seed(o.seed + 1)
    skipped = 0
    while time.time() < until:
        progress = min((time.time() - started) / max(until - started, 1e-6), 1.0)
        if step % 10 == 0:
            # many at a time: crops that came in while the network was compiled must not wait for slow steps
            if watch.drain(pool, 24, spare=o.traced_room):
                order = None
            if watch_traced is not None:
                fresh = watch_traced.drain(pool, 24, o.traced_times)
                traced += fresh
                # a few at a time come in for long: they wait for the next epoch, unless they are the first
                if fresh and fresh == traced:
                    order = None
            if watch_check is not None:
                watch_check.drain(check, 1)
            if o.full_file and (pool.count >= o.capacity or time.time() - begin > o.render_share * o.seconds) and not o.full_file.exists():
                o.full_file.touch()
                log(logfile, event="renderers told to stop", crops=pool.count, after_s=time.time() - begin)
        # every crop once an epoch (or as often as it is to be); a fresh order whenever new crops came in
        if order is None or cursor + o.batch > len(order):
            order, cursor = pool.order(shuffle, o.high_times), 0
            if len(order) < o.batch:
                order = order.repeat(o.batch // len(order) + 1)
        index = order[cursor: cursor + o.batch]
        cursor += o.batch
        rate = o.rate * min(1.0, (step + 1) / 300) * (0.005 + 0.995 * 0.5 * (1 + math.cos(math.pi * progress)))
        total, parts, norm = step_once.run(index, losses.fade_at(progress), rate)
        average.update()
        step += 1
        samples += o.batch
        if step % 20 == 0:
            for k, v in {**parts, "norm": norm}.items():
                sums.setdefault(k, []).append(v.clone())  # a recorded step writes its results to the same place
            if cuda:
                torch.cuda.synchronize()
        now = time.time()
        if now - last_log > (15 if cuda else 10) and sums:
            mean = {k: float(torch.stack(v).float().mean()) for k, v in sums.items()}
            if not all(math.isfinite(v) for v in mean.values()):
                skipped += 1
            log(logfile, step=step, progress=progress, crops=pool.count, traced=traced, per_s=samples / (now - last_log), rate=rate, **mean)
            last_log, samples, sums = now, 0, {}
        if now - last_save > o.checkpoint_s:
            save(o.out / "checkpoint.pt", average.net, step=step)
            last_save = now
        if now - last_check > max(60, o.seconds / 12) and check.count:
            log(logfile, event="check", step=step, n=check.count, **quick_check(average.net, check, 256, picture_type))
            last_check = time.time()
    save(o.out / "final.pt", average.net, step=step, crops=pool.count)
    if watch_check is not None:
        watch_check.drain(check, 1000)
    for w in (watch, watch_check, watch_traced):
        if w is not None:
            w.stop.set()
    log(logfile, event="done", step=step, epochs=step * o.batch / max(pool.count, 1), crops=pool.count, traced=traced,
        shard_errors=watch.errors, bad_logs=skipped, seconds=time.time() - begin,
        **quick_check(average.net, check, 256, picture_type))


if __name__ == "__main__":
    main()
