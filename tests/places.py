"""Where the project's files lie, for tests at any depth."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).parent.parent
CASES = ROOT / "cases"
REFERENCE = Path(__file__).parent / "reference_data" / "reference.json"
