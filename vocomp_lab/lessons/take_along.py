"""The finished vocal as files to take along: for a mix, as loud as its peaks allow, and the settings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from vocomp_lab.lessons.export import as_played, export, fresh_folder, write_text
from vocomp_lab.lessons.settings_page import SettingsPage
from vocomp_lab.processors.chain import Chain, ChainResult
from vocomp_lab.sound.text import decibels

FOR_A_MIX_LUFS, LOUDER_LUFS = -23.0, -12.0
"""What is asked for. The first leaves room for the band (common practice, no source)."""
_SAME_DB = 0.1


@dataclass(frozen=True)
class TakenAlong:
    """What :func:`take_along` wrote.

    Attributes
    ----------
    folder : Path
        A new one.
    lines : tuple of str
        What was written, a sentence each; and what was not, and why.
    page : SettingsPage
        The settings, as in the folder's ``settings.html``.
    """

    folder: Path
    lines: tuple[str, ...]
    page: SettingsPage


def take_along(result: ChainResult, name: str, folder="my_vocal") -> TakenAlong:
    """Write a finished vocal and its settings to a new folder: ``vocal.wav``, ``vocal_louder.flac`` and two sheets.

    Parameters
    ----------
    result : ChainResult
        What the chain made of the take.
    name : str
        The take's, for the sheet.
    folder : path-like
        If the name is taken, the next free number is added to it: nothing is ever overwritten.

    Returns
    -------
    TakenAlong
        The louder file is left out where the peaks allow it no more gain than the softer one has.

    Raises
    ------
    OSError
        If it can't be written there.
    """
    finished = result.output
    chain = Chain([(stage, one.processor) for stage, one in result.stages.items()])
    softer, louder = (as_played(finished, lufs).gain_db for lufs in (FOR_A_MIX_LUFS, LOUDER_LUFS))
    folder = fresh_folder(folder)
    lines = [f"{export(finished, folder / 'vocal.wav', FOR_A_MIX_LUFS)}."]
    if louder - softer > _SAME_DB:
        lines.append(f"{export(finished, folder / 'vocal_louder.flac', LOUDER_LUFS)}.")
    else:
        lines.append(
            f"No louder file: its peaks allow it {decibels(louder, sign=True)} dB of gain, which vocal.wav has already."
        )
    write_text(chain.to_json(), folder / "settings.json")
    page = SettingsPage(result, name)
    page.save(folder / "settings.html")
    again = Chain.from_json((folder / "settings.json").read_text("utf-8"))
    lines.append(f"settings.json and settings.html: read back, {'the same' if again == chain else 'another'} chain.")
    return TakenAlong(folder, tuple(lines), page)
