"""Certificates of substitutes: right ones pass, each thing moved in them is found."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.lots import Lot
from blend.domain.replacement import ANY_MIX, LeanAndFat, MixPart, ReplacementRules
from blend.domain.selectors import parse_selector
from blend.trader.replacement import replacement_values
from tests.bench.instances import THAW, make_instance
from tests.check.substitutes import certify_substitutes

CASE = make_instance(14, 4, 1, "plain")
LOTS = CASE.usable_lots()
HALF = ReplacementRules(max_share=0.5)
TOLD = replacement_values(LOTS, CASE.losses, HALF)
MIXED = max(range(len(TOLD)), key=lambda at: len(TOLD[at].mix))
NONE = next(at for at, each in enumerate(TOLD) if each.usd_per_lb is None)


def certified(told=TOLD, lots=LOTS, losses=CASE.losses, rules=HALF):
    return certify_substitutes(lots, losses, rules, told)


# Corruptions: each returns the replacements with one thing wrong in them


def _at(at, **fields):
    return (*TOLD[:at], replace(TOLD[at], **fields), *TOLD[at + 1 :])


def _part(change):
    first, *rest = TOLD[MIXED].mix
    return _at(MIXED, mix=(change(first), *rest))


def _prices_moved(by):
    prices = TOLD[MIXED].prices
    return _at(MIXED, prices=replace(prices, fat_usd_per_lb=prices.fat_usd_per_lb + by))


def _dearer_mix():
    """A mix that does the same, and costs what is told of it, but is not the cheapest."""
    for part in TOLD[MIXED].mix:
        lots = tuple(lot for lot in LOTS if lot.lot_id != part.lot_id)
        told = replacement_values(lots, CASE.losses, HALF)
        other = next(each for each in told if each.lot_id == TOLD[MIXED].lot_id)
        if other.usd_per_lb is not None and other.usd_per_lb > TOLD[MIXED].usd_per_lb + 1e-3:
            return (*TOLD[:MIXED], other, *TOLD[MIXED + 1 :])
    raise AssertionError("no part of the mix is missed")


CORRUPTIONS = {
    "a price moved": lambda: _at(MIXED, usd_per_lb=TOLD[MIXED].usd_per_lb - 1e-5),
    "its own price moved": lambda: _at(MIXED, own_usd_per_lb=TOLD[MIXED].own_usd_per_lb + 1e-4),
    "more of a lot": lambda: _part(lambda p: replace(p, lb_per_lb=p.lb_per_lb + 1e-5)),
    "another lot": lambda: _part(lambda p: replace(p, lot_id=TOLD[NONE].lot_id)),
    "the item itself": lambda: _at(
        MIXED,
        mix=(MixPart(TOLD[MIXED].lot_id, 1.0),),
        usd_per_lb=TOLD[MIXED].own_usd_per_lb,
    ),
    "a lot twice": lambda: _at(
        MIXED,
        mix=(
            *(replace(p, lb_per_lb=p.lb_per_lb / 2) for p in TOLD[MIXED].mix),
            *(replace(p, lb_per_lb=p.lb_per_lb / 2) for p in TOLD[MIXED].mix),
        ),
    ),
    "a part below nothing": lambda: _at(
        MIXED, mix=(*TOLD[MIXED].mix, MixPart(TOLD[NONE].lot_id, -1e-9))
    ),
    "prices moved up": lambda: _prices_moved(1e-3),
    "prices moved down": lambda: _prices_moved(-1e-3),
    "no prices": lambda: _at(MIXED, prices=None),
    "prices of nothing": lambda: _at(MIXED, prices=LeanAndFat(0.0, 0.0)),
    "by none, where a mix does": lambda: _at(MIXED, usd_per_lb=None, mix=(), prices=None),
    "a dearer mix": _dearer_mix,
    "by none, with a mix": lambda: _at(NONE, mix=TOLD[MIXED].mix),
    "a mix where none does": lambda: _at(
        NONE,
        usd_per_lb=TOLD[MIXED].usd_per_lb,
        mix=TOLD[MIXED].mix,
        prices=TOLD[MIXED].prices,
    ),
    "an item left out": lambda: TOLD[1:],
    "two items swapped": lambda: (TOLD[1], TOLD[0], *TOLD[2:]),
}


def test_replacements_are_of_their_own_lots_losses_and_rules():
    assert not certified(losses=(*CASE.losses, replace(THAW, lean_loss_share=0.05))).is_valid
    assert not certified(rules=ReplacementRules(max_share=0.4)).is_valid
    assert not certified(
        rules=ReplacementRules(parse_selector("fresh_or_frozen=fresh"), True, 0.5)
    ).is_valid
    cheaper = tuple(replace(lot, price_usd_per_lb=lot.price_usd_per_lb * 0.9) for lot in LOTS)
    assert not certified(lots=(LOTS[0], *cheaper[1:])).is_valid
    # what no mix holds back may be allowed: the prices prove that it brings nothing
    assert certified(losses=(*CASE.losses, replace(THAW, products=("P01",)))).is_valid


def test_label_claims_and_species_bind_the_mix():
    organic = frozenset({"organic"})
    lots = (
        Lot("item", "item", "beef", 0.8, 2.0, None, label_claims=organic),
        Lot("same", "same", "beef", 0.8, 1.0, None),
        Lot("dear", "dear", "beef", 0.8, 3.0, None, label_claims=organic),
        Lot("pork", "pork", "pork", 0.8, 0.5, None, label_claims=organic),
    )
    bound, free = (
        replacement_values(lots, rules=ReplacementRules(keep_label_claims=keep))
        for keep in (True, False)
    )
    assert [each.usd_per_lb for each in (bound[0], free[0])] == pytest.approx([3.0, 1.0])
    assert certify_substitutes(lots, (), ReplacementRules(), bound).is_valid
    assert not certify_substitutes(lots, (), ReplacementRules(), free).is_valid
    loose = ReplacementRules(keep_label_claims=False)
    assert certify_substitutes(lots, (), loose, free).is_valid
    assert not certify_substitutes(lots, (), loose, bound).is_valid


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(30, 97), st.integers(20, 400), st.booleans()),
        min_size=2,
        max_size=8,
    ),
    st.sampled_from((1.0, 0.5, 0.3)),
    st.data(),
)
def test_replacements_of_any_lots_are_borne_out_and_moved_ones_are_not(drawn, max_share, data):
    lots = tuple(
        Lot(
            f"lot{at}",
            "",
            "beef",
            lean / 100,
            cents / 100,
            None,
            fresh_or_frozen="frozen" if frozen else "fresh",
        )
        for at, (lean, cents, frozen) in enumerate(drawn)
    )
    rules = replace(ANY_MIX, max_share=max_share)
    told = replacement_values(lots, [THAW], rules)
    certified = certify_substitutes(lots, [THAW], rules, told)
    assert certified.is_valid, certified.faults
    at = data.draw(st.integers(0, len(told) - 1))
    one = told[at]
    if one.usd_per_lb is None:
        wrong = replace(
            one,
            usd_per_lb=1.0,
            mix=(MixPart(told[at - 1].lot_id, 1.0),),
            prices=LeanAndFat(1.0, 1.0),
        )
    else:
        by = data.draw(st.sampled_from((-0.01, 0.01)))
        wrong = replace(one, usd_per_lb=one.usd_per_lb + by)
    assert not certify_substitutes(
        lots, [THAW], rules, (*told[:at], wrong, *told[at + 1 :])
    ).is_valid
