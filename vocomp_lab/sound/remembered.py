"""Measurements that are remembered: lessons and proposals ask for the same ones of the same clip again and again."""

from __future__ import annotations

import functools

from vocomp_lab.sound.audio import Clip


def kept_with_clip(measure):
    """A decorator for a function of one clip: its result stays with that very clip, for as long as there is one.

    Parameters
    ----------
    measure : callable
        Takes a clip and looks at its sound alone; what it returns is small, and nobody changes it.

    Notes
    -----
    For what costs no more than the fingerprint that :func:`remembered` asks for: a clip's samples never change, so the same
    object needs none. An equal clip is measured again.
    """
    name = f"{measure.__module__}.{measure.__qualname__}"

    @functools.wraps(measure)
    def ask(clip):
        kept = clip.__dict__.setdefault("_kept", {})
        if name not in kept:
            kept[name] = measure(clip)
        return kept[name]

    return ask


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
