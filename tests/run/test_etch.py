"""The run: charge, depth and mass close; repeats, threads and interruptions change nothing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from small_cases import circle, dabs, hatch, hold, rectangle, small_case

import simulate as sf
from simulate.case.case import all_stops
from simulate.constants import FARADAY
from simulate.materials.lookup import find_metal
from simulate.materials.removal import depth_from_charge
from simulate.run import etch as etching
from simulate.run.window import PHASES


def strokes(passes=1, turn="0.5 s"):
    return hatch(5, 4, 6, 2, spacing=2, speed=2, passes=passes, turn_time=turn)


PARTS = 6
"""Stops of a dab of three seconds: a rest is cut into half seconds."""


def dab(*points):
    return dabs(points, 3)


DABS = dab([3, 4], [5, 4], [5.2, 4], [7, 4])


def case(stroke=None, metal="carbon_steel", slot=2, emf="2 V", **grid):
    return small_case(
        "A small plate, all invented",
        plate={"metal": metal, "width": "10 mm"},
        electrolyte={"temperature": "22 degC"},
        supply={"emf": emf, "resistance": "2.5 ohm"},
        stencil={
            "thickness": "0.2 mm",
            "shapes": [rectangle(slot, 4, 1.2, 4), circle(5, 4, 2.4)],
        },
        stroke=stroke or strokes(),
        grid=grid,
    )


@pytest.fixture(scope="module")
def hatched():
    return sf.etch_case(case(), workers=1)


def open_area(result):
    cells = np.outer(np.diff(result.y_edges), np.diff(result.x_edges))
    return result.open_fraction * cells


MAPS = ("depth", "contact_time", "charge_density", "peak_density", "open_fraction")
HISTORIES = ("time", "dwell", "current", "voltage", "swab_x", "swab_y", "sample_density")


def same_bits(one, two, names=MAPS + HISTORIES):
    return [name for name in names if not np.array_equal(getattr(one, name), getattr(two, name))]


# -------------------------------------------------------------------------------- what must close


def test_charge_is_the_sum_of_current_and_dwell(hatched):
    left = (hatched.charge_density * open_area(hatched)).sum()
    assert left == pytest.approx((hatched.current * hatched.dwell).sum(), rel=1e-13)
    assert left > 0.05


def test_removed_volume_is_faradays(hatched):
    """volume * density * F / EW = efficiency * charge."""
    metal = hatched.case.metal
    volume = (hatched.depth * open_area(hatched)).sum()
    moles = volume * metal.density.value / metal.equivalent_weight
    charge = (hatched.current * hatched.dwell).sum()
    assert moles * FARADAY == pytest.approx(metal.efficiency.value * charge, rel=1e-13)


def test_depth_is_that_of_the_charge_cell_by_cell(hatched):
    assert (hatched.depth == depth_from_charge(hatched.case.metal, hatched.charge_density)).all()


def test_the_circuit_closes_at_every_stop(hatched):
    supply = hatched.case.supply.after()
    assert supply.resistance >= 2.5
    sagged = supply.emf - supply.resistance * hatched.current
    assert hatched.voltage == pytest.approx(sagged, rel=1e-9)


def test_electrodes_stand_at_their_equilibrium_potentials(hatched):
    """A metal nobler by 0.3 V takes 0.3 V more emf for the same current."""
    noble, taller = 0.3, hatched.case.text.replace('"2 V"', '"2.3 V"')
    metal = hatched.case.metal
    shifted = metal.equilibrium.value + noble
    datum = dataclasses.replace(metal.equilibrium, value=shifted, low=shifted, high=shifted)
    lifted = dataclasses.replace(
        sf.parse_case(taller, "small.toml"), metal=dataclasses.replace(metal, equilibrium=datum)
    )
    result = sf.etch_case(lifted, workers=1)
    assert result.current == pytest.approx(hatched.current, rel=1e-4, abs=1e-9)
    assert result.voltage == pytest.approx(hatched.voltage + noble, rel=1e-4)
    plain = sf.etch_case(sf.parse_case(taller, "small.toml"), workers=1)
    assert plain.current.sum() > 1.1 * hatched.current.sum()


def test_stops_last_as_long_as_the_stroke(hatched):
    """Two lines of 6 mm at 2 mm/s and one turn of 0.5 s; the map holds no more than that."""
    moving = 2 * 6.0 / 2.0
    assert hatched.dwell.sum() == pytest.approx(moving + 0.5, rel=1e-12)
    assert hatched.contact_time.max() <= hatched.dwell.sum() * (1 + 1e-12)


def test_nothing_is_etched_where_nothing_is_open_or_wet(hatched):
    closed = hatched.open_fraction == 0
    dry = hatched.contact_time == 0
    for name in ("depth", "charge_density", "peak_density"):
        assert not getattr(hatched, name)[closed | dry].any()
    assert (hatched.depth[~closed & ~dry] > 0).all()


def test_kept_maps_are_those_of_their_stops(hatched):
    """Every stop is kept here. Under a patch that covers a cell in part, the wet part is shown."""
    assert (hatched.sample_stop == np.arange(len(hatched.time))).all()
    totals = (hatched.sample_density * open_area(hatched)).sum(axis=(1, 2))
    assert (totals >= hatched.current * (1 - 1e-6)).all()
    assert hatched.peak_density == pytest.approx(hatched.sample_density.max(axis=0), rel=1e-6)


def test_twice_the_time_makes_twice_the_charge_of_a_swab_that_stays_as_it_is():
    """At 0.9 V there is no heat to speak of, little gas, and no salt film."""
    one, two = (sf.etch_case(case(hold(5, 4, t), emf="0.9 V")) for t in (3, 6))
    assert two.depth == pytest.approx(2 * one.depth, rel=0.02, abs=1e-12)


def test_ledgers_close_and_say_what_maps_and_histories_say(hatched):
    """Charge, energy, water, acid, metal; dipped again on the way, too."""
    text = hatched.case.text + '[rewet]\ncharge = "0.02 C"\npause = "1 s"\n'
    dipped = sf.etch_case(sf.parse_case(text, "small.toml"), workers=1)
    assert dipped.rewet.sum() > 2
    assert dipped.time[-1] == pytest.approx(hatched.time[-1] + dipped.rewet.sum())
    for run in (hatched, dipped):
        for name, ledger in run.ledgers.items():
            assert abs(ledger["imbalance"]) < 1e-12, name
        charge = (run.charge_density * open_area(run)).sum()
        energy = (run.current * run.voltage * run.dwell).sum()
        book = run.ledgers["energy"]
        assert run.ledgers["charge"]["passed"] == pytest.approx(charge, rel=1e-12)
        assert book["supply"] - book["lost_in_supply"] == pytest.approx(energy, rel=1e-12)
        assert book["heat"] + book["chemical"] == pytest.approx(energy, rel=1e-12)
        mass = run.summary["removed_mass"]["value"]
        assert run.ledgers["metal"]["dissolved"] == pytest.approx(mass, rel=1e-12)


def test_the_state_of_the_swab_is_kept_with_the_result(tmp_path, hatched):
    for name in STATES:
        history = getattr(hatched, name)
        assert history.shape == hatched.time.shape
        assert np.ptp(history) > 0
    assert 1.0 > hatched.acid[0] > hatched.acid[-1] > 0.9
    sf.write_result(hatched, tmp_path / "run.nc")
    again = sf.read_result(tmp_path / "run.nc")
    assert same_bits(hatched, again, STATES) == []
    assert again.ledgers == hatched.ledgers
    assert again.remarks == hatched.remarks


STATES = ("temperature", "conductivity_factor", "acid", "saturation", "gas")


def test_the_depth_at_the_last_sample_is_that_of_the_run(hatched):
    assert hatched.sample_depth[-1] == pytest.approx(hatched.depth, rel=1e-6)
    assert (np.diff(hatched.sample_depth, axis=0) >= 0).all()


# --------------------------------------------------------------------------------------- symmetry


def test_a_mirrored_case_is_etched_mirrored():
    """Plate, openings and stops mirrored about x = 5 mm; places fall on whole cells."""
    places = [[3.2, 4.0], [4.8, 4.4]]
    one = sf.etch_case(case(dab(*places), slot=2), workers=1)
    mirrored = [[10.0 - x, y] for x, y in places]
    two = sf.etch_case(case(dab(*mirrored), slot=8), workers=1)
    # two fields solved to 1e-5 each
    scale = one.depth.max()
    assert two.depth[:, ::-1] == pytest.approx(one.depth, abs=1e-4 * scale)
    assert two.current == pytest.approx(one.current, rel=1e-5)
    assert two.contact_time[:, ::-1] == pytest.approx(one.contact_time, abs=1e-12)


def test_a_symmetric_case_is_etched_symmetrically():
    result = sf.etch_case(case(dab([5, 4])), workers=1)
    disc = result.depth.copy()
    scale = disc.max()
    assert disc[::-1] == pytest.approx(disc, abs=1e-4 * scale)


# ----------------------------------------------------------------------------- threads and repeats


def test_any_number_of_workers_gives_the_same_bits(hatched):
    for workers in (2, 5):
        assert same_bits(hatched, sf.etch_case(case(), workers=workers)) == []


def test_repeated_passes_are_solved_once(hatched):
    once, often = (sf.etch_case(case(strokes(passes, "0 s")), workers=1) for passes in (1, 3))
    assert often.statistics["places"] == once.statistics["places"]
    assert often.statistics["solves"] <= 1.2 * once.statistics["solves"]  # states not met before
    assert len(often.time) == 3 * len(once.time)
    assert often.depth == pytest.approx(3 * once.depth, rel=0.02, abs=1e-12)
    assert len(hatched.time) > len(once.time)  # which rests at its turn


def test_stops_at_one_place_share_its_fields(hatched):
    stops = all_stops(hatched.case)
    eighth = hatched.case.grid.cell / PHASES
    places = {(round(x / eighth), round(y / eighth)) for x, y in zip(stops.x, stops.y, strict=True)}
    assert hatched.statistics["places"] == len(places)
    assert len(places) > 1
    assert len(places) < hatched.statistics["solves"] <= 4 * len(places) + etching.CHECKS


def test_places_closer_than_a_sixteenth_of_a_cell_are_one():
    eighth = 0.4 / PHASES
    stroke = dab([3, 4], [5, 4], [5 + 0.2 * eighth, 4], [7, 4])
    assert sf.etch_case(case(stroke)).statistics["places"] == 3


def test_progress_counts_solves_up_to_all_of_them():
    calls = []
    result = sf.etch_case(case(DABS), lambda done, of: calls.append((done, of)))
    done, expected = np.array(calls).T
    assert (np.diff(done) >= 0).all()
    assert (done <= expected).all()
    assert done[-1] == expected[-1] == result.statistics["solves"]
    assert not result.partial


# ----------------------------------------------------------------------------------- interruption


def interrupted(stroke, after, **options):
    def stop(done, of):
        if done == after:
            raise KeyboardInterrupt

    return sf.etch_case(case(stroke, **options), stop)


def test_an_interrupted_run_keeps_the_stops_up_to_there():
    whole = sf.etch_case(case(DABS, emf="0.9 V"))
    part = interrupted(DABS, after=2, emf="0.9 V")
    assert part.partial
    assert not whole.partial
    for name in ("time", "dwell", "current", "voltage", "swab_x", "swab_y"):
        kept = getattr(part, name)
        assert len(kept) == 2 * PARTS
        assert kept == pytest.approx(getattr(whole, name)[: 2 * PARTS], rel=1e-2)


def test_an_interrupted_run_states_that_its_nodes_are_carried_far():
    whole = sf.etch_case(case(DABS, emf="0.9 V"))
    part = interrupted(DABS, after=2, emf="0.9 V")
    assert part.numerical["interpolation"] > 0
    off = np.abs(part.current / whole.current[: part.current.size] - 1)
    assert off.max() <= max(part.numerical["interpolation"], 1e-3)


def test_the_depth_of_an_interrupted_run_is_that_of_its_stops_alone():
    part = interrupted(DABS, after=2)
    charge = (part.charge_density * open_area(part)).sum()
    assert charge == pytest.approx((part.current * part.dwell).sum(), rel=1e-13)
    assert not part.depth[:, part.x > 6.6e-3].any()


def test_a_stop_at_a_place_known_already_is_kept_after_an_interruption():
    """Third and fourth dab lie where the first two lay: all four are done with two solves."""
    stroke = dab([3, 4], [5, 4], [3, 4], [5, 4], [7, 4])
    part = interrupted(stroke, after=2, emf="0.9 V")
    assert part.statistics["solves"] == 2
    assert len(part.time) == 4 * PARTS


def test_an_interruption_before_the_first_field_leaves_a_bare_plate(monkeypatch):
    def at_once(*_):
        raise KeyboardInterrupt
        yield

    monkeypatch.setattr(etching, "solve_spots", at_once)
    result = sf.etch_case(case(DABS))
    assert result.partial
    assert len(result.time) == 0
    assert not result.depth.any()
    assert not result.contact_time.any()


def test_a_fault_in_the_progress_is_not_swallowed():
    def broken(done, of):
        raise RuntimeError("from the progress")

    with pytest.raises(RuntimeError, match="from the progress"):
        sf.etch_case(case(DABS), broken)


# -------------------------------------------------------------------------------- refused and idle


def test_titanium_is_refused_with_the_reason():
    with pytest.raises(sf.InputError) as caught:
        sf.etch_case(case(metal="titanium"))
    (fault,) = caught.value.faults
    assert fault.key.endswith("metal")
    assert "etch" in fault.problem
    assert fault.expected


def test_titanium_is_refused_by_the_run_too():
    steel = case()
    with pytest.raises(sf.InputError) as caught:
        sf.etch_case(dataclasses.replace(steel, metal=find_metal("titanium")))
    (fault,) = caught.value.faults
    assert fault.key == "metal"
    assert fault.expected


def test_a_swab_over_the_mask_alone_passes_no_current():
    result = sf.etch_case(case(dab([8.5, 1.5], [5, 4])))
    assert (result.current[:PARTS] == 0.0).all()
    assert (result.voltage[:PARTS] == 2.0).all()
    assert (result.current[PARTS:] > 0.0).all()
    covered = np.hypot(result.x[None, :] - 8.5e-3, result.y[:, None] - 1.5e-3) < 0.8e-3
    assert (result.contact_time[covered] > 0).all()
    assert not result.depth[covered].any()


def test_a_sliver_of_an_opening_under_the_swab_is_no_trouble():
    """Stops from clear of the disc to well over it, 10 micrometres apart at the rim."""
    places = [[7.28 + 0.01 * n, 4] for n in range(9)]
    result = sf.etch_case(case(dab([5, 4], *places)))
    rim = result.current[PARTS::PARTS]
    assert (np.diff(rim) <= 1e-3 * rim[0]).all()
    assert (rim >= 0).all()
    assert rim[0] > rim[-1]


def test_a_swab_half_off_the_plate_etches_what_lies_on_it():
    result = sf.etch_case(case(dab([0.4, 4])))
    assert result.current[0] > 0
    total = (result.charge_density * open_area(result)).sum()
    assert total == pytest.approx((result.current * result.dwell).sum(), rel=1e-13)


# ---------------------------------------------------------------------------------- stated errors


def test_no_current_leaves_a_window_with_a_dry_rim(hatched):
    assert hatched.numerical["window_rim"] == 0.0


def spaced(spacing, passes=1):
    return case(strokes(passes, "0 s"), stop_spacing=spacing)


def test_the_stated_error_of_spacing_is_about_the_true_one():
    """Against an eighth of the spacing. Going to and fro hides nothing of it."""
    fine = sf.etch_case(spaced(1 / 32)).charge_density
    for passes in (1, 2, 3):
        result = sf.etch_case(spaced(0.25, passes))
        weight = result.open_fraction
        share = result.charge_density / passes - fine
        true = np.sqrt(np.average(share**2, weights=weight)) / np.average(fine, weights=weight)
        assert true / 2 <= result.numerical["stop_spacing"] <= 4 * true


def test_a_stroke_without_motion_has_no_error_of_spacing():
    assert sf.etch_case(case(DABS)).numerical["stop_spacing"] == 0.0


def test_closer_stops_state_a_smaller_error():
    coarse, fine = (
        sf.etch_case(spaced(spacing)).numerical["stop_spacing"] for spacing in (0.5, 0.125)
    )
    assert fine < 0.4 * coarse
