"""The first-order recursions of a compressor, solved exactly and fast.

A compressor's smoother needs its own last output to know what to do next::

    y[n] = f_n(y[n-1])        with every f_n rising, and never steeper than 1

A Python loop over that takes the better part of a second for a verse. The solver here cuts the signal into a few
thousand short rows and walks *all rows at once*, one frame per NumPy call, each from a guess of the output before its
first frame. The walk also gives each row's slope: how much its last output moves when its first state moves. Newton's
method on the guesses alone (one bidiagonal solve) then corrects all rows together, and a few walks later nothing
changes any more. After k walks the first k rows are right whatever the signal, so it always ends; in practice it takes 3
to 7 walks, for any attack and release. (Numerical analysis calls this multiple shooting; Keller, "Numerical Methods for
Two-Point Boundary-Value Problems", 1968, value from memory.)

The plain loops stand here too (:func:`smooth_branching_loop`, :func:`smooth_feedback_loop`): they say what is meant,
lesson ``04_peak_control`` prints one, and the tests hold the solver to them.
"""

from __future__ import annotations

import math
from functools import partial
from typing import Callable

import numpy as np
from scipy.linalg.blas import dtbsv
from scipy.signal import lfilter

# Whole signals are taken in stretches of this many frames, so that memory does not grow with the length of a file.
STRETCH_FRAMES = 1 << 20
# Frames in a row: short enough that a state's error stays small in it, long enough that NumPy's cost per call is shared.
MIN_ROW_FRAMES, MAX_ROW_FRAMES = 16, 96
# The first guesses come from a signal of one frame a row, then from walks over every 16th, 8th and 4th frame, each
# corrected like the real ones.
GUESS_STRIDES = (16, 8, 4)
# First states that move by less than this, relative to the state and the row's inputs, are settled: a dozen times the
# rounding of a row of 96 frames (96 · 2.2e-16), which the corrections would otherwise follow from row to row.
SETTLED = 3e-13


def coefficient(time_ms, rate: int):
    """The one-pole coefficient a = exp(−1/(τ·rate)) of a time constant.

    Parameters
    ----------
    time_ms : float or ndarray
        Time constant τ in milliseconds: the time to cover 63.2 % of a step. Zero gives 0: no smoothing.
    rate : int
        Samples per second.

    Notes
    -----
    Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60(6), 2012, eq. 7. Explained in ``04_peak_control``.
    """
    time_s = np.asarray(time_ms, dtype=float) / 1000.0
    with np.errstate(divide="ignore"):
        a = np.exp(-1.0 / (time_s * rate))
    return float(a) if a.ndim == 0 else a


def solve(
    make_step: Callable[[int], Callable[..., np.ndarray]],
    inputs: tuple[np.ndarray, ...],
    state: float = 0.0,
) -> np.ndarray:
    """y of the recursion y[n] = f_n(y[n−1]), from y[−1] = `state`.

    Parameters
    ----------
    make_step : function
        make_step(stride) gives a function step(previous, out, *inputs) that writes f_n(previous) into `out` and returns the
        slope of f_n there, for many rows at once: all arrays have shape (rows,), and an input is what each row holds at
        this frame. With a stride above 1, the same as if the inputs held still for that many frames; only the first
        guess uses it, so that it may be rough.
    inputs : tuple of ndarray, each of shape (frames,)
        What f_n depends on.
    state : float
        The output before the first frame; hand over the last output to go on block by block.

    Returns
    -------
    ndarray, shape (frames,)
    """
    frames = len(inputs[0])
    out = np.empty(frames)
    for start in range(0, frames, STRETCH_FRAMES):
        stop = min(start + STRETCH_FRAMES, frames)
        out[start:stop] = _solve_stretch(make_step, [values[start:stop] for values in inputs], float(state))
        state = out[stop - 1]
    return out


def _solve_stretch(make_step, inputs, state):
    frames = len(inputs[0])
    length = int(min(max(math.sqrt(frames) / 2, MIN_ROW_FRAMES), MAX_ROW_FRAMES, frames))
    rows = -(-frames // length)
    columns = []
    for values in inputs:
        padded = np.zeros(rows * length)
        padded[:frames] = values
        columns.append(np.ascontiguousarray(padded.reshape(rows, length).T))

    scale = 1.0 + sum(np.maximum(column.max(axis=0), -column.min(axis=0)) for column in columns)
    first = np.full(rows, state)
    if rows > MAX_ROW_FRAMES:
        # Without this guess, a row that wrongly begins on its target can't tell the rows after it of a release that
        # comes from far before: each walk would mend one row of it. Too high a guess is harmless, too low a one is
        # not, hence the peaks.
        peaks = [column.max(axis=0) for column in columns]
        first[1:] = _solve_stretch(lambda stride: make_step(stride * length), peaks, state)[:-1]
    for stride in GUESS_STRIDES:
        rough = [column[stride // 2 :: stride] for column in columns]
        if length >= 2 * stride:
            _, end, slope = _walk(make_step(stride), first, rough)
            first = _join(first, end, slope, state)

    step = make_step(1)
    walked, end, slope = _walk(step, first, columns)
    while True:
        corrected = _join(first, end, slope, state)
        wrong = np.flatnonzero(np.abs(corrected - first) > SETTLED * (scale + np.abs(first)))
        if wrong.size == 0:
            return walked.T.reshape(-1)[:frames]
        first[wrong] = corrected[wrong]
        # Picking out the few rows that still change pays only when they are few.
        if wrong.size > rows / 8:
            walked, end, slope = _walk(step, first, columns)
        else:
            walked[:, wrong], end[wrong], slope[wrong] = _walk(step, first[wrong], [c[:, wrong] for c in columns])


def _walk(step, first, columns):
    """All rows frame by frame from their first states: the outputs (length, rows), the last ones, and their slopes."""
    walked = np.empty_like(columns[0])
    slope = np.ones(len(first))
    y = first
    for out, *now in zip(walked, *columns):
        slope *= step(y, out, *now)
        y = out
    return walked, y.copy(), slope


def _join(first, end, slope, state):
    """First states that fit the rows before them: first[k+1] = end[k] + slope[k]·(first[k] − old first[k])."""
    right = np.empty(len(first))
    right[0] = state
    np.subtract(end[:-1], slope[:-1] * first[:-1], out=right[1:])
    band = np.zeros((2, len(first)), order="F")
    np.negative(slope[:-1], out=band[1, :-1])
    return dtbsv(1, band, right, lower=1, diag=1)


def smooth_branching(target: np.ndarray, attack, release, state: float = 0.0) -> np.ndarray:
    """A one-pole smoother with one coefficient on the way up and another on the way down.

    Parameters
    ----------
    target : ndarray, shape (frames,)
        What the output moves towards, for example the demanded gain reduction in dB.
    attack, release : float or ndarray of shape (frames,)
        Coefficients in [0, 1) where the target is above, and where it is not above, the last output (see
        :func:`coefficient`).
    state : float
        The output before the first frame.

    Returns
    -------
    ndarray, shape (frames,)
        y[n] = a·y[n−1] + (1 − a)·target[n].

    Notes
    -----
    The "smooth, branching" detector of Giannoulis, Massberg & Reiss (2012), eq. 16. Explained in ``04_peak_control``.
    """
    target = np.asarray(target, dtype=float)
    if np.ndim(attack) == 0 and np.ndim(release) == 0:

        def make_step(stride):
            up, down = attack**stride, release**stride

            def step(previous, out, x):
                np.subtract(previous, x, out=out)
                a = np.where(out < 0.0, up, down)
                out *= a
                out += x
                return a

            return step

        return solve(make_step, (target,), state)

    def make_varying_step(stride):
        def step(previous, out, x, up, down):
            np.subtract(previous, x, out=out)
            a = np.where(out < 0.0, up, down) ** stride
            out *= a
            out += x
            return a

        return step

    return solve(make_varying_step, (target, *(np.broadcast_to(a, target.shape) for a in (attack, release))), state)


def smooth_branching_loop(target, attack: float, release: float, state: float = 0.0) -> np.ndarray:
    """The same as :func:`smooth_branching`, frame by frame: slow, and plain to read."""
    y, out = state, []
    for x in np.asarray(target, dtype=float).tolist():
        a = attack if x > y else release
        y = a * y + (1 - a) * x
        out.append(y)
    return np.array(out)


def smooth_decoupled(target: np.ndarray, attack: float, release: float, state=(0.0, 0.0)) -> tuple[np.ndarray, tuple]:
    """A release stage that lets rises through, followed by an attack stage that smooths everything.

    Parameters
    ----------
    target : ndarray, shape (frames,)
    attack, release : float
        Coefficients in [0, 1).
    state : (float, float)
        Both stages' outputs before the first frame.

    Returns
    -------
    ndarray, shape (frames,), and the state to go on with

    Notes
    -----
    The "smooth, decoupled" detector of Giannoulis, Massberg & Reiss (2012), eq. 17. Its first stage,
    max(x, a·y + (1 − a)·x), is the branching smoother whose attack takes no time. The release that results is the
    release *and* the attack in series, so a slow attack lengthens it.
    """
    held = smooth_branching(target, 0.0, release, state[0])
    out, _ = lfilter([1.0 - attack], [1.0, -attack], held, zi=[attack * state[1]])
    return out, (float(held[-1]), float(out[-1]))


def static_reduction(level_db, threshold_db: float, slope: float, knee_db: float) -> np.ndarray:
    """The reduction in dB that a static curve asks for.

    Parameters
    ----------
    level_db : array_like
        Level at the detector.
    threshold_db : float
    slope : float
        1 − 1/ratio, in [0, 1].
    knee_db : float
        Width W of the quadratic soft knee, 0 for a hard one.

    Returns
    -------
    ndarray
        Zero below the knee, slope·(level − threshold) above it, slope·(level − threshold + W/2)²/(2W) inside.

    Notes
    -----
    Giannoulis, Massberg & Reiss (2012), eq. 4, as input minus output. With p the part of the level that lies inside the
    knee, from 0 to W, all three pieces are p²/(2W) plus what lies above. Explained in ``04_peak_control``.
    """
    over = np.asarray(level_db, dtype=float) - (threshold_db - knee_db / 2)
    if knee_db == 0:
        return slope * np.maximum(over, 0.0)
    part = np.clip(over, 0.0, knee_db)
    reduction = np.maximum(over - knee_db, 0.0)
    part *= part
    part /= 2.0 * knee_db
    reduction += part
    reduction *= slope
    return reduction


def smooth_feedback(
    level_db: np.ndarray,
    attack: float,
    release: float,
    threshold_db: float,
    slope: float,
    knee_db: float = 0.0,
    state: float = 0.0,
) -> np.ndarray:
    """Gain reduction of a compressor whose detector listens to its own output.

    Parameters
    ----------
    level_db : ndarray, shape (frames,)
        Level of the *input* in dB. Every value must be finite.
    attack, release : float
        Coefficients in [0, 1).
    threshold_db, slope, knee_db : float
        As in :func:`static_reduction`.
    state : float
        Reduction before the first frame.

    Returns
    -------
    ndarray, shape (frames,)
        Reduction in dB, ≥ 0.

    Notes
    -----
    Let C(v) be the reduction that the static curve gives an input level v, and r the reduction now, so that the detector
    hears x − r. That output is the one a *settled* compressor would give to the input v with v − C(v) = x − r, hence the
    loop asks for C(v), and the smoother gives r = a·r₋ + (1 − a)·C(v). Put together: v − a·C(v) = x − a·r₋, which has one
    solution for every ratio up to infinity, since C never rises faster than 1. (The textbook form, which hears the output
    of one sample ago, blows up at high ratios; a circuit has no such delay.) C(v) > r₋ just when C(x) > r₋, so
    the branch is known beforehand. Because the loop corrects its own error, it settles faster than its time constants
    say, about `ratio` times for a hard knee. Feedback against feed-forward: Giannoulis, Massberg & Reiss (2012), section
    2.1; the delay-free loop: common practice, no source.
    """
    level_db = np.asarray(level_db, dtype=float)
    demand = static_reduction(level_db, threshold_db, slope, knee_db)
    low = threshold_db - knee_db / 2

    def make_step(stride):
        return partial(step, attack**stride, release**stride)

    def step(up, down, previous, out, demanded, x):
        a = np.where(demanded > previous, up, down)
        # Both sides of v − a·C(v) = q, counted from the lower end of the knee, where C starts.
        q = x - a * previous - low
        pull = a * slope
        if knee_db == 0:
            over = q / (1.0 - pull)
            steep = np.where(q > 0.0, slope, 0.0)
            asked = steep * over
        else:
            # Above the knee C is the line slope·(over − W/2); inside it over − pull·over²/(2W) = q, whose root is
            # written so that it holds for pull → 0; below it C is zero.
            line = (q - pull * knee_db / 2) / (1.0 - pull)
            inside = np.maximum(q, 0.0)
            root = np.sqrt(np.maximum(1.0 - 2.0 * pull * inside / knee_db, 0.0))
            over = np.where(line > knee_db, line, np.minimum(2.0 * inside / (1.0 + root), knee_db))
            asked = np.where(line > knee_db, slope * (over - knee_db / 2), slope * over * over / (2 * knee_db))
            steep = slope * np.minimum(over, knee_db) / knee_db
        np.multiply(a, previous, out=out)
        out += (1.0 - a) * asked
        return a * (1.0 - steep) / (1.0 - a * steep)

    return solve(make_step, (demand, level_db), state)


def smooth_feedback_loop(level_db, attack, release, threshold_db, slope, knee_db=0.0, state=0.0) -> np.ndarray:
    """The same as :func:`smooth_feedback`, frame by frame, finding each frame's v by bisection instead of by formula."""

    def reduction(v):
        if 2 * (v - threshold_db) > knee_db:
            return slope * (v - threshold_db)
        if 2 * (v - threshold_db) > -knee_db:
            return slope * (v - threshold_db + knee_db / 2) ** 2 / (2 * knee_db)
        return 0.0

    r, out = state, []
    for x in np.asarray(level_db, dtype=float).tolist():
        a = attack if reduction(x) > r else release
        # v − a·C(v) rises with v: halve the interval that holds its crossing of x − a·r until it is a point.
        q = x - a * r
        low, high = q, q + 1.0
        while high - a * reduction(high) < q:
            high = q + 2.0 * (high - q)
        for _ in range(80):
            middle = (low + high) / 2
            low, high = (middle, high) if middle - a * reduction(middle) < q else (low, middle)
        r = a * r + (1 - a) * reduction((low + high) / 2)
        out.append(r)
    return np.array(out)
