"""Shares of a total among causes that act together.

The worth of a set of causes is what is seen when they act and the others do not. Causes overlap:
what the last one adds depends on which were there before. The Shapley value is a cause's addition
averaged over all orders in which the causes can come. It is the only division that adds up to
the whole, gives equal shares to causes that act alike and nothing to one that never adds, and
adds where worths add (Shapley, in Contributions to the Theory of Games II, 1953, 307; from
memory).
"""

from __future__ import annotations

from math import factorial

import numpy as np
from numpy.typing import ArrayLike, NDArray


def shapley_values(worth: ArrayLike) -> NDArray[np.float64]:
    """Share of each of n causes in ``worth[-1] - worth[0]``.

        share_c = sum over sets S without c of |S|! (n - |S| - 1)! / n! (worth(S + c) - worth(S))

    Parameters
    ----------
    worth : (2**n,) by set: the set's number has bit c where cause c is in it.

    Returns
    -------
    (n,); they add to the whole to rounding.

    Raises
    ------
    ValueError : the length is no power of two.

    >>> shapley_values([0.0, 1.0, 2.0, 5.0])  # alone 1 and 2, together 5
    array([2., 3.])
    """
    worth = np.asarray(worth, dtype=np.float64)
    count = worth.size.bit_length() - 1
    if worth.shape != (1 << count,):
        raise ValueError(f"a worth for each of 2**n sets, not {worth.shape}")
    sets = np.arange(worth.size)
    size = np.array([int(number).bit_count() for number in sets])
    share = np.zeros(count)
    for cause in range(count):
        without = sets[(sets >> cause) & 1 == 0]
        weight = [factorial(k) * factorial(count - k - 1) / factorial(count) for k in size[without]]
        share[cause] = np.dot(weight, worth[without | 1 << cause] - worth[without])
    return share
