"""Tables in the units asked for: the same amounts, under their own names."""

from __future__ import annotations

import pytest
from pandas import DataFrame
from pandas.testing import assert_frame_equal

from blend.output.formats import format_of, in_shown_units, shown_in, unit_typed

FRAME = DataFrame({"mark_usd_per_cwt": [340.0, None], "made_lb": [80_000.0, 0.0], "usd": [1, 2]})


@pytest.mark.parametrize(
    ("typed", "name", "unit", "first"),
    [
        ("cents/lb", "mark_cents_per_lb", "cents/lb", 340.0),
        ("$/lb", "mark_usd_per_lb", "$/lb", 3.4),
        ("USD/kg", "mark_usd_per_kg", "$/kg", 3.4 / 0.45359237),
        ("kg", "made_kg", "kg", 80_000 * 0.45359237),
        ("tonnes", "made_t", "t", 80 * 0.45359237),
        ("loads", "made_loads", "loads", 2.0),
        ("cwt", "made_cwt", "cwt", 800.0),
        ("containers of 18,143.6948 kg", "made_containers", "containers of 18,143.6948 kg", 2.0),
    ],
)
def test_a_column_is_turned_and_named_for_its_unit(typed, name, unit, first):
    with shown_in([unit_typed(typed)]):
        made = in_shown_units(FRAME)
    assert made[name].iloc[0] == pytest.approx(first)
    assert format_of(name).unit == unit and len(made.columns) == 3
    assert_frame_equal(in_shown_units(FRAME), FRAME)


def test_pounds_next_to_loads_are_shown_once():
    both = DataFrame({"left_over_lb": [20_000.0], "left_over_loads": [0.5]})
    with shown_in([unit_typed("loads")]):
        assert list(in_shown_units(both)) == ["left_over_loads"]


@pytest.mark.parametrize("typed", ["", "stone", "containers", "$/head", "cents", "tons"])
def test_an_unknown_unit_is_refused(typed):
    with pytest.raises(ValueError):
        unit_typed(typed)
