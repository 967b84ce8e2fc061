"""A chain as Python code, to be copied into a cell."""

from __future__ import annotations

import dataclasses

from vocomp_lab.processors.chain import Chain


def as_python(chain: Chain) -> str:
    """The code that makes the chain again, without settings that have their default."""
    lines = []
    for name, processor in chain.stages:
        settings = ", ".join(
            f"{part.name}={_literal(getattr(processor, part.name))}"
            for part in dataclasses.fields(processor)
            if part.default is dataclasses.MISSING or getattr(processor, part.name) != part.default
        )
        lines.append(f"    ({name!r}, {type(processor).__name__}({settings})),")
    return "Chain([\n" + "\n".join(lines) + "\n])"


def _literal(value) -> str:
    if isinstance(value, float):
        return "math.inf" if value == float("inf") else f"{value:g}" if float(f"{value:g}") == value else repr(value)
    return repr(value)
