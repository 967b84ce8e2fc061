"""Sound that the page makes itself: the chain as the page gets it, and the code of its worklet.

The page's processors (``PROCESSORS``) do what those of :mod:`vocomp_lab.processors` do, from the same settings; the tests hold them to
each other. What is neither setting nor sound comes from here: the filters' taps, and levels of a whole clip.
"""

from __future__ import annotations

import functools
import html
import json
from importlib import resources

import ipywidgets as widgets

from vocomp_lab.analysis.meters import needle_filter
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.processors.colour import lowpass_taps
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.sound.levels import rms_dbfs

PROCESSORS = (
    "decibels", "tape", "stage", "filters", "gains", "smoothers", "dynamics", "colour", "deesser", "chain",
)  # fmt: skip
"""The scripts that a worklet or worker needs before its own, in an order in which each finds what it uses."""


@functools.lru_cache(maxsize=1)
def code_widget() -> widgets.HTML:
    """The code of worklet and runner, in a hidden widget that all benches of a notebook share: it comes to the page once."""
    folder = resources.files("vocomp_lab.bench")
    half = lowpass_taps()[len(lowpass_taps()) // 2 :]
    code = {
        part: "".join(folder.joinpath(f"{name}.js").read_text("utf-8") for name in names)
        for part, names in (("processors", PROCESSORS), ("worklet", ["worklet"]), ("runner", ["runner"]))
    }
    code["processors"] = code["processors"].replace("__COLOUR_TAPS__", json.dumps(half.tolist()))
    widget = widgets.HTML(layout=widgets.Layout(display="none"))
    widget.value = f"<span>{html.escape(json.dumps(code), quote=False)}</span>"
    widget.add_class("vocomp-live-code")
    return widget


def page_chain(chain: Chain, result: ChainResult | None, first: str, last: str, moved: str) -> dict:
    """A chain as the page gets it.

    Parameters
    ----------
    chain : Chain
        With a stage in every place, also where one is left out.
    result : ChainResult, optional
        What it made of the clip, as far as that is known.
    first, last : str
        The stages that are compared: what goes into the first, and what comes out of the last. The meter shows the reduction of
        all from the one to the other.
    moved : str
        The stage whose controls are in the page.

    Returns
    -------
    dict
        Plain data; infinity is ``"inf"``.
    """
    names = [name for name, _ in chain.stages]
    return {
        "stages": [page_stage(chain, result, name) for name in names],
        **{key: names.index(name) for key, name in dict(first=first, last=last, moved=moved).items()},
    }


def page_stage(chain: Chain, result: ChainResult | None, name: str) -> dict:
    """One stage of :func:`page_chain`: its type, its settings, and for a de-esser the level of all that goes into it."""
    stage = next(stage for stage in chain.to_dict()["stages"] if stage["name"] == name)
    plain = {"type": stage["type"], **stage["settings"]}
    if isinstance(chain[name], DeEsser):
        source = result.stages[name].source if result is not None and name in result.stages else None
        plain["input_dbfs"] = max(rms_dbfs(source), -400.0) if source is not None else -20.0
    return plain


def needle_coefficients(rate: int) -> list[list[float]]:
    """Numerator and denominator of the slow needle at a sample rate, for the page."""
    return [values.tolist() for values in needle_filter(rate)]
