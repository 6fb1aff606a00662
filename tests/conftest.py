"""Shared by all tests: repeatable property tests; what a machine without a browser leaves out."""

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


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Leave the tests in a browser out where there is none, unless they are asked for by name."""
    in_browser = collection_path.name == "test_page_browser.py"
    return True if in_browser and missing_for_browser_tests() else None


def pytest_report_header() -> str | None:
    """Say so."""
    missing = missing_for_browser_tests()
    return f"left out: tests in a browser, for want of {', '.join(missing)}" if missing else None
