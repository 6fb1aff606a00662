"""The numerical error a run states of itself, from the same case on coarser cells."""

from __future__ import annotations

import logging
from dataclasses import replace

import numpy as np
import pytest

import simulate as sf
from simulate.cli import main
from simulate.result.grid_convergence import guarded_uncertainty
from simulate.result.grid_error import (
    QUANTITIES,
    coarser,
    grid_errors,
    mean_current,
    with_grid_error,
)

CASE = """\
title = "{name}"
[plate]
metal = "carbon_steel"
width = "12 mm"
height = "12 mm"
[electrolyte]
vinegar = "100 ml"
salt = "15 g"
[supply]
emf = "{emf}"
resistance = "10 ohm"
[stencil]
thickness = "{thickness}"
[[stencil.shapes]]
{shape}
[swab]
{swab}
[stroke]
{stroke}
[grid]
cell = "0.2 mm"
"""

SLOT = 'kind = "rectangle"\nx = "6 mm"\ny = "6 mm"\nwidth = "2.4 mm"\nheight = "1.6 mm"'
PAD = 'form = "pad"\nlength = "4.3 mm"\nwidth = "3.7 mm"\nheight = "1.5 mm"'
BUD = 'form = "bud"\ndiameter = "3 mm"\nlength = "5 mm"\npress = "0.5 mm"\nwire_gap = "1 mm"'
HOLD = 'pattern = "hold"\nx = "6.1 mm"\ny = "5.9 mm"\ntime = "1 s"'
LINE = 'pattern = "path"\npoints = [[5.8, 6], [6.4, 6]]\nunit = "mm"\nspeed = "1 mm/s"\npasses = 1'


def text(name: str = "slot", **changes: str) -> str:
    usual = {"emf": "1.6 V", "thickness": "0.1 mm", "shape": SLOT, "swab": PAD, "stroke": HOLD}
    return CASE.format(name=name, **usual | changes)


def case(**changes: str) -> sf.Case:
    return sf.parse_case(text(**changes), "case.toml")


@pytest.fixture(scope="module")
def plain() -> sf.Result:
    return sf.etch_case(case(), workers=1)


@pytest.fixture(scope="module")
def stated() -> sf.Result:
    asked = text() + "refine = true\n"
    return sf.etch_case(sf.parse_case(asked, "case.toml"), workers=1)


def test_a_case_that_asks_is_told_four_errors_and_loses_nothing(plain, stated):
    assert list(stated.numerical)[:4] == ["current", "mean_depth", "edge_ratio", "evenness"]
    assert dict(stated.numerical) | dict(plain.numerical) == dict(stated.numerical)
    assert (stated.depth == plain.depth).all()
    told = stated.summary["numerical_error"]
    assert told["mean_depth"] == {"value": stated.numerical["mean_depth"], "unit": "1"}
    assert not set(QUANTITIES) & set(plain.numerical)


def test_errors_are_richardsons_from_cells_twice_and_four_times_as_coarse(plain, stated):
    """By hand: three times the larger of what two pairs tell at first order, or the whole range
    where values go up and down, and 1e-5."""
    depths = [plain.summary["mean_depth"]["value"]]
    for cell in ("0.4 mm", "0.8 mm"):
        coarse = sf.parse_case(text().replace("0.2 mm", cell), "case.toml")
        depths.append(sf.etch_case(coarse, workers=1).summary["mean_depth"]["value"])
    fine, medium, rough = depths
    told = max(abs(fine - medium), abs(medium - rough) / 2)
    if (fine - medium) * (medium - rough) < 0:
        told = max(depths) - min(depths)
    band = 3 * told / fine + 1e-5
    assert stated.numerical["mean_depth"] == pytest.approx(band, rel=1e-9)
    assert 0.0 < band < 0.5


def test_the_coarser_case_has_coarser_cells_and_stops():
    fine = case(stroke=LINE)
    coarse = coarser(replace(fine, grid=replace(fine.grid, refine=True, finer=2)), 2)
    assert coarse.grid.cell / coarse.grid.finer == pytest.approx(2e-4)
    assert coarse.stop_spacing == pytest.approx(fine.stop_spacing)
    assert coarse.grid.refine is False


def test_mean_current_is_charge_over_time(plain):
    charge = plain.summary["charge"]["value"]
    assert mean_current(plain) == pytest.approx(charge / plain.dwell.sum(), rel=1e-12)


def test_a_quantity_that_does_not_exist_has_no_error(plain):
    nowhere = replace(plain, depth=np.zeros_like(plain.depth))
    assert "current" in grid_errors([plain, plain])
    assert set(grid_errors([nowhere, plain])) == {"current"}
    assert set(grid_errors([plain, nowhere])) >= {"current", "mean_depth"}


def test_coarse_runs_that_fail_or_stop_are_done_without(plain, caplog):
    def fails(_: sf.Case) -> sf.Result:
        raise sf.ResultError("too coarse")

    def stops(_: sf.Case) -> sf.Result:
        return replace(plain, partial=True)

    def fails_late(coarse: sf.Case) -> sf.Result:
        return plain if coarse.grid.cell < 5e-4 else fails(coarse)

    with caplog.at_level(logging.WARNING):
        for etch in (fails, stops):
            assert with_grid_error(plain, etch) is plain
        assert "mean_depth" in with_grid_error(plain, fails_late).numerical
    assert "too coarse" in caplog.text
    assert "interrupted" in caplog.text


def test_the_guarded_band_takes_the_pair_that_tells_more():
    assert guarded_uncertainty([1.0, 1.1], 2.0) == pytest.approx(0.3)
    assert guarded_uncertainty([1.0, 1.1, 1.2], 2.0) == pytest.approx(0.3)
    assert guarded_uncertainty([1.0, 1.1, 0.9], 2.0) == pytest.approx(0.6)
    assert guarded_uncertainty([1.0, 1.0, 1.4], 2.0) == pytest.approx(0.6)
    assert guarded_uncertainty([1.0, 1.3], 2.0, order=2.0, safety=1.25) == pytest.approx(0.125)
    with pytest.raises(sf.InputError, match="values"):
        guarded_uncertainty([1.0], 2.0)


@pytest.mark.parametrize(
    ("values", "band"),
    [
        ([1.0, 1.1, 1.4], 3 * 0.1 / 2.0),  # 2^p = 3
        ([1.0, 1.1, 2.1], 3 * 0.1 / 3.0),  # 2^p = 10, held at 2
        ([1.0, 1.1, 1.15], 3 * 0.1),  # growing, held at 1
        ([1.0, 1.1, 0.9], 3 * 0.2),  # up and down: the range
        ([1.0, 1.0, 1.4], 3 * 0.2),  # agreement by chance: the other pair
        ([1.0, 1.1], 3 * 0.1),
    ],
)
def test_an_order_is_observed_between_its_limits(values, band):
    assert guarded_uncertainty(values, 2.0, highest=2.0) == pytest.approx(band, rel=1e-9)


def test_etch_error_states_it_from_the_command_line(tmp_path, capsys, monkeypatch):
    from simulate import figures

    monkeypatch.setattr(figures, "draw_result", lambda *_: ())
    (tmp_path / "case.toml").write_text(text(), encoding="utf-8")
    out = tmp_path / "run"
    assert main(["etch", str(tmp_path / "case.toml"), "--out", str(out), "--error"]) == 0
    printed = capsys.readouterr().out
    for name in ("current", "mean depth", "edge ratio", "evenness"):
        assert f"{name}" in printed.split("Numerical error")[1]
    kept = sf.read_result(out / "result.nc")
    assert set(QUANTITIES) < set(kept.numerical)
    assert kept.case.grid.refine is False


SHAPES = {
    "slot": {},
    "slot, thick mask": {"thickness": "0.4 mm"},
    "slot off the grid": {"shape": SLOT.replace("2.4", "2.3").replace("1.6", "1.7")},
    "disk": {"shape": 'kind = "circle"\nx = "6 mm"\ny = "6 mm"\ndiameter = "2.2 mm"'},
    "ring": {"shape": 'kind = "ring"\nx = "6 mm"\ny = "6 mm"\nouter = "3 mm"\ninner = "1.6 mm"'},
    "letters": {"shape": 'kind = "text"\ntext = "ab"\nx = "6 mm"\ny = "6 mm"\nheight = "2.4 mm"'},
    "slot, turned": {"shape": SLOT + '\nangle = "30 deg"'},
    "slot, bud": {"swab": BUD},
    "slot, stroke": {"stroke": LINE},
    "ring, bud, stroke": {
        "shape": 'kind = "ring"\nx = "6 mm"\ny = "6 mm"\nouter = "3 mm"\ninner = "1.6 mm"',
        "swab": BUD,
        "stroke": LINE,
    },
}


def bar(x: float, y: float, width: float, height: float) -> str:
    return (
        f'kind = "rectangle"\nx = "{x} mm"\ny = "{y} mm"\n'
        f'width = "{width} mm"\nheight = "{height} mm"'
    )


ALONG = {  # rims run along the cells of 0.8 mm and all finer ones
    "square": {"shape": bar(5.6, 5.6, 1.6, 1.6)},
    "bar, bud": {"shape": bar(6.4, 6.0, 3.2, 0.8), "swab": BUD},
    "two bars": {
        "shape": bar(5.2, 5.6, 0.8, 3.2) + "\n[[stencil.shapes]]\n" + bar(6.8, 5.6, 0.8, 3.2)
    },
    "wide, stroke": {"shape": bar(6.4, 5.6, 3.2, 1.6), "stroke": LINE, "thickness": "0.2 mm"},
}


@pytest.mark.parametrize("group", ["rims cut cells", "rims along cells"])
def test_stated_errors_of_runs_cover_what_finer_cells_give_and_are_not_idle(group):
    """Runs at 0.2 mm against 0.067 mm, extrapolated with 0.1 mm at order 1.2 (0.1 mm has a third of
    the error that counts here). At least 95 % are covered; in the median the stated error is not
    more than ten times too wide. Found: 39 of 40 and 7 times where rims cut cells, 16 of 16 and 5
    times where they do not. The table is printed.

    The rules were chosen with these runs and a dozen more in view. Then eight others were done
    once, four of each kind (bars, rings, a turned slot, a letter, strokes, 1.6 and 2.5 V), against
    0.05 mm: 32 of 32 covered, 5 times too wide in the median.
    """
    covered, widths = [], []
    print(f"\n{'run':<20}{'quantity':<12} true error  stated error")  # noqa: T201
    for name, changes in (SHAPES if group == "rims cut cells" else ALONG).items():
        one = case(name=name, **changes)
        results = [
            sf.etch_case(coarser(one, factor), workers=1) for factor in (1 / 3, 0.5, 1.0, 2.0, 4.0)
        ]
        stated = grid_errors(results[2:])
        for quantity, value in QUANTITIES.items():
            finest, finer, used = (value(result) for result in results[:3])
            exact = finest + (finest - finer) / (1.5**1.2 - 1.0)
            error = abs(used / exact - 1.0)
            print(f"{name:<20}{quantity:<12} {error:.2e}    {stated[quantity]:.2e}")  # noqa: T201
            covered.append(error <= stated[quantity])
            widths.append(stated[quantity] / error)
    assert len(covered) == (40 if group == "rims cut cells" else 16)
    assert sum(covered) >= 0.95 * len(covered)
    assert 1.0 <= np.median(widths) <= 10.0


def test_the_order_is_observed_only_where_rims_run_along_the_cells_of_all_grids(plain):
    whole = replace(plain, open_fraction=np.round(plain.open_fraction))
    cut = replace(plain, open_fraction=np.clip(plain.open_fraction, 0.0, 0.9))
    series = [replace(whole, current=plain.current * (1.0 + 1e-3 * 4.0**n)) for n in range(3)]
    shrinking = 3 * 3e-3 / (4.0 - 1.0) / (1.0 + 1e-3) + 1e-5
    assert grid_errors(series)["current"] == pytest.approx(shrinking, rel=1e-6)
    series[2] = replace(cut, current=series[2].current)
    first_order = 3 * 6e-3 / (1.0 + 1e-3) + 1e-5
    assert grid_errors(series)["current"] == pytest.approx(first_order, rel=1e-6)
