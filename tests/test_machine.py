"""What the machine offers this process."""

from __future__ import annotations

import os

from simulate import machine


def test_a_process_counts_the_processors_it_is_confined_to(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {1, 5, 6}, raising=False)
    assert machine.processors() == 3


def test_every_processor_counts_where_a_process_cannot_be_confined(monkeypatch):
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 7)
    assert machine.processors() == 7
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert machine.processors() == 1


def test_available_memory_is_part_of_what_is_built_in():
    built_in = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    assert 2**20 < machine.available_memory() < built_in
