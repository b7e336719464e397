"""The certificate of a market equilibrium accepts a right one and finds faults in others."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.check.clearing import certify_clearing
from blend.domain.clearing import DemandCurve
from blend.model.market import clear
from tests.reporter.markets import FROZEN, imported, lot, plant, product

CASE = plant(
    lot("50s", 0.5, 0.0, 1.5e6, salvage_value_usd_per_lb=0.2),
    lot("90s", 0.9, 0.0, 3e6),
    imported("I90", 0.9, 0.0, 2e6),
    products=[product("GB80", 0.8, 0.0, below=0.01, above=0.01), product("GB90", 0.9, 0.0)],
    rules=[FROZEN],
)
CURVES = [DemandCurve("GB80", 4e6, 3.0, -1.5), DemandCurve("GB90", 1e6, 3.6, -1.0)]
ADJUSTMENT = {"50s": 0.0, "90s": -0.1, "I90": 0.05}


@pytest.fixture(scope="module")
def cleared():
    return clear(CASE, CURVES, ADJUSTMENT)


def checked(clearing):
    return certify_clearing(CASE, CURVES, ADJUSTMENT, clearing)


def finds(clearing, text):
    return any(text in fault for fault in checked(clearing).faults)


def test_a_right_equilibrium_is_accepted(cleared):
    assert checked(cleared).is_valid
    assert 0 <= checked(cleared).gap_usd < 20


def with_item(cleared, lot_id, **fields):
    items = tuple(
        replace(each, **fields) if each.lot_id == lot_id else each for each in cleared.items
    )
    return replace(cleared, items=items)


def test_a_price_too_low_or_too_high_is_found(cleared):
    price = cleared.item("90s").next_usd_per_lb
    for by, text in ((-0.01, "90s earns more"), (0.01, "90s does not earn")):
        moved = {"next_usd_per_lb": price + by, "last_usd_per_lb": price + by}
        assert finds(with_item(cleared, "90s", **moved), text)


def test_left_over_pounds_above_their_floor_are_found(cleared):
    wrong = with_item(cleared, "50s", next_usd_per_lb=0.5, last_usd_per_lb=0.5)
    assert finds(wrong, "50s does not earn")
    assert finds(with_item(cleared, "50s", left_over_lb=1e5), "50s: pounds used and left over")


def test_amounts_that_break_a_limit_are_found(cleared):
    use = dict(cleared.use_lb)
    use["90s", "GB80"] = use.get(("90s", "GB80"), 0.0) * 0.9
    assert finds(replace(cleared, use_lb=use), "break a limit")
    frozen = {key: lb for key, lb in cleared.use_lb.items() if key[0] != "90s"}
    assert finds(replace(cleared, use_lb=frozen), "break a limit")


def test_other_amounts_gain_less_than_could_be(cleared):
    # a tenth of the GB80 blended less, its pounds left over
    use = {key: lb * (0.9 if key[1] == "GB80" else 1.0) for key, lb in cleared.use_lb.items()}
    used = {each.lot_id: 0.0 for each in cleared.items}
    for (lot_id, _), lb in use.items():
        used[lot_id] += lb
    items = tuple(
        replace(
            each,
            used_lb=used[each.lot_id],
            left_over_lb=CASE.lot(each.lot_id).quantity_lb - used[each.lot_id],
        )
        for each in cleared.items
    )
    volume = dict(cleared.volume_lb) | {"GB80": cleared.volume_lb["GB80"] * 0.9}
    less = checked(replace(cleared, use_lb=use, items=items, volume_lb=volume))
    assert less.gap_usd > 1e4 and not less.is_valid
