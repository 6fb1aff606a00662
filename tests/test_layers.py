"""The reading order of the package, held: who may import whom, and who may touch what.

Imports are counted wherever they stand: at the top, inside functions, under TYPE_CHECKING.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

import simulate

PACKAGE = Path(simulate.__file__).parent
FACE = ("__init__", "__main__")  # these two hand on; they have no place in the order


def order_in(text: str) -> list[str]:
    """The reading order that opens the package, or a folder of it."""
    assert "Reading order" in text, "the docstring that opens a folder lists its files"
    listing = text.split("Reading order")[1]
    return re.findall(r"^    ([a-z_]+)  +\S", listing, re.MULTILINE)


def reading_order() -> list[str]:
    return order_in(simulate.__doc__)


def folders() -> list[Path]:
    """Folders, each with a reading order of its own."""
    return sorted({file.parent for file in files()} - {PACKAGE})


def files() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def row(file: Path) -> str:
    """The row of the reading order a file belongs to: its own name, or its folder's."""
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def module(file: Path) -> str:
    """Dotted name below the package; a folder's own file bears the folder's name."""
    return ".".join(file.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__")


@cache
def imports(file: Path) -> tuple[str, ...]:
    """Everything a file imports, as dotted names; a name taken from a module counts as its part."""
    found = []
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = [PACKAGE.name, *file.relative_to(PACKAGE).parts[:-1]]
            start = above[: len(above) + 1 - node.level] if node.level else []
            source = ".".join([*start, *([node.module] if node.module else [])])
            found += [f"{source}.{name.name}" for name in node.names]
    return tuple(found)


def project_imports(file: Path) -> set[str]:
    """Modules of this package a file imports, by dotted name below the package."""
    known = {module(other) for other in files()}
    found = set()
    for name in imports(file):
        head, *rest = name.split(".")
        if head != "simulate":
            continue
        while rest and ".".join(rest) not in known:
            rest.pop()
        found.add(".".join(rest) or "__init__")
    return found


def named_texts(file: Path) -> set[str]:
    """First parts of all imported names, and of names fetched through importlib."""
    return {name.split(".")[0] for name in imports(file)}


ordered = pytest.mark.parametrize(
    "file", [file for file in files() if row(file) not in FACE], ids=module
)


def test_the_reading_order_names_every_file_and_no_other():
    present = {row(file) for file in files()} - set(FACE)
    assert sorted(reading_order()) == sorted(present)
    assert len(reading_order()) == len(set(reading_order()))


@ordered
def test_a_file_imports_only_from_above(file):
    order = reading_order()
    own = row(file)
    below = {
        name
        for name in project_imports(file)
        if name != "__init__"
        and name.split(".")[0] != own
        and order.index(name.split(".")[0]) > order.index(own)
    }
    assert not below, f"{module(file)} imports {sorted(below)} from below it"


@pytest.mark.parametrize("folder", folders(), ids=lambda folder: folder.name)
def test_a_folder_has_its_own_reading_order_and_keeps_it(folder):
    opening = ast.get_docstring(ast.parse((folder / "__init__.py").read_text(encoding="utf-8")))
    order = order_in(opening or "")
    parts = {file.stem: file for file in folder.glob("*.py") if file.stem != "__init__"}
    assert sorted(order) == sorted(parts)
    for name, file in parts.items():
        within = {
            other.split(".")[1]
            for other in project_imports(file)
            if other.startswith(folder.name + ".")
        }
        below = {other for other in within if order.index(other) > order.index(name)}
        assert not below, f"{folder.name}.{name} imports {sorted(below)} from below it"


@ordered
def test_nobody_imports_the_packages_own_face(file):
    assert "__init__" not in project_imports(file)


@ordered
def test_nobody_but_the_command_line_imports_the_command_line(file):
    reached = {name for name in project_imports(file) if name.split(".")[0] == "cli"}
    assert row(file) == "cli" or not reached


def test_no_file_comes_back_to_itself_through_its_imports():
    graph = {module(file): project_imports(file) - {module(file)} for file in files()}

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join((*path[path.index(name) :], name))
        for other in graph.get(name, ()):
            if name not in done:
                visit(other, (*path, name))
        done.add(name)

    done: set[str] = set()
    for name in graph:
        visit(name, ())


@pytest.mark.parametrize("file", sorted((PACKAGE / "kernels").glob("*.py")), ids=module)
def test_a_kernel_file_knows_arrays_and_nothing_of_the_project(file):
    assert {name.split(".")[0] for name in project_imports(file)} <= {"kernels"}
    allowed = {"__future__", "math", "numba", "numpy", "typing", "simulate"}
    if file.stem in {"compiling", "simd"}:
        allowed |= {"collections", "llvmlite", "operator", "pathlib"}
    assert named_texts(file) <= allowed


@pytest.mark.parametrize("name", ["matplotlib", "meshio"])
def test_pictures_and_meshes_are_made_in_the_outlets_alone(name):
    allowed = {"figures", "export", "page"} | ({"stencil"} if name == "matplotlib" else set())
    users = {row(file) for file in files() if name in named_texts(file)}
    assert users <= allowed


def test_letters_are_drawn_without_the_plotting_library():
    """Its fonts are read, it is not imported: that would take a third of a second."""
    assert not {
        name
        for name in imports(PACKAGE / "stencil" / "outlines.py")
        if name.startswith("matplotlib")
    }
    code = "import sys; from simulate.stencil.outlines import letters; letters('ag', 5e-3)"
    code += "; assert 'matplotlib' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=PACKAGE.parent)


HEAVY = {
    "ezdxf",
    "fontTools",
    "h5netcdf",
    "h5py",
    "matplotlib",
    "meshio",
    "pandas",
    "rich",
    "scipy",
    "shapely",
    "svgelements",
    "xarray",
}


@ordered
def test_heavy_libraries_are_imported_inside_the_functions_that_need_them(file):
    top = ast.parse(file.read_text(encoding="utf-8")).body
    early = {
        name.split(".")[0]
        for node in top
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
        )
    }
    assert not early & HEAVY


def test_only_cases_results_and_outlets_touch_the_disk():
    allowed = {"materials", "stencil_files", "case", "result", "figures", "export", "sweep", "page"}
    allowed |= {"cli", "files"}
    allowed |= {"kernels"}  # removes stale code from its cache
    calls = {"open", "read_text", "write_text", "read_bytes", "write_bytes", "mkdir", "unlink"}
    users = set()
    for file in files():
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "attr", getattr(node.func, "id", ""))
                users |= {row(file)} if name in calls else set()
    assert users <= allowed
