"""The bench for level prep: a bench whose stage is a :class:`ClipGain`, with a list of regions to edit."""

from __future__ import annotations

import math

import numpy as np

from vocomp_lab.analysis.breaths import MOST_DOWN_DB, QuietPlace, find_breaths, find_noise, turned_down
from vocomp_lab.analysis.left_alone import MOST_MOVED_DB, measure_left_alone
from vocomp_lab.analysis.level_prep import propose_regions
from vocomp_lab.analysis.meters import reduction_stats
from vocomp_lab.analysis.sections import Section, edges_of, find_sections, sections_at
from vocomp_lab.bench.by_hand import HandBench, bar_html
from vocomp_lab.bench.region_editor import RegionEditor
from vocomp_lab.pictures.regions import Marks
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import ClipGain, GainRegion
from vocomp_lab.sound.checks import Flag, check_whole
from vocomp_lab.sound.text import decibels

LEAST_GAINED_DB = 0.2
FARTHEST_DB = 9.0
"""The self-check asks that the spreads fall by at least the first, and that no region moves the level by more than the
second."""
_SHORTEST_S = 0.1


class RegionBench(HandBench):
    """A clip, the gain regions on it, and proposals for more.

    Parameters
    ----------
    clip : Clip
    gains : ClipGain, sequence of GainRegion or Chain, optional
        What to start with; by default nothing. From a chain, its stage with the name `stage`, if it has one.
    proposals : sequence of GainRegion, optional
        What to offer; by default what :func:`propose_regions` finds in the clip, section by section.
    sections : sequence of Section, optional
        In which lines are compared with one another; by default those that :func:`find_sections` finds. They can be
        changed on the bench, and the proposals follow.
    proposing : bool
        False for an exercise, which proposes nothing and so doesn't say either that nothing stands out.
    then : processor with a gain reduction, optional
        A compressor that comes after it: the numbers then say how much less it has to do.
    stage : str
        The stage's name.
    match, view, moments
        As for a :class:`vocomp_lab.bench.Bench`.

    Raises
    ------
    ValueError
        If the clip is no Clip, gains or proposals are no regions, or sections no sections.

    Notes
    -----
    Put it last in a cell to show it. ``bench.gains`` are the regions as set now, ``bench.chain`` the stage for
    ``lesson.keep(bench)``. Every change can be undone. A change that is not allowed changes nothing, and the bench says
    why in one sentence.
    """

    _SCRIPT = "regions.js"
    _BAR = bar_html(
        "play only around the chosen region",
        "In the picture: drag over an empty place for a new region, inside a region to move it, at its edge (or a section's) to "
        "move the edge; click to choose.",
    )

    def __init__(
        self,
        clip,
        gains=None,
        *,
        proposals=None,
        sections=None,
        proposing=True,
        then=None,
        stage="level prep",
        match=True,
        view=None,
        moments=True,
    ):
        self.proposing = Flag().check("proposing", proposing)
        self._offered = None if proposals is None and proposing else ClipGain(proposals or ()).regions
        self.sectioned = self._offered is None
        self._given_edges_s = None if sections is None else edges_of(sections)
        self._sections: tuple[Section, ...] | None = None
        self._then, self._then_before = then, None
        if isinstance(gains, Chain):
            gains = dict(gains.stages).get(stage)
        gains = gains if isinstance(gains, ClipGain) else ClipGain(() if gains is None else gains)
        super().__init__(clip, gains, stage=stage, match=match, view=view, moments=moments)

    def _make_editor(self) -> RegionEditor:
        return RegionEditor(self, self._player)

    # ---- what a notebook reads and sets -------------------------------------------------------------------------

    @property
    def gains(self) -> ClipGain:
        """The regions as set now."""
        return self.processor

    @property
    def proposals(self) -> tuple[GainRegion, ...]:
        """All that was proposed, used or not, in order of time."""
        if self._offered is None:
            self._offered = ClipGain(propose_regions(self.clip, sections=self.sections)).regions
        return self._offered

    @property
    def sections(self) -> tuple[Section, ...]:
        """The sections as set now; none where proposals were given or nothing is proposed, so that none are needed."""
        if not self.sectioned:
            return ()
        if self._sections is None:
            given = self._given_edges_s
            self._sections = find_sections(self.clip) if given is None else sections_at(self.clip, given)
        return self._sections

    def set_sections(self, edges_s) -> "RegionBench":
        """Set where one section ends and the next begins, in seconds; the proposals follow, the regions stay.

        Raises
        ------
        ValueError
            If a section would be shorter than half a second, or the bench's proposals were given, so that it has no
            sections; nothing changes then.
        """
        if not self.sectioned:
            raise ValueError("edges_s: this bench finds no proposals of its own, so it has no sections to set.")
        sections = sections_at(self.clip, edges_s)
        if sections != self.sections:
            self._past.append(self._now)
            self._future.clear()
            self._last_touched = None
            self._show_sections(sections)
        return self

    @property
    def open_proposals(self) -> tuple[GainRegion, ...]:
        """The proposals that overlap no region."""
        return tuple(
            p for p in self.proposals if all(p.end_s <= r.start_s or p.start_s >= r.end_s for r in self.gains.regions)
        )

    def accept(self, which="all") -> "RegionBench":
        """Make a region of a proposal.

        Parameters
        ----------
        which : int or "all"
            Number of one of ``proposals``, counted from 0; or all that are still open.

        Raises
        ------
        ValueError
            If there is no such proposal, or a region is in its place.
        """
        if which == "all":
            return self.set_regions((*self.gains.regions, *self.open_proposals))
        if not self.proposals:
            raise ValueError("which: there are no proposals; nothing stands out in this clip.")
        proposal = self.proposals[check_whole("which", which, 0, len(self.proposals) - 1)]
        self._chosen_next = (proposal.start_s, proposal.end_s)
        return self._set(self.gains.with_region(proposal))

    @property
    def quiet_places(self) -> list[QuietPlace]:
        """The breaths, and the pauses with noise in them, in order of time; none for an exercise."""
        if not self.proposing:
            return []
        return sorted((*find_breaths(self.clip), *find_noise(self.clip)), key=lambda place: place.start_s)

    @property
    def open_quiet(self) -> tuple[GainRegion, ...]:
        """What turns them down, as far as no region and no proposal is there."""
        others = (*self.gains.regions, *self.open_proposals)
        cut = (_beside(region, others) for region in turned_down(self.quiet_places))
        return tuple(region for region in cut if region is not None)

    def turn_breaths_down(self) -> "RegionBench":
        """Make a region for each breath and each pause with noise that has none yet; see ``02_level_prep``."""
        return self.set_regions((*self.gains.regions, *self.open_quiet))

    def set_regions(self, regions) -> "RegionBench":
        """Set other regions, all at once; a ValueError if they overlap, and nothing changes then."""
        return self._set(ClipGain(tuple(regions), self.gains.crossfade_ms))

    @property
    def first_processor(self) -> ClipGain:
        """What a demonstration starts from: the bench's first crossfade, and the regions as set now."""
        return ClipGain(self.gains.regions, self._first.chain[self._stage].crossfade_ms)

    def put_back(self, stage: str, processor) -> "RegionBench":
        """Bring back the crossfade from before a demonstration; the regions stay as set now."""
        super().put_back(stage, ClipGain(self.gains.regions, processor.crossfade_ms))
        return self

    def check(self, *goals) -> None:
        """Print whether level prep has done its work, with the measured numbers, and then any goals given."""
        if self.left_out:
            super().check(*goals)
            return
        before_db, after_db = self._screen.picture.spread_db
        rows = [("nine words in ten lie closer together", before_db, after_db)]
        if self._then is not None:
            old, new = self.then_stats(self.clip), self.then_stats(self.result.output)
            spreads = (old.p95_db - old.median_db, new.p95_db - new.median_db)
            rows.append(("95 % minus median of the compressor's reduction falls", *spreads))
        for what, old, new in rows:
            verdict = "met" if new < old - LEAST_GAINED_DB else "not met yet"
            print(f"{what}: {verdict} (measured: {decibels(old)} → {decibels(new)} dB)")
        farthest = max((abs(region.gain_db) for region in self.gains.regions), default=0.0)
        verdict = "met" if farthest <= FARTHEST_DB else "not met yet"
        print(
            f"no region changes the level by more than {FARTHEST_DB:g} dB: {verdict} (measured: {decibels(farthest)} dB)"
        )
        down_db = [
            -float(np.mean(self.gains.gain_db_at(np.linspace(one.start_s, one.end_s, 50))))
            for one in find_breaths(self.clip)
        ]
        if self.proposing and down_db:
            verdict = "met" if max(down_db) <= MOST_DOWN_DB + 0.05 else "not met yet"
            print(
                f"no breath comes down by more than {MOST_DOWN_DB:g} dB: {verdict} "
                f"(measured: {decibels(max(0.0, *down_db))} dB, {len(down_db)} breaths)"
            )
        rest = measure_left_alone(self.clip, self.gains, self.sections or None)
        verdict = "met" if rest.regions <= rest.most_regions else "not met yet"
        print(
            f"no more than {rest.most_regions} regions over {rest.words} words: {verdict} (measured: {rest.regions} regions)"
        )
        if math.isfinite(rest.moved_db):
            verdict = "met" if rest.moved_db <= MOST_MOVED_DB else "not met yet"
            print(
                f"words that don't stand out are moved by {MOST_MOVED_DB:g} dB on average at most: {verdict} "
                f"(measured: {decibels(rest.moved_db)} dB)"
            )
        super().check(*goals)

    def then_stats(self, clip):
        """Statistics of the reduction of the compressor after it, for the clip with or without regions."""
        if clip is self.clip and self._then_before is not None:
            return self._then_before
        stats = reduction_stats(self._then.apply(clip).reduction_db, self._results.active(self.clip))
        if clip is self.clip:
            self._then_before = stats
        return stats

    def change_sections(self, change, chosen: int | None = None) -> None:
        """Change the sections' edges from the page, as :meth:`edit` does the regions.

        Parameters
        ----------
        change : function from a list of seconds to a list of seconds
        chosen : int, optional
            Number of the section to choose afterwards, from 0.
        """
        try:
            edges_s = edges_of(sections_at(self.clip, change(list(edges_of(self.sections)))))
        except ValueError as error:
            self.refuse(error)
            return
        if chosen is not None:
            self._editor.chosen = ("section", min(chosen, len(edges_s)))
        self.set_sections(edges_s)

    def refuse(self, error: ValueError) -> None:
        super().refuse(ValueError(str(error).replace("edges_s: ", "Sections: ", 1)))

    # ---- changing -----------------------------------------------------------------------------------------------

    @property
    def _now(self) -> tuple[ClipGain, tuple[Section, ...]]:
        """Regions and sections as they are."""
        return self.gains, self.sections

    def _go_back_to(self, then) -> None:
        gains, sections = then
        if gains != self.gains:
            self._set(gains)
        if sections != self.sections:
            self._show_sections(sections)

    def _show_sections(self, sections: tuple[Section, ...]) -> None:
        self._sections, self._offered = sections, None
        self._error.value = ""
        self._list_due = True
        self._refresh()
        self._finish()

    # ---- the picture --------------------------------------------------------------------------------------------

    def _show(self, stage, window, part=False):
        self._screen.picture_of(stage).marks = Marks(self.open_proposals, self._editor.chosen_place(), self.sections)
        super()._show(stage, window, part)
        if self._then is not None:
            self._screen.line.value += self._then_html(stage)

    def _then_html(self, stage) -> str:
        before, after = self.then_stats(stage.source), self.then_stats(stage.output)
        pairs = (
            ("95 % minus median", before.p95_db - before.median_db, after.p95_db - after.median_db),
            ("largest", before.max_db, after.max_db),
        )
        cells = [f"<span>{label} <b>{decibels(old)} → {decibels(new)} dB</b></span>" for label, old, new in pairs]
        heading = "<span><i>reduction of the compressor after it:</i></span>"
        return f'<div class="vocomp-numbers">{heading}{"".join(cells)}</div>'


def _beside(region: GainRegion, others) -> GainRegion | None:
    """What is left of a region beside others; None where that is hardly anything, or one of them lies inside."""
    start_s, end_s = region.start_s, region.end_s
    for other in others:
        if other.start_s < end_s and other.end_s > start_s:
            if other.start_s > start_s:
                end_s = other.start_s
            else:
                start_s = other.end_s
    return GainRegion(start_s, end_s, region.gain_db) if end_s - start_s >= _SHORTEST_S else None
