"""Pictures are drawn whole, every label legible, and their tables say what is proved."""

from __future__ import annotations

import math
from datetime import date
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.errors import FileTrouble
from blend.show.demand import demand_table, regions_table, supply_table
from blend.show.market import replacements_table
from blend.show.pictures import save, spaced
from blend.show.text import table_text
from blend.show.trade_pictures import demand_picture, regions_picture
from blend.trader.curves import DemandCurve, DemandStep, demand_curve, region_map, supply_curve
from blend.trader.replacement import ReplacementRules, replacement_values
from tests.bench.instances import make_instance

DAY = date(2026, 3, 2)
CASE = make_instance(12, 3, 1)
PNG = b"\x89PNG\r\n"


@given(st.lists(st.floats(0, 100), min_size=1, max_size=15), st.floats(0.1, 10))
def test_spaced_keeps_order_and_distance(places, apart):
    moved = spaced(places, apart)
    for one, other in combinations(range(len(places)), 2):
        assert abs(moved[one] - moved[other]) >= apart * (1 - 1e-9) - 1e-9
        if places[one] < places[other]:
            assert moved[one] < moved[other]


def test_spaced_leaves_alone_what_is_far_apart():
    assert spaced([1.0, 5.0, 3.0], 1.5) == [1.0, 5.0, 3.0]


def test_pictures_are_written_whole(tmp_path):
    lots = CASE.usable_lots()[:2]
    curve = demand_curve(CASE, lots[0].lot_id)
    own = [lot.delivered_usd_per_lb for lot in lots]
    found = region_map(
        CASE,
        (lots[0].lot_id, lots[1].lot_id),
        min_usd_per_lb=(own[0] * 0.7, own[1] * 0.7),
        max_usd_per_lb=(own[0] * 1.2, own[1] * 1.2),
    )
    for name, made in (
        ("demand.png", demand_picture(curve, lots[0])),
        ("regions.png", regions_picture(found, lots)),
    ):
        save(made, tmp_path / name)
        assert (tmp_path / name).read_bytes().startswith(PNG)
    save(demand_picture(curve, lots[0]), tmp_path / "demand.svg")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "demand.png",
        "demand.svg",
        "regions.png",
    ]
    with pytest.raises(FileTrouble, match=r"\.png"):
        save(demand_picture(curve, lots[0]), tmp_path / "demand.gif")
    with pytest.raises(FileTrouble):
        save(demand_picture(curve, lots[0]), tmp_path / "none" / "demand.png")


@pytest.mark.parametrize(
    "steps",
    [
        [DemandStep(0.0, math.inf, 0.0, 10.0)],
        [DemandStep(0.0, math.inf, 500.0, 10.0)],
        [DemandStep(0.0, 1.0, 500.0, 10.0), DemandStep(1.0, math.inf, 0.0, 510.0)],
        [DemandStep(0.5, 1.0, 500.0, 10.0)],
    ],
)
def test_any_curve_can_be_drawn_and_told(steps):
    curve = DemandCurve("L1", 0.8, math.inf, tuple(steps), 3, 0.0)
    demand_picture(curve, CASE.lots[0]).canvas.draw()
    assert "Demand for" in table_text(demand_table(curve, CASE.lots[0]))


def test_what_the_curve_says_in_words():
    lot = CASE.lots[0]

    def note(*steps: DemandStep) -> str:
        return demand_table(DemandCurve("L1", 0.8, 100.0, steps, 3, 0.0), lot).note

    ends = note(DemandStep(0, 1.0, 500.0, 10.0), DemandStep(1.0, math.inf, 0.0, 510.0))
    assert "below 100.00 USD/cwt, delivered, and none above" in ends
    assert "none of it at any" in note(DemandStep(0, math.inf, 0.0, 10.0))
    assert "no plan without it" in note(DemandStep(0, math.inf, 5.0, 10.0))
    assert "still taken at 120.00" in note(DemandStep(0, 1.2, 5.0, 10.0))


def test_a_map_that_is_not_exact_says_so():
    lots = CASE.usable_lots()[:2]
    ids = (lots[0].lot_id, lots[1].lot_id)
    rough = region_map(
        CASE, ids, min_usd_per_lb=(0.1, 0.1), max_usd_per_lb=(3.0, 3.0), max_solves=4
    )
    assert "NOT EXACT" in regions_table(rough, lots).note
    assert "NOT EXACT" in regions_picture(rough, lots).axes[0].get_title(loc="left")


def test_supply_tells_the_value_of_the_next_pounds():
    curve = supply_curve(CASE, CASE.usable_lots()[0].lot_id)
    shown = supply_table(curve, CASE.usable_lots()[0])
    assert shown.rows[-1][1] == "any more"
    assert shown.rows[-1][3] is None


def test_replacements_say_their_rules():
    lots = CASE.usable_lots()
    rules = ReplacementRules(max_share=0.5)
    found = replacement_values(lots, CASE.losses, rules)
    shown = replacements_table(found, {lot.lot_id: lot for lot in lots}, rules)
    assert "at most 50 % of one item" in shown.note
    assert len(shown.rows) == len(lots)
    assert "by none" in {row[4] for row in shown.rows}
