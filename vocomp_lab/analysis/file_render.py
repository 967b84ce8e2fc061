"""A settings sheet on a sound file of any length, into a new file, with an account of what every stage did.

Used by ``python -m vocomp_lab render``.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np

from vocomp_lab.analysis.alongside import Alongside, threads_for_this_machine
from vocomp_lab.analysis.file_levels import FileLevels, LevelMeter, StepMeans
from vocomp_lab.analysis.meters import MASK_STEP_MS, ReductionStats, reduction_stats
from vocomp_lab.processors.blocks import in_blocks, stages_that_ask
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.flow import PIECE_FRAMES
from vocomp_lab.sound.audio import Clip, SoundReader, SoundWriter, channel_by_channel, encoding
from vocomp_lab.sound.files import is_taken

REPORT_FORMAT = "vocomp-lab render report"
REPORT_VERSION = 1
_MOST_FRAMES = 1 << 40


@dataclass(frozen=True, eq=False)
class StageTrack:
    """Gain reduction of one stage over a whole file.

    Attributes
    ----------
    name, kind : str
        Of the stage and of its processor.
    reduction_db : ndarray, shape (steps,)
        Mean reduction of every 10 ms, ≥ 0.
    max_db : float
        Largest reduction of any frame.
    stats : ReductionStats
        Over the 10 ms in which somebody sings.
    """

    name: str
    kind: str
    reduction_db: np.ndarray = field(repr=False)
    max_db: float
    stats: ReductionStats


@dataclass(frozen=True, eq=False)
class Rendered:
    """What became of a file.

    Attributes
    ----------
    source, target : Path
    subtype : str
        In which the target was written.
    chain : Chain
    before, after : FileLevels
    tracks : tuple of StageTrack
        Of the stages that have a gain reduction, in order.
    times_s, before_lufs, after_lufs : ndarray, shape (steps,)
        Short-term loudness every 10 ms, before and after.
    """

    source: Path
    target: Path
    subtype: str
    chain: Chain = field(repr=False)
    before: FileLevels
    after: FileLevels
    tracks: tuple[StageTrack, ...]
    times_s: np.ndarray = field(repr=False)
    before_lufs: np.ndarray = field(repr=False)
    after_lufs: np.ndarray = field(repr=False)

    def to_json(self) -> str:
        """The account as text. Infinity is written ``"-inf"`` or ``"inf"``, and a number that there is not ``null``."""
        report = {
            "format": REPORT_FORMAT,
            "version": REPORT_VERSION,
            "input": {"file": self.source.name, **asdict(self.before)},
            "output": {"file": self.target.name, "subtype": self.subtype, **asdict(self.after)},
            "reduction": [
                {"stage": track.name, "type": track.kind, "max_db": track.max_db, "active": asdict(track.stats)}
                for track in self.tracks
            ],
            "sheet": self.chain.to_dict(),
        }
        return json.dumps(plain_numbers(report), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plain_numbers(value):
    """Values as JSON can hold them: infinity as text, and NaN as None."""
    if isinstance(value, dict):
        return {key: plain_numbers(part) for key, part in value.items()}
    if isinstance(value, list):
        return [plain_numbers(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "inf" if value > 0 else "-inf"
    return value


def check_target(source, target, subtype: str | None = None, overwrite: bool = False) -> None:
    """Refuse, before anything is read, a target that can't or shall not be written.

    Raises
    ------
    ValueError
        If it is the source itself, is there already (be it a link that leads nowhere), or can't be written by its suffix
        or subtype.
    OSError
        If the system can't tell whether it is there.
    """
    source, target = Path(source), Path(target)
    encoding(target, subtype)
    if "\0" in f"{source}{target}":
        raise ValueError("path: a null character is not allowed in a name; give the name of a file.")
    if same_file(source, target):
        raise ValueError(f"output: {str(target)!r} is the input itself; give another name.")
    if target.is_dir():
        raise ValueError(f"output: {str(target)!r} is a folder; give a file name.")
    if is_taken(target) and not overwrite:
        raise ValueError(f"output: {str(target)!r} is there already; give another name, or allow it to be overwritten.")


def same_file(one, other) -> bool:
    """Whether two names mean one file, by whatever way or link; also where there is none yet."""
    if os.path.realpath(one) == os.path.realpath(other):
        return True
    try:
        return os.path.samefile(one, other)
    except OSError:  # one of them isn't there
        return False


def _keep_freed_memory() -> None:
    """Let go of a large array once: after that the C library of Linux keeps what is freed, instead of fetching the same
    pages from the system again for every block."""
    np.empty(30 << 20, np.uint8)


def render_file(
    source,
    chain: Chain,
    target,
    subtype: str | None = None,
    overwrite: bool = False,
    progress: Callable[[float], None] | None = None,
    threads: int | None = None,
) -> Rendered:
    """Run a chain over a sound file of any length.

    Parameters
    ----------
    source : str or path-like
    chain : Chain
    target : str or path-like
        ``.wav`` or ``.flac``. It appears under this name when it is finished, never in part.
    subtype : str, optional
        As in :func:`vocomp_lab.save`.
    overwrite : bool
        Whether a target that is there already may be replaced.
    progress : function, optional
        Called now and then with the share of the work that is done, 0 to 1.
    threads : int, optional
        How many work side by side: the meters and the writer beside the chain. The result is the same, bit for bit.
        Default: as many as help on this machine.

    Returns
    -------
    Rendered

    Raises
    ------
    FileNotFoundError
        If there is no source.
    ValueError
        If the source can't be read, the target not be written, the chain doesn't work at this rate, or PCM could not
        hold the peaks (the sentence gives the gain that fits).
    FileExistsError
        At the end, if something else has made the target in the meantime and it may not be replaced.
    OSError
        If the disk fails, or has no room.

    Notes
    -----
    Equal to ``chain.apply`` of the whole file to 1e-9, before a file in whole numbers rounds it.
    """
    check_target(source, target, subtype, overwrite)
    means, highest_db, frames_done = {}, {}, 0
    _keep_freed_memory()
    with SoundReader(source) as reader:
        rate, channels, length = reader.rate, reader.channels, reader.claimed_frames
        before, after = LevelMeter(rate, channels), LevelMeter(rate, channels)
        parts = 1 + len(stages_that_ask(chain, rate, channels))

        def watch(name, reduction_db):
            means.setdefault(name, StepMeans.of_ms(MASK_STEP_MS, rate)).feed(reduction_db)
            highest_db[name] = max(highest_db.get(name, 0.0), float(reduction_db.max()))

        def blocks():
            nonlocal length
            for block in reader.blocks(PIECE_FRAMES):
                block = channel_by_channel(block)
                feed_before(block)
                yield block
            length = reader.frames_read  # what the header says may be wrong
            if length == 0:
                with reader.explained():
                    Clip(np.zeros((0, channels)), rate)

        def count(frames):
            nonlocal frames_done
            frames_done += frames
            if progress is not None:
                progress(min(frames_done / max(parts * length, 1), 1.0))

        # A header that doesn't know the length claims an absurd one.
        expected = length if length < _MOST_FRAMES else 0
        side_by_side = Alongside(threads or threads_for_this_machine())
        with SoundWriter(target, rate, channels, subtype, expected, overwrite) as writer, side_by_side:
            feed_before, write, feed_after = map(side_by_side.receiver, (before.feed, writer.write, after.feed))
            for block in in_blocks(chain, blocks, rate, channels, watch, Path(target).parent, count):
                write(block)
                feed_after(block)
        cut_short = reader.cut_short()
    active = before.active()
    tracks = []
    for name, processor in chain.stages:
        if name in means:
            steps_db = np.maximum(means[name].means(), 0.0)
            stats = reduction_stats(steps_db, active)
            tracks.append(StageTrack(name, type(processor).__name__, steps_db, highest_db[name], stats))
    loud_before, loud_after = before.loudness(), after.loudness()
    return Rendered(
        Path(source),
        Path(target),
        writer.subtype,
        chain,
        replace(before.levels(), cut_short=cut_short),
        after.levels(),
        tuple(tracks),
        loud_before.times,
        loud_before.short_term_lufs,
        loud_after.short_term_lufs,
    )
