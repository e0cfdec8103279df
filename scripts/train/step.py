"""One training step, played back as a recorded graph of kernels where the device can.

A step is some thousand small kernels, and launching them one by one takes longer than
computing them. Recorded once (a CUDA graph) they run back to back. What changes from step to step
goes in through tensors that stay where they are: the crops' indices, the fading weight, the rates.
"""

from __future__ import annotations

import time

import torch

import augment
import losses
from pool import Pool


class Step:
    """``run(index, fade, rate)`` draws the crops, steps the weights, and gives loss, parts and gradient norm as tensors."""

    def __init__(self, net, optimiser, pool: Pool, plan: augment.Plan, generator: torch.Generator, batch: int, picture_type, layout, model=None):
        self.net, self.optimiser, self.pool, self.plan, self.generator = net, optimiser, pool, plan, generator
        self.model = model if model is not None else net
        self.picture_type, self.layout = picture_type, layout
        device = pool.device
        self.cuda = device.type == "cuda"
        self.index = torch.zeros(batch, dtype=torch.int64, device=device)
        self.fade = torch.ones((), device=device)
        self.graph, self.result = None, None

    def body(self):
        """Everything on the device, without a look back from the host."""
        images, labels = self.pool.take(self.index)
        crop, camera, lab = augment.batch(images, labels, self.plan, self.generator, self.picture_type)
        crop = crop.contiguous(memory_format=self.layout)
        with torch.autocast(self.pool.device.type, torch.bfloat16, enabled=self.cuda, cache_enabled=False):
            out = self.model(crop if self.cuda else crop.float(), camera)
        total, parts = losses.loss(out, lab, self.fade)
        total.backward()
        norm = torch.nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        # a non-finite step is dropped on the device, without waiting for it
        for q in self.net.parameters():
            if q.grad is not None:
                q.grad.nan_to_num_(0.0, 0.0, 0.0)
        self.optimiser.step()
        return total.detach(), parts, norm

    def set_rate(self, rate: float) -> None:
        for group in self.optimiser.param_groups:
            if torch.is_tensor(group["lr"]):
                group["lr"].fill_(rate * group["factor"])
            else:
                group["lr"] = rate * group["factor"]

    def record(self) -> None:
        """Records the step. The pool must hold crops; the weights stay as they are (the rate is zero while recording)."""
        if not self.cuda:
            raise RuntimeError("steps are recorded on a CUDA device only")
        self.set_rate(0.0)
        side = torch.cuda.Stream()
        side.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(side):
            for _ in range(3):
                self.body()
                self.optimiser.zero_grad(set_to_none=True)
        torch.cuda.current_stream().wait_stream(side)
        torch.cuda.synchronize()
        graph = torch.cuda.CUDAGraph()
        graph.register_generator_state(self.generator)
        with torch.cuda.graph(graph):
            self.result = self.body()
        self.graph = graph

    def run(self, index: torch.Tensor, fade: float, rate: float):
        self.index.copy_(index)
        self.fade.fill_(fade)
        self.set_rate(rate)
        if self.graph is not None:
            self.graph.replay()
            return self.result
        self.optimiser.zero_grad(set_to_none=True)
        return self.body()

    def per_second(self, steps: int = 10) -> float:
        """Crops a second over a few steps at rate zero."""
        self.run(self.index, 1.0, 0.0)
        if self.cuda:
            torch.cuda.synchronize()
        begin = time.time()
        for _ in range(steps):
            self.run(self.index, 1.0, 0.0)
        if self.cuda:
            torch.cuda.synchronize()
        return steps * len(self.index) / (time.time() - begin)
