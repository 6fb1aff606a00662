"""A shorter way through numba's compiler for loops as plain as the project's.

They have no closures, comprehensions, generators or array expressions, count no references, and
raise nothing: most steps of numba's usual way find nothing to do in them. Left out is also, once
measured to gain nothing in the speed of the loops: optimising each function before the module it
stands in, optimising modules twice, and machine code of loops that only others call. What they
compute is the same to the bit.

numba is entered by ``pipeline_class``, but uses much behind it that may change with its version.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numba
from numba.core import compiler, typed_passes, untyped_passes
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler_machinery import PassManager, register_pass
from numba.core.targetconfig import ConfigStack
from numba.core.types.functions import BaseFunction

TRIED = ((0, 68),)
"""Versions of numba this is known to work with; others compile in their usual way."""

SHORT = numba.version_info.short in TRIED


class _Module(JITCodeLibrary):  # type: ignore[misc]
    """A loop's code, optimised once."""

    def _optimize_functions(self, ll_module: Any) -> None:
        ll_module.data_layout = self._codegen._data_layout

    def _optimize_final_module(self) -> None:
        passes, builder = self._codegen._module_pass_manager()
        passes.run(self._final_module, builder)


class _Part(_Module):
    """Code that is optimised, and becomes machine code, within its callers."""

    def finalize(self) -> None:
        self._raise_if_finalized()
        for library in dict.fromkeys(self._linking_libraries):
            self._reload_init.update(library._reload_init)
            self._final_module.link_in(library._get_module_for_linking(), preserve=True)
        self._finalized = True


@register_pass(mutates_CFG=True, analysis_only=False)
class _Lower(typed_passes.NativeLowering):  # type: ignore[misc]
    """From numba's own code to LLVM's; that of loops for loops goes no further."""

    _name = "lower_plain_loops"

    def run_pass(self, state: Any) -> bool:
        part = state.flags.no_cpython_wrapper
        if not state.flags.nrt:
            kind = _Part if part else _Module
            state.library = kind(state.targetctx.codegen(), state.func_id.func_qualname)
            state.library.enable_object_caching()
            state.flags.no_compile = part
        super().run_pass(state)
        if state.flags.no_compile:
            # its callers find it by what would be its entry from Python; there is none
            state["cr"] = state["cr"]._replace(cfunc=state.library)
            state.targetctx.insert_user_function(state.library, state["cr"].fndesc, [state.library])
            state.reload_init.extend(state.library._reload_init)
        return True


class ShortCompiler(compiler.CompilerBase):  # type: ignore[misc]
    """What `njit` takes as ``pipeline_class``."""

    def define_pipelines(self) -> list[PassManager]:
        """The steps that a plain loop needs."""
        steps = PassManager("plain loops")
        for step in (
            untyped_passes.TranslateByteCode,
            untyped_passes.FixupArgs,
            untyped_passes.IRProcessing,
            untyped_passes.GenericRewrites,
            untyped_passes.ReconstructSSA,
            typed_passes.NopythonTypeInference,
            typed_passes.PreLowerStripPhis,
            typed_passes.IRLegalization,
            _Lower,
            typed_passes.NoPythonBackend,
        ):
            steps.add_pass(step)
        steps.finalize()
        return [steps]

    def compile_extra(self, function: Any) -> Any:
        """Compile; numba holds its lock around this."""
        with _remembering():
            return super().compile_extra(function)


# --- what numba looks up again and again ---------------------------------------------------------

_functions: Any = BaseFunction
_ask = _functions.get_call_type
_answers: dict[Any, Any] = {}
_known_flags: list[Any] = []
_last: list[Any] = [None, 0]  # flags that were asked for last, and their number


@contextmanager
def _remembering() -> Iterator[None]:
    """Ask for the type of a call once; and collect no garbage, of which there is little."""
    if _functions.get_call_type is not _ask:  # a loop that another one calls
        yield
        return
    collecting = gc.isenabled()
    gc.disable()
    _functions.get_call_type = _recall
    try:
        yield
    finally:
        _functions.get_call_type = _ask
        if collecting:
            gc.enable()


def _recall(function: Any, context: Any, arguments: Any, keywords: Any) -> Any:
    """Signature of a call: numba would try up to eighteen rules anew for each ``a + b``."""
    if keywords:
        return _ask(function, context, arguments, keywords)
    key = id(function), id(context), tuple(arguments), _number_of_flags()
    if key not in _answers:  # with what has the ids, so that nothing else gets them
        _answers[key] = _ask(function, context, arguments, keywords), function, context
    return _answers[key][0]


def _number_of_flags() -> int:
    """A number for the flags under which something is compiled now."""
    flags = ConfigStack.top_or_none()
    if flags is not _last[0]:
        values = None if flags is None else flags.values()
        if values not in _known_flags:
            _known_flags.append(values)
        _last[:] = flags, _known_flags.index(values)
    return int(_last[1])
