"""A filter without delay or turn of phase: run forwards over the sound, then backwards."""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import sosfilt, sosfilt_zi

from vocomp_lab.processors.flow import Queue

# The backward run starts so far ahead that the error of its start has faded to this share. It lies under the last bit
# of a float (2^-53), so the result is almost always the same to the last bit.
_FADED = 1e-24


class ZeroPhase:
    """Second-order sections run forwards and backwards over a sound, whole or in blocks.

    Parameters
    ----------
    sections : ndarray, shape (sections, 6)
    channels : int

    Attributes
    ----------
    ahead : float
        Frames it holds back where the sound comes in blocks; infinite for a filter that never fades.

    Notes
    -----
    Gives what :func:`scipy.signal.sosfiltfilt` gives for the whole sound. The forward run carries its state on. The
    backward run starts `ahead` frames after what it hands out. Beyond both ends the sound goes on as its mirror image.
    """

    def __init__(self, sections: np.ndarray, channels: int):
        self._sections, self._rest = sections, sosfilt_zi(sections)[:, :, None]
        radius = max(np.abs(np.roots(section[3:])).max(initial=0.0) for section in sections)
        self.ahead = math.inf if radius >= 1.0 else math.ceil(math.log(_FADED) / math.log(radius)) if radius > 0 else 1
        self._most = 3 * (2 * len(sections) + 1)  # SciPy's default length of the mirror image
        self._edge = None
        self._start, self._tail = Queue(channels), np.zeros((0, channels))
        self._forward, self._state = Queue(channels), None

    def push(self, block: np.ndarray, last: bool) -> np.ndarray:
        """Take in samples, shape (frames, channels), and give what is ready of the filtered sound."""
        if self._edge is None:
            self._start.put(block)
            if len(self._start) <= (0 if last else self._most):
                return block[:0]
            block = self._start.take(len(self._start))
            self._edge = min(len(block) - 1, self._most)
            mirror = 2 * block[0] - block[self._edge : 0 : -1]
            self._state = self._rest * (mirror[:1] if self._edge else block[:1])
            if self._edge:
                _, self._state = sosfilt(self._sections, mirror, axis=0, zi=self._state)
        kept = self._edge + 1
        self._tail = np.concatenate([self._tail, block[-kept:]])[-kept:]
        self._run_forward(block)
        if last:
            frames = len(self._forward)
            self._run_forward(2 * self._tail[-1] - self._tail[-2::-1][: self._edge])
            return self._run_backward()[:frames]
        ready = len(self._forward) - self.ahead
        # Shorter pieces would make the backward run spend most of its time on its approach.
        if ready < self.ahead:
            return block[:0]
        out = self._run_backward()[:ready]
        self._forward.take(ready)
        return out

    def _run_forward(self, block):
        if len(block):
            filtered, self._state = sosfilt(self._sections, block, axis=0, zi=self._state)
            self._forward.put(filtered)

    def _run_backward(self):
        parts = self._forward.look(len(self._forward))
        backwards = np.concatenate([part[::-1] for part in reversed(parts)])
        return sosfilt(self._sections, backwards, axis=0, zi=self._rest * backwards[:1])[0][::-1]
