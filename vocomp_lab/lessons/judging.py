"""Whether a chain's compressors did too much, for a page: each number beside its limit, and a verdict."""

from __future__ import annotations

import math

from vocomp_lab.analysis.diagnosis import (
    SIGNS,
    beyond_limit,
    compressed_part,
    findings,
    limit_text,
    measure_compression,
)
from vocomp_lab.lessons.tables import Table
from vocomp_lab.processors.chain import A_RESULT, ChainResult
from vocomp_lab.sound.checks import asks


@asks(result=A_RESULT)
def compression_table(result: ChainResult) -> Table:
    """What the compressors of a chain did to a voice, each number with its limit, and what to do where it is beyond.

    Parameters
    ----------
    result : ChainResult
        Measured from before its first compressor to its end
        (:func:`vocomp_lab.analysis.diagnosis.measure_compression`).

    Returns
    -------
    Table
    """
    numbers = measure_compression(*compressed_part(result))
    advice = {finding.name: finding.sentence for finding in findings(numbers)}
    rows = []
    for name, sign in SIGNS.items():
        value = numbers.values[name]
        told = "nothing to measure it by" if math.isnan(value) else f"{sign.text(value)} {sign.unit}"
        fine = "" if math.isnan(value) else "beyond its limit" if beyond_limit(name, value) else "fine"
        rows.append((sign.label, told, limit_text(name), advice.get(name, fine)))
    return Table(rows, ("from the first compressor to the end", "measured", "limit", ""))


@asks(result=A_RESULT)
def check_compression(result: ChainResult) -> str:
    """Whether no number of a chain's compressors is beyond its limit, in one line that names the worst one.

    Parameters
    ----------
    result : ChainResult
    """
    found = findings(measure_compression(*compressed_part(result)))
    return f"no number over its limit: {f'not met yet ({found[0].name})' if found else 'met'}"
