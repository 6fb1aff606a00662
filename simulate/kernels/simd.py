"""Explicit SIMD vectors of eight lanes for the loops of the solver (LLVM vector types).

Left to itself the compiler vectorises a row only behind a test that none of a dozen arrays overlap;
rows are short, and the tests cost more than the work. Here each operation becomes the vector
instruction it stands for, on any processor. Called as plain Python the functions work on slices of
arrays and give the same numbers.

``contract`` permits fused multiply-add. Of two vectors of different precision the result has the
higher one.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import lower_builtin, models, register_model, type_callable

WIDTH = 8


def load(array, at):
    """The vector ``array[at : at + 8]``."""
    return array[at : at + WIDTH].copy()


def store(array, at, vector):
    """Store a vector into ``array[at : at + 8]``, rounded to the array's precision."""
    array[at : at + WIDTH] = vector


def add_to(array, at, vector):
    """Add a vector to ``array[at : at + 8]``, rounded to the array's precision."""
    array[at : at + WIDTH] = array[at : at + WIDTH] + vector


def spread_single(value):
    """All lanes hold ``value``, in single precision."""
    return np.full(WIDTH, value, np.float32)


def spread_double(value):
    """All lanes hold ``value``, in double precision."""
    return np.full(WIDTH, value, np.float64)


def widen(vector):
    """The vector in double precision."""
    return vector.astype(np.float64)


def total(vector):
    """Sum over the lanes, by halves."""
    half = vector[:4] + vector[4:]
    half = half[:2] + half[2:]
    return half[0] + half[1]


def larger(a, b):
    """Maximum, lane by lane."""
    return np.maximum(a, b)


def smaller(a, b):
    """Minimum, lane by lane."""
    return np.minimum(a, b)


def where_positive(test, vector):
    """``vector`` in lanes where ``test`` is above 0, else 0."""
    return np.where(test > 0.0, vector, np.zeros_like(vector))


def evens(a, b):
    """Lanes 0, 2, 4, ... of ``a`` followed by ``b``."""
    return np.concatenate([a, b])[0::2]


def odds(a, b):
    """Lanes 1, 3, 5, ... of ``a`` followed by ``b``."""
    return np.concatenate([a, b])[1::2]


def merged_low(a, b):
    """Lower halves interleaved: a[0], b[0], a[1], b[1], ..."""
    return np.stack([a[:4], b[:4]], axis=1).ravel()


def merged_high(a, b):
    """Upper halves interleaved: a[4], b[4], a[5], b[5], ..."""
    return np.stack([a[4:], b[4:]], axis=1).ravel()


# ------------------------------------------------------------------------------- for the compiler


class Vector(types.Type):  # type: ignore[misc]
    """Type of a vector of eight lanes."""

    def __init__(self, dtype: types.Float) -> None:
        self.dtype = dtype
        super().__init__(name=f"Vector({dtype})")


SINGLE, DOUBLE = Vector(types.float32), Vector(types.float64)


@register_model(Vector)
class _Model(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Vector) -> None:
        number = ir.FloatType() if kind.dtype == types.float32 else ir.DoubleType()
        super().__init__(manager, kind, ir.VectorType(number, WIDTH))


def _compiles(function: Callable[..., Any], result: Callable[..., Any], *kinds: Any) -> Any:
    """Register the type of a call of ``function`` by ``result``; decorates its code generator."""

    def result_of(*arguments: Any) -> Any:
        fit = all(isinstance(a, kind) for a, kind in zip(arguments, kinds, strict=True))
        return result(*arguments) if fit else None

    of_so_many = {
        1: lambda a: result_of(a),
        2: lambda a, b: result_of(a, b),
        3: lambda a, b, c: result_of(a, b, c),
    }
    type_callable(function)(lambda _context: of_so_many[len(kinds)])
    return lower_builtin(function, *kinds)


def _of_array(array: Any, *_: Any) -> Any:
    return {types.float32: SINGLE, types.float64: DOUBLE}.get(array.dtype)


def _alike(a: Any, b: Any) -> Any:
    return a if a == b else None


def _wider(a: Any, b: Any) -> Any:
    return a if a == b else DOUBLE


def _at_width(builder, value, kind, wanted):
    """A vector of ``kind`` as one of the ``wanted`` kind."""
    if kind == wanted:
        return value
    if wanted == DOUBLE:
        return builder.fpext(value, ir.VectorType(ir.DoubleType(), WIDTH))
    return builder.fptrunc(value, ir.VectorType(ir.FloatType(), WIDTH))


def _pointer(context, builder, sig, args):
    """Pointer to the vector at ``array[index]``, and its alignment [B]."""
    kind, width = sig.args[0], sig.args[1].bitwidth
    data = context.make_array(kind)(context, builder, args[0]).data
    index = args[1] if width == 64 else builder.sext(args[1], ir.IntType(64))
    element = builder.gep(data, [index])
    vector = ir.VectorType(data.type.pointee, WIDTH)
    return builder.bitcast(element, vector.as_pointer()), kind.dtype.bitwidth // 8


@_compiles(load, _of_array, types.Array, types.Integer)
def _load(context, builder, sig, args):
    pointer, align = _pointer(context, builder, sig, args)
    return builder.load(pointer, align=align)


@_compiles(store, lambda *_: types.none, types.Array, types.Integer, Vector)
def _store(context, builder, sig, args):
    pointer, align = _pointer(context, builder, sig, args)
    value = _at_width(builder, args[2], sig.args[2], _of_array(sig.args[0]))
    builder.store(value, pointer, align=align)
    return context.get_dummy_value()


@_compiles(add_to, lambda *_: types.none, types.Array, types.Integer, Vector)
def _add_to(context, builder, sig, args):
    pointer, align = _pointer(context, builder, sig, args)
    held, kind = builder.load(pointer, align=align), _of_array(sig.args[0])
    wide = _wider(kind, sig.args[2])
    terms = _at_width(builder, held, kind, wide), _at_width(builder, args[2], sig.args[2], wide)
    value = builder.fadd(*terms, flags=("contract",))
    builder.store(_at_width(builder, value, wide, kind), pointer, align=align)
    return context.get_dummy_value()


def _spread(context, builder, sig, args):
    kind = context.get_value_type(sig.return_type)
    value = context.cast(builder, args[0], sig.args[0], sig.return_type.dtype)
    first = builder.insert_element(ir.Constant(kind, ir.Undefined), value, ir.IntType(32)(0))
    return builder.shuffle_vector(first, first, ir.Constant(_INDICES, [0] * WIDTH))


_INDICES = ir.VectorType(ir.IntType(32), WIDTH)
_compiles(spread_single, lambda _: SINGLE, types.Number)(_spread)
_compiles(spread_double, lambda _: DOUBLE, types.Number)(_spread)


@_compiles(widen, lambda _: DOUBLE, Vector)
def _widen(context, builder, sig, args):
    return _at_width(builder, args[0], sig.args[0], DOUBLE)


def _picked(places: list[int]) -> Callable[..., Any]:
    def pick(context, builder, sig, args):
        return builder.shuffle_vector(args[0], args[1], ir.Constant(_INDICES, places))

    return pick


_compiles(evens, _alike, Vector, Vector)(_picked(list(range(0, 16, 2))))
_compiles(odds, _alike, Vector, Vector)(_picked(list(range(1, 16, 2))))
_compiles(merged_low, _alike, Vector, Vector)(_picked([0, 8, 1, 9, 2, 10, 3, 11]))
_compiles(merged_high, _alike, Vector, Vector)(_picked([4, 12, 5, 13, 6, 14, 7, 15]))


@_compiles(total, lambda v: v.dtype, Vector)
def _total(context, builder, sig, args):
    number = context.get_value_type(sig.return_type)
    part, size = args[0], WIDTH
    while size > 1:
        size //= 2
        kind = ir.VectorType(ir.IntType(32), size)
        undefined = ir.Constant(part.type, ir.Undefined)
        low = builder.shuffle_vector(part, undefined, ir.Constant(kind, list(range(size))))
        high = builder.shuffle_vector(
            part, undefined, ir.Constant(kind, list(range(size, 2 * size)))
        )
        part = builder.fadd(low, high)
    found = builder.extract_element(part, ir.IntType(32)(0))
    assert found.type == number
    return found


def _chosen(sign: str) -> Callable[..., Any]:
    def choose(context, builder, sig, args):
        return builder.select(builder.fcmp_ordered(sign, *args), *args)

    return choose


_compiles(larger, _alike, Vector, Vector)(_chosen(">"))
_compiles(smaller, _alike, Vector, Vector)(_chosen("<"))


@_compiles(where_positive, lambda _, vector: vector, Vector, Vector)
def _where_positive(context, builder, sig, args):
    nothing = [ir.Constant(value.type, None) for value in args]
    return builder.select(builder.fcmp_ordered(">", args[0], nothing[0]), args[1], nothing[1])


def _operation(name: str) -> Callable[..., Any]:
    def operate(context, builder, sig, args):
        pairs = zip(args, sig.args, strict=True)
        same = [_at_width(builder, value, kind, sig.return_type) for value, kind in pairs]
        return getattr(builder, name)(*same, flags=("contract",))

    return operate


for _operator, _name in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _compiles(_operator, _wider, Vector, Vector)(_operation(_name))
