"""A working copy of a sound on disk, between two stretches of a chain.

A stage that must know the power of its whole input can't begin before the stages in front of it are done. What they make
waits here, so that the sound itself is read once, and each stage works once, however many stages ask.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator

import numpy as np

from vocomp_lab.processors.flow import PIECE_FRAMES
from vocomp_lab.sound.audio import BLOCK_SAMPLES, channel_by_channel
from vocomp_lab.sound.files import NO_ROOM, quoted, what_failed


class Spool:
    """A sound in a file that has no name and vanishes with the process.

    Parameters
    ----------
    channels : int
    folder : str or path-like, optional
        On whose disk it lies: 8 bytes a sample. Default: the system's folder for such files.

    Notes
    -----
    Use it in a ``with`` statement. While it is read, new samples may be put in, as long as no more come in than were read:
    they take the place of those. So one file serves all stages that ask.
    """

    def __init__(self, channels: int, folder=None):
        self.channels, self._frame_bytes = channels, 8 * channels
        self._folder = tempfile.gettempdir() if folder is None else folder
        self._frames = self._energy = 0
        try:
            self._file = tempfile.TemporaryFile(prefix=".", dir=self._folder, buffering=0)
        except OSError as error:
            raise OSError(what_failed(error, self._folder)) from None

    def put(self, block: np.ndarray) -> None:
        """Add samples, shape (frames, channels).

        Raises
        ------
        OSError
            In one sentence, if the disk takes no more.
        """
        flat = np.ascontiguousarray(block, dtype=np.float64).reshape(-1)
        self._energy += float(np.einsum("i,i->", flat, flat))
        rest = memoryview(flat).cast("B")
        try:
            self._file.seek(self._frames * self._frame_bytes)
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            raise OSError(self._refused(error)) from None
        self._frames += len(block)

    def taken(self) -> tuple[float, Iterator[np.ndarray]]:
        """The mean square of what was put in, and its samples, in blocks of shape (frames, channels); now it may be filled
        anew."""
        frames, energy = self._frames, self._energy
        self._frames = self._energy = 0
        return energy / max(frames * self.channels, 1), self._blocks(frames)

    def _blocks(self, frames):
        step = max(min(BLOCK_SAMPLES // self.channels, PIECE_FRAMES), 1)
        for start in range(0, frames, step):
            block = np.empty((min(step, frames - start), self.channels))
            rest = memoryview(block.reshape(-1)).cast("B")
            self._file.seek(start * self._frame_bytes)
            while rest:
                count = self._file.readinto(rest)
                if not count:
                    raise OSError(f"path: a working copy in {quoted(self._folder)} can't be read back; try again.")
                rest = rest[count:]
            yield channel_by_channel(block)

    def _refused(self, error: OSError) -> str:
        if error.errno not in NO_ROOM:
            return what_failed(error, self._folder)
        return (
            f"path: {quoted(self._folder)} has no room for the working copy that this chain needs, 8 bytes a sample; "
            "make room, or choose another disk for the output."
        )

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self._file.close()
