"""Pages that everybody can use: measured in a real browser with axe-core and the keyboard, in both themes.

Rules: Web Content Accessibility Guidelines (WCAG) 2.1, levels A and AA. Only what the package itself puts into a page is
checked, that is the outputs of the cells; JupyterLab's own menus and editors are out of scope.
"""

from __future__ import annotations

import json
import time

import pytest
from labdriver import chromium, open_notebook, run_all, set_theme, wait_for, write_notebook
from npmtools import npm_package

from vocomp_lab.exercises.class_list import ClassList, Listed
from vocomp_lab.exercises.class_reports import class_details
from vocomp_lab.exercises.class_rules import ClassRules
from vocomp_lab.exercises.exam import exam_pages
from vocomp_lab.exercises.marking import mark_sheet
from vocomp_lab.exercises.reports import class_numbers, class_page, key_sheet, page_text, paper
from vocomp_lab.exercises.sheets import Sheet
from vocomp_lab.exercises.similarity import similarity_body
from vocomp_lab.lessons.settings_page import SettingsPage
from vocomp_lab.pictures.marks import class_in_words, save_class_picture
from vocomp_lab.processors.chain import Chain
from vocomp_lab.processors.compressor import Compressor
from vocomp_lab.processors.filters import HighPass
from vocomp_lab.singer.song import shipped

pytestmark = pytest.mark.ci
LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
OURS = ".jp-OutputArea-output"

# One of each kind that lessons and homework show.
CELLS = (
    """from vocomp_lab import Chain, Compressor, Goal, HighPass, shipped
from vocomp_lab.bench.bench import Bench
clip = shipped("lesson_verse_faulty").clip.cut(6, 12)
goals = [Goal("max_db", low=1), Goal("share_percent", high=1)]
Bench(clip, Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-26, 3, 1, 80))]), goals=goals)""",
    """from vocomp_lab.bench import RegionBench
RegionBench(clip, then=Compressor(-26, 3, 1, 80))""",
    """from vocomp_lab import RidePoint
from vocomp_lab.bench import RideBench
RideBench(clip, ride=[RidePoint(1, 0), RidePoint(1.5, 2)])""",
    """from vocomp_lab.bench import BlindBench
after = Compressor(-26, 3, 1, 80).apply(clip).output
BlindBench(clip, after, 5, seed=1)""",
    """from vocomp_lab.bench import MixBench
MixBench(clip, after, clip.with_samples(clip.samples[::-1].copy()))""",
    """from vocomp_lab.bench import GalleryBench
from vocomp_lab.lessons.gallery import FaultGallery
GalleryBench(FaultGallery(clip))""",
    """from vocomp_lab.bench import OwnVocal
from vocomp_lab.lessons.course import begin
OwnVocal(begin("09_your_own_vocal", clip))""",
    """from vocomp_lab.lessons.settings_page import SettingsPage
SettingsPage(Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-26, 3, 1, 80))]).apply(clip))""",
    """from vocomp_lab.exercises import Homework
home = Homework("04", "guest")
display(home, home.ask(1), home.give(1, 3), home.give(1, "eight"), home.hint(1), home.tally())""",
    """from matplotlib import pyplot as plt
from vocomp_lab.pictures.control import plot_static_curves
from vocomp_lab.pictures.shown import show
fig, ax = plt.subplots()
plot_static_curves(ax, {"3:1": Compressor(-18, 3, 1, 80), "6:1": Compressor(-18, 6, 1, 80)})
ax.set_title("Above the threshold the line is flatter by the ratio")
show(fig)""",
    "Bench(clip, Compressor(-26, 3, 1, 80))",
)

# Scripts run in the page; each is called with what `evaluate` passes on.
_AXE = """async ([places, levels]) => {
  const nodes = places.flatMap(place => Array.from(document.querySelectorAll(place)));
  const found = await axe.run(nodes, {runOnly: {type: 'tag', values: levels}});
  const told = (rule) => rule.nodes.map(node => ({
    rule: rule.id, impact: node.impact || rule.impact, html: node.html.slice(0, 160),
    tag: document.querySelector(node.target.at(-1))?.tagName,
    why: node.any.concat(node.all, node.none).map(check => check.message).join('; ').slice(0, 300)}));
  return {violations: found.violations.flatMap(told), incomplete: found.incomplete.flatMap(told),
    counted: Object.fromEntries(found.passes.map(rule => [rule.id, rule.nodes.length]))};
}"""

_HELPERS = """
window.a11y = {
  luminance: (colour) => {
    const linear = (x) => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4;
    const parts = colour.match(/[\\d.]+/g).slice(0, 3).map(x => linear(x / 255));
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2];
  },
  contrast: (one, other) => {
    const [low, high] = [a11y.luminance(one), a11y.luminance(other)].sort((a, b) => a - b);
    return (high + 0.05) / (low + 0.05);
  },
  behind: (element) => {  // the colour of the nearest element that has one
    for (let e = element; e; e = e.parentElement) {
      const colour = getComputedStyle(e).backgroundColor;
      const alpha = colour.startsWith('rgba') ? Number(colour.match(/[\\d.]+/g)[3]) : 1;
      if (alpha > 0.9) return colour;
    }
    return 'rgb(255, 255, 255)';
  },
  name: (element) => (element.getAttribute('aria-label') || (element.labels?.length && element.labels[0].textContent)
    || element.textContent || '').trim().slice(0, 60),
  look: (element) => {
    const s = getComputedStyle(element);
    return [s.outlineStyle, s.outlineWidth, s.outlineColor, s.boxShadow].join(' ');
  },
  inSight: (element) => element.getClientRects().length > 0 && getComputedStyle(element).visibility === 'visible',
  ours: (place, what) =>
    Array.from(document.querySelectorAll(place)).flatMap(e => Array.from(e.querySelectorAll(what))),
  controls: (place) =>
    a11y.ours(place, 'button, input, select, textarea, summary, [role=slider], [contenteditable=true]')
    .filter(e => !e.disabled && a11y.inSight(e) && !(e.type === 'radio' && !e.checked)
      && !(e.closest('.vocomp-ride-points') && e.tabIndex < 0)),  // of a ride's points one is reached, the others from it
};"""


TALLY = ".vocomp-bench button:text-is('Tally of guesses')"


@pytest.fixture(scope="module")
def page(lab):
    """A notebook with one of each kind, run, everything in it unfolded; the page is high enough to show all of it."""
    write_notebook(lab.folder / "kinds.ipynb", *CELLS)
    axe = (npm_package("axe-core") / "axe.min.js").read_text("utf-8")
    with chromium(1280, 9500) as page:
        open_notebook(page, lab.address, lab.token, "kinds.ipynb")
        run_all(page)
        page.wait_for_function("document.querySelectorAll('.vocomp-player:not([hidden])').length === 7")
        page.add_script_tag(content=axe)
        page.evaluate(_HELPERS)
        # JupyterLab's page has a body without height, which axe takes for one that hides all text in it.
        page.evaluate("document.body.style.height = '100vh'")
        for button in page.locator(".vocomp-bench button:text-is('More controls')").all():
            button.click()
        # Presented, a bench for regions shows less of itself. A tally puts the controls of its bench away.
        presents = page.locator(".vocomp-bench button:text-is('Present')")
        press(page, presents.first), press(page, presents.last)
        page.locator(TALLY).last.click()
        for fold in page.locator(f"{OURS} summary").all():
            fold.click()
        mistype(page)
        page.wait_for_function(f"document.querySelectorAll('{OURS}').length >= 20")
        settle(page)
        yield page
    lab.close_kernels()


def press(page, button):
    """Press a button that stays down; again if a picture that arrived has moved it away under the mouse."""
    for _ in range(5):
        button.click()
        deadline = time.monotonic() + 3
        while time.monotonic() < deadline:
            if button.get_attribute("aria-pressed") == "true":
                return
            page.wait_for_timeout(100)
    raise AssertionError(f"{button.inner_text()} doesn't stay down")


def mistype(page):
    """Type an impossible ratio and wait for the sentence that says so."""
    ratio = page.locator("[class*='-typed-ratio'] input").first
    ratio.fill("0.5")
    ratio.press("Enter")
    page.wait_for_selector(".vocomp-bench .vocomp-error[role=alert]")


def themed(page, theme):
    """Switch to a theme of JupyterLab and wait until it is there."""
    if page.evaluate("document.body.dataset.jpThemeLight") != str(theme == "light").lower():
        set_theme(page, theme == "dark")
        # The theme's colours come with a stylesheet, and widgets fade into theirs.
        there = "> 0.5" if theme == "light" else "< 0.1"
        shade = "a11y.luminance(a11y.behind(document.querySelector('.vocomp-player')))"
        page.wait_for_function(f"{shade} {there}")
        page.wait_for_function("document.querySelectorAll('.lm-Menu').length === 0")
        settle(page)
    return page


def settle(page):
    """Wait until places and colours of everything shown stay as they are."""
    look = f"""() => {{
      document.querySelectorAll('.jp-WindowedPanel-outer').forEach(e => {{ e.scrollTop = 0; }});
      return JSON.stringify(a11y.ours('{OURS}', 'button, label, span, td, img, select').filter(a11y.inSight).map(e => {{
        const box = e.getBoundingClientRect(), style = getComputedStyle(e);
        return [Math.round(box.x), Math.round(box.y), style.color, style.backgroundColor];
      }}));
    }}"""
    seen = []

    def at_rest():
        page.wait_for_timeout(150)
        seen.append(page.evaluate(look))
        return len(seen) >= 4 and len(set(seen[-4:])) == 1

    wait_for(page, at_rest, "the page to come to rest")


def axe_on(page, *places):
    return page.evaluate(_AXE, [list(places), LEVELS])


def grave(found):
    return [node for node in found["violations"] if node["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_serious_in_what_the_package_shows(page, theme):
    found = axe_on(themed(page, theme), OURS)
    assert not grave(found), json.dumps(grave(found), indent=1)
    # It looked at all of it, and could not decide only about the colour of menus, which is measured below.
    counted = found["counted"]
    least = {"color-contrast": 300, "image-alt": 4, "aria-input-field-name": 15, "label": 60, "select-name": 6}
    least["button-name"] = 30
    assert {rule: counted.get(rule, 0) >= count for rule, count in least.items()} == dict.fromkeys(least, True), counted
    undecided = [node for node in found["incomplete"] if node["rule"] != "color-contrast" or node["tag"] != "SELECT"]
    assert not undecided, json.dumps(undecided, indent=1)


def test_axe_would_find_what_is_wrong(page):
    """The test above can fail: faults put into a bench are found."""
    page.evaluate("""() => document.querySelector('.vocomp-bench').insertAdjacentHTML('beforeend', `<div id="wrong">
        <p style="color:#999;background:#fff">grey on white</p><input><select></select>
        <img width=9 height=9 src="data:image/gif;base64,R0lGODlhAQABAAAAACw="></div>`)""")
    try:
        rules = {node["rule"] for node in grave(axe_on(page, OURS))}
    finally:
        page.evaluate("document.getElementById('wrong').remove()")
    assert rules == {"color-contrast", "image-alt", "label", "select-name"}


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_menus_are_readable_and_controls_stand_out(page, theme):
    """4.5:1 for text in menus (criterion 1.4.3), 3:1 for edges of fields and for handles (1.4.11)."""
    seen = themed(page, theme).evaluate("""(place) => {
      const ours = (what) => a11y.ours(place, what).filter(e => a11y.inSight(e) && !e.disabled);
      const against = (e, colour, around) => a11y.contrast(getComputedStyle(e)[colour], a11y.behind(around));
      const onBench = (e) => against(e, 'backgroundColor', e.closest('.vocomp-bench'));
      return {
        menus: ours('select').map(e => against(e, 'color', e)),
        edges: ours('select, input[type=text], input[type=number]')
          .map(e => against(e, 'borderTopColor', e.parentElement)),
        handles: ours('.noUi-handle').map(onBench),
        tracks: ours('.noUi-target').map(onBench),
      };
    }""", OURS)  # fmt: skip
    assert len(seen["menus"]) >= 6 and len(seen["edges"]) >= 20 and len(seen["handles"]) >= 14, seen
    for part, least in (("menus", 4.5), ("edges", 3), ("handles", 3), ("tracks", 3)):
        assert min(seen[part]) >= least, (part, seen[part])


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_tab_key_reaches_every_control_in_order_and_shows_where_it_is(page, theme):
    """Criteria 2.1.1, 2.1.2, 2.4.3, 2.4.7: all are reached, none traps the focus, each shows it by a ring of 3:1."""
    expected = themed(page, theme).evaluate("""(place) => {
      document.activeElement.blur();
      const all = a11y.controls(place);
      all.forEach((e, n) => { e.dataset.a11y = n; e.a11yLook = a11y.look(e); });
      all[0].focus();
      return all.map(a11y.name);
    }""", OURS)  # fmt: skip
    assert len(expected) > 80 and all(expected), expected
    reached = []
    for _ in range(len(expected) + 1):
        at = page.evaluate("""() => { const e = document.activeElement, s = getComputedStyle(e); return {
          place: e.closest('.jp-OutputArea-output') ? Number(e.dataset.a11y ?? -1) : null,
          what: e.outerHTML.slice(0, 90),
          changed: a11y.look(e) !== e.a11yLook, ring: s.outlineStyle === 'solid' && parseFloat(s.outlineWidth) >= 2,
          contrast: a11y.contrast(s.outlineColor, a11y.behind(e.closest('.widget-slider') || e.parentElement)),
        }; }""")  # fmt: skip
        if at["place"] is None:
            break
        reached.append(at)
        page.keyboard.press("Tab")
    places = [at["place"] for at in reached]
    assert places == list(range(len(expected))), [at["what"] for at in reached if at["place"] < 0]
    poor = [at for at in reached if not (at["changed"] and at["ring"] and at["contrast"] >= 3)]
    assert not poor, json.dumps(poor, indent=1)


def test_sliders_say_their_value_with_its_unit_at_every_step(page):
    handle = page.locator("[class*='-slider-threshold_db'] .noUi-handle").first
    handle.evaluate("""handle => {
      window.said = [];
      new MutationObserver(() => window.said.push(handle.getAttribute('aria-valuetext')))
        .observe(handle, {attributes: true, attributeFilter: ['aria-valuetext']});
    }""")
    typed = page.locator("[class*='-typed-threshold_db'] input").first.input_value()
    assert handle.get_attribute("aria-valuetext") == f"{typed} dBFS"
    handle.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.wait_for_function("window.said.length >= 2")
    page.wait_for_timeout(600)
    said = page.evaluate("window.said")
    assert all(text.endswith(" dBFS") and float(text.split()[0].replace("−", "-")) < 0 for text in said), said
    others = {
        name: page.locator(f"[class*='-slider-{name}'] .noUi-handle").first.get_attribute("aria-valuetext")
        for name in ("ratio", "attack_ms", "sidechain_highpass_hz", "balance")
    }
    assert others == {"ratio": "3 to 1", "attack_ms": "1 ms", "sidechain_highpass_hz": "off", "balance": "±0.0 LU"}
    handles = page.locator(".jupyter-widgets[class*='-view'] .noUi-handle").all()[:2]
    view = [node.get_attribute("aria-valuetext") for node in handles]
    assert view == ["0.0 s", "6.0 s"]
    assert page.locator("[data-part=volume]").first.get_attribute("aria-valuetext") == "−24 dB"
    assert page.locator("[data-part=seek]").first.get_attribute("aria-valuetext") == "0.0 of 6.0 seconds"


def test_switches_say_whether_they_are_on(page):
    switch = page.locator(TALLY).last
    assert switch.get_attribute("aria-pressed") == "true"
    switch.click()
    off = "node => node.getAttribute('aria-pressed') === 'false'"
    page.wait_for_function(off, arg=switch.element_handle())
    sign, present = "node => getComputedStyle(node, '::before').content", ".vocomp-bench button:text-is('Present')"
    assert "✓" not in switch.evaluate(sign) and "✓" in page.locator(present).first.evaluate(sign)
    switch.click()


def test_errors_are_read_out_and_numbers_are_not(page):
    """A screen reader speaks changes in a live region: errors, yes; numbers at each slider step, no."""
    live = "[role=alert], [role=status], [aria-live]"
    mistype(page)
    assert page.locator(".vocomp-bench .vocomp-error").first.evaluate(f"node => node.closest('{live}') !== null")
    told = f"nodes => nodes.filter(node => node.closest('{live}')).map(node => node.textContent)"
    spoken = page.eval_on_selector_all(".vocomp-bench .vocomp-numbers", told)
    assert len(spoken) == 1 and spoken[0].startswith("Trial 1 of 5"), "only the blind test, at each new trial"


def test_every_picture_says_its_numbers(page):
    alts = page.eval_on_selector_all(f"{OURS} img", "nodes => nodes.filter(a11y.inSight).map(node => node.alt)")
    assert len(alts) == 6
    for alt in alts:
        assert len(alt) > 60 and sum(character.isdigit() for character in alt) >= 6, alt


def test_no_error_in_the_console(page):
    assert not page.errors, page.errors


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    """The pages that are files: a learner's feedback, the class, equal answers, an exam, the settings sheet for printing."""
    folder = tmp_path_factory.mktemp("papers")
    right = key_sheet("04", "ann")
    some = Sheet("04", "bo", dict(list(right.answers.items())[:3]))
    marked = [{"file": "", **mark_sheet(sheet.to_json().encode())} for sheet in (right, some)]
    rules = ClassRules(
        listed=ClassList((Listed("ann", "Ann", "a"), Listed("bo", "Bo", "b"))), files=(folder / "class.csv",)
    )
    details = class_details(marked, rules, folder / "marks.csv")
    exam, key = exam_pages(["04"], rules.listed.learners, "word")
    numbers = class_numbers(marked)
    save_class_picture(*numbers, folder / "class.png")
    pictures = [("04", (folder / "class.png").read_bytes(), class_in_words(*numbers))]
    clip = shipped("lesson_verse_faulty").clip.cut(6, 12)
    chain = Chain([("low cut", HighPass(90, 3)), ("peaks", Compressor(-26, 3, 1, 80))])
    pages = {
        "feedback": page_text("ann", marked),
        "class": class_page(*numbers, pictures, more=details),
        "similar": paper("Equal answers", similarity_body(marked)),
        "exam": exam,
        "key": key,
        "settings": SettingsPage(chain.apply(clip), "Verse").html,
    }
    for name, text in pages.items():
        (folder / f"{name}.html").write_text(text, "utf-8")
    return folder


def test_axe_finds_nothing_serious_in_the_pages_that_are_files(page, papers):
    axe = (npm_package("axe-core") / "axe.min.js").read_text("utf-8")
    with page.context.browser.new_page() as page:
        for name in ("feedback", "class", "similar", "exam", "key", "settings"):
            for scheme in ("light", "dark"):
                page.emulate_media(color_scheme=scheme)
                page.goto((papers / f"{name}.html").as_uri())
                page.eval_on_selector_all("details", "nodes => nodes.forEach(node => { node.open = true; })")
                page.add_script_tag(content=axe)
                found = axe_on(page, "html")
                assert not found["violations"], (name, scheme, json.dumps(found["violations"], indent=1))
                assert not found["incomplete"], (name, scheme, json.dumps(found["incomplete"], indent=1))
                assert found["counted"]["color-contrast"] > 10 and found["counted"]["document-title"] == 1


_TORN = """nodes => nodes.filter(node => {
    const line = parseFloat(getComputedStyle(node).lineHeight);
    return node.clientHeight > line * (node.textContent.split('\\n').length + 0.5);
}).length"""


def test_lines_stay_whole_and_pictures_fit_a_projector(page, papers):
    """Plain tables and code scroll inside their block; the page itself never does. A class's picture fits with its heading."""
    with page.context.browser.new_page() as page:
        for wide, high in ((1280, 720), (390, 800)):
            page.set_viewport_size({"width": wide, "height": high})
            for name in ("feedback", "class"):
                page.goto((papers / f"{name}.html").as_uri())
                page.eval_on_selector_all("details", "nodes => nodes.forEach(node => { node.open = true; })")
                assert page.evaluate("document.documentElement.scrollWidth") <= wide, (name, wide)
                assert page.eval_on_selector_all("pre", _TORN) == 0, (name, wide)
                if (name, wide) == ("class", 1280):
                    sizes = page.eval_on_selector_all("img", "nodes => nodes.map(node => [node.width, node.height])")
                    assert len(sizes) == 2 and all(width > 1100 and height <= 620 for width, height in sizes), sizes
        assert page.eval_on_selector_all("img", "nodes => nodes.length") == 2
