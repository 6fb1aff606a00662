"""Layer lint: who may import whom, and who may touch what; one test names every offender.

The reading orders in the package's docstring and in those of its folders are the layers: a file
imports only from folders above its own and, within its folder, from files above it. Imports are
counted wherever they stand: at the top, inside functions, under TYPE_CHECKING.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from functools import cached_property
from pathlib import Path

import pytest

import simulate

PACKAGE = Path(simulate.__file__).parent
FACE = ("__init__", "__main__")  # the public face and the start; they have no place in the order

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
OUTLETS = {"figures", "export", "page"}
USERS = {"matplotlib": OUTLETS, "meshio": OUTLETS}
"""Libraries for pictures and meshes, and the folders that may use them."""

DISK_CALLS = {"open", "read_text", "write_text", "read_bytes", "write_bytes", "mkdir", "unlink"}
DISK_USERS = OUTLETS | {"materials", "stencil_files", "case", "result", "sweep", "cli", "files"}
DISK_USERS |= {"kernels"}  # removes stale code from its cache

KERNEL_LIBRARIES = {"__future__", "math", "numba", "numpy", "typing", "simulate"}
COMPILER_LIBRARIES = {"collections", "llvmlite", "operator", "pathlib"}
COMPILERS = {"compiling", "simd"}


class Source:
    """One file of the package: its name, its layer, what it imports and calls."""

    def __init__(self, file: Path, root: Path) -> None:
        self.parts = file.relative_to(root).with_suffix("").parts
        self.package = root.name
        self.tree = ast.parse(file.read_text(encoding="utf-8"))
        self.name = ".".join(self.parts).removesuffix(".__init__")
        self.row = self.parts[0]

    @cached_property
    def nodes(self) -> list[ast.AST]:
        return [*ast.walk(self.tree)]

    @cached_property
    def imports(self) -> list[str]:
        """Everything imported, as dotted names; a name taken from a module counts as its part."""
        return [name for node in self.nodes for name in self._imported(node)]

    @cached_property
    def imports_at_the_top(self) -> list[str]:
        return [name for node in self.tree.body for name in self._imported(node)]

    @cached_property
    def calls(self) -> set[str]:
        """Last names of everything called."""
        calls = [node.func for node in self.nodes if isinstance(node, ast.Call)]
        return {getattr(call, "attr", getattr(call, "id", "")) for call in calls}

    def _imported(self, node: ast.AST) -> list[str]:
        if isinstance(node, ast.Import):
            return [name.name for name in node.names]
        if not isinstance(node, ast.ImportFrom):
            return []
        above = [self.package, *self.parts[:-1]]
        start = above[: len(above) + 1 - node.level] if node.level else []
        source = ".".join([*start, *([node.module] if node.module else [])])
        return [f"{source}.{name.name}" for name in node.names]


class Package:
    """All files of a package, and which of them each imports."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.sources = [Source(file, root) for file in sorted(root.rglob("*.py"))]
        self.layered = [source for source in self.sources if source.row not in FACE]
        self.names = {source.name for source in self.sources}
        self._within = {source.name: self._find_within(source) for source in self.sources}

    def within(self, source: Source) -> set[str]:
        """Files of the package that one of them imports, itself left out."""
        return self._within[source.name]

    def _find_within(self, source: Source) -> set[str]:
        found = set()
        for name in source.imports:
            head, *rest = name.split(".")
            if head != self.root.name:
                continue
            while rest and ".".join(rest) not in self.names:
                rest.pop()
            found.add(".".join(rest) or "__init__")
        return found - {source.name}

    def order(self, folder: str = "") -> list[str]:
        """The reading order in the docstring of the package, or of one of its folders."""
        opening = (self.root / folder / "__init__.py").read_text(encoding="utf-8")
        listing = (ast.get_docstring(ast.parse(opening)) or "").partition("Reading order")[2]
        return re.findall(r"^    ([a-z_]+)  +\S", listing, re.MULTILINE)

    def folders(self) -> list[str]:
        return sorted({source.row for source in self.sources if len(source.parts) > 1})


# Rules: each yields what breaks it ----------------------------------------------------------------


def reading_orders(package: Package) -> Iterator[str]:
    """Every reading order names each of its files once, and no other."""
    rows = {"": {source.row for source in package.layered}}
    for folder in package.folders():
        inside = [source.parts for source in package.sources if source.row == folder]
        rows[folder] = {parts[1] for parts in inside} - {"__init__"}
        yield from (f"{'.'.join(p)} lies deeper than a folder" for p in inside if len(p) > 2)
    for folder, present in rows.items():
        order, where = package.order(folder), folder or "the package"
        yield from (f"{where}: {name} is not in the order" for name in sorted(present - {*order}))
        yield from (f"{where}: {name} does not exist" for name in sorted({*order} - present))
        twice = sorted({name for name in order if order.count(name) > 1})
        yield from (f"{where}: {name} stands twice in the order" for name in twice)


def layers(package: Package) -> Iterator[str]:
    """A file imports only from folders above its own, and in its folder from files above it."""
    order = {name: place for place, name in enumerate(package.order())}
    inner = {
        f"{folder}.{name}": place
        for folder in package.folders()
        for place, name in enumerate(package.order(folder))
    }
    for source in package.layered:
        for other in sorted(package.within(source) - {*FACE}):
            row = other.split(".")[0]
            if row != source.row:
                below = order.get(row, 0) > order.get(source.row, 0)
            else:
                below = inner.get(other, -1) > inner.get(source.name, len(inner))
            if below:
                yield f"{source.name} imports {other} from below it"


def faces(package: Package) -> Iterator[str]:
    """Nobody imports the package's own face; nobody but the command line the command line."""
    for source in package.layered:
        for other in sorted(package.within(source)):
            if other in FACE:
                yield f"{source.name} imports the package's own face"
            elif other.split(".")[0] == "cli" != source.row:
                yield f"{source.name} imports {other}, which is the command line's"


def circles(package: Package) -> Iterator[str]:
    """No file comes back to itself through its imports."""
    graph = {source.name: package.within(source) for source in package.sources}
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> Iterator[str]:
        if name in path:
            yield " -> ".join((*path[path.index(name) :], name)) + " is a circle"
        elif name not in done:
            for other in sorted(graph.get(name, ())):
                yield from visit(other, (*path, name))
            done.add(name)

    for name in graph:
        yield from visit(name, ())


def kernels(package: Package) -> Iterator[str]:
    """A kernel knows arrays, and nothing of the project."""
    for source in package.sources:
        if source.row != "kernels":
            continue
        strange = {
            other
            for other in package.within(source)
            if other.split(".")[0] not in {"kernels", "constants"}
        }
        libraries = {name.split(".")[0] for name in source.imports} - KERNEL_LIBRARIES
        strange |= libraries - (COMPILER_LIBRARIES if source.parts[-1] in COMPILERS else set())
        yield from (f"{source.name} is a kernel and imports {name}" for name in sorted(strange))


def outlets(package: Package) -> Iterator[str]:
    """Pictures and meshes are made in the outlets alone."""
    for source in package.sources:
        for library, users in USERS.items():
            used = library in {name.split(".")[0] for name in source.imports}
            if used and source.row not in users:
                yield f"{source.name} imports {library}"


def heavy_imports(package: Package) -> Iterator[str]:
    """Heavy libraries are imported inside the functions that need them."""
    for source in package.sources:
        early = {name.split(".")[0] for name in source.imports_at_the_top} & HEAVY
        yield from (f"{source.name} imports {name} at the top" for name in sorted(early))


def disk(package: Package) -> Iterator[str]:
    """Only cases, catalogues, results and outlets touch the disk."""
    for source in package.sources:
        if source.row not in DISK_USERS:
            used = sorted(source.calls & DISK_CALLS)
            yield from (f"{source.name} touches the disk by {name}" for name in used)


RULES = (reading_orders, layers, faces, circles, kernels, outlets, heavy_imports, disk)


def offences(root: Path) -> list[str]:
    """Everything in a package that breaks a rule."""
    package = Package(root)
    return [offence for rule in RULES for offence in rule(package)]


def test_the_package_keeps_its_layers():
    found = offences(PACKAGE)
    assert not found, f"{len(found)} offences:\n" + "\n".join(found)


# The lint itself ----------------------------------------------------------------------------------


def opening(*names: str) -> str:
    """A docstring with a reading order."""
    listing = "".join(f"    {name}  what it holds\n" for name in names)
    return f'"""Words.\n\nReading order::\n\n{listing}\nWords.\n"""\n'


SOUND = {
    "__init__.py": opening("base", "kernels", "top", "cli"),
    "__main__.py": "from simulate.cli import run",
    "base.py": "",
    "kernels/__init__.py": opening("compiling", "loops"),
    "kernels/compiling.py": "import llvmlite",
    "kernels/loops.py": "from simulate.kernels.compiling import x\nimport numpy",
    "top/__init__.py": opening("first", "second"),
    "top/first.py": "from simulate import base\nimport numpy\ndef f():\n    import scipy",
    "top/second.py": "from simulate.top.first import x\nfrom simulate.kernels import loops",
    "cli/__init__.py": opening("run") + "from simulate.cli import run",
    "cli/run.py": "from simulate.top import second\nopen('x')",
}


def written(folder: Path, files: dict[str, str]) -> Path:
    root = folder / "simulate"
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    return root


def test_the_lint_accepts_a_sound_package(tmp_path):
    assert offences(written(tmp_path, SOUND)) == []


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"stray.py": ""}, {"the package: stray is not in the order"}),
        ({"top/stray.py": ""}, {"top: stray is not in the order"}),
        ({"top/deep/stray.py": ""}, {"top.deep.stray lies deeper than a folder",
                                     "top: deep is not in the order"}),
        ({"top/__init__.py": ""}, {"top: first is not in the order",
                                   "top: second is not in the order"}),
        ({"__init__.py": opening("bass", "kernels", "top", "cli")},
         {"the package: base is not in the order", "the package: bass does not exist"}),
        ({"__init__.py": opening("base", "base", "kernels", "top", "cli")},
         {"the package: base stands twice in the order"}),
        ({"base.py": "def f():\n    from simulate.top.first import x", "top/first.py": ""},
         {"base imports top.first from below it"}),
        ({"top/first.py": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n"
          "    from simulate.top.second import x", "top/second.py": ""},
         {"top.first imports top.second from below it"}),
        ({"top/first.py": "from .second import x", "top/second.py": ""},
         {"top.first imports top.second from below it"}),
        ({"top/second.py": "import simulate"}, {"top.second imports the package's own face"}),
        ({"base.py": "from simulate.cli.run import x", "cli/run.py": ""},
         {"base imports cli.run from below it",
          "base imports cli.run, which is the command line's"}),
        ({"top/first.py": "from simulate.top.second import x"},
         {"top.first imports top.second from below it",
          "top.second -> top.first -> top.second is a circle"}),
        ({"kernels/loops.py": "import os\nfrom simulate.base import x"},
         {"kernels.loops is a kernel and imports base",
          "kernels.loops is a kernel and imports os"}),
        ({"kernels/loops.py": "import llvmlite"},
         {"kernels.loops is a kernel and imports llvmlite"}),
        ({"base.py": "def f():\n    import meshio"}, {"base imports meshio"}),
        ({"top/first.py": "from scipy.optimize import brentq"},
         {"top.first imports scipy at the top"}),
        ({"base.py": "def f(path):\n    path.write_text('')"},
         {"base touches the disk by write_text"}),
    ],
)  # fmt: skip
def test_the_lint_names_each_kind_of_offender(tmp_path, changes, expected):
    assert set(offences(written(tmp_path, SOUND | changes))) == expected


def test_letters_are_drawn_without_the_plotting_library():
    """Its fonts are read, it is not imported: that would take a third of a second."""
    code = "import sys; from simulate.stencil.outlines import letters; letters('ag', 5e-3)"
    code += "; assert 'matplotlib' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True, cwd=PACKAGE.parent)
