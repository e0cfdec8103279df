"""The crops that training draws from: kept whole on the device, growing while renderers still write.

A reader thread takes shards as they appear; the training loop copies them over between
steps. With ``delete`` a shard is removed once read, which keeps a memory disk small.
"""

from __future__ import annotations

import queue
import threading
import time
from pathlib import Path

import numpy as np
import torch

import augment
import contract
import shards


class Pool:
    """``images [capacity,S,S,3] uint8`` and label tensors on ``device``; ``count`` of them filled.

    ``times [capacity]``: how often each is drawn an epoch, on average.
    """

    def __init__(self, capacity: int, device: torch.device, store_px: int = contract.STORE_PX):
        self.capacity, self.device, self.count = capacity, device, 0
        self.images = torch.empty((capacity, store_px, store_px, 3), dtype=torch.uint8, device=device)
        self.times = torch.ones(capacity, device=device)
        self.labels = {}
        for name in augment.LABELS:
            _, shape = shards.FIELDS[name]
            self.labels[name] = torch.zeros((capacity, *shape), dtype=torch.float32, device=device)

    def add(self, arrays: dict[str, np.ndarray], times: float = 1.0, spare: int = 0) -> int:
        """Copies a shard in, to be drawn ``times`` an epoch; what does not fit is dropped, ``spare`` places stay free. Returns how many were taken."""
        n = min(len(arrays["image"]), self.capacity - spare - self.count)
        if n <= 0:
            return 0
        a, b = self.count, self.count + n
        self.images[a:b].copy_(torch.from_numpy(arrays["image"][:n]))
        for name, tensor in self.labels.items():
            tensor[a:b].copy_(torch.from_numpy(np.ascontiguousarray(arrays[name][:n]).astype(np.float32)))
        self.times[a:b] = times
        self.count = b
        return n

    def order(self, generator: torch.Generator, high_times: float = 1.0) -> torch.Tensor:
        """Indices of one epoch in a random order; seen from 25 degrees and more, `high_times` as often."""
        times = self.times[: self.count].clone()
        times[(self.labels["elevation_rad"][: self.count] >= np.radians(contract.ELEVATION_CLASSES[-1][1])) & (self.labels["present"][: self.count] > 0)] *= high_times
        whole = (times + torch.rand(self.count, generator=generator, device=self.device)).floor().long()
        index = torch.arange(self.count, device=self.device).repeat_interleave(whole)
        return index[torch.randperm(len(index), generator=generator, device=self.device)]

    def take(self, index: torch.Tensor):
        return self.images[index], {name: t[index] for name, t in self.labels.items()}


class Watcher:
    """Reads shards of a folder as they appear, in a thread, into a short queue."""

    def __init__(self, folder: Path, delete: bool = False, depth: int = 24):
        self.folder, self.delete = Path(folder), delete
        self.queue: queue.Queue = queue.Queue(depth)
        self.seen: set[str] = set()
        self.stop = threading.Event()
        self.errors = 0
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self):
        while not self.stop.is_set():
            fresh = [p for p in sorted(self.folder.glob("*.npz")) if p.name not in self.seen]
            if not fresh:
                time.sleep(0.5)
                continue
            for path in fresh:
                self.seen.add(path.name)
                try:
                    arrays = shards.read(path)
                except ValueError as e:
                    self.errors += 1
                    print(f"pool: skipped: {e}", flush=True)
                    continue
                while not self.stop.is_set():
                    try:
                        self.queue.put(arrays, timeout=0.5)
                        break
                    except queue.Full:
                        continue
                if self.delete:
                    path.unlink(missing_ok=True)
                if self.stop.is_set():
                    return

    def drain(self, pool: Pool, limit: int = 4, times: float = 1.0, spare: int = 0) -> int:
        """Moves up to ``limit`` waiting shards into the pool (``times``, ``spare``: see `Pool.add`). Returns how many crops were taken."""
        taken = 0
        for _ in range(limit):
            try:
                taken += pool.add(self.queue.get_nowait(), times, spare)
            except queue.Empty:
                break
        return taken
