"""The figure of the cell: to scale, its numbers the run's, its reactions the metal's."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from sample_result import sample_result

from simulate.case.case import with_changes
from simulate.figures.captions import current_words, time_words
from simulate.figures.cell import cell_figure
from simulate.figures.cell_bodies import ROOM
from simulate.figures.reactions import anode_reactions, dissolution, positive_ions, valences
from simulate.materials.metals import load_metals
from simulate.swab.cell_fractions import extent
from simulate.swab.contact_patch import contact_size

CELL = 5e-4
DIGITS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻₀₁₂₃₄₅₆₇₈₉", "0123456789+-0123456789")


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=CELL)


@pytest.fixture(scope="module")
def drawn(result):
    figure = cell_figure(result)
    figure.draw_without_rendering()
    return figure


def words_of(figure):
    return " ".join(f"{figure.get_suptitle()} {figure.get_supxlabel()}".split())


def test_a_millimetre_is_as_long_upward_as_along(drawn):
    ax = drawn.axes[0]
    origin, right, up = ax.transData.transform([(0, 0), (1, 0), (0, 1)])
    assert right[0] - origin[0] == pytest.approx(up[1] - origin[1])


def test_swab_contact_and_wire_have_their_sizes(result, drawn):
    ax = drawn.axes[0]
    body, wire = (one.get_paths()[0].get_extents() for one in ax.collections[:2])
    swab = result.case.swab
    low, high, _, _, top = (1e3 * value for value in extent(swab))
    step = ROOM * 1.05 * (high - low + 5.0) / ROOM / 600
    assert body.width == pytest.approx(1e3 * swab.length, abs=2 * step)
    assert body.height == pytest.approx(top, abs=2 * step)
    assert wire.height == pytest.approx(1e3 * swab.wire_diameter, abs=2 * step)
    assert wire.width == pytest.approx(1e3 * (swab.length - swab.wire_gap), abs=2 * step)
    lowest = body_row(ax, 0.0)
    assert np.ptp(lowest) == pytest.approx(1e3 * contact_size(swab)[0], abs=0.2)


def body_row(ax, height):
    """Where the outline of the swab stands on a height."""
    points = np.vstack([path.vertices for path in ax.collections[0].get_paths()])
    return points[np.abs(points[:, 1] - height) < 1e-9, 0]


def test_the_bar_is_as_long_as_it_says(drawn):
    ax = drawn.axes[0]
    bar = ax.lines[-1].get_xdata()
    said = [text.get_text() for text in ax.texts if re.fullmatch(r"[\d.]+ mm", text.get_text())]
    assert said == [f"{bar[1] - bar[0]:g} mm"]


def test_the_words_are_the_numbers_of_the_run(result, drawn):
    said = words_of(drawn)
    current = float(re.search(r"The cell: ([\d.]+) mA", said)[1]) * 1e-3
    stop = int(np.argmin(np.abs(result.current - current)))
    assert current == pytest.approx(result.current[stop], rel=3e-3)
    assert f"at {result.voltage[stop]:.3g} V between" in said
    when = re.search(r"\. ([\d.]+ (?:s|min)) into the run", said)[1]
    then = [n for n, t in enumerate(result.time) if " ".join(time_words(t).split()) == when]
    shown = re.search(r"The cell: ([\d.]+ mA) at", said)[1]
    assert shown in {" ".join(current_words(result.current[n]).split()) for n in then}
    mantissa, power = re.search(r"are ([\d.]+) × 10([⁰¹²³⁴⁵⁶⁷⁸⁹]+) electrons", said).groups()
    electrons = float(mantissa) * 10.0 ** int(power.translate(DIGITS))
    assert electrons == pytest.approx(result.current[stop] / 1.602176634e-19, rel=0.03)
    source = result.case.supply.after()
    assert f"{source.emf:g} V at no current and {source.resistance:.3g} ohm" in said
    assert "the mask is 0.15 mm" in said


def test_arrows_go_both_ways_between_openings_and_cathode(drawn):
    ions = [p for p in drawn.axes[0].patches if type(p).__name__ == "FancyArrowPatch"][2:]
    upward = [p._posA_posB[1][1] > p._posA_posB[0][1] for p in ions]
    assert True in upward
    assert False in upward


@pytest.mark.parametrize("name", sorted(load_metals()))
def test_every_half_reaction_is_balanced_in_charge_and_atoms(name):
    metal = load_metals()[name]
    lines = anode_reactions(metal)
    assert lines
    for line in lines:
        left, right = line.split("  (")[0].split(" → ")
        sides = [tally(side) for side in (left, right)]
        assert sides[0] == sides[1], line
    electrons = [int((re.search(r"\+ (\d?) ?e⁻", line)[1]) or 1) for line in lines]
    taken = valences(metal)
    assert set(electrons) <= {round(taken[element]) for element in metal.composition}


def tally(side):
    """Atoms and charge of one side of a reaction."""
    atoms = {"charge": 0}
    for term in side.split(" + "):
        plain = term.translate(DIGITS)
        count, body = re.fullmatch(r"(\d*) ?(.+)", plain).groups()
        count = int(count or 1)
        if body == "e-":
            atoms["charge"] -= count
            continue
        charge = re.search(r"(\d?)([+-])$", body)
        if charge:  # a digit before the sign is the charge, but in CuCl2- it counts chlorine
            counted = "Cl2" in body
            size = 1 if counted else int(charge[1] or 1)
            atoms["charge"] += count * size * (1 if charge[2] == "+" else -1)
            body = body[:-1] if counted else body[: charge.start()]
        for element, number in re.findall(r"([A-Z][a-z]?)(\d*)", body):
            atoms[element] = atoms.get(element, 0) + count * int(number or 1)
    return atoms


def test_copper_leaves_as_copper_one_with_chloride_and_zinc_as_a_plain_ion():
    brass = load_metals()["brass"]
    assert anode_reactions(brass) == (
        "Cu + 2 Cl⁻ → CuCl₂⁻ + e⁻  (70 %)",
        "Zn → Zn²⁺ + 2 e⁻  (30 %)",
    )
    assert positive_ions(brass) == ("Zn²⁺",)
    assert dissolution("Cu", 2) == "Cu → Cu²⁺ + 2 e⁻"


def test_the_figure_names_the_metal_of_the_case(result):
    changed = with_changes(result.case, {"plate.metal": "brass", "plate.thickness": "2 mm"})
    figure = cell_figure(dataclasses.replace(result, case=changed))
    texts = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert "plate of brass 70/30: anode (+)" in texts
    assert "Cu + 2 Cl⁻ → CuCl₂⁻ + e⁻  (70 %)" in texts
    assert "the plate is 2 mm thick" in words_of(figure)


def test_an_upright_swab_and_a_pad_can_be_drawn(result):
    for changes, name in (
        ({"swab.tilt": "90 deg"}, "wet cotton"),
        (
            {
                "swab.form": "pad",
                "swab.width": "8 mm",
                "swab.height": "4 mm",
                "swab.diameter": None,
                "swab.press": None,
            },
            "wet felt",
        ),
    ):
        changed = with_changes(result.case, changes)
        figure = cell_figure(dataclasses.replace(result, case=changed))
        assert name in [text.get_text() for text in figure.axes[0].texts]
