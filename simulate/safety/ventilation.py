"""Ventilation: gas evolved by a current, and its concentration in the air of a room.

Two-zone model: the room is one well-mixed volume with fresh air coming in; near the swab a second,
smaller volume exchanges air with it (Nicas 1996). Nothing is taken up by walls, skin or liquid, so
the result is an upper bound in that respect. Fractions are by volume.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from simulate.case.settings import Room
from simulate.constants import ATMOSPHERE, FARADAY, GAS_CONSTANT
from simulate.rules import require_positive

ROOM_TEMPERATURE: Final = 298.15  # [K]


def molar_volume(temperature: float = ROOM_TEMPERATURE, pressure: float = ATMOSPHERE) -> float:
    """Volume of a mole of ideal gas, R T / p [m3/mol]; 24.465 L at 25 degC and one atmosphere."""
    return GAS_CONSTANT * temperature / pressure


def gas_volume(
    charge: float,
    electrons: float = 2.0,
    *,
    temperature: float = ROOM_TEMPERATURE,
    pressure: float = ATMOSPHERE,
) -> float:
    """Volume of dry gas evolved by a charge, R T q / (n F p) [m3].

    Parameters
    ----------
    charge : [C]; or a current [A], which gives a flow [m3/s].
    electrons : per molecule: 2 for hydrogen and chlorine, 4 for oxygen.
    temperature, pressure : of the gas [K], [Pa].

    >>> round(gas_volume(1.0) * 1e6, 4)  # mL of hydrogen per coulomb
    0.1268
    """
    return charge / (electrons * FARADAY) * molar_volume(temperature, pressure)


def held_time(room: Room, time: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """How much of a steady flow a room still holds after a time, as seconds of that flow [s].

    (1 - e^(-a t)) / a with a the air changes; t where no fresh air comes in.

    Parameters
    ----------
    time : since the flow began [s], any shape.
    """
    seconds = np.asarray(time, dtype=float)
    rate = room.air_changes
    return np.asarray(-np.expm1(-rate * seconds) / rate if rate > 0.0 else seconds)


def room_fraction(flow: float, room: Room, time: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Volume fraction of a gas in a well-mixed room that began clean [-].

    C(t) = (G / Q) (1 - e^(-Q t / V)), Q = V * air changes; without fresh air G t / V. At most 1.

    Parameters
    ----------
    flow : of the gas from every swab in the room together, G [m3/s].
    room : volume [m3] and air changes [1/s].
    time : since the work began [s], any shape.
    """
    return np.minimum(flow / room.volume * held_time(room, time), 1.0)


def near_fraction(flow: float, reach: float = 0.5, air_speed: float = 0.05) -> float:
    """Volume fraction that one swab adds to the air within reach, over that of the room [-].

    G / beta with beta = pi reach^2 * air speed: the air that crosses half of a hemisphere about the
    work (Nicas 1996). It builds up within seconds, so it is taken as steady.

    Parameters
    ----------
    flow : of one swab's gas [m3/s].
    reach : radius of the hemisphere [m].
    air_speed : [m/s].
    """
    return min(1.0, flow / (math.pi * reach**2 * air_speed))


def fresh_air(limit: float, flow: float, mixing: float = 1.0) -> float:
    """Fresh air that holds a gas at its limit, K G / C [m3/s].

    Parameters
    ----------
    limit : volume fraction that may be reached [-], > 0.
    flow : of the gas [m3/s].
    mixing : K, 1 for a perfectly stirred room, 3 to 10 for real ones (ACGIH manual, from memory).

    Raises
    ------
    InputError : the limit is not above zero.
    """
    require_positive(limit=limit)
    return mixing * flow / limit


def swabs_allowed(limit: float, flow: float, room: Room, time: float, near: float = 0.0) -> int:
    """How many swabs may work at once before the air about one of them passes a limit.

    Each adds to the room's air; only a person's own swab adds its near field.

    Parameters
    ----------
    limit : volume fraction that may be reached [-].
    flow : of one swab's gas [m3/s].
    time : everyone works [s].
    near : `near_fraction` of one swab [-].
    """
    each = float(room_fraction(flow, room, time))
    if near >= limit:
        return 0
    return 10**6 if each == 0.0 else min(10**6, math.floor((limit - near) / each * (1 + 1e-12)))
