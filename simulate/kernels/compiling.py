"""Compiler options of the kernels, and a cache on the disk that follows all their source files.

``compiled`` : entry points, called from Python; they release the interpreter's lock and are cached.
``inner`` : functions called from compiled code; called from Python they run as Python.

numba compiles a cached function anew when its own file has changed, but not when a function it
calls has changed in another one. `forget_stale` therefore removes what is older than any kernel.
"""

from __future__ import annotations

from pathlib import Path

from numba import njit
from numba.extending import register_jitable

compiled = njit(cache=True, nogil=True, error_model="numpy", no_cfunc_wrapper=True)

inner = register_jitable(error_model="numpy", no_cfunc_wrapper=True)


def forget_stale(kernels: Path) -> None:
    """Remove compiled code from the cache of a folder if it is older than a source file there."""
    newest = max(file.stat().st_mtime for file in kernels.glob("*.py"))
    for file in (kernels / "__pycache__").glob("*.nb[ic]"):
        try:
            if file.stat().st_mtime < newest:
                file.unlink()
        except OSError:  # another process was faster, or the folder may not be written
            pass


forget_stale(Path(__file__).parent)
