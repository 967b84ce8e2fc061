"""Measurements that are remembered: lessons and proposals ask for the same ones of the same clip again and again."""

from __future__ import annotations

import functools

from vocomp_lab.sound.audio import Clip


def remembered(most: int):
    """A decorator for a function of clips: the last few results are kept, and equal clips get the same one.

    Parameters
    ----------
    most : int
        How many results are kept.

    Notes
    -----
    A clip is known by its sound (:meth:`vocomp_lab.sound.audio.Clip.fingerprint`); other arguments must be hashable. What
    the function returns is shared, so it must be something that nobody changes.
    """

    def decorate(measure):
        known = {}

        @functools.wraps(measure)
        def ask(*args):
            key = tuple(arg.fingerprint() if isinstance(arg, Clip) else arg for arg in args)
            if key not in known:
                result = measure(*args)
                while len(known) >= most:
                    known.pop(next(iter(known)), None)
                known[key] = result
            return known[key]

        return ask

    return decorate
