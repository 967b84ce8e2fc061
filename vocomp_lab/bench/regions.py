"""The bench for level prep: proposals to accept, regions to move, split and change, by hand in the picture or by
keyboard.

It is a :class:`vocomp_lab.bench.Bench` whose stage is a :class:`ClipGain`: picture, numbers and player are the same.
What is dragged in the picture comes from ``regions.js`` as a line of JSON in a hidden text field.
"""

from __future__ import annotations

import html
import json
from importlib import resources

import ipywidgets as widgets
import numpy as np
from IPython.display import HTML, display

from vocomp_lab.analysis.measures import decibels
from vocomp_lab.analysis.meters import reduction_stats
from vocomp_lab.analysis.words import propose_regions
from vocomp_lab.bench.bench import Bench
from vocomp_lab.bench.numbers import numbers_html
from vocomp_lab.lessons.controls import Control
from vocomp_lab.pictures.regions import Marks, RegionsPicture, stretch_text
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.clip_gain import MAX_GAIN_DB, MIN_GAIN_DB, ClipGain, GainRegion
from vocomp_lab.sound.checks import check_whole

NEW = ("new", 0)
"""The entry of the list in which a region is typed anew."""
NEW_GAIN_DB = -3.0
LEAST_GAINED_DB = 0.2
FARTHEST_DB = 9.0
"""What the self-check asks for: by how much the spreads must fall at least, and the most that a region may be moved."""
SHORTEST_DRAG_S = 0.03
"""A shorter drag in the picture is taken for a click."""

_BAR = """<div class="vocomp-regions" hidden style="font-family:var(--jp-ui-font-family,sans-serif);font-size:14px;color:var(--jp-ui-font-color1,#111);margin:4px 0">
<label style="display:inline-flex;gap:5px;align-items:center"><input type="checkbox" data-part="loop-chosen">play only around the chosen stretch</label>
<span style="font-size:12px;margin-left:14px">In the picture: drag over an empty place for a new region, in a region to move it, at its edge to move the edge; click to choose.</span>
</div>"""


class RegionBench(Bench):
    """A clip, the gain regions on it, and proposals for more.

    Parameters
    ----------
    clip : Clip
    gains : ClipGain, sequence of GainRegion or Chain, optional
        What to start with; nothing by default. Of a chain, its stage of the name `stage`, if it has one.
    proposals : sequence of GainRegion, optional
        What to offer; by default what :func:`propose_regions` finds in the clip.
    then : processor with a gain reduction, optional
        A compressor that comes after it: the numbers then say how much less it has to do.
    stage : str
        What to call the stage.
    match, view
        As for a :class:`vocomp_lab.bench.Bench`.

    Raises
    ------
    ValueError
        If the clip is no Clip, or gains or proposals are no regions.

    Notes
    -----
    Put it last in a cell to show it. ``bench.gains`` are the regions as set now, ``bench.chain`` the stage for
    ``lesson.keep(bench)``. Every change can be undone. A change that is not allowed is told in one sentence and leaves
    all as it was.
    """

    def __init__(self, clip, gains=None, *, proposals=None, then=None, stage="level prep", match=True, view=None):
        self._offered = None if proposals is None else ClipGain(proposals).regions
        self._then, self._then_before = then, None
        self._past: list[ClipGain] = []
        self._future: list[ClipGain] = []
        self._travelling = False
        self._last_touched = None
        self._chosen = NEW
        self._chosen_next: tuple[float, float] | None = None
        self._list_due = False
        self._box = None
        if isinstance(gains, Chain):
            gains = dict(gains.stages).get(stage)
        gains = gains if isinstance(gains, ClipGain) else ClipGain(() if gains is None else gains)
        super().__init__(clip, gains, stage=stage, match=match, view=view)

    # ---- what a notebook reads and sets -------------------------------------------------------------------------

    @property
    def gains(self) -> ClipGain:
        """The regions as set now."""
        return self.processor

    @property
    def proposals(self) -> tuple[GainRegion, ...]:
        """All that was proposed, taken up or not, in order of time."""
        if self._offered is None:
            self._offered = ClipGain(propose_regions(self.clip)).regions
        return self._offered

    @property
    def open_proposals(self) -> tuple[GainRegion, ...]:
        """The proposals that meet no region that is in force."""
        return tuple(
            p for p in self.proposals if all(p.end_s <= r.start_s or p.start_s >= r.end_s for r in self.gains.regions)
        )

    def accept(self, which="all") -> "RegionBench":
        """Put a proposal into force.

        Parameters
        ----------
        which : int or "all"
            Number of one of ``proposals``, counted from 0; or all of them that are still open.

        Raises
        ------
        ValueError
            If there is no such proposal, or a region is in its place.
        """
        if which == "all":
            return self.set_regions((*self.gains.regions, *self.open_proposals))
        if not self.proposals:
            raise ValueError("which: there are no proposals; nothing stands out of this clip.")
        proposal = self.proposals[check_whole("which", which, 0, len(self.proposals) - 1)]
        self._chosen_next = (proposal.start_s, proposal.end_s)
        return self._put(self.gains.with_region(proposal))

    def set_regions(self, regions) -> "RegionBench":
        """Put other regions into force, all at once; a ValueError if they overlap, and nothing changes then."""
        return self._put(ClipGain(tuple(regions), self.gains.crossfade_ms))

    @property
    def first_processor(self) -> ClipGain:
        """What a demonstration starts from: the crossfade as the bench started with it, and the regions in force."""
        return ClipGain(self.gains.regions, self._first[self._stage].crossfade_ms)

    def put_back(self, stage: str, processor) -> "RegionBench":
        """Bring back the crossfade that was set before a demonstration; the regions in force stay."""
        super().put_back(stage, ClipGain(self.gains.regions, processor.crossfade_ms))
        return self

    @property
    def _telling(self) -> list[widgets.Widget]:
        return [*super()._telling, self._box]

    def undo(self) -> "RegionBench":
        """Take the last change back; does nothing where there is none."""
        return self._travel(self._past, self._future)

    def redo(self) -> "RegionBench":
        """Make a change that was taken back again; does nothing where there is none."""
        return self._travel(self._future, self._past)

    def check(self, *goals) -> None:
        """Print whether level prep has done its work, with the measured numbers; goals that are given are checked,
        too."""
        picture = self._pictures[RegionsPicture]
        before_db, after_db = picture.spread_db
        rows = [("nine words in ten lie closer together", before_db, after_db)]
        if self._then is not None:
            old, new = self.then_stats(self.clip), self.then_stats(self.result.output)
            rows.append(
                (
                    "95 % minus median of the compressor's reduction falls",
                    old.p95_db - old.median_db,
                    new.p95_db - new.median_db,
                )
            )
        for what, old, new in rows:
            print(
                f"{what}: {'met' if new < old - LEAST_GAINED_DB else 'not met yet'} (measured: {decibels(old)} → {decibels(new)} dB)"
            )
        farthest = max((abs(region.gain_db) for region in self.gains.regions), default=0.0)
        verdict = "met" if farthest <= FARTHEST_DB else "not met yet"
        print(
            f"no region changes the level by more than {FARTHEST_DB:g} dB: {verdict} (measured: {decibels(farthest)} dB)"
        )
        super().check(*goals)

    # ---- changing -----------------------------------------------------------------------------------------------

    def _put(self, gains: ClipGain) -> "RegionBench":
        self._take(gains)
        self._finish()
        return self

    def _travel(self, source: list, target: list) -> "RegionBench":
        if source:
            target.append(self.gains)
            self._travelling = True
            try:
                self._put(source.pop())
            finally:
                self._travelling = False
        return self

    def _take(self, processor, touched=None, now=True):
        if processor != self.gains and not self._travelling:
            # All moves of one slider are one change.
            if touched is None or touched != self._last_touched:
                self._past.append(self.gains)
            self._future.clear()
        self._last_touched = touched
        self._chosen_next = self._chosen_next or self._stretch()
        self._list_due = True
        super()._take(processor, touched, now)

    def _try(self, change, chosen=None) -> None:
        """Make a change from the page; what is not allowed is told, and all stays as it was."""
        try:
            gains = change(self.gains)
        except ValueError as error:
            self._tell(error)
            self._show_fields()
            return
        self._chosen_next = chosen
        self._put(gains)

    def _tell(self, error) -> None:
        text = str(error)
        for control in self._fields_of.values():
            text = text.replace(f"{control.field}:", f"{control.label}:", 1)
        self._say_error(text.replace("regions: ", "Regions: ", 1))

    # ---- the list and its fields --------------------------------------------------------------------------------

    def _make_controls(self):
        super()._make_controls()
        if self._box is None:
            self._box = self._part(self._make_editor(), "editor")
            self.widget.children = (*self.widget.children[:3], self._box, *self.widget.children[3:])
            self._fill_list(None)

    def _make_editor(self):
        auto = widgets.Layout(width="auto")
        length = self.clip.duration_s
        self._fields_of = {
            "start_s": Control("start_s", "Start", "s", 0, length, digits=2),
            "end_s": Control("end_s", "End", "s", 0, length, digits=2),
            "gain_db": Control("gain_db", "Gain", "dB", MIN_GAIN_DB, MAX_GAIN_DB),
            "at_s": Control("at_s", "Split at", "s", 0, length, digits=2),
        }
        self._typed = {}
        for name, control in self._fields_of.items():
            typed = widgets.Text(
                description=f"{control.label} ({control.unit})", continuous_update=False, layout=widgets.Layout(width="172px"),
                style={"description_width": "80px"},
            )  # fmt: skip
            typed.observe(lambda change, name=name: self._on_field(name, change["new"]), "value")
            self._typed[name] = typed
        self._list = widgets.Select(description="", rows=6, layout=widgets.Layout(width="390px"))
        self._part(self._list, "list")
        self._list.observe(lambda change: self._on_chosen(change["new"]), "value")
        self._buttons = {}
        for name, what, work in (
            ("Accept", "Put the chosen proposal into force", lambda: self._try(lambda g: g.with_region(self._proposal()), self._stretch())),
            ("Accept all", "Put all proposals into force", lambda: self._try(lambda g: ClipGain((*g.regions, *self.open_proposals), g.crossfade_ms))),
            ("Add", "Make a region of what is typed here", self._add),
            ("Split", "Cut the chosen region in two", lambda: self._try(lambda g: g.split(self._chosen[1], self._read("at_s")))),
            ("Delete", "Take the chosen region out", lambda: self._try(lambda g: g.without(self._chosen[1]))),
            ("Undo", "Take the last change back", self.undo),
            ("Redo", "Make it again", self.redo),
        ):  # fmt: skip
            button = self._part(
                widgets.Button(description=name, tooltip=what, layout=auto), name.lower().replace(" ", "-")
            )
            button.on_click(lambda _, work=work: self._pressed(work))
            self._buttons[name] = button
        hidden = widgets.Layout(display="none")
        self._command = self._part(widgets.Textarea(layout=hidden), "command")
        self._command.observe(lambda change: self._on_command(change["new"]), "value")
        self._regions_state = self._part(widgets.HTML(layout=hidden), "regions")
        label = widgets.HTML("<b>Regions and proposals</b>")
        wrap = widgets.Layout(flex_flow="row wrap")
        return widgets.HBox(
            [
                widgets.VBox([label, self._list]),
                widgets.VBox(
                    [
                        widgets.HBox(
                            [self._typed[name] for name in ("start_s", "end_s", "gain_db", "at_s")], layout=wrap
                        ),
                        widgets.HBox(list(self._buttons.values()), layout=wrap),
                    ],
                    layout=widgets.Layout(flex="1 1 420px"),
                ),
                self._command,
                self._regions_state,
            ],
            layout=widgets.Layout(flex_flow="row wrap", max_width="1120px"),
        )

    def _pressed(self, work) -> None:
        try:
            work()
        except ValueError as error:
            self._tell(error)

    def _entries(self):
        """What the list holds, in order of time: (key, region)."""
        entries = [(("region", n), region) for n, region in enumerate(self.gains.regions)]
        entries += [(("proposal", n), p) for n, p in enumerate(self.proposals) if p in self.open_proposals]
        return sorted(entries, key=lambda entry: entry[1].start_s)

    def _fill_list(self, stretch) -> None:
        """Show the regions and proposals, and choose the one at a stretch, or else the next proposal."""
        if self._box is None:
            return
        entries = self._entries()
        options = [
            (f"{'proposed: ' if key[0] == 'proposal' else ''}{stretch_text(region)}", key) for key, region in entries
        ]
        self._chosen = next(
            (key for key, region in entries if stretch and region.start_s <= sum(stretch) / 2 < region.end_s), None
        )
        if self._chosen is None:
            self._chosen = next((key for key, _ in entries if key[0] == "proposal"), NEW)
        was, self._quiet = self._quiet, True
        try:
            self._list.options = [*options, ("a new region …", NEW)]
            self._list.value = self._chosen
        finally:
            self._quiet = was
        self._show_fields()

    def _region_of(self, key):
        return next((region for entry, region in self._entries() if entry == key), None)

    def _proposal(self) -> GainRegion:
        if self._chosen[0] != "proposal":
            raise ValueError("Accept: choose a proposal in the list first.")
        return self.proposals[self._chosen[1]]

    def _stretch(self) -> tuple[float, float] | None:
        region = self._region_of(self._chosen)
        return None if region is None else (region.start_s, region.end_s)

    def _show_fields(self) -> None:
        """The chosen entry's numbers in the fields, and only the buttons that can do something."""
        region, kind = self._region_of(self._chosen), self._chosen[0]
        if region is None:
            start_s = min(self._window.start_s + 1.0, self.clip.duration_s / 2)
            region = GainRegion(start_s, min(start_s + 0.5, self.clip.duration_s), NEW_GAIN_DB)
        values = {
            "start_s": region.start_s,
            "end_s": region.end_s,
            "gain_db": region.gain_db,
            "at_s": (region.start_s + region.end_s) / 2,
        }
        was, self._quiet = self._quiet, True
        try:
            for name, typed in self._typed.items():
                typed.value = self._fields_of[name].text(round(values[name], 3 if name.endswith("_s") else 1))
                typed.disabled = kind == "proposal" or (name == "at_s" and kind != "region")
        finally:
            self._quiet = was
        self._buttons["Accept"].disabled = kind != "proposal"
        self._buttons["Accept all"].disabled = not self.open_proposals
        self._buttons["Add"].disabled = kind != "new"
        self._buttons["Split"].disabled = self._buttons["Delete"].disabled = kind != "region"
        self._buttons["Undo"].disabled, self._buttons["Redo"].disabled = not self._past, not self._future
        self._send_regions()

    def _read(self, name) -> float:
        return self._fields_of[name].read(self._typed[name].value)

    def _on_chosen(self, key) -> None:
        if self._quiet or key is None:
            return
        self._error.value = ""
        self._chosen = tuple(key)
        self._show_fields()
        self._refresh()

    def _on_field(self, name, text) -> None:
        if self._quiet or self._chosen[0] != "region" or name == "at_s":
            return
        index = self._chosen[1]
        old = self.gains.regions[index]
        try:
            value = self._fields_of[name].read(text)
        except ValueError as error:
            self._tell(error)
            self._show_fields()
            return
        if name == "gain_db":
            self._try(lambda gains: gains.changed(index, value), self._stretch())
        else:
            start_s, end_s = (value, old.end_s) if name == "start_s" else (old.start_s, value)
            self._try(lambda gains: gains.moved(index, start_s, end_s), (start_s, end_s))

    def _add(self) -> None:
        region = GainRegion(self._read("start_s"), self._read("end_s"), self._read("gain_db"))
        self._try(lambda gains: gains.with_region(region), (region.start_s, region.end_s))

    # ---- the picture --------------------------------------------------------------------------------------------

    def _refresh(self):
        if self._list_due:
            self._list_due = False
            chosen, self._chosen_next = self._chosen_next, None
            self._fill_list(chosen)
        # Regions are told in the clip's own time, and to turn a clip up and down is quick: always the whole of it.
        try:
            self._show(self.result.stages[self._watched], self._window)
        except ValueError as error:
            self._say_error(str(error))

    def _show(self, stage, window, part=False):
        picture = self._pictures.get(RegionsPicture)
        if picture is None:
            super()._show(stage, window, part)
            picture = self._pictures[RegionsPicture]
        picture.marks = Marks(self.open_proposals, self._stretch())
        super()._show(stage, window, part)
        if self._then is not None:
            self._line.value = numbers_html(self._measure(stage), self.goals, "") + self._then_html(stage)
        self._send_regions()

    def _then_html(self, stage) -> str:
        before, after = self.then_stats(stage.source), self.then_stats(stage.output)
        pairs = (
            ("95 % minus median", before.p95_db - before.median_db, after.p95_db - after.median_db),
            ("largest", before.max_db, after.max_db),
        )
        cells = [f"<span>{label} <b>{decibels(old)} → {decibels(new)} dB</b></span>" for label, old, new in pairs]
        return f'<div class="vocomp-numbers"><span><i>reduction of the compressor after it:</i></span>{"".join(cells)}</div>'

    def then_stats(self, clip):
        """Statistics of the reduction of the compressor after it, for the clip with or without regions."""
        if clip is self.clip and self._then_before is not None:
            return self._then_before
        stats = reduction_stats(self._then.apply(clip).reduction_db, self._mask(self.clip))
        if clip is self.clip:
            self._then_before = stats
        return stats

    def _send_regions(self) -> None:
        """Tell the page where regions and proposals are, for the mouse."""
        picture = self._pictures.get(RegionsPicture)
        if picture is None or self._box is None:
            return
        state = {
            "regions": [[region.start_s, region.end_s] for region in self.gains.regions],
            "proposals": [[n, p.start_s, p.end_s] for n, p in enumerate(self.proposals) if p in self.open_proposals],
            "chosen": self._stretch(),
            "window": [self._window.start_s, self._window.end_s],
            "time_box": picture.time_box,
        }
        self._regions_state.value = f"<span>{html.escape(json.dumps(state), quote=False)}</span>"

    def _on_command(self, text) -> None:
        """What the mouse did: {"do": "add" | "move" | "choose", …}."""
        try:
            told = json.loads(text)
            what = told["do"]
            if what == "choose":
                key = (str(told["kind"]), int(told["index"]))
                if self._region_of(key) is not None:
                    self._list.value = key
                return
            start_s, end_s = (
                round(float(np.clip(told[edge], 0.0, self.clip.duration_s)), 3) for edge in ("start_s", "end_s")
            )
            index = int(told.get("index", 0))
        except (ValueError, TypeError, KeyError):
            return  # nothing that the page sends
        if end_s - start_s < SHORTEST_DRAG_S:
            return
        if what == "add":
            self._try(lambda gains: gains.with_region(GainRegion(start_s, end_s, NEW_GAIN_DB)), (start_s, end_s))
        elif what == "move":
            self._try(lambda gains: gains.moved(index, start_s, end_s), (start_s, end_s))

    def _ipython_display_(self):
        super()._ipython_display_()
        script = (
            resources.files("vocomp_lab.bench").joinpath("regions.js").read_text("utf-8").replace("__ID__", self._id)
        )
        display(HTML(f'<div class="vocomp-regions-output">{_BAR}<script>{script}</script></div>'))
