"""How the loops are compiled.

``compiled`` for loops that Python calls; ``inner`` for those that compiled loops call, which spares
the making of what Python would call them by: called from Python they run as Python. Neither may
make an array: ``allocating`` may. All that is left out so halves the time of the first run.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit
from numba.core.registry import CPUDispatcher

_common = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

compiled = njit(**_common, _nrt=False)
reducing = njit(**_common, _nrt=False, fastmath={"contract", "reassoc"})
allocating = njit(**_common)

_without_wrapper = njit(**_common, _nrt=False, no_cpython_wrapper=True)


class _Inner(CPUDispatcher):  # type: ignore[misc]
    def __call__(self, *arguments: Any) -> Any:
        return self.py_func(*arguments)


def inner(function: Callable[..., Any]) -> Any:
    """Compile a loop for other loops."""
    loop = _without_wrapper(function)
    if isinstance(loop, CPUDispatcher):
        loop.__class__ = _Inner
    return loop
