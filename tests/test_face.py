"""The public face: its names are there, cost nothing to import, and say what they are."""

from __future__ import annotations

import ast
import inspect
import os
import subprocess
import sys
from pathlib import Path

import pytest

import simulate as sf

BUDGET = 0.3  # [s] of processor time, interpreter included
HEAVY = {
    "matplotlib",
    "meshio",
    "xarray",
    "scipy",
    "numba",
    "pandas",
    "h5py",
    "shapely",
    "pydantic",
}
ENTRIES = {
    "import simulate": ("-c", "import simulate"),
    "swabfield --help": ("-m", "simulate", "--help"),
    "swabfield etch --help": ("-m", "simulate", "etch", "--help"),
}
entries = pytest.mark.parametrize("words", ENTRIES.values(), ids=ENTRIES)


def loaded_by(words: tuple[str, ...]) -> set[str]:
    """Names of all modules a fresh interpreter imports, as it reports them itself."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", *words], capture_output=True, text=True, check=True
    )
    rows = [line for line in done.stderr.splitlines() if line.startswith("import time:")]
    return {row.rsplit("|", 1)[1].strip() for row in rows}


def processor_time(words: tuple[str, ...]) -> float:
    before = os.times()
    subprocess.run([sys.executable, *words], capture_output=True, check=True)
    after = os.times()
    return sum(after[2:4]) - sum(before[2:4])


@pytest.mark.parametrize("name", sf.__all__)
def test_a_name_of_the_face_is_there_and_explained(name):
    value = getattr(sf, name)
    if name == "__version__":
        assert value.split(".")[0].isdigit()
    else:
        assert value.__name__ == name
        assert len(inspect.getdoc(value).split()) >= 3


def test_the_list_of_names_is_what_type_checkers_see():
    tree = ast.parse(Path(sf.__file__).read_text(encoding="utf-8"))
    (guarded,) = [node for node in tree.body if isinstance(node, ast.If)]
    seen = {
        alias.name
        for node in guarded.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert seen | {"__version__"} == set(sf.__all__) <= set(dir(sf))


def test_no_public_function_bears_the_name_of_its_module():
    files = {file.stem for file in Path(sf.__file__).parent.glob("*.py")}
    assert not files & set(sf.__all__)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'etch_cases'"):
        _ = sf.etch_cases


@entries
def test_nothing_heavy_is_loaded_before_it_is_needed(words):
    assert not {name.split(".")[0] for name in loaded_by(words)} & HEAVY


@entries
def test_start_up_stays_within_its_budget(words):
    # the best of several: what else the machine does can only make it slower
    assert min(processor_time(words) for _ in range(7)) < BUDGET


def test_help_does_not_even_load_arrays():
    assert "numpy" not in loaded_by(ENTRIES["swabfield --help"])
