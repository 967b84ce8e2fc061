"""The list of gain regions, proposals and sections, with fields for the chosen one and buttons: all by keyboard, or by
mouse.

What is dragged in the picture comes from ``regions.js`` as a line of JSON in a hidden text field.
"""

from __future__ import annotations

import html
import json

import ipywidgets as widgets
import numpy as np

from vocomp_lab.analysis.sections import Section
from vocomp_lab.bench.player import PagePlayer
from vocomp_lab.lessons.controls import Control
from vocomp_lab.pictures.panels import Window
from vocomp_lab.pictures.regions import section_text, stretch_text
from vocomp_lab.processors.clip_gain import MAX_GAIN_DB, MIN_GAIN_DB, ClipGain, GainRegion

NEW = ("new", 0)
"""The entry of the list for a region that is typed in."""
NEW_GAIN_DB = -3.0
NOTHING_PROPOSED = (
    "Nothing stands out by its level, so nothing is proposed. That is good news: this take may need no level prep at all. "
    "What you hear counts more than what was measured."
)
SHORTEST_DRAG_S = 0.03
"""A shorter drag in the picture counts as a click."""


class RegionEditor:
    """Shows the regions of a bench, and asks the bench to change them.

    Parameters
    ----------
    bench : RegionBench
        Has ``clip``, ``gains``, ``proposals``, ``open_proposals``, ``sections``, ``window``,
        ``change_gains(change, chosen)``, ``change_sections(change, chosen)``, ``undo()``, ``redo()``, ``refuse(error)``
        and ``choose()``; ``proposing`` says whether it proposes at all.
    player : PagePlayer
        Finds the parts in the page.

    Attributes
    ----------
    widget : ipywidgets.Widget
    chosen : (str, int)
        The chosen entry of the list: ("region", n), ("proposal", n), ("section", n) or ``NEW``.
    """

    def __init__(self, bench, player: PagePlayer):
        self._bench = bench
        self._quiet = False
        self._playhead_s = 0.0
        self.chosen = NEW
        length_s = bench.clip.duration_s
        self.controls = {
            "start_s": Control("start_s", "Start", "s", 0, length_s, digits=2),
            "end_s": Control("end_s", "End", "s", 0, length_s, digits=2),
            "gain_db": Control("gain_db", "Gain", "dB", MIN_GAIN_DB, MAX_GAIN_DB),
            "at_s": Control("at_s", "Split at", "s", 0, length_s, digits=2),
        }
        self.typed = {name: self._field(name, control) for name, control in self.controls.items()}
        self.list = player.part(widgets.Select(description="", rows=5, layout=widgets.Layout(width="390px")), "list")
        self.list.observe(lambda change: self._on_chosen(change["new"]), "value")
        self.buttons = {name: self._button(player, name, *how) for name, how in self._work().items()}
        hidden = widgets.Layout(display="none")
        self.command = player.part(widgets.Textarea(layout=hidden), "command")
        self.command.observe(lambda change: self._on_command(change["new"]), "value")
        self.state = player.part(widgets.HTML(layout=hidden), "regions")
        wrap = widgets.Layout(flex_flow="row wrap")
        fields, buttons = (widgets.HBox(list(row.values()), layout=wrap) for row in (self.typed, self.buttons))
        self._heading, self._note = heading, note = widgets.HTML(), widgets.HTML()
        for aside in (heading, note):
            aside.add_class("vocomp-aside")
        self.widget = widgets.HBox(
            [
                widgets.VBox([heading, self.list]),
                widgets.VBox([fields, buttons, note], layout=widgets.Layout(flex="1 1 420px")),
                self.command,
                self.state,
            ],
            layout=widgets.Layout(flex_flow="row wrap", max_width="1120px"),
        )
        self.widget.add_class("vocomp-editor")
        player.part(self.widget, "editor")

    def _field(self, name: str, control: Control) -> widgets.Text:
        typed = widgets.Text(
            description=f"{control.label} ({control.unit})", continuous_update=False,
            layout=widgets.Layout(width="172px"), style={"description_width": "80px"},
        )  # fmt: skip
        typed.observe(lambda change: self._on_field(name, change["new"]), "value")
        return typed

    def _work(self) -> dict:
        """What each button says when pointed at, and does."""
        change = self._bench.change_gains
        accept_all = lambda gains: ClipGain((*gains.regions, *self._bench.open_proposals), gains.crossfade_ms)  # noqa: E731
        return {
            "Accept": ("Use the chosen proposal", lambda: change(lambda g: g.with_region(self._proposal()), self.stretch())),
            "Accept all": ("Use all proposals", lambda: change(accept_all)),
            "Add": ("Make a region from what is typed here", self._add),
            "Split": ("Cut the chosen region or section in two", self._split),
            "Delete": ("Remove the chosen region; join the chosen section with the next", self._delete),
            "Undo": ("Take back the last change", self._bench.undo),
            "Redo": ("Make the change again that was taken back", self._bench.redo),
        }  # fmt: skip

    def _button(self, player: PagePlayer, name: str, tooltip: str, work) -> widgets.Button:
        button = widgets.Button(description=name, tooltip=tooltip, layout=widgets.Layout(width="auto"))
        button.on_click(lambda _: self._pressed(work))
        return player.part(button, name.lower().replace(" ", "-"))

    def _pressed(self, work) -> None:
        try:
            work()
        except ValueError as error:
            self._bench.refuse(error)

    # ---- what is listed, and what is chosen ---------------------------------------------------------------------

    def _entries(self) -> list[tuple[tuple[str, int], GainRegion]]:
        """What the list holds, in order of time: (key, region)."""
        bench = self._bench
        entries = [(("region", n), region) for n, region in enumerate(bench.gains.regions)]
        entries += [(("proposal", n), p) for n, p in enumerate(bench.proposals) if p in bench.open_proposals]
        return sorted(entries, key=lambda entry: entry[1].start_s)

    def fill(self, stretch: tuple[float, float] | None) -> None:
        """List regions, proposals and sections. Choose the region or proposal at a stretch, or else the next proposal; a
        chosen section stays chosen."""
        bench = self._bench
        # Where nobody has looked for what stands out, it is not said that nothing does.
        nothing = bench.proposing and not bench.proposals
        kinds = {"Regions": True, "proposals": bench.proposals, "sections": bench.sections}
        self._heading.value = f"<b>{', '.join(kind for kind, there in kinds.items() if there)}</b>"
        self._note.value = f'<div class="vocomp-step">{NOTHING_PROPOSED}</div>' if nothing else ""
        entries, sections = self._entries(), self._bench.sections
        options = [
            (f"{'proposed: ' if key[0] == 'proposal' else ''}{stretch_text(region)}", key) for key, region in entries
        ]
        named = [(section_text(n + 1, section), ("section", n)) for n, section in enumerate(sections)]
        at_stretch = (key for key, region in entries if stretch and region.start_s <= sum(stretch) / 2 < region.end_s)
        if self.chosen[0] != "section" or self.chosen[1] >= len(sections):
            proposed = next((key for key, _ in entries if key[0] == "proposal"), NEW)
            self.chosen = next(at_stretch, proposed)
        was, self._quiet = self._quiet, True
        try:
            self.list.options = [*options, ("a new region …", NEW), *named]
            self.list.value = self.chosen
        finally:
            self._quiet = was
        self.show_fields()

    def region_of(self, key) -> GainRegion | Section | None:
        """The region, proposal or section of an entry; None for a new one."""
        if key[0] == "section":
            return self._bench.sections[key[1]]
        return next((region for entry, region in self._entries() if entry == key), None)

    def stretch(self) -> tuple[float, float] | None:
        """Start and end of the chosen entry, in seconds; None for a new one."""
        region = self.region_of(self.chosen)
        return None if region is None else (region.start_s, region.end_s)

    def _proposal(self) -> GainRegion:
        if self.chosen[0] != "proposal":
            raise ValueError("Accept: choose a proposal in the list first.")
        return self._bench.proposals[self.chosen[1]]

    def show_fields(self) -> None:
        """Put the chosen entry's numbers into the fields, and turn off the buttons that can't do anything."""
        region, kind = self.region_of(self.chosen), self.chosen[0]
        if region is None:
            length_s = self._bench.clip.duration_s
            start_s = min(self._bench.window.start_s + 1.0, length_s / 2)
            region = GainRegion(start_s, min(start_s + 0.5, length_s), NEW_GAIN_DB)
        values = {
            "start_s": region.start_s,
            "end_s": region.end_s,
            "gain_db": 0.0 if kind == "section" else region.gain_db,
            "at_s": (region.start_s + region.end_s) / 2,
        }
        if kind == "section" and region.start_s < self._playhead_s < region.end_s:
            values["at_s"] = self._playhead_s
        last = len(self._bench.sections) - 1
        fixed = {"gain_db": True, "start_s": self.chosen[1] == 0, "end_s": self.chosen[1] == last, "at_s": False}
        was, self._quiet = self._quiet, True
        try:
            for name, typed in self.typed.items():
                typed.value = self.controls[name].text(round(values[name], 3 if name.endswith("_s") else 1))
                typed.disabled = (
                    fixed[name] if kind == "section" else kind == "proposal" or (name == "at_s" and kind != "region")
                )
        finally:
            self._quiet = was
        self.buttons["Accept"].disabled = kind != "proposal"
        self.buttons["Accept all"].disabled = not self._bench.open_proposals
        self.buttons["Add"].disabled = kind != "new"
        self.buttons["Split"].disabled = kind not in ("region", "section")
        self.buttons["Delete"].disabled = kind != "region" and (kind != "section" or last == 0)
        self.buttons["Delete"].description = "Join" if kind == "section" else "Delete"
        self.buttons["Undo"].disabled = not self._bench.can_undo
        self.buttons["Redo"].disabled = not self._bench.can_redo

    def send(self, window: Window, time_box) -> None:
        """Tell the page where regions and proposals are, for the mouse."""
        bench = self._bench
        state = {
            "regions": [[region.start_s, region.end_s] for region in bench.gains.regions],
            "proposals": [[n, p.start_s, p.end_s] for n, p in enumerate(bench.proposals) if p in bench.open_proposals],
            "edges": [section.start_s for section in bench.sections[1:]],
            "splits": self.chosen[0] == "section",
            "chosen": self.stretch(),
            "window": [window.start_s, window.end_s],
            "time_box": time_box,
        }
        self.state.value = f"<span>{html.escape(json.dumps(state), quote=False)}</span>"

    # ---- what is typed, chosen and dragged ----------------------------------------------------------------------

    def _read(self, name) -> float:
        return self.controls[name].read(self.typed[name].value)

    def _on_chosen(self, key) -> None:
        if self._quiet or key is None:
            return
        self.chosen = tuple(key)
        self.show_fields()
        self._bench.choose()

    def _on_field(self, name, text) -> None:
        kind, index = self.chosen
        if self._quiet or kind not in ("region", "section") or name == "at_s":
            return
        try:
            value = self.controls[name].read(text)
        except ValueError as error:
            self._bench.refuse(error)
            return
        if kind == "section":
            self._move_edge(index - (name == "start_s"), value)
            return
        old = self._bench.gains.regions[index]
        if name == "gain_db":
            self._bench.change_gains(lambda gains: gains.changed(index, value), self.stretch())
        else:
            start_s, end_s = (value, old.end_s) if name == "start_s" else (old.start_s, value)
            self._bench.change_gains(lambda gains: gains.moved(index, start_s, end_s), (start_s, end_s))

    def _move_edge(self, index: int, to_s: float) -> None:
        self._bench.change_sections(lambda edges_s: [*edges_s[:index], to_s, *edges_s[index + 1 :]])

    def _split(self) -> None:
        kind, index = self.chosen
        at_s = self._read("at_s")
        if kind == "region":
            self._bench.change_gains(lambda gains: gains.split(index, at_s), self.stretch())
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
            self._bench.change_gains(lambda gains: gains.without(index))
            return
        # The last section has none after it, so it joins the one before.
        gone = min(index, len(self._bench.sections) - 2)
        self._bench.change_sections(lambda edges_s: [*edges_s[:gone], *edges_s[gone + 1 :]], gone)

    def _add(self) -> None:
        region = GainRegion(self._read("start_s"), self._read("end_s"), self._read("gain_db"))
        self._bench.change_gains(lambda gains: gains.with_region(region), (region.start_s, region.end_s))

    def _moved(self, index, part, by_s) -> tuple[float, float]:
        """Where a region is after one of its edges, or all of it, was moved; all of it keeps its length."""
        region, last_s = self._bench.gains.regions[index], self._bench.clip.duration_s
        if part == "all":
            by_s = min(max(by_s, -region.start_s), last_s - region.end_s)
        return (
            region.start_s + by_s * (part in ("start", "all")),
            region.end_s + by_s * (part in ("end", "all")),
        )

    def _on_command(self, text) -> None:
        """What the mouse did: {"do": "add" | "move" | "choose" | "edge", …}; or where the player is: {"do": "playhead"}."""
        try:
            command = json.loads(text)
            what = command["do"]
            if what == "playhead":
                self._playhead_s = round(float(command["at_s"]), 2)
                if self.chosen[0] == "section":
                    self.show_fields()
                return
            if what == "edge":
                index = int(command["index"])
                edge_s = self._bench.sections[1:][index].start_s + float(command["by_s"])
                self._move_edge(index, round(float(np.clip(edge_s, 0.0, self._bench.clip.duration_s)), 3))
                return
            if what == "choose":
                key = (str(command["kind"]), int(command["index"]))
                if self.region_of(key) is not None:
                    self.list.value = key
                return
            index = int(command.get("index", 0))
            start_s, end_s = (
                self._moved(index, command["part"], command["by_s"])
                if what == "move"
                else (command["start_s"], command["end_s"])
            )
            start_s, end_s = (
                round(float(np.clip(at_s, 0.0, self._bench.clip.duration_s)), 3) for at_s in (start_s, end_s)
            )
        except (ValueError, TypeError, KeyError, IndexError):
            return  # the page sends no such thing
        if end_s - start_s < SHORTEST_DRAG_S:
            return
        if what == "add":
            region = GainRegion(start_s, end_s, NEW_GAIN_DB)
            self._bench.change_gains(lambda gains: gains.with_region(region), (start_s, end_s))
        elif what == "move":
            self._bench.change_gains(lambda gains: gains.moved(index, start_s, end_s), (start_s, end_s))
