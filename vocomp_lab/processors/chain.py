"""Stages in order: a whole chain as one object, with a result for each stage and a settings sheet.

The sheet is JSON that a person can read and any program can parse: a list of stages, each with a name, a type and its
settings. The name of a setting ends with its unit.
"""

from __future__ import annotations

import dataclasses
import json
import math
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from vocomp_lab.processors.character import CHARACTERS
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.processors.colour import Colour
from vocomp_lab.processors.compressor import Compressed, Compressor
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.processors.filters import HighPass, HighShelf, LowShelf, Peaking
from vocomp_lab.processors.gain import Gain
from vocomp_lab.processors.rides import FaderRide
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Of, OrNone, asks, check_choice, shown

SHEET_FORMAT = "vocomp-lab settings sheet"
SHEET_VERSION = 1

PROCESSORS = {
    kind.__name__: kind
    for kind in (
        ClipGain,
        Gain,
        HighPass,
        Peaking,
        LowShelf,
        HighShelf,
        Compressor,
        DeEsser,
        Colour,
        FaderRide,
        *CHARACTERS.values(),
    )
}
"""Every processor that a sheet may name, by its name in the sheet."""


@dataclass(frozen=True, eq=False)
class StageResult:
    """What one stage of a chain did.

    Attributes
    ----------
    name : str
    processor : object
        The stage's settings.
    source, output : Clip
        What went in and what came out.
    detail : Compressed or None
        Everything that a dynamics stage reports.
    """

    name: str
    processor: object
    source: Clip = field(repr=False)
    output: Clip = field(repr=False)
    detail: Compressed | None = field(repr=False, default=None)

    @property
    def reduction_db(self) -> np.ndarray | None:
        """Gain reduction of a dynamics stage, shape (frames,); None for a filter or a gain."""
        return None if self.detail is None else self.detail.reduction_db


@dataclass(frozen=True, eq=False)
class ChainResult:
    """The output of a chain, and what each stage did, by name and in order."""

    source: Clip = field(repr=False)
    stages: dict[str, StageResult]

    @property
    def output(self) -> Clip:
        """The clip after the last stage; the source itself if there is no stage."""
        return next(reversed(self.stages.values())).output if self.stages else self.source

    @property
    def reduction_db(self) -> np.ndarray:
        """Gain reduction of all stages together, shape (frames,)."""
        parts = [stage.reduction_db for stage in self.stages.values() if stage.reduction_db is not None]
        return np.sum(parts, axis=0) if parts else np.zeros(self.source.frames)


A_RESULT = Of(ChainResult, "the result of a chain, as chain.apply(clip) gives it")


@dataclass(frozen=True)
class Chain:
    """Named processors, applied one after the other.

    Parameters
    ----------
    stages : sequence of (name, processor)
        Names are text and all different. A processor has an ``apply(clip)`` that returns a Clip, or an object with an
        ``output``.

    Raises
    ------
    ValueError
        If a stage is not such a pair, or a name is used twice.

    Examples
    --------
    >>> from vocomp_lab import Chain, Compressor, HighPass
    >>> chain = Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-12, 3, 1, 60))])
    >>> Chain.from_json(chain.to_json()) == chain
    True
    """

    stages: tuple[tuple[str, object], ...] = ()

    def __post_init__(self):
        if not isinstance(self.stages, (tuple, list)):
            raise ValueError(f"stages: {shown(self.stages)} is not allowed; give a list of pairs (name, processor).")
        stages = []
        for place, stage in enumerate(self.stages, start=1):
            if not isinstance(stage, (tuple, list)) or len(stage) != 2:
                raise ValueError(
                    f"stages: number {place} is {shown(stage)}; each stage must be a pair (name, processor)."
                )
            name, processor = stage
            if not isinstance(name, str) or not name.strip():
                raise ValueError(
                    f"stages: number {place} has the name {shown(name)}; a name must be text, and not empty."
                )
            if isinstance(processor, type) or not callable(getattr(processor, "apply", None)):
                raise ValueError(
                    f"stages: {shown(name)} holds {shown(processor)}, which has no apply(clip); give a processor."
                )
            if name in (other for other, _ in stages):
                raise ValueError(f"stages: the name {shown(name)} is there twice; every stage needs its own name.")
            stages.append((name, processor))
        object.__setattr__(self, "stages", tuple(stages))

    def __getitem__(self, name: str):
        """The processor of a stage, by name; a ValueError lists the names if there is none."""
        return dict(self.stages)[check_choice("name", name, [n for n, _ in self.stages])]

    __iter__ = None  # by name only

    def with_stage(self, name: str, processor) -> "Chain":
        """The chain with another processor in one of its stages."""
        check_choice("name", name, [n for n, _ in self.stages])
        return Chain([(n, processor if n == name else p) for n, p in self.stages])

    @asks(clip=A_CLIP, reuse=OrNone(A_RESULT))
    def apply(self, clip: Clip, reuse: ChainResult | None = None) -> ChainResult:
        """Run the clip through all stages.

        Parameters
        ----------
        clip : Clip
        reuse : ChainResult, optional
            An earlier result for this very clip. The stages before the first one that differs are taken from it, so moving
            one control only costs what comes after it.

        Returns
        -------
        ChainResult
        """
        kept = {} if reuse is None or reuse.source is not clip else reuse.stages
        results, current = {}, clip
        for name, processor in self.stages:
            known = kept.get(name)
            if known is not None and known.source is current and known.processor == processor:
                results[name] = known
            else:
                outcome = processor.apply(current)
                if not isinstance(getattr(outcome, "output", outcome), Clip):
                    raise ValueError(
                        f"stages: {shown(name)} made {type(outcome).__name__} of a clip; a processor gives a Clip, or an "
                        "object with one as its output."
                    )
                if isinstance(outcome, Clip):
                    results[name] = StageResult(name, processor, current, outcome)
                else:
                    results[name] = StageResult(name, processor, current, outcome.output, outcome)
            current = results[name].output
        return ChainResult(clip, results)

    def to_dict(self) -> dict:
        """The settings sheet as plain data: what :meth:`to_json` writes. Infinity is ``"inf"``, since JSON has no number
        for it.
        """
        stages = [
            {"name": name, "type": _type_name(name, processor), "settings": _plain(processor)}
            for name, processor in self.stages
        ]
        return {"format": SHEET_FORMAT, "version": SHEET_VERSION, "stages": stages}

    def to_json(self) -> str:
        """The settings sheet as text."""
        return json.dumps(self.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    @classmethod
    def from_dict(cls, sheet: dict) -> "Chain":
        """A chain from a settings sheet as plain data.

        Raises
        ------
        ValueError
            If the data is not a settings sheet, or a field is unknown, missing or out of range; the sentence names the
            stage.
        """
        _check_keys("the sheet", sheet, {"format", "version", "stages"})
        version = sheet["version"]
        # True equals 1, but is no version.
        if sheet["format"] != SHEET_FORMAT or isinstance(version, bool) or version != SHEET_VERSION:
            raise ValueError(
                f"format: {shown(sheet['format'])}, version {shown(version)} can't be read; "
                f"it must be {SHEET_FORMAT!r}, version {SHEET_VERSION}."
            )
        if not isinstance(sheet["stages"], list):
            raise ValueError(f"stages: {type(sheet['stages']).__name__} is not allowed; give a list of stages.")
        stages = []
        for place, stage in enumerate(sheet["stages"], start=1):
            _check_keys(f"stage {place}", stage, {"name", "type", "settings"})
            if not isinstance(stage["type"], str) or stage["type"] not in PROCESSORS:
                raise ValueError(
                    f"type: {shown(stage['type'])} of stage {shown(stage['name'])} is unknown; known are "
                    f"{', '.join(PROCESSORS)}."
                )
            stages.append((stage["name"], _build(stage["name"], PROCESSORS[stage["type"]], stage["settings"])))
        return cls(stages)

    @classmethod
    def from_json(cls, text: str) -> "Chain":
        """A chain from the text of a settings sheet.

        Raises
        ------
        ValueError
            If the text is not JSON, or has a field twice; otherwise as :meth:`from_dict`.
        """
        try:
            sheet = json.loads(text, parse_constant=_refuse_constant, object_pairs_hook=_refuse_twice)
        except (TypeError, ValueError, RecursionError) as error:
            raise ValueError(f"text: this is not a settings sheet in JSON ({error}).") from None
        return cls.from_dict(sheet)


def _type_name(name, processor) -> str:
    kind = type(processor).__name__
    if PROCESSORS.get(kind) is not type(processor):
        raise ValueError(
            f"stages: {name!r} is a {kind}, which a settings sheet can't hold; known are {', '.join(PROCESSORS)}."
        )
    return kind


def _plain(value):
    """Settings as JSON can hold them."""
    if dataclasses.is_dataclass(value):
        return {part.name: _plain(getattr(value, part.name)) for part in dataclasses.fields(value)}
    if isinstance(value, (tuple, list)):
        return [_plain(part) for part in value]
    if isinstance(value, float) and math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return value


def _unplain(value):
    if isinstance(value, str) and value in ("inf", "-inf"):
        return float(value)
    return value


def _build(name, kind, settings):
    """A processor from its settings. ``kind.NESTED`` names the type of the objects that a setting holds."""
    return _build_part(f"stage {shown(name)}", kind, settings)


def _build_part(where, kind, settings):
    known = {part.name: part for part in dataclasses.fields(kind)}
    if not isinstance(settings, dict):
        raise ValueError(f"settings: those of {where} are not an object; give field names with values.")
    unknown = [field for field in settings if field not in known]
    if unknown:
        raise ValueError(
            f"settings: {where} has the unknown field {shown(unknown[0])}; a {kind.__name__} has {', '.join(known)}."
        )
    missing = [n for n, part in known.items() if n not in settings and part.default is dataclasses.MISSING]
    if missing:
        raise ValueError(f"settings: {where} lacks the field {missing[0]!r}, which a {kind.__name__} needs.")
    nested = getattr(kind, "NESTED", {})
    values = {
        field: _build_parts(where, field, nested[field], value) if field in nested else _unplain(value)
        for field, value in settings.items()
    }
    try:
        return kind(**values)
    except ValueError as error:
        raise ValueError(f"settings: {where}: {error}") from None


def _build_parts(where, field, kind, values):
    """A list of settings within a setting, each made into an object; anything but a list is left for the owner to refuse."""
    if not isinstance(values, list):
        return _unplain(values)
    return tuple(
        _build_part(f"{where}, {field} number {place}", kind, value) for place, value in enumerate(values, start=1)
    )


def _check_keys(what, value, keys):
    if not isinstance(value, dict) or set(value) != keys:
        found = f"holds {shown(list(value))}" if isinstance(value, dict) else f"is a {type(value).__name__}"
        raise ValueError(f"text: {what} must be an object that holds exactly {shown(sorted(keys))}, and {found}.")


def _refuse_constant(name):
    raise ValueError(f"{name} is not a JSON number")


def _refuse_twice(pairs):
    fields = dict(pairs)
    if len(fields) < len(pairs):
        twice = Counter(name for name, _ in pairs).most_common(1)[0][0]
        raise ValueError(f"the field {shown(twice)} is there twice")
    return fields


A_CHAIN = Of(Chain, 'a Chain, such as Chain([("peaks", Compressor(-18, 3, 5, 80))])')
