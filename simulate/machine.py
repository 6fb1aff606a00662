"""The machine: processors and memory that this process may use."""

from __future__ import annotations

import os


def processors() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def available_memory() -> float:
    """Memory that can be taken now without swapping [B]."""
    import psutil

    return float(psutil.virtual_memory().available)
