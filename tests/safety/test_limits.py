"""Verdicts: one number, one limit, one level, one sentence."""

from __future__ import annotations

import pytest

from simulate.errors import InputError
from simulate.materials.catalogue import Datum
from simulate.safety.limits import Verdict, limit, limits, worst

FOUR = Datum(4e-7, 4e-7, 5e-7, "", "a table", "firm")


def verdict(value: float, high: float | None = None, **changes) -> Verdict:
    number = Datum(value, 0.0, value if high is None else high)
    return Verdict("x", "gas", number, "ppm", **({"limit": FOUR, "advice": "Stop."} | changes))


def test_a_number_over_its_limit_is_past_and_never_silent():
    over = verdict(6e-7)
    assert over.severity == "past"
    assert over.sentence() == "gas: 0.6 (0 to 0.6) ppm against a limit of 0.4 ppm. Stop."


def test_a_band_that_reaches_over_the_limit_is_watched():
    assert verdict(3e-7, 6e-7).severity == "watch"
    assert verdict(3e-7, 3.5e-7).severity == "fine"


def test_a_limit_that_is_itself_in_doubt_counts_from_its_cautious_end():
    doubtful = Datum(15.0, 1.0, 100.0)
    assert verdict(2.0, limit=doubtful).severity == "watch"
    assert verdict(16.0, limit=doubtful).severity == "past"
    assert verdict(1.0, limit=doubtful).severity == "fine"


def test_a_bound_past_its_limit_is_watched_not_passed():
    assert verdict(6e-7, bound=True).severity == "watch"


def test_a_number_without_a_limit_has_the_level_it_is_given():
    assert verdict(1.0, limit=None).severity == "fine"
    assert verdict(1.0, limit=None, floor="watch").severity == "watch"


def test_a_fine_number_gives_no_advice():
    assert "Stop" not in verdict(1e-7).sentence()


def test_the_most_serious_level_wins():
    assert worst([]) == "fine"
    assert worst([verdict(1e-7), verdict(3e-7, 6e-7)]) == "watch"
    assert worst([verdict(6e-7), verdict(1e-7)]) == "past"


def test_the_strictest_limit_of_a_kind_counts():
    """Chlorine, short: OSHA 1 ppm, NIOSH 0.5 ppm, ACGIH 0.4 ppm (the last from memory)."""
    short = [datum.value for kind, datum in limits("chlorine") if kind == "short"]
    assert short == pytest.approx([0.4e-6, 0.5e-6, 1e-6])
    assert limit("chlorine", "short").value == short[0]


@pytest.mark.parametrize(
    ("agent", "kind", "value"),
    [
        ("chlorine", "danger", 10e-6),
        ("hydrogen", "danger", 0.04),
        ("Cr(VI)", "day", 0.2e-9),
        ("Ni", "day", 15e-9),
        ("voltage", "short", 60.0),
        ("skin", "short", 324.15),
    ],
)
def test_limits_are_kept_in_si_with_their_source(agent, kind, value):
    """0.2 and 15 ug/m3: NIOSH pocket guide, from memory; 10 ppm: NIOSH; 4 %: NFPA, from memory."""
    found = limit(agent, kind)
    assert found.value == pytest.approx(value, rel=1e-12)
    assert len(found.source) > 10


def test_a_limit_the_catalogue_lacks_is_an_error():
    with pytest.raises(InputError, match="no 'short' limit for 'Ni'"):
        limit("Ni", "short")
