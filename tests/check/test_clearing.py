"""The proof of a clearing finds what is wrong with one, and bears out one that is right."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.check.clearing import prove_clearing
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


def proved(clearing):
    return prove_clearing(CASE, CURVES, ADJUSTMENT, clearing)


def test_a_right_clearing_is_borne_out(cleared):
    proof = proved(cleared)
    assert proof.is_sound
    assert 0 <= proof.gap_usd < 20


def with_item(cleared, lot_id, **fields):
    items = tuple(
        replace(each, **fields) if each.lot_id == lot_id else each for each in cleared.items
    )
    return replace(cleared, items=items)


def test_a_price_too_low_is_overpaid_and_one_too_high_underpaid(cleared):
    price = cleared.item("90s").next_usd_per_lb
    low = proved(
        with_item(cleared, "90s", next_usd_per_lb=price - 0.01, last_usd_per_lb=price - 0.01)
    )
    assert low.overpaid_usd_per_lb == pytest.approx(0.01, abs=1e-4) and not low.is_sound
    high = proved(
        with_item(cleared, "90s", next_usd_per_lb=price + 0.01, last_usd_per_lb=price + 0.01)
    )
    assert high.underpaid_usd_per_lb == pytest.approx(0.01, abs=1e-4) and not high.is_sound


def test_left_over_pounds_above_their_floor_are_found(cleared):
    wrong = with_item(cleared, "50s", left_over_lb=1e5, next_usd_per_lb=0.5, last_usd_per_lb=0.5)
    assert proved(wrong).underpaid_usd_per_lb >= 0.3 - 1e-6


def test_amounts_that_break_a_limit_are_found(cleared):
    use = dict(cleared.use_lb)
    use["90s", "GB80"] = use.get(("90s", "GB80"), 0.0) * 0.9
    assert proved(replace(cleared, use_lb=use)).breach_share > 0.001
    frozen = {key: lb for key, lb in cleared.use_lb.items() if key[0] != "90s"}
    assert proved(replace(cleared, use_lb=frozen)).breach_share > 0.1


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
    proof = proved(replace(cleared, use_lb=use, items=items, volume_lb=volume))
    assert proof.gap_usd > 1e4 and not proof.is_sound
