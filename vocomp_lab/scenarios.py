"""Prepared steps for a demonstration: named settings of a stage, each with one sentence on what to listen for.

Every bench has them, from the settings that it starts with: the presenter's mode steps through them (``00_start_here``).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field

from vocomp_lab.controls import Choice, controls_for


@dataclass(frozen=True)
class Scenario:
    """One step of a demonstration.

    Parameters
    ----------
    name : str
        What is done, in a few words.
    listen_for : str
        One sentence for the class, a question rather than an answer.
    settings : dict
        The settings that differ from those the bench starts with, by field.
    """

    name: str
    listen_for: str
    settings: dict = field(default_factory=dict)

    def __post_init__(self):
        for part in ("name", "listen_for"):
            value = getattr(self, part)
            if not isinstance(value, str) or not value.strip():
                raise ValueError(f"{part}: {value!r} is not allowed; give a text that is not empty.")
        if not isinstance(self.settings, dict):
            raise ValueError(f"settings: {type(self.settings).__name__} is not allowed; give settings by field.")


# What is done to one field, the new value from the old one, and what to ask. Common practice, no source.
_STEPS = (
    ("threshold_db", "threshold 10 dB lower", lambda v: v - 10, "Do the soft words come nearer, and do the loud ones still stand out?"),
    ("threshold_db", "threshold 6 dB higher", lambda v: v + 6, "Which words are touched now, and which are left alone?"),
    ("ratio", "ratio four times as high", lambda v: v * 4, "Does the voice hold stiller, or does it sound held down?"),
    ("attack_ms", "attack thirty times as slow", lambda v: v * 30, "What happens to the starts of the words?"),
    ("attack_ms", "attack a tenth", lambda v: v / 10, "Are the consonants still crisp?"),
    ("release_ms", "release a tenth", lambda v: v / 10, "Do the held notes stay smooth, and how loud are the breaths?"),
    ("release_ms", "release eight times as slow", lambda v: v * 8, "What happens to the soft words after a loud one?"),
    ("mix", "half of the uncompressed voice with it", lambda v: 0.5, "What comes back, and what stays as even as it was?"),
    ("drive_db", "12 dB more drive", lambda v: v + 12, "Does the voice get nearer, or rougher?"),
    ("asymmetry", "both halves of the wave bent unequally", lambda v: 0.6, "Is the colour another one, or is it only more?"),
    ("range_db", "at most 3 dB taken away", lambda v: 3, "Is the hiss of the s still too much?"),
    ("freq_hz", "an octave higher", lambda v: v * 2, "What is missing now, and do you miss it?"),
    ("freq_hz", "an octave lower", lambda v: v / 2, "Is what disturbed before back again?"),
    ("order", "the steepest slope", lambda v: 8, "Does it sound cleaner, or only thinner?"),
    ("gain_db", "the same amount the other way", lambda v: -v, "Where in the voice is the change?"),
    ("gain_db", "twice as much", lambda v: 2 * v, "Is it still the same voice?"),
    ("crossfade_ms", "the shortest crossfades", lambda v: 1, "Does it click where a region begins or ends?"),
    ("crossfade_ms", "crossfades twenty times as long", lambda v: v * 20, "Do the words beside a region move along with it?"),
    ("q", "three times as narrow", lambda v: v * 3, "Does it still take away what you heard?"),
)


def scenarios_for(processor) -> tuple[Scenario, ...]:
    """Prepared steps for a stage, from its settings as they are.

    Parameters
    ----------
    processor : processor with controls

    Returns
    -------
    tuple of Scenario
        First the settings themselves; then one change at a time, each within what the sliders reach. A change that the
        sliders have no room for is left out.

    Raises
    ------
    ValueError
        If the processor has no controls.
    """
    controls = {control.field: control for control in controls_for(type(processor))}
    made = [Scenario("as prepared", "Hear the whole stretch once, before and after, so that you know it: what has changed?")]
    for name, what, change, question in _STEPS:
        control = controls.get(name)
        old = getattr(processor, name, None)
        if control is None or old is None:
            continue
        new = change(old)
        if isinstance(control, Choice):
            fits = new in (value for _, value in control.options)
        else:
            fits = control.low <= new <= control.high
        if not fits or new == old:
            continue
        try:
            dataclasses.replace(processor, **{name: new})
        except ValueError:
            continue
        made.append(Scenario(what, question, {name: new}))
    return tuple(made)
