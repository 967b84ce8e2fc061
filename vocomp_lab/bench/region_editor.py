"""The list of gain regions, proposals and sections of a region bench."""

from __future__ import annotations

import numpy as np

from vocomp_lab.analysis.breaths import DOWN_DB
from vocomp_lab.analysis.sections import LEAST_LENGTH_S, Section
from vocomp_lab.bench.hand_editor import NEW, HandEditor
from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.lessons.controls import Control
from vocomp_lab.lessons.word_names import called, words_of
from vocomp_lab.pictures.regions import section_text, stretch_text
from vocomp_lab.processors.clip_gain import MAX_GAIN_DB, MIN_GAIN_DB, ClipGain, GainRegion

NEW_GAIN_DB = -3.0
NOTHING_PROPOSED = (
    "Nothing stands out by its level, so nothing is proposed. That is good news: this take may need no level prep at all. "
    "What you hear counts more than what was measured."
)
SHORTEST_DRAG_S = 0.03
"""A shorter drag in the picture counts as a click."""


class RegionEditor(HandEditor):
    """Shows the regions of a bench, and asks the bench to change them.

    Parameters
    ----------
    bench : RegionBench
        Also has ``gains``, ``proposals``, ``open_proposals``, ``quiet_places``, ``open_quiet``, ``turn_breaths_down()``,
        ``sections`` and ``change_sections(change, chosen)``; ``proposing`` says whether it proposes at all.
    player : PagePlayer

    Notes
    -----
    What is chosen is ("region", n), ("proposal", n), ("section", n) or ``NEW``, and its place a start and an end in seconds.
    """

    field = "regions"
    new_text = "a new region …"
    rows = 5

    def __init__(self, bench, player: PagePlayer):
        length_s = bench.clip.duration_s
        controls = {
            "start_s": Control("start_s", "Start", "s", 0, length_s, digits=2),
            "end_s": Control("end_s", "End", "s", 0, length_s, digits=2),
            "gain_db": Control("gain_db", "Gain", "dB", MIN_GAIN_DB, MAX_GAIN_DB),
            "at_s": Control("at_s", "Split at", "s", 0, length_s, digits=2),
        }
        self._playhead_s = 0.0
        # What was typed for "Split at", and for which entry.
        self._typed_at_s: tuple[tuple[str, int], float] | None = None
        super().__init__(bench, player, controls, "Regions")

    def _work(self) -> dict:
        edit = self._bench.edit
        accept_all = lambda gains: ClipGain((*gains.regions, *self._bench.open_proposals), gains.crossfade_ms)  # noqa: E731
        breaths = {"Breaths down": ("", self._bench.turn_breaths_down)} if self._bench.proposing else {}
        return {
            "Accept": ("Use the chosen proposal", lambda: edit(lambda g: g.with_region(self._proposal()), self.chosen_place())),
            "Accept all": ("Use all proposals", lambda: edit(accept_all)),
            **breaths,
            "Add": ("Make a region from what is typed here", self._add),
            "Split": ("Cut the chosen region or section in two", self._split),
            "Delete": ("Remove the chosen region; join the chosen section with the next", self._delete),
        }  # fmt: skip

    def _entries(self) -> list[tuple[tuple[str, int], GainRegion, str]]:
        bench = self._bench
        entries = [(("region", n), region, self._text(region)) for n, region in enumerate(bench.gains.regions)]
        entries += [
            (("proposal", n), proposal, f"proposed: {self._text(proposal)}")
            for n, proposal in enumerate(bench.proposals)
            if proposal in bench.open_proposals
        ]
        return sorted(entries, key=lambda entry: entry[1].start_s)

    def _text(self, region: GainRegion) -> str:
        """A region in one line, with its words where the voice has some."""
        clip = self._bench.clip
        words = f": {called(clip, region.start_s, region.end_s)}" if words_of(clip) else ""
        return f"{stretch_text(region)}{words}"

    def _after_new(self) -> list[tuple[tuple[str, int], Section, str]]:
        return [(("section", n), one, section_text(n + 1, one)) for n, one in enumerate(self._bench.sections)]

    def fill(self, place) -> None:
        bench = self._bench
        kinds = {"Regions": True, "proposals": bench.proposals, "sections": bench.sections}
        # Where nobody has looked for what stands out, it is not said that nothing does.
        note = NOTHING_PROPOSED if bench.proposing and not bench.proposals else ""
        self.entitle(", ".join(kind for kind, there in kinds.items() if there), note)
        super().fill(place)

    def _on_chosen(self, key) -> None:
        if not self._quiet:
            self._typed_at_s = None
        super()._on_chosen(key)

    def _is_at(self, thing: GainRegion, place) -> bool:
        return thing.start_s <= sum(place) / 2 < thing.end_s

    def chosen_place(self) -> tuple[float, float] | None:
        """Start and end of the chosen entry, in seconds; None for a new one."""
        region = self.thing_of(self.chosen)
        return None if region is None else (region.start_s, region.end_s)

    def _otherwise(self, entries) -> tuple[str, int]:
        return next((key for key, _, _ in entries if key[0] == "proposal"), NEW)

    def _proposal(self) -> GainRegion:
        if self.chosen[0] != "proposal":
            raise ValueError("Accept: choose a proposal in the list first.")
        return self._bench.proposals[self.chosen[1]]

    def _values(self) -> dict[str, float]:
        region, kind = self.thing_of(self.chosen), self.chosen[0]
        if region is None:
            length_s = self._bench.clip.duration_s
            start_s = min(self._bench.window.start_s + 1.0, length_s / 2)
            region = GainRegion(start_s, min(start_s + 0.5, length_s), NEW_GAIN_DB)
        at_s = (region.start_s + region.end_s) / 2
        # Only where both halves would be long enough: near an edge the middle is a better place to begin with.
        if kind == "section" and region.start_s <= self._playhead_s - LEAST_LENGTH_S:
            if self._playhead_s + LEAST_LENGTH_S <= region.end_s:
                at_s = self._playhead_s
        if self._typed_at_s is not None and self._typed_at_s[0] == self.chosen:
            if region.start_s < self._typed_at_s[1] < region.end_s:
                at_s = self._typed_at_s[1]
        gain_db = 0.0 if kind == "section" else region.gain_db
        return {"start_s": region.start_s, "end_s": region.end_s, "gain_db": gain_db, "at_s": at_s}

    def _is_shut(self, name: str) -> bool:
        kind, index = self.chosen
        if kind == "section":
            last = len(self._bench.sections) - 1
            return {"gain_db": True, "start_s": index == 0, "end_s": index == last, "at_s": False}[name]
        return kind == "proposal" or (name == "at_s" and kind != "region")

    def _shut_buttons(self) -> dict[str, bool]:
        kind = self.chosen[0]
        self.buttons["Delete"].description = "Join" if kind == "section" else "Delete"
        breaths = {}
        if self._bench.proposing:
            name, told, is_shut = self._on_breaths()
            self.buttons["Breaths down"].description, self.buttons["Breaths down"].tooltip = name, told
            breaths = {"Breaths down": is_shut}
        return {
            "Accept": kind != "proposal",
            "Accept all": not self._bench.open_proposals,
            **breaths,
            "Add": kind != "new",
            "Split": kind not in ("region", "section"),
            "Delete": kind != "region" and (kind != "section" or len(self._bench.sections) == 1),
        }

    def _on_breaths(self) -> tuple[str, str, bool]:
        """Name of the button for breaths and noise, what it says when pointed at, and whether it can't do anything now."""
        kinds = [place.kind for place in self._bench.quiet_places]
        breaths, pauses = kinds.count("breath"), kinds.count("pause")
        if not kinds:
            return (
                "No breath found",
                "No breath and no noise stands out of the room, so nothing is proposed for them",
                True,
            )
        found = [f"{breaths} breath{'s' * (breaths > 1)}"] * (breaths > 0)
        found += [f"the noise in {pauses} pause{'s' * (pauses > 1)}"] * (pauses > 0)
        name = "Breaths down" if not pauses else "Breaths, noise down" if breaths else "Noise down"
        return name, f"Turn down {' and '.join(found)} by {DOWN_DB:g} dB each", not self._bench.open_quiet

    def _state(self) -> dict:
        bench = self._bench
        return {
            "regions": [[region.start_s, region.end_s] for region in bench.gains.regions],
            "proposals": [[n, p.start_s, p.end_s] for n, p in enumerate(bench.proposals) if p in bench.open_proposals],
            "edges": [section.start_s for section in bench.sections[1:]],
            "splits": self.chosen[0] == "section",
            "chosen": self.chosen_place(),
        }

    # ---- what is typed and dragged ------------------------------------------------------------------------------

    def _changed(self, name: str, value: float) -> None:
        (kind, index), place = self.chosen, self.chosen_place()
        if name == "at_s":
            self._typed_at_s = self.chosen, value
        elif kind == "section":
            self._move_edge(index - (name == "start_s"), value)
        elif name == "gain_db":
            self._bench.edit(lambda gains: gains.changed(index, value), place)
        else:
            start_s, end_s = (value, place[1]) if name == "start_s" else (place[0], value)
            self._bench.edit(lambda gains: gains.moved(index, start_s, end_s), (start_s, end_s))

    def _move_edge(self, index: int, to_s: float) -> None:
        self._bench.change_sections(lambda edges_s: [*edges_s[:index], to_s, *edges_s[index + 1 :]])

    def _split(self) -> None:
        kind, index = self.chosen
        at_s = self._read("at_s")
        self._typed_at_s = None
        if kind == "region":
            self._bench.edit(lambda gains: gains.split(index, at_s), self.chosen_place())
            return
        section = self._bench.sections[index]
        if not section.start_s < at_s < section.end_s:
            raise ValueError(
                f"at_s: {at_s:g} s is not allowed; section {index + 1} goes from {section.start_s:.2f} to "
                f"{section.end_s:.2f} s."
            )
        self._bench.change_sections(lambda edges_s: [*edges_s[:index], at_s, *edges_s[index:]], index + 1)

    def _delete(self) -> None:
        kind, index = self.chosen
        if kind == "region":
            self._bench.edit(lambda gains: gains.without(index))
            return
        # The last section has none after it, so it joins the one before.
        gone = min(index, len(self._bench.sections) - 2)
        self._bench.change_sections(lambda edges_s: [*edges_s[:gone], *edges_s[gone + 1 :]], gone)

    def _add(self) -> None:
        region = GainRegion(self._read("start_s"), self._read("end_s"), self._read("gain_db"))
        self._bench.edit(lambda gains: gains.with_region(region), (region.start_s, region.end_s))

    def _moved(self, index: int, part: str, by_s: float) -> tuple[float, float]:
        """Where a region is after one of its edges, or all of it, was moved; all of it keeps its length."""
        region, last_s = self._bench.gains.regions[index], self._bench.clip.duration_s
        if part == "all":
            by_s = min(max(by_s, -region.start_s), last_s - region.end_s)
        return (
            region.start_s + by_s * (part in ("start", "all")),
            region.end_s + by_s * (part in ("end", "all")),
        )

    def _obey(self, command: dict) -> None:
        """{"do": "add" | "move" | "choose" | "edge", …}; or where the player is: {"do": "playhead"}."""
        what = command["do"]
        if what == "playhead":
            self._playhead_s = round(float(command["at_s"]), 2)
            if self.chosen[0] == "section":
                self.show_fields()  # what was typed stays
            return
        if what == "edge":
            index = int(command["index"])
            edge_s = self._bench.sections[1:][index].start_s + float(command["by_s"])
            self._move_edge(index, round(float(np.clip(edge_s, 0.0, self._bench.clip.duration_s)), 3))
            return
        if what == "choose":
            key = (str(command["kind"]), int(command["index"]))
            if self.thing_of(key) is not None:
                self.list.value = key
            return
        index = int(command.get("index", 0))
        start_s, end_s = (
            self._moved(index, command["part"], command["by_s"])
            if what == "move"
            else (command["start_s"], command["end_s"])
        )
        start_s, end_s = (round(float(np.clip(at_s, 0.0, self._bench.clip.duration_s)), 3) for at_s in (start_s, end_s))
        if end_s - start_s < SHORTEST_DRAG_S:
            return
        if what == "add":
            region = GainRegion(start_s, end_s, NEW_GAIN_DB)
            self._bench.edit(lambda gains: gains.with_region(region), (start_s, end_s))
        elif what == "move":
            self._bench.edit(lambda gains: gains.moved(index, start_s, end_s), (start_s, end_s))
