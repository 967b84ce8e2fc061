"""What a processor remembers from one block of sound to the next, so that a long file can be taken in pieces.

A filter's output depends on what came before. A :class:`Memory` keeps that under a name for each filter. So the same
code works on a whole clip (a fresh memory: everything at rest) and on blocks (the memory after the block before).
"""

from __future__ import annotations

from typing import Callable

import numpy as np
from scipy.signal import lfilter, sosfilt

from vocomp_lab.processors.recursion import smooth_branching, smooth_decoupled

# In digital silence a filter rings down to denormal numbers, which are ten times as slow: stop it before that.
_NOTHING = 1e-120


class Memory:
    """The states of a processor's filters between two blocks; empty at first, when all are at rest.

    Notes
    -----
    However a sound is cut, filtering its blocks in order with the same memory gives the same as filtering the whole.
    Each method takes the filter's name, under which its state is kept. Blocks may be empty.
    """

    def __init__(self):
        self._states: dict[str, object] = {}

    def lfilter(self, name: str, numerator, denominator, block: np.ndarray) -> np.ndarray:
        """A transfer function's output for a block, shape (frames, …): :func:`scipy.signal.lfilter`."""
        order = max(len(numerator), len(denominator)) - 1
        return self._filtered(
            name, block, (order, *block.shape[1:]), lambda zi: lfilter(numerator, denominator, block, axis=0, zi=zi)
        )

    def sosfilt(self, name: str, sections: np.ndarray, block: np.ndarray) -> np.ndarray:
        """Second-order sections' output for a block, shape (frames, …): :func:`scipy.signal.sosfilt`."""
        shape = (len(sections), 2, *block.shape[1:])
        return self._filtered(name, block, shape, lambda zi: sosfilt(sections, block, axis=0, zi=zi))

    def one_pole(self, name: str, a: float, block: np.ndarray) -> np.ndarray:
        """y[n] = a·y[n−1] + (1 − a)·x[n] of a block, shape (frames,)."""
        return self.lfilter(name, [1.0 - a], [1.0, -a], block)

    def branching(self, name: str, target: np.ndarray, attack, release, rest: float = 0.0, unit: float = 1.0):
        """:func:`vocomp_lab.processors.recursion.smooth_branching` of a block, shape (frames,); `rest` is where it
        starts."""
        return self.solved(name, target, lambda state: smooth_branching(target, attack, release, state, unit), rest)

    def decoupled(self, name: str, target: np.ndarray, attack: float, release: float, rest: float = 0.0) -> np.ndarray:
        """:func:`vocomp_lab.processors.recursion.smooth_decoupled` of a block, shape (frames,); `rest` is where it
        starts."""
        if len(target) == 0:
            return target
        out, self._states[name] = smooth_decoupled(target, attack, release, self._states.get(name, (rest, rest)))
        return out

    def solved(
        self, name: str, block: np.ndarray, solve: Callable[[float], np.ndarray], rest: float = 0.0
    ) -> np.ndarray:
        """What solve(last output) gives for a block, shape (frames,); `rest` is the output before the first one."""
        if len(block) == 0:
            return block
        out = solve(self._states.get(name, rest))
        last = float(out[-1])
        self._states[name] = last if abs(last) > _NOTHING else 0.0
        return out

    def _filtered(self, name, block, shape, run):
        if len(block) == 0:
            return block
        zi = self._states.get(name)
        out, zi = run(np.zeros(shape) if zi is None else zi)
        zi[np.abs(zi) < _NOTHING] = 0.0
        self._states[name] = zi
        return out
