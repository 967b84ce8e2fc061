"""The project as a whole: requirements, layout, which module may import what, clean notebooks, links that work."""

from __future__ import annotations

import ast
import functools
import importlib
import itertools
import json
import os
import re
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter

import pytest
from conftest import PAGE_CHAINS, PROJECT, need_program, one_sentence

import vocomp_lab

RUN_TIME = {"jupyterlab", "numpy", "scipy", "matplotlib", "ipywidgets", "soundfile"}
# They bring along: matplotlib Pillow, ipywidgets IPython, JupyterLab nbformat and jupyter_client.
COMES_ALONG = {"PIL", "IPython", "nbformat", "jupyter_client"}
TOP_LEVEL = {
    ".ci", ".gitignore", "DEVELOPERS.md", "README.md", "data_synthetic", "notebooks", "pyproject.toml",
    "requirements.txt", "tests", "vocomp_lab",
}  # fmt: skip
# The rooms of the package, and which others each may import from (DEVELOPERS.md, "Map").
ROOMS = {
    "sound": set(),
    "processors": {"sound"},
    "singer": {"sound", "processors"},
    "analysis": {"sound", "processors"},
    "lessons": {"sound", "processors", "singer", "analysis"},
    "pictures": {"sound", "processors", "singer", "analysis"},
    "exercises": {"sound", "processors", "singer", "analysis", "lessons", "pictures"},
    "bench": {"sound", "processors", "singer", "analysis", "lessons", "pictures", "exercises"},
    "jupyter": {"sound", "processors", "singer", "analysis", "lessons", "pictures", "exercises"},
}
FACES = {"vocomp_lab", *(f"vocomp_lab.{room}" for room in ("analysis", "lessons", "pictures", "exercises", "bench"))}
PACKAGE = PROJECT / "vocomp_lab"
MODULES = {".".join(path.relative_to(PACKAGE).with_suffix("").parts): path for path in sorted(PACKAGE.rglob("*.py"))}
# Without a student's own notebooks and JupyterLab's checkpoints.
NOTEBOOKS = [
    path
    for path in sorted((PROJECT / "notebooks").rglob("*.ipynb"))
    if not path.name.startswith("my_") and not any(part.startswith(".") for part in path.relative_to(PROJECT).parts)
]


@functools.cache
def tree(path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


@functools.cache
def imported(path) -> set[str]:
    """The dotted names of all modules that a file imports anywhere."""
    found, known = set(), {f"vocomp_lab.{name}" for name in MODULES}
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            # What is imported from a folder may be a module in it.
            inner = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= inner & known or {node.module}
    return found


def inside(path) -> set[str]:
    """The package's modules that a file imports, without the package's name."""
    return {name.removeprefix("vocomp_lab.") for name in imported(path) if name.startswith("vocomp_lab.")}


def room_of(name) -> str:
    """The room of a module with a dotted name; at the top level, its own name."""
    return name.split(".")[0]


def foreign(path) -> set[str]:
    """Top-level names of imports that are neither ours nor Python's."""
    return {name.split(".")[0] for name in imported(path)} - set(sys.stdlib_module_names) - {"vocomp_lab"}


def requirement_names(lines) -> set[str]:
    return {re.match(r"[A-Za-z0-9_.-]+", line).group().lower() for line in lines}


def plain_lines(path) -> list[str]:
    return [line.strip() for line in path.read_text("utf-8").splitlines() if line.strip() and not line.startswith("#")]


def tracked_files() -> list[str]:
    """What is or could be committed; skips outside a git checkout."""
    git = need_program("git")
    asked = subprocess.run(
        [git, "-C", str(PROJECT), "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        capture_output=True,
        text=True,
    )
    if asked.returncode != 0:
        pytest.skip("this folder is not a git checkout, so nothing is tracked")
    return sorted({name for name in asked.stdout.split("\0") if name and (PROJECT / name).exists()})


# ------------------------------------------------------------------------------------------------------ requirements


def pyproject() -> dict:
    with open(PROJECT / "pyproject.toml", "rb") as file:
        return tomllib.load(file)


def test_run_time_requirements_are_the_six_with_tested_lower_bounds():
    first, *lines, last = plain_lines(PROJECT / "requirements.txt")
    assert first == "-c vocomp_lab/jupyter/constraints.txt" and last == "-e ."
    assert requirement_names(lines) == RUN_TIME
    # Without its end, pip would tell somebody with an older Python about a package, and not that Python is too old.
    needed = pyproject()["project"]["requires-python"].removeprefix(">=")
    for line in lines:
        assert re.fullmatch(rf'[a-z]+>=\d+(\.\d+)*; python_version >= "{re.escape(needed)}"', line), line


def test_a_wheel_asks_for_what_requirements_and_constraints_say_together():
    """A wheel is installed without constraints.txt: what that leaves out has to stand in the metadata."""
    _, *lines, _ = plain_lines(PROJECT / "requirements.txt")
    left_out = dict(re.fullmatch(r"(\w+)(!=.+)", line).groups() for line in constraints())
    wanted = []
    for line in lines:
        bound, when = line.split(";")
        name = re.match(r"\w+", line).group()
        wanted.append(f"{bound},{left_out.pop(name)};{when}" if name in left_out else line)
    wanted += [f"{name}{bound};{when}" for name, bound in left_out.items()]
    assert pyproject()["project"]["dependencies"] == wanted


def constraints() -> list[str]:
    return plain_lines(PROJECT / "vocomp_lab" / "jupyter" / "constraints.txt")


def test_the_python_that_is_needed_is_the_same_for_pip_and_for_the_command():
    needed = re.fullmatch(r">=(\d+)\.(\d+)", pyproject()["project"]["requires-python"])
    source = (PACKAGE / "__init__.py").read_text("utf-8")
    assert f"sys.version_info < ({needed[1]}, {needed[2]})" in source
    assert f"needs Python {needed[1]}.{needed[2]} or newer" in source
    # An older Python has to read the file as far as that sentence, and so all of it.
    ast.parse(source, feature_version=(3, 9))


@pytest.mark.parametrize("version", [(3, 10, 13), (3, 9, 18)])
def test_an_older_python_is_refused_with_one_sentence(tmp_path, version):
    (tmp_path / "sitecustomize.py").write_text(f"import sys\nsys.version_info = {(*version, 'final', 0)}\n")
    environment = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{PROJECT}"}
    for arguments, code in ((["-m", "vocomp_lab", "open"], 2), (["-c", "import vocomp_lab"], 1)):
        done = subprocess.run([sys.executable, *arguments], capture_output=True, text=True, env=environment, timeout=60)
        assert done.returncode == code and done.stdout == ""
        last = done.stderr.splitlines()[-1].removeprefix("ImportError: ")
        one_sentence(last, ".".join(map(str, version)), "needs Python 3.11 or newer")
        assert code == 1 or done.stderr.strip() == last, "no traceback"


def test_the_metadata_says_who_and_what_and_no_licence():
    about = pyproject()["project"]
    assert about["authors"] == [{"name": "the workbook's maintainers"}] and len(about["description"]) > 40
    assert "Intended Audience :: Education" in about["classifiers"]
    assert "license" not in about and not [line for line in about["classifiers"] if "License" in line]
    assert about["version"] == vocomp_lab.__version__


def test_the_wheel_has_every_room_and_the_two_folders():
    """setuptools finds packages by itself only if it isn't given others."""
    folders = {path.parent.relative_to(PROJECT) for path in PACKAGE.rglob("*.py")}
    rooms = {".".join(folder.parts) for folder in folders}
    given = pyproject()["tool"]["setuptools"]
    assert set(given["packages"]) == rooms | set(given["package-dir"])
    assert set(given["package-dir"].values()) == {"notebooks", "data_synthetic"}


def test_the_constraints_add_no_package_and_only_leave_versions_out():
    """Only versions of ipywidgets and of its page side."""
    for line in constraints():
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


def test_all_page_tests_run_in_two_processes():
    """Elsewhere each file would have a browser of its own, with an event loop that disturbs other tests."""
    pages = {path.stem for path in (PROJECT / "tests").glob("test_*.py") if uses_a_page(path)}
    assert pages == set(itertools.chain(*PAGE_CHAINS.values()))


def uses_a_page(path) -> bool:
    wanted = {"chromium", "shared_page"}
    nodes = [node for node in ast.walk(tree(path)) if isinstance(node, ast.ImportFrom)]
    return any(wanted & {alias.name for alias in node.names} for node in nodes if node.module == "labdriver")


# ------------------------------------------------------------------------------------------------------------ layout


def test_the_top_level_holds_the_agreed_names_and_no_other():
    assert {name.split("/")[0] for name in tracked_files()} == TOP_LEVEL


def test_nothing_that_is_committed_names_a_machine():
    """No paths of the machine on which the project was written."""
    needles = [f"/{folder}/".encode() for folder in ("work", "home", "root")]
    for name in tracked_files():
        if name.rsplit(".", 1)[-1] in ("flac", "wav", "png", "jpg"):
            continue
        content = (PROJECT / name).read_bytes()
        for needle in needles:
            assert needle not in content, f"{name} holds {needle.decode()}"


# --------------------------------------------------------------------------------------------------------- modules


def test_each_outside_library_has_its_room():
    for name, path in MODULES.items():
        libraries = foreign(path)
        assert "soundfile" not in libraries or name == "sound.audio", name
        assert "ipywidgets" not in libraries or room_of(name) == "bench", name
        assert "IPython" not in libraries or room_of(name) == "bench" or name == "pictures.shown", name
        assert not libraries & {"matplotlib", "PIL"} or room_of(name) == "pictures", name


def test_every_module_lies_in_a_room():
    assert {room_of(name) for name in MODULES} == {*ROOMS, "__init__", "__main__", "commands", "console"}


def test_imports_run_one_way_between_the_rooms():
    for name, path in MODULES.items():
        if (room := room_of(name)) in ROOMS:
            assert {room_of(below) for below in inside(path)} <= ROOMS[room] | {room}, name


def test_imports_run_one_way_inside_a_room():
    graph = {name: inside(path) & set(MODULES) for name, path in MODULES.items() if not name.endswith("__init__")}
    TopologicalSorter(graph).prepare()  # raises CycleError, which names the cycle


def test_modules_import_from_modules_and_not_from_faces():
    for name, path in MODULES.items():
        if name not in ("__init__", "__main__"):
            folders = {known.removesuffix(".__init__") for known in MODULES if known.count(".") > 1}
            assert inside(path) <= set(MODULES) | folders, name


def test_no_module_imports_private_names_of_another():
    """Names with an underscore stay in their module."""
    for name, path in MODULES.items():
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.ImportFrom) and node.module.startswith("vocomp_lab"):
                assert not [alias.name for alias in node.names if alias.name.startswith("_")], name


def test_each_room_says_in_three_sentences_what_lives_there():
    for room in ROOMS:
        doc = ast.get_docstring(tree(PACKAGE / room / "__init__.py"))
        assert len(re.findall(r"[.](?:\s|$)", doc)) == 3 and "mport" in doc, room


def notebook_imports(path) -> dict[str, set[str]]:
    """What a notebook imports from the package: names by module."""
    taken: dict[str, set[str]] = {}
    for cell in json.loads(path.read_text("utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            for node in ast.walk(ast.parse("".join(cell["source"]))):
                if isinstance(node, ast.ImportFrom) and node.module.startswith("vocomp_lab"):
                    taken.setdefault(node.module, set()).update(alias.name for alias in node.names)
                assert not isinstance(node, ast.Import) or "vocomp_lab" not in {alias.name for alias in node.names}
    return taken


def test_notebooks_import_from_the_faces_only():
    for path in NOTEBOOKS:
        assert set(notebook_imports(path)) <= FACES, path.stem


def test_a_face_shows_what_the_lessons_use_and_nothing_else():
    used: dict[str, set[str]] = {face: set() for face in FACES - {"vocomp_lab"}}
    for path in NOTEBOOKS:
        for face, names in notebook_imports(path).items():
            if face in used:
                used[face] |= names
    for face, names in used.items():
        assert set(importlib.import_module(face).__all__) == names, face


# ------------------------------------------------------------------------------------------------------- notebooks


def test_there_are_notebooks():
    assert {"00_start_here", "04_peak_control"} <= {path.stem for path in NOTEBOOKS}


def test_notebooks_are_clean():
    import nbformat  # here, since its own imports take seconds, which no other process should wait for

    for path in NOTEBOOKS:
        book = json.loads(path.read_text("utf-8"))
        nbformat.validate(nbformat.from_dict(book))
        assert book["metadata"]["kernelspec"]["name"] == "python3", path.stem
        for number, cell in enumerate(book["cells"]):
            if cell["cell_type"] == "code":
                assert cell["outputs"] == [], f"{path.stem}: cell {number} has outputs"
                assert cell["execution_count"] is None, f"{path.stem}: cell {number} was run"
        ids = [cell["id"] for cell in book["cells"]]
        assert len(set(ids)) == len(ids), path.stem


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


def test_links_in_documents_resolve():
    for path in (PROJECT / name for name in DOCUMENTS):
        assert broken_links(path.read_text("utf-8"), path.parent) == [], path.name


def test_links_in_notebooks_resolve():
    for path in NOTEBOOKS:
        cells = json.loads(path.read_text("utf-8"))["cells"]
        markdown = "\n\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "markdown")
        assert broken_links(markdown, path.parent) == [], path.stem


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
