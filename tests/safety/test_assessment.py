"""Safety: what is expected, what is bound, what is flagged, what is said."""

from __future__ import annotations

import pytest

from simulate.case.settings import Room
from simulate.errors import InputError
from simulate.materials.catalogue import Datum
from simulate.materials.lookup import find_battery, load_metals
from simulate.materials.metals import find_metal
from simulate.safety.assessment import DEFERENCE, GENERAL, Job, assess, assumed_room, cautions
from simulate.safety.limits import worst
from simulate.safety.ventilation import gas_volume, near_fraction, room_fraction

HALF = Datum(0.5, 0.4, 0.7, "A", "read on a meter", "fair")
TEN_MINUTES = Job(current=HALF, duration=600.0, dips=20)
SMALL = Room(30.0, 0.5 / 3600)
ETCHABLE = sorted(name for name, metal in load_metals().items() if metal.etches)


def by_topic(job=TEN_MINUTES, metal="carbon_steel", room=SMALL, **others):
    return {v.topic: v for v in assess(job, find_metal(metal), room, **others)}


def test_every_fault_of_a_job_is_reported_at_once():
    with pytest.raises(InputError) as caught:
        Job(current=Datum(-1.0, -1.0, 0.0), duration=0.0, dips=0, liquid=-1.0)
    keys = {fault.key for fault in caught.value.faults}
    assert keys == {"current", "duration", "dips", "liquid"}


@pytest.mark.parametrize("metal", ETCHABLE)
def test_the_band_holds_the_value_and_the_bound_is_never_below_what_is_expected(metal):
    found = by_topic(metal=metal)
    for verdict in found.values():
        assert verdict.value.low <= verdict.value.value <= verdict.value.high
    assert found["chlorine"].value.value <= found["chlorine bound"].value.value
    assert found["chlorine"].value.high <= found["chlorine bound"].value.high


def test_the_bound_is_all_current_to_chlorine_in_room_and_near_field():
    flow = gas_volume(0.5)
    share = float(room_fraction(flow, SMALL, 600.0)) + near_fraction(flow)
    assert by_topic()["chlorine bound"].value.value == pytest.approx(share, rel=1e-12)


def test_one_steel_etch_in_an_aired_workshop_passes_no_limit():
    workshop = Room(150.0, 5 / 3600)
    found = by_topic(room=workshop)
    assert worst(found.values()) != "past"
    assert found["chlorine"].severity == found["hydrogen"].severity == "fine"


def test_a_small_closed_room_with_many_swabs_is_flagged():
    class_room = Room(30.0, 0.5 / 3600, swabs=15)
    found = by_topic(room=class_room)
    assert found["chlorine bound"].severity == "past"
    assert found["chlorine"].severity == "watch"
    assert worst(found.values()) == "past"


def test_a_bound_below_what_threatens_life_is_watched():
    verdict = by_topic()["chlorine bound"]
    assert 0.4e-6 < verdict.value.value < 10e-6
    assert verdict.severity == "watch"


def test_many_swabs_on_stainless_pass_the_number_allowed():
    crowded = by_topic(metal="stainless_304", room=Room(30.0, 0.5 / 3600, swabs=40))
    assert crowded["swabs at once"].severity == "past"
    assert crowded["chlorine"].severity == "past"
    most = int(crowded["swabs at once"].limit.value)
    fewer = by_topic(metal="stainless_304", room=Room(30.0, 0.5 / 3600, swabs=most))
    more = by_topic(metal="stainless_304", room=Room(30.0, 0.5 / 3600, swabs=most + 1))
    assert fewer["chlorine"].severity == "watch"
    assert more["chlorine"].severity == "past"


def test_no_room_means_a_small_closed_one():
    assert by_topic(room=None) == by_topic(room=assumed_room())
    assert assumed_room().volume <= 30.0
    assert assumed_room().air_changes <= 1.0 / 3600


@pytest.mark.parametrize("metal", ["stainless_304", "stainless_316"])
def test_stainless_always_flags_chromium_and_nickel(metal):
    brief = Job(current=Datum(0.05, 0.05, 0.05), duration=5.0)
    found = by_topic(brief, metal, Room(1000.0, 10 / 3600))
    for topic in ("chromium", "hexavalent chromium", "nickel", "waste"):
        assert found[topic].severity != "fine", topic


def test_chromium_dissolved_agrees_with_the_worked_number():
    """304 gives 0.048 mg of chromium per coulomb at full efficiency, 1.9 mg for 40 C (by hand)."""
    job = Job(current=Datum(0.5, 0.5, 0.5), duration=80.0)
    whole = find_metal("stainless_304").put(efficiency=1.0)
    found = {v.topic: v for v in assess(job, whole, SMALL)}
    assert found["chromium"].value.value == pytest.approx(1.9e-6, rel=0.02)
    bound = found["hexavalent chromium"].value
    assert bound.value == 0.0
    assert 1.0e-6 < bound.high < found["chromium"].value.value


def test_a_known_share_of_hexavalent_chromium_shows_in_the_value():
    metal = find_metal("stainless_304").put(high_share=0.5)
    found = {v.topic: v for v in assess(TEN_MINUTES, metal, SMALL)}
    chromium, six = found["chromium"].value.value, found["hexavalent chromium"].value.value
    assert six == pytest.approx(chromium / 2, rel=1e-12)


def test_copper_is_flagged_and_steel_leaves_nothing_to_collect():
    assert by_topic(metal="copper")["copper"].severity == "watch"
    assert by_topic(metal="copper")["waste"].severity == "watch"
    steel = by_topic(metal="carbon_steel")
    assert steel["waste"].value.high == 0.0
    assert "chromium" not in steel


def test_aluminium_gives_more_hydrogen_than_its_current():
    steel, aluminium = by_topic(), by_topic(metal="aluminium")
    ratio = aluminium["hydrogen"].value.value / steel["hydrogen"].value.value
    assert ratio == pytest.approx(1.1, rel=1e-9)


def test_hydrogen_under_a_lid_is_warned_about_once_it_could_burn():
    assert by_topic()["hydrogen under a lid"].severity == "watch"
    brief = Job(current=Datum(0.1, 0.1, 0.1), duration=60.0)
    assert by_topic(brief)["hydrogen under a lid"].severity == "fine"


def test_voltage_is_past_its_limit_above_sixty_volts():
    mains = Job(current=HALF, duration=60.0, voltage=72.0)
    assert by_topic(mains)["voltage"].severity == "past"
    assert by_topic()["voltage"].severity == "fine"


def test_a_hot_swab_and_a_battery_are_warned_about():
    hot = Job(current=HALF, duration=60.0, swab_temperature=Datum(365.0, 340.0, 370.0, "K"))
    found = by_topic(hot, source=find_battery("9V"))
    assert found["skin"].severity == "watch"
    assert "92 (67 to 97) degC" in found["skin"].sentence()
    assert found["short circuit"].value.value == pytest.approx(9.48 / 2.0)
    assert "short circuit" not in by_topic()


def test_verdicts_come_with_the_most_serious_first():
    levels = [v.severity for v in assess(TEN_MINUTES, find_metal("silver"), SMALL)]
    order = {"past": 0, "watch": 1, "fine": 2}
    assert [order[level] for level in levels] == sorted(order[level] for level in levels)
    assert levels[0] == "past"


def test_every_metals_report_defers_to_local_codes_and_licensed_people():
    for metal in load_metals().values():
        said = cautions(metal)
        assert said[-1] == DEFERENCE
        assert set(GENERAL) | set(metal.cautions) < set(said)
    assert "Local codes" in DEFERENCE
    assert "licensed" in DEFERENCE


def test_the_advice_of_what_is_not_fine_comes_first():
    verdicts = assess(TEN_MINUTES, find_metal("silver"), SMALL)
    assert cautions(find_metal("silver"), verdicts)[0] == verdicts[0].advice


def test_no_verdict_is_without_words_a_unit_it_can_be_read_in_and_a_source():
    for metal in ETCHABLE:
        for verdict in by_topic(metal=metal, source=find_battery("6F22")).values():
            assert verdict.sentence().startswith(verdict.words)
            assert verdict.value.source
            assert verdict.limit is None or verdict.limit.source
