"""Shared by all tests: repeatable property tests; what is left out where a program is missing."""

from __future__ import annotations

import importlib.util
import os
import shutil
from pathlib import Path

from hypothesis import settings

settings.register_profile("swabfield", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("swabfield")

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVERS = ("playwright", "axe_playwright_python")


def missing_for_browser_tests() -> list[str]:
    """What the tests in a browser need and this machine has not; nothing if they are demanded."""
    if os.environ.get("SWABFIELD_BROWSER_TESTS") == "required":
        return []
    drivers = [name for name in DRIVERS if importlib.util.find_spec(name) is None]
    return [*drivers, *([] if BROWSER else ["chromium"])]


def missing_for_vtk_tests() -> list[str]:
    """Likewise for the tests with VTK's own readers, which are large."""
    wanted = os.environ.get("SWABFIELD_VTK_TESTS") == "required"
    return [] if wanted or importlib.util.find_spec("vtkmodules") else ["vtk"]


LEFT_OUT = {
    "test_page_browser.py": ("in a browser", missing_for_browser_tests),
    "test_export_vtk.py": ("with VTK's own readers", missing_for_vtk_tests),
}


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Leave out the tests for which a program is missing, unless they are demanded."""
    if collection_path.name not in LEFT_OUT:
        return None
    _, missing = LEFT_OUT[collection_path.name]
    return True if missing() else None


def pytest_report_header() -> list[str]:
    """Say so."""
    return [
        f"left out: tests {words}, for want of {', '.join(missing())}"
        for words, missing in LEFT_OUT.values()
        if missing()
    ]
