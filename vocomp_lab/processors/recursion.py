"""The first-order recursions of a compressor, solved exactly and fast.

A compressor's smoother needs its own last output to know what to do next::

    y[n] = f_n(y[n-1])        with every f_n rising, and never steeper than 1

A Python loop over that takes the better part of a second for a verse. The solver here cuts the signal into a few
thousand short rows and walks *all rows at once*, one frame per NumPy call, each from a guess of the output before its
first frame. The walk also gives each row's slope: how much its last output moves when its first state moves. Newton's
method on the guesses alone (one bidiagonal solve) then corrects all rows together, and a few walks later nothing
changes any more. After k walks the first k rows are right whatever the signal, so it always ends; in practice it takes
3 to 7 walks, for any attack and release. (Numerical analysis calls this multiple shooting; Keller, "Numerical Methods
for Two-Point Boundary-Value Problems", 1968, value from memory.)

The result is always finite, and each row goes on where the row before it ended. If Newton's method doesn't get there,
the same step takes the frames one by one: slow, but right for any step.

The plain loops stand here too (:func:`smooth_branching_loop`, :func:`smooth_feedback_loop`): they say what is meant.
Lesson ``04_peak_control`` prints one, and the tests hold the solver to them.
"""

from __future__ import annotations

import math
from typing import Callable, Protocol

import numpy as np
from scipy.linalg.blas import dtbsv
from scipy.signal import lfilter

# Long signals are taken in stretches of this many frames, so memory doesn't grow with the length of a file.
STRETCH_FRAMES = 1 << 19
# Frames in a row: short enough that a state's error stays small in it, long enough that NumPy's cost per call is
# shared.
MIN_ROW_FRAMES, MAX_ROW_FRAMES = 16, 48
# The first guesses come from a signal of one frame a row, then from walks over every 8th and 4th frame, each
# corrected like the real ones.
GUESS_STRIDES = (8, 4)
# First states that move by less than this, relative to the state and the row's inputs, are settled: two dozen times the
# rounding of a row of 48 frames (48 · 2.2e-16), which the corrections would otherwise follow from row to row.
SETTLED = 3e-13
# What is only a guess need not be better than this.
GUESSED = 1e-3
# So few frames are taken faster by the plain loop than in rows.
FEW_FRAMES = 2_000
# Picking out the few rows that still change pays only when they are fewer than this share.
FEW_ROWS = 0.25
# This many walks cost as much as taking the frames one by one. No processor's setting needs more than a few dozen.
MOST_WALKS = 1_000
# A knee narrower than this counts as hard: it would add an eighth of its width to the reduction at most.
HARD_KNEE_DB = 1e-12


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
    Giannoulis, Massberg & Reiss, J. Audio Eng. Soc. 60(6), 2012, eq. 7.
    """
    # In place: a fresh array for every step would cost more than the steps.
    a = np.atleast_1d(np.asarray(time_ms, dtype=float) / 1000.0)
    a *= rate
    with np.errstate(divide="ignore"):
        np.divide(-1.0, a, out=a)
    np.exp(a, out=a)
    return float(a[0]) if np.ndim(time_ms) == 0 else a


class Walker(Protocol):
    """Takes many rows of a recursion one frame on at a time, and knows how each row's output depends on its start."""

    def step(self, previous: np.ndarray, out: np.ndarray, *inputs: np.ndarray) -> None:
        """Write f_n(previous) into `out`; all arrays have shape (rows,), and an input is what each row holds at this
        frame."""

    def slope(self) -> np.ndarray:
        """The product of the slopes of f_n over all steps so far, shape (rows,): each step counts once, and from 0
        to 1."""


def solve(
    make_walker: Callable[[int, int], Walker],
    inputs: tuple[np.ndarray, ...],
    state: float = 0.0,
    least: float = -math.inf,
    unit: float = 1.0,
) -> np.ndarray:
    """y of the recursion y[n] = f_n(y[n−1]), from y[−1] = `state`.

    Parameters
    ----------
    make_walker : function
        make_walker(stride, rows) gives a fresh :class:`Walker`. With a stride above 1, its steps act as if
        the inputs stood still for that many frames. Only the first guess uses those, so they may be rough.
    inputs : tuple of ndarray, each of shape (frames,)
        What f_n depends on.
    state : float
        The output before the first frame. To go on block by block, hand over the last output.
    least : float
        What y never falls below. A guess that rounding puts below it would take the wrong branch, and hide an earlier
        release from the rows after it.
    unit : float
        What is small: y is right to ``SETTLED`` times this, or times y itself where that is larger. 1 dB suits decibels; powers
        and amplitudes need much less, or a soft sound would be followed roughly.

    Returns
    -------
    ndarray, shape (frames,)
    """
    frames = len(inputs[0])
    out = np.empty(frames)
    for start in range(0, frames, STRETCH_FRAMES):
        stop = min(start + STRETCH_FRAMES, frames)
        _solve_stretch(
            make_walker, [values[start:stop] for values in inputs], float(state), least, unit, out[start:stop]
        )
        state = out[stop - 1]
    return out


def _solve_stretch(make_walker, inputs, state, least, unit, solved, tolerance=SETTLED):
    """Write y over a stretch of the inputs into `solved`."""
    frames = len(inputs[0])
    length = int(min(max(math.sqrt(frames) / 2, MIN_ROW_FRAMES), MAX_ROW_FRAMES, frames))
    rows = -(-frames // length)
    columns = [_in_rows(values, length, rows) for values in inputs]

    peaks = [column.max(axis=0) for column in columns]
    scale = unit + sum(np.maximum(peak, -column.min(axis=0)) for peak, column in zip(peaks, columns))
    first = np.full(rows, state)
    if rows > MAX_ROW_FRAMES:
        # Without this guess, a row that wrongly begins on its target would hide a long release from the rows after it,
        # and each walk would mend only one row. Too high a guess is harmless, too low is not: hence the peaks.
        ends = np.empty(rows)
        walker = make_walker(length, 1)
        if rows <= FEW_FRAMES and isinstance(walker, _QuickBranching):
            ends[:] = smooth_branching_loop(*peaks, walker.attack, walker.release, state)
        else:
            _solve_stretch(
                lambda stride, rows: make_walker(stride * length, rows), peaks, state, least, unit, ends, GUESSED
            )
        first[1:] = ends[:-1]
    # One array for every walk: a fresh one each time would cost more than the walking.
    walked = np.empty((length, rows))
    for stride in GUESS_STRIDES:
        rough = [column[stride // 2 :: stride] for column in columns]
        if length >= 2 * stride:
            end, slope = _walk(make_walker(stride, rows), first, rough, walked)
            first = np.maximum(_join(first, end, slope, state), least)

    whole = frames // length * length
    end, slope = _walk(make_walker(1, rows), first, columns, walked)
    for _ in range(MOST_WALKS):
        corrected = np.maximum(_join(first, end, slope, state), least)
        if not np.isfinite(corrected).all():
            break
        allowed = tolerance * (scale + np.abs(first))
        settled = np.abs(corrected - first) <= allowed
        if settled.all():
            # At a join, the first states on both sides may be off by that much.
            settled[1:] = np.abs(end[:-1] - first[1:]) <= 2.0 * np.maximum(allowed[:-1], allowed[1:])
        wrong = np.flatnonzero(~settled)
        if wrong.size == 0:
            solved[:whole].reshape(-1, length)[:] = walked.T[: frames // length]
            solved[whole:] = walked[: frames - whole, -1]
            if np.isfinite(solved).all():
                return
            break
        first[wrong] = corrected[wrong]
        if wrong.size > rows * FEW_ROWS:
            end, slope = _walk(make_walker(1, rows), first, columns, walked)
        else:
            few = np.empty((length, wrong.size))
            few_columns = [column[:, wrong] for column in columns]
            end[wrong], slope[wrong] = _walk(make_walker(1, wrong.size), first[wrong], few_columns, few)
            walked[:, wrong] = few
    _take_in_turn(make_walker(1, 1), inputs, state, solved)


def _take_in_turn(walker, inputs, state, solved):
    """Write y into `solved`, frame by frame."""
    y = np.array([state])
    for n in range(len(solved)):
        out = solved[n : n + 1]
        walker.step(y, out, *(values[n : n + 1] for values in inputs))
        y = out


def _in_rows(values, length, rows):
    """The values cut into rows, as columns of shape (length, rows): what a walk reads at one time lies together."""
    columns = np.empty((length, rows))
    whole = len(values) // length
    columns[:, :whole] = values[: whole * length].reshape(whole, length).T
    if whole < rows:
        rest = values[whole * length :]
        columns[: len(rest), -1] = rest
        columns[len(rest) :, -1] = 0.0
    return columns


def _walk(walker, first, columns, walked):
    """Walk all rows from their first states, writing into `walked`; gives their last outputs and slopes.

    Slopes are clipped to 0 to 1: rounding may push them a little outside, and the corrections would then grow from row
    to row.
    """
    if isinstance(walker, _QuickBranching):
        y = walker.walk(first, *columns, walked)
    else:
        y = first
        for out, *now in zip(walked, *columns):
            walker.step(y, out, *now)
            y = out
    return y.copy(), np.clip(walker.slope(), 0.0, 1.0)


def _join(first, end, slope, state):
    """First states that fit the rows before them: first[k+1] = end[k] + slope[k]·(first[k] − old first[k])."""
    right = np.empty(len(first))
    right[0] = state
    np.subtract(end[:-1], slope[:-1] * first[:-1], out=right[1:])
    band = np.zeros((2, len(first)), order="F")
    np.negative(slope[:-1], out=band[1, :-1])
    return dtbsv(1, band, right, lower=1, diag=1)


def smooth_branching(target: np.ndarray, attack, release, state: float = 0.0, unit: float = 1.0) -> np.ndarray:
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
    unit : float
        As for :func:`solve`.

    Returns
    -------
    ndarray, shape (frames,)
        y[n] = a·y[n−1] + (1 − a)·target[n].

    Notes
    -----
    The "smooth, branching" detector of Giannoulis, Massberg & Reiss (2012), eq. 16.
    """
    target = np.asarray(target, dtype=float)
    least = min(state, target.min(initial=state))
    if np.ndim(attack) == 0 and np.ndim(release) == 0:
        return solve(
            lambda stride, rows: _QuickBranching(attack**stride, release**stride, rows), (target,), state, least, unit
        )
    coefficients = (np.broadcast_to(values, target.shape) for values in (attack, release))
    return solve(_BranchingVaried, (target, *coefficients), state, least, unit)


class _Branching:
    """Walks a branching smoother with two fixed coefficients."""

    def __init__(self, attack, release, rows):
        self.attack, self.release = attack, release
        # With d = previous − target, d·a is the larger of the two products if attack ≤ release, else the smaller.
        self.pick = np.maximum if attack <= release else np.minimum
        self.up, self.rises, self.steps = np.empty(rows, bool), np.zeros(rows, np.int32), 0
        self.attacked = np.empty(rows)

    def step(self, previous, out, target):
        np.subtract(previous, target, out=out)
        np.less(out, 0.0, out=self.up)
        self.rises += self.up
        self.steps += 1
        np.multiply(out, self.attack, out=self.attacked)
        out *= self.release
        self.pick(out, self.attacked, out=out)
        out += target

    def slope(self):
        return self.attack**self.rises * self.release ** (self.steps - self.rises)


class _QuickBranching(_Branching):
    """The same in fewer calls: the walk that most of the time goes into."""

    def walk(self, first, columns, walked):
        """All steps, writing into `walked`; gives the last outputs."""
        # Coefficients as arrays: NumPy would turn a plain number into one at every call.
        attack, release = np.array(self.attack), np.array(self.release)
        pick, attacked, y = self.pick, self.attacked, first
        for out, target in zip(walked, columns):
            np.subtract(y, target, out)
            np.multiply(out, attack, attacked)
            np.multiply(out, release, out)
            pick(out, attacked, out=out)
            np.add(out, target, out)
            y = out
        # Counted afterwards and all at once. A row is far shorter than the 255 frames that a byte can count.
        self.steps = len(columns)
        up = np.empty(columns.shape, bool)
        np.less(first, columns[0], out=up[0])
        np.less(walked[: self.steps - 1], columns[1:], out=up[1:])
        self.rises = np.add.reduce(up.view(np.uint8), axis=0, dtype=np.uint8)
        return y

    def slope(self):
        count = np.arange(self.steps + 1)
        return (self.attack**count * self.release ** (self.steps - count))[self.rises]


class _BranchingVaried:
    """Walks a branching smoother whose coefficients change from frame to frame."""

    def __init__(self, stride, rows):
        self.stride = stride
        self.product, self.up = np.ones(rows), np.empty(rows, bool)

    def step(self, previous, out, target, attack, release):
        np.subtract(previous, target, out=out)
        np.less(out, 0.0, out=self.up)
        a = np.where(self.up, attack, release)
        if self.stride > 1:
            # Instead of a to the power of the stride, which takes longer than everything else: 1/a grows about as much.
            a = a / (a + self.stride * (1.0 - a))
        out *= a
        out += target
        self.product *= a

    def slope(self):
        return self.product


def smooth_branching_loop(target, attack: float, release: float, state: float = 0.0) -> np.ndarray:
    """The same as :func:`smooth_branching`, frame by frame: slow, but easy to read."""
    y, out = state, []
    for x in np.asarray(target, dtype=float).tolist():
        a = attack if x > y else release
        y = a * y + (1 - a) * x
        out.append(y)
    return np.array(out)


def smooth_decoupled(target: np.ndarray, attack: float, release: float, state=(0.0, 0.0)) -> tuple[np.ndarray, tuple]:
    """A release stage that lets rises through, then an attack stage that smooths everything.

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
    max(x, a·y + (1 − a)·x), is the branching smoother whose attack takes no time. The resulting release is
    the release *and* the attack in series, so a slow attack lengthens it.
    """
    held = smooth_branching(target, 0.0, release, state[0])
    out, _ = lfilter([1.0 - attack], [1.0, -attack], held, zi=[attack * state[1]])
    return out, (float(held[-1]), float(out[-1]))


def static_reduction(level_db, threshold_db: float, slope: float, knee_db: float) -> np.ndarray:
    """The target reduction of a static curve, in dB.

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
    Giannoulis, Massberg & Reiss (2012), eq. 4, as input minus output. With p the part of the level
    inside the knee, from 0 to W, all three pieces are slope·(p²/(2W) plus what lies above the knee).
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
    Let C(v) be the reduction that the static curve gives an input level v, and r the reduction now: the detector hears
    x − r. That output is the one a *settled* compressor would give to the input v with v − C(v) = x − r,
    so the target is C(v), and the smoother gives r = a·r₋ + (1 − a)·C(v). Put together: v − a·C(v) = x − a·r₋,
    which has exactly one solution for every ratio up to infinity, since C never rises faster than 1. (The textbook
    form, which hears the output of one sample ago, blows up at high ratios; a circuit has no such delay.) C(v) > r₋
    just when C(x) > r₋, so the branch is known in advance. Because the loop corrects its own error, it settles faster
    than its time constants say, about `ratio` times for a hard knee. Feedback against feed-forward: Giannoulis,
    Massberg & Reiss (2012), section 2.1; the delay-free loop: common practice, no source.

    With a hard knee the loop is a branching smoother of C(x) = slope·max(x − T, 0) that has
    a' = a·(1 − slope)/(1 − a·slope) for a, and whose release cannot fall faster than the open one:
    r = max(a'·r₋ + (1 − a')·C(x), a_release·r₋). For above the threshold (v > T) the equation gives just the first
    term, below it just the second, and the larger one is the one that holds: they differ by (1 − a)·slope·(x − a·r₋ −
    T)/(1 − a·slope), which has the sign of v − T. With an infinite ratio a' is 0: a limiter without an attack.
    """
    level_db = np.asarray(level_db, dtype=float)
    demand = static_reduction(level_db, threshold_db, slope, knee_db)
    least = min(state, 0.0)
    if knee_db < HARD_KNEE_DB:

        def closed(a):
            return a * (1.0 - slope) / (1.0 - a * slope)

        def make_hard_walker(stride, rows):
            floor = release**stride
            return _FlooredBranching(closed(attack**stride), closed(floor), floor, rows)

        return solve(make_hard_walker, (demand,), state, least)

    def make_walker(stride, rows):
        return _SoftFeedback(attack**stride, release**stride, threshold_db, slope, knee_db, rows)

    return solve(make_walker, (demand, level_db), state, least)


class _FlooredBranching(_Branching):
    """Walks the hard-knee loop of :func:`smooth_feedback`: a branching smoother that falls no faster than `floor` lets
    it."""

    def __init__(self, attack, release, floor, rows):
        super().__init__(attack, release, rows)
        self.floor = floor
        self.floored, self.held, self.holds = np.empty(rows), np.empty(rows, bool), np.zeros(rows, np.int32)

    def step(self, previous, out, target):
        np.multiply(previous, self.floor, out=self.floored)
        super().step(previous, out, target)
        np.greater_equal(self.floored, out, out=self.held)
        # A state that rounding puts below 0, or just below the target, may rise and be held at the same time: count it
        # once.
        np.greater(self.held, self.up, out=self.held)
        self.holds += self.held
        np.maximum(out, self.floored, out=out)

    def slope(self):
        falls = self.steps - self.rises - self.holds
        return self.attack**self.rises * self.release**falls * self.floor**self.holds


class _SoftFeedback:
    """Walks the soft-knee loop of :func:`smooth_feedback`; its inputs are what the curve asks for, and the level.

    Both sides of v − a·C(v) = q are counted from the lower end of the knee, where C starts, in knee widths. With p the
    part of v that lies inside the knee, 0 to 1, and e what lies above it, C = S·(p²/2 + e). Inside, p − a·S·p²/2 = q
    gives p = 2q/(1 + root) with root = √(1 − 2·a·S·q), which is 1 − a·S·p as well; above, e = (q − q at the top)/(1 −
    a·S).
    """

    def __init__(self, attack, release, threshold_db, slope, knee_db, rows):
        self.low_db, self.ratio_slope, self.knee_db = threshold_db - knee_db / 2, slope, knee_db
        # For the attack and for the release: a, 2·a·S, q at the knee's top, 1/(1 − a·S), 1 − a.
        self.ways = [(a, 2 * a * slope, 1 - a * slope / 2, 1 / (1 - a * slope), 1 - a) for a in (attack, release)]
        self.least_root = 1.0 - max(attack, release) * slope
        self.up, self.product = np.empty(rows, bool), np.ones(rows)
        self.above, self.root = np.empty(rows), np.empty(rows)

    def step(self, previous, out, demanded, level_db):
        above, root = self.above, self.root
        np.greater(demanded, previous, out=self.up)
        a, pull, top, steepness, closer = (np.where(self.up, *both) for both in zip(*self.ways))
        a *= previous
        q = level_db - self.low_db
        q -= a
        q *= 1.0 / self.knee_db
        np.subtract(q, top, out=above)
        np.maximum(above, 0.0, out=above)
        # Not q −= above: with a narrow knee q is so large that rounding would leave it well above the top.
        np.minimum(q, top, out=q)
        np.maximum(q, 0.0, out=q)
        np.multiply(pull, q, out=root)
        np.subtract(1.0, root, out=root)
        np.maximum(root, self.least_root**2, out=root)
        np.sqrt(root, out=root)
        q *= 2.0
        part = q
        part /= root + 1.0
        part *= part
        above *= steepness
        above += 0.5 * part
        above *= closer
        above *= self.ratio_slope * self.knee_db
        np.add(a, above, out=out)
        # The slope a·(1 − S·p)/(1 − a·S·p), from the root.
        closer /= root
        np.subtract(1.0, closer, out=closer)
        self.product *= closer

    def slope(self):
        return self.product


def smooth_feedback_loop(level_db, attack, release, threshold_db, slope, knee_db=0.0, state=0.0) -> np.ndarray:
    """The same as :func:`smooth_feedback`, frame by frame, finding each v by bisection instead of a formula."""

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
