"""The project as a whole: requirements, layout, which module may import what, notebooks without leftovers, links that
work.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter

import nbformat
import pytest
from conftest import PROJECT, need_program

RUN_TIME = {"jupyterlab", "numpy", "scipy", "matplotlib", "ipywidgets", "soundfile"}
# What comes along with those: Pillow with matplotlib, IPython with ipywidgets, nbformat with JupyterLab.
COMES_ALONG = {"PIL", "IPython", "nbformat"}
TOP_LEVEL = {
    ".ci", ".gitignore", "DEVELOPERS.md", "README.md", "data_synthetic", "notebooks", "pyproject.toml",
    "requirements.txt", "tests", "vocomp_lab",
}  # fmt: skip
# From the ground up: none of these may import a later one. (The design's order of the modules.)
LAYERS = (
    "checks", "audio", "levels", "loudness", "filters", "recursion", "meters", "compressor", "clip_gain", "colour",
    "sibilance", "character", "chain", "listening", "proposals", "course", "plots", "bench",
)  # fmt: skip
PACKAGE = PROJECT / "vocomp_lab"
MODULES = {".".join(path.relative_to(PACKAGE).with_suffix("").parts): path for path in sorted(PACKAGE.rglob("*.py"))}
# The modules that may import matplotlib, and ipywidgets, say so in their names.
DRAWS = {name for name in MODULES if name.split("_")[0] == "plots"}
SHOWS = {name for name in MODULES if name.split("_")[0] == "bench"}
# A student's own notebooks and what JupyterLab keeps beside them are not the project's.
NOTEBOOKS = [
    path
    for path in sorted((PROJECT / "notebooks").rglob("*.ipynb"))
    if not path.name.startswith("my_") and not any(part.startswith(".") for part in path.relative_to(PROJECT).parts)
]


def imported(path) -> set[str]:
    """Every module that a file imports, anywhere in it, with dots."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            found |= (
                {node.module} if node.module != "vocomp_lab" else {f"vocomp_lab.{alias.name}" for alias in node.names}
            )
    return found


def inside(path) -> set[str]:
    """The modules of the package that a file imports, without the package's name; a name taken from the package
    itself too.
    """
    return {name.removeprefix("vocomp_lab.") for name in imported(path) if name.startswith("vocomp_lab.")}


def foreign(path) -> set[str]:
    """Top-level names of everything imported that is neither ours nor Python's."""
    return {name.split(".")[0] for name in imported(path)} - set(sys.stdlib_module_names) - {"vocomp_lab"}


def requirement_names(lines) -> set[str]:
    return {re.match(r"[A-Za-z0-9_.-]+", line).group().lower() for line in lines}


def plain_lines(path) -> list[str]:
    return [line.strip() for line in path.read_text("utf-8").splitlines() if line.strip() and not line.startswith("#")]


def tracked_files() -> list[str]:
    """What is or could be committed; where this is no git checkout there is nothing to ask."""
    git = need_program("git")
    asked = subprocess.run(
        [git, "-C", str(PROJECT), "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        capture_output=True,
        text=True,
    )
    if asked.returncode != 0:
        pytest.skip("this folder is no git checkout, so nothing is tracked")
    return sorted({name for name in asked.stdout.split("\0") if name and (PROJECT / name).exists()})


# ------------------------------------------------------------------------------------------------------ requirements


def test_run_time_requirements_are_the_six_with_tested_lower_bounds_in_both_places():
    constraints, *lines = plain_lines(PROJECT / "requirements.txt")
    assert constraints == "-c vocomp_lab/jupyter/constraints.txt"
    with open(PROJECT / "pyproject.toml", "rb") as file:
        declared = tomllib.load(file)["project"]["dependencies"]
    assert lines[-1] == "-e ."
    assert lines[:-1] == declared
    assert requirement_names(declared) == RUN_TIME
    for line in declared:
        assert re.fullmatch(r"[a-z]+>=\d+(\.\d+)*", line), line


def test_the_constraints_add_no_package_and_only_leave_versions_out():
    """Those of ipywidgets and of the page side that it brings along."""
    for line in plain_lines(PROJECT / "vocomp_lab" / "jupyter" / "constraints.txt"):
        assert re.fullmatch(r"(ipywidgets|jupyterlab_widgets)!=\d+(\.\d+)*", line), line


def test_the_package_imports_nothing_else():
    for name, path in MODULES.items():
        assert foreign(path) <= RUN_TIME | COMES_ALONG, name


def test_what_the_tests_import_is_required_somewhere():
    import_names = {"pillow": "PIL", "pytest-xdist": "xdist"}
    lines = plain_lines(PROJECT / "tests" / "requirements.txt")
    test_only = {
        import_names.get(name, name.replace("-", "_"))
        for name in requirement_names(line for line in lines if line[0] != "-")
    }
    assert not test_only & RUN_TIME
    files = sorted((PROJECT / "tests").rglob("*.py"))
    known = RUN_TIME | COMES_ALONG | test_only | {path.stem for path in files}
    for path in files:
        assert foreign(path) <= known, path.name


# ------------------------------------------------------------------------------------------------------------ layout


def test_the_top_level_holds_the_agreed_names_and_no_other():
    assert {name.split("/")[0] for name in tracked_files()} == TOP_LEVEL


def test_nothing_that_is_committed_names_a_machine():
    """Paths of the machine that the project was written on have no place in it."""
    needles = [f"/{folder}/".encode() for folder in ("work", "home", "root")]
    for name in tracked_files():
        if name.rsplit(".", 1)[-1] in ("flac", "wav", "png", "jpg"):
            continue
        content = (PROJECT / name).read_bytes()
        for needle in needles:
            assert needle not in content, f"{name} holds {needle.decode()}"


# --------------------------------------------------------------------------------------------------------- modules


def test_each_outside_library_has_its_place():
    for name, path in MODULES.items():
        libraries = foreign(path)
        assert "soundfile" not in libraries or name == "audio", name
        assert "ipywidgets" not in libraries or name in SHOWS, name
        assert "IPython" not in libraries or name in SHOWS | {"plots_shown"}, name
        assert not libraries & {"matplotlib", "PIL"} or name in DRAWS | SHOWS, name


def test_signal_code_never_reaches_pictures_or_widgets():
    """Not by way of another module either: what imports plots or bench is on their side of the line."""
    graph = {name: inside(path) & set(MODULES) for name, path in MODULES.items()}

    def reach(name, seen):
        for below in graph[name] - seen:
            seen.add(below)
            reach(below, seen)
        return seen

    for name in LAYERS[: LAYERS.index("plots")]:
        assert not reach(name, set()) & (DRAWS | SHOWS), name


def test_imports_run_one_way():
    graph = {name: inside(path) & set(MODULES) for name, path in MODULES.items() if name != "__init__"}
    TopologicalSorter(graph).prepare()  # raises CycleError, which names the cycle
    for place, name in enumerate(LAYERS):
        if name in graph:
            assert not graph[name] & set(LAYERS[place + 1 :]), name


def test_homework_stands_on_the_signal_code_and_nothing_stands_on_homework():
    above = {"bench_homework", "plots_marks", "commands", "__main__"}
    for name, path in MODULES.items():
        if name.split(".")[0] != "exercises" and name not in above:
            assert not [below for below in inside(path) if below.split(".")[0] == "exercises"], name


def test_modules_import_from_modules_and_not_from_the_package():
    for name, path in MODULES.items():
        if name not in ("__init__", "__main__"):
            assert {below.split(".")[0] for below in inside(path)} <= {known.split(".")[0] for known in MODULES}, name


# ------------------------------------------------------------------------------------------------------- notebooks


def test_there_are_notebooks():
    assert {"00_start_here", "04_peak_control"} <= {path.stem for path in NOTEBOOKS}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebooks_are_clean(path):
    book = json.loads(path.read_text("utf-8"))
    nbformat.validate(nbformat.from_dict(book))
    assert book["metadata"]["kernelspec"]["name"] == "python3"
    for number, cell in enumerate(book["cells"]):
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [], f"cell {number} has outputs"
            assert cell["execution_count"] is None, f"cell {number} was run"
    ids = [cell["id"] for cell in book["cells"]]
    assert len(set(ids)) == len(ids)


# ----------------------------------------------------------------------------------------------------- documents

DOCUMENTS = ["README.md", "DEVELOPERS.md", "data_synthetic/README.md"]
LINK = re.compile(r"\[[^\]]*\]\(\s*<?([^)\s>]+)>?(?:\s+\"[^\"]*\")?\s*\)")


def prose(markdown) -> str:
    """Markdown without code, in which brackets mean something else."""
    return re.sub(r"`[^`\n]*`", "", re.sub(r"(?ms)^(```|~~~).*?^\1", "", markdown))


def anchors(markdown) -> set[str]:
    """Anchors of the headings, as GitHub and JupyterLab between them make them."""
    headings = re.findall(r"(?m)^#{1,6}\s+(.+?)\s*#*$", prose(markdown))
    slugs = {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
    return slugs | {heading.replace(" ", "-") for heading in headings}


def broken_links(markdown, folder) -> list[str]:
    broken = []
    for target in LINK.findall(prose(markdown)):
        if re.match(r"https?://|mailto:|attachment:", target):
            continue
        file, _, anchor = target.partition("#")
        place = folder / file if file else None
        if place is not None and not place.exists():
            broken.append(target)
        elif anchor and (place is None or place.suffix == ".md"):
            text = markdown if place is None else place.read_text("utf-8")
            if anchor not in anchors(text):
                broken.append(target)
    return broken


def test_the_link_check_finds_what_it_should(tmp_path):
    (tmp_path / "there.md").write_text("# A heading\n", "utf-8")
    text = "# Top\n[a](there.md) [b](gone.md) ![c](no.png) [d](#top) [e](#nope) "
    text += "[f](there.md#a-heading) [g](there.md#b) `[h](x)`"
    assert broken_links(text, tmp_path) == ["gone.md", "no.png", "#nope", "there.md#b"]


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_in_documents_resolve(name):
    path = PROJECT / name
    assert broken_links(path.read_text("utf-8"), path.parent) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_links_in_notebooks_resolve(path):
    cells = json.loads(path.read_text("utf-8"))["cells"]
    markdown = "\n\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
    assert broken_links(markdown, path.parent) == []


def test_the_readme_says_first_what_the_project_is_for():
    """A title, then a paragraph of prose (no list, picture or code) that names the job; then the two commands."""
    text = (PROJECT / "README.md").read_text("utf-8")
    title, paragraph = [block.strip() for block in text.strip().split("\n\n")[:2]]
    assert re.fullmatch(r"# .+", title)
    assert re.match(r"[A-Za-z*_]", paragraph) and paragraph.count(".") >= 2 and len(paragraph) > 150
    for word in ("vocal", "compress", "notebook"):
        assert word in paragraph.lower() or (word == "notebook" and "workbook" in paragraph.lower()), word
    commands = "\n".join(re.findall(r"(?ms)^```\w*\n(.*?)^```", text))
    assert re.search(r"pip install .*-r requirements\.txt", commands)
    assert re.search(r"jupyter[- ]lab|python -m vocomp_lab", commands)
