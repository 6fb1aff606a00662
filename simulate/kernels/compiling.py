"""How the loops are compiled.

``compiled`` for loops that Python calls; ``inner`` for those that compiled loops call, which spares
the making of what Python would call them by: called from Python they run as Python. Neither may
make an array: ``allocating`` may. All that is left out so halves the time of the first run.

How they are compiled stands in `kernels.pipeline`; an ``inner`` loop is kept nowhere but in those
that call it. A loop that lies compiled on the disk is read without loading what numba compiles
with, some hundred modules and a part of scipy, which took longer than all the loops together.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit
from numba.core.caching import FunctionCache
from numba.core.registry import CPUDispatcher
from numba.core.runtime import rtsys

from simulate.kernels.pipeline import SHORT, ShortCompiler

_common = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
if SHORT:
    _common["pipeline_class"] = ShortCompiler


class _Cache(FunctionCache):  # type: ignore[misc]
    def load_overload(self, sig: Any, target_context: Any) -> Any:
        rtsys.initialize(target_context)  # which loops that make arrays call
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)


_OWN = hasattr(FunctionCache, "_load_overload") and hasattr(
    FunctionCache, "_guard_against_spurious_io_errors"
)
"""Whether numba is built as `_Cache` expects; if not, its own way of reading stays."""


def _decorator(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """numba's decorator, its loops read by `_Cache`."""
    decorate = njit(**_common | options)

    def compile_loop(function: Callable[..., Any]) -> Any:
        loop = decorate(function)
        if _OWN and isinstance(getattr(loop, "_cache", None), FunctionCache):
            loop._cache.__class__ = _Cache
        return loop

    return compile_loop


compiled = _decorator(_nrt=False)
allocating = _decorator()

_without_wrapper = _decorator(_nrt=False, no_cpython_wrapper=True, cache=not SHORT)


class _Inner(CPUDispatcher):  # type: ignore[misc]
    def __call__(self, *arguments: Any) -> Any:
        return self.py_func(*arguments)

    def add_overload(self, compiled: Any) -> None:
        """Take what numba compiled, which need not be what Python could call."""
        self.overloads[tuple(compiled.signature.args)] = compiled


def inner(function: Callable[..., Any]) -> Any:
    """Compile a loop for other loops."""
    loop = _without_wrapper(function)
    if isinstance(loop, CPUDispatcher):
        loop.__class__ = _Inner
    return loop
