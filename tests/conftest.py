"""Shared by all tests: repeatable property tests."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("swabfield", deadline=None, derandomize=True, max_examples=60)
settings.load_profile("swabfield")
