"""Compiled loops over electrode faces: the current through wall, film and half cell in series."""

from __future__ import annotations

import math

from simulate.kernels.compiling import compiled, inner

# columns of a law: see simulate.field.polarisation.law_row
_KIND, _EXCHANGE, _ANODIC, _CATHODIC, _FILM, _LIMIT, _SHARP = 0, 1, 2, 3, 4, 5, 6
FIRST_ELECTRODE, OTHERS = 0, 1
_LARGEST_EXPONENT = 600.0
_LEAST_SLOPE = 1e-3
# Drives so near to each other [V] are taken as on one straight line for a first guess.
_NEAR = 0.02
# After a step so small, relative to the overpotential, a straight line leaves out the square of it.
_LAST_STEP = 1e-9


@inner
def _power(a, p):
    """a**p; the usual p = 4 by multiplying, which takes a tenth of the time."""
    return (a * a) * (a * a) if p == 4.0 else a**p


@compiled
def kinetic_current(eta, law):
    """Capped current density and its slope di/deta at the kinetic overpotential eta."""
    kind = law[_KIND]
    exchange = law[_EXCHANGE]
    if kind == 1.0:
        current = eta / exchange
        slope = 1.0 / exchange
    elif kind == 2.0:
        x = eta / law[_ANODIC]
        if x >= 0.0:
            x = min(x, _LARGEST_EXPONENT)
            grown = math.exp(x)
            shrunk = 1.0 / grown
            current = exchange * (grown - shrunk)
            slope = exchange * (grown + shrunk) / law[_ANODIC]
        else:
            t = math.tanh(x)
            current = 2.0 * exchange * t
            slope = 2.0 * exchange * (1.0 - t * t) / law[_ANODIC]
    else:
        grown = math.exp(min(eta / law[_ANODIC], _LARGEST_EXPONENT))
        shrunk = math.exp(min(-eta / law[_CATHODIC], _LARGEST_EXPONENT))
        current = exchange * (grown - shrunk)
        slope = exchange * (grown / law[_ANODIC] + shrunk / law[_CATHODIC])
    limit = law[_LIMIT]
    if limit < math.inf:
        p = law[_SHARP]
        a = abs(current) / limit
        small = min(a, 1.0 / a) if a > 0.0 else 0.0
        power = _power(small, p)
        bracket = 1.0 + power
        root = 1.0 / math.sqrt(math.sqrt(bracket)) if p == 4.0 else bracket ** (-1.0 / p)
        if a <= 1.0:
            current = current * root
            slope = slope * root / bracket
        else:
            current = math.copysign(limit * root, current)
            slope = slope * (power / a) * root / bracket
    return current, slope


@inner
def _bound(u, series, law):
    """An overpotential that is surely not passed: |eta| <= this, same sign as u."""
    bound = u
    kind = law[_KIND]
    if series > 0.0 and law[_LIMIT] == math.inf:
        ratio = abs(u) / (series * law[_EXCHANGE])
        if kind == 2.0 and u > 0.0:
            bound = min(u, law[_ANODIC] * math.asinh(0.5 * ratio))
        elif kind == 3.0 and u > 0.0:
            bound = min(u, law[_ANODIC] * math.log1p(ratio))
        elif kind == 3.0 and u < 0.0:
            bound = max(u, -law[_CATHODIC] * math.log1p(ratio))
    return bound


@compiled
def wall_current(u, series, law, eta):
    """Solve u = eta + i(eta) * (series + film); returns i, di/du and eta.

    Newton's method between brackets that halve when a step would leave them, or is not half as
    long as that before the last: past the bend of a limited current Newton's steps lead to and fro.
    ``eta`` is a first guess. series [ohm m2]; i [A/m2]; u, eta [V].
    """
    r = series + law[_FILM]
    if law[_KIND] == 0.0 or (law[_KIND] == 1.0 and law[_EXCHANGE] == 0.0):
        return u / r, 1.0 / r, 0.0
    if law[_KIND] == 1.0 and law[_LIMIT] == math.inf:
        total = r + law[_EXCHANGE]
        return u / total, 1.0 / total, u * law[_EXCHANGE] / total
    far = _bound(u, r, law)
    low = min(far, 0.0)
    high = max(far, 0.0)
    if not (low < eta < high):
        eta = far
    current, slope = kinetic_current(eta, law)
    before = last = high - low
    for _ in range(200):
        fault = r * current + eta - u
        if abs(fault) <= 4e-16 * (abs(u) + r * abs(current)):
            break
        if fault > 0.0:
            high = eta
        else:
            low = eta
        step = eta - fault / (r * slope + 1.0)
        inside = low < step < high and 2.0 * abs(step - eta) <= before
        if not inside:
            step = 0.5 * (low + high)
        if step == eta:
            break
        moved = step - eta
        before, last = last, abs(moved)
        eta = step
        if inside and abs(moved) <= _LAST_STEP * abs(eta):
            current += slope * moved
            break
        current, slope = kinetic_current(eta, law)
    return current, slope / (1.0 + r * slope), eta


@compiled
def wall_currents(drive, series, electrode, laws, eta, current, slope):
    """`wall_current` for many faces; ``eta`` holds first guesses and receives the answers.

    drive [V], series [ohm m2], electrode (row of ``laws``): (n,); laws: (m, 8).
    """
    for f in range(drive.size):
        current[f], slope[f], eta[f] = wall_current(drive[f], series[f], laws[electrode[f]], eta[f])


@compiled
def face_currents(
    cell, phi, move, step, offset, lift, conductance, area, film, electrode, law, laws, eta, drive,
    part, out,
):  # fmt: skip
    """Currents [A] and slopes [S] of faces at phi + step * move into ``out`` (2, n).

    drive = offset + lift (first electrode only) - phi[cell]. ``film`` is a further series
    resistance of each face [ohm m2], ``law`` its row of ``laws``. ``eta`` and ``drive`` (2, n) are
    kept from call to call: overpotential, drive, and how the one follows the other, NaN at first.
    ``part`` is `FIRST_ELECTRODE` or `OTHERS`. Returns their total current and slope.
    """
    total = 0.0
    total_slope = 0.0
    for f in range(cell.size):
        if (electrode[f] == 0) != (part == FIRST_ELECTRODE):
            continue
        u = offset[f] + lift - phi[cell[f]] - step * move[cell[f]]
        r = area[f] / conductance[f] + film[f]
        near = abs(u - drive[0, f]) < _NEAR
        guess = eta[f] + drive[1, f] * (u - drive[0, f]) if near else eta[f]
        i, s, eta[f] = wall_current(u, r, laws[law[f]], guess)
        drive[0, f] = u
        drive[1, f] = 1.0 - (r + laws[law[f], _FILM]) * s
        total += i * area[f]
        total_slope += s * area[f]
        out[0, f] = i * area[f]
        # A face at its limiting current has hardly a slope; a small part of the chord's keeps
        # cells that hang on such faces alone from being tied to nothing.
        chord = i / u if u != 0.0 else 0.0
        out[1, f] = max(s, _LEAST_SLOPE * chord) * area[f]
    return total, total_slope
