"""What each compressor of the chain should come to: the goals on the benches of lessons 04 to 06, and of ``check_goals``.

All of them are common practice, no source; where a goal is about what a bad setting does to a voice, its limit lies between
the settings that the lessons teach and those that they warn of (``tests/test_goals.py``).
"""

from __future__ import annotations

from vocomp_lab.analysis.measures import Goal, stage_change
from vocomp_lab.analysis.together import as_one_stage
from vocomp_lab.processors.chain import A_RESULT, ChainResult
from vocomp_lab.sound.checks import asks

PEAKS_MOST_PERCENT, PEAKS_MAX_DB = 15.0, (2.0, 8.0)
STEADY_WINDOW_DB, STEADY_SHARE_PERCENT = (2.0, 5.0), 80.0
_SAME_LOUDNESS = Goal("loudness_change_lu", -0.5, 0.5)

GOALS = {
    "peaks": (
        Goal("share_percent", high=PEAKS_MOST_PERCENT),
        Goal("max_db", *PEAKS_MAX_DB),
        # Tamed, not flattened: a limiter that is quick enough meets the other two.
        Goal("crest_change_db", low=-3.5),
    ),
    "steady": (
        Goal("share_percent", low=STEADY_SHARE_PERCENT),
        Goal("median_db", *STEADY_WINDOW_DB),
        # Half of a song that is sung softly hides from the median what happens to the other half.
        Goal("over_median_db", high=5),
        _SAME_LOUDNESS,
        # A release of a second at 10:1 meets all of these and does neither: it is only a fader, pulled back.
        Goal("beginnings_db", low=0),
        Goal("spread_change_lu", high=-0.3),
    ),
    "excitement": (Goal("median_db", 1, 3), Goal("beginnings_db", 0.8, 2.5), _SAME_LOUDNESS),
}
"""By the names of the stages (``04_peak_control``, ``05_steady_compression``, ``06_slow_attack``)."""

CHAIN_GOALS = (Goal("beginnings_db", low=0), Goal("every_word_change_lu", high=-1))
"""Of the whole chain, from the recording to its end (``08_the_vocal_in_the_mix``)."""


@asks(result=A_RESULT)
def check_chain(result: ChainResult) -> str:
    """Whether a chain as a whole does what it is for: beginnings that are still there, and words closer together.

    Parameters
    ----------
    result : ChainResult

    Returns
    -------
    str
        A line for each of ``CHAIN_GOALS``, with the measured number.
    """
    change = stage_change(as_one_stage(result))
    return "\n".join(f"whole chain, {goal}: {goal.verdict(change)}" for goal in CHAIN_GOALS)
