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
REPORTED = replacement_values(LOTS, CASE.losses, HALF)
MIXED = max(range(len(REPORTED)), key=lambda at: len(REPORTED[at].mix))
NONE = next(at for at, each in enumerate(REPORTED) if each.usd_per_lb is None)


def certified(reported=REPORTED, lots=LOTS, losses=CASE.losses, rules=HALF):
    return certify_substitutes(lots, losses, rules, reported)


# Corruptions: each returns the replacements with one thing wrong in them


def _at(at, **fields):
    return (*REPORTED[:at], replace(REPORTED[at], **fields), *REPORTED[at + 1 :])


def _part(change):
    first, *rest = REPORTED[MIXED].mix
    return _at(MIXED, mix=(change(first), *rest))


def _prices_moved(by):
    prices = REPORTED[MIXED].prices
    return _at(MIXED, prices=replace(prices, fat_usd_per_lb=prices.fat_usd_per_lb + by))


def _dearer_mix():
    """A mix that does the same, and costs what is reported, but is not the cheapest."""
    for part in REPORTED[MIXED].mix:
        lots = tuple(lot for lot in LOTS if lot.lot_id != part.lot_id)
        reported = replacement_values(lots, CASE.losses, HALF)
        other = next(each for each in reported if each.lot_id == REPORTED[MIXED].lot_id)
        if other.usd_per_lb is not None and other.usd_per_lb > REPORTED[MIXED].usd_per_lb + 1e-3:
            return (*REPORTED[:MIXED], other, *REPORTED[MIXED + 1 :])
    raise AssertionError("no part of the mix is missed")


CORRUPTIONS = {
    "a price moved": lambda: _at(MIXED, usd_per_lb=REPORTED[MIXED].usd_per_lb - 1e-5),
    "its own price moved": lambda: _at(MIXED, own_usd_per_lb=REPORTED[MIXED].own_usd_per_lb + 1e-4),
    "more of a lot": lambda: _part(lambda p: replace(p, lb_per_lb=p.lb_per_lb + 1e-5)),
    "another lot": lambda: _part(lambda p: replace(p, lot_id=REPORTED[NONE].lot_id)),
    "the item itself": lambda: _at(
        MIXED,
        mix=(MixPart(REPORTED[MIXED].lot_id, 1.0),),
        usd_per_lb=REPORTED[MIXED].own_usd_per_lb,
    ),
    "a lot twice": lambda: _at(
        MIXED,
        mix=(
            *(replace(p, lb_per_lb=p.lb_per_lb / 2) for p in REPORTED[MIXED].mix),
            *(replace(p, lb_per_lb=p.lb_per_lb / 2) for p in REPORTED[MIXED].mix),
        ),
    ),
    "a part below nothing": lambda: _at(
        MIXED, mix=(*REPORTED[MIXED].mix, MixPart(REPORTED[NONE].lot_id, -1e-9))
    ),
    "prices moved up": lambda: _prices_moved(1e-3),
    "prices moved down": lambda: _prices_moved(-1e-3),
    "no prices": lambda: _at(MIXED, prices=None),
    "prices of nothing": lambda: _at(MIXED, prices=LeanAndFat(0.0, 0.0)),
    "no substitute, where a mix does": lambda: _at(MIXED, usd_per_lb=None, mix=(), prices=None),
    "a more expensive mix": _dearer_mix,
    "no substitute, with a mix": lambda: _at(NONE, mix=REPORTED[MIXED].mix),
    "a mix where none does": lambda: _at(
        NONE,
        usd_per_lb=REPORTED[MIXED].usd_per_lb,
        mix=REPORTED[MIXED].mix,
        prices=REPORTED[MIXED].prices,
    ),
    "an item left out": lambda: REPORTED[1:],
    "two items swapped": lambda: (REPORTED[1], REPORTED[0], *REPORTED[2:]),
}


def test_replacements_are_of_their_own_lots_losses_and_rules():
    assert not certified(losses=(*CASE.losses, replace(THAW, lean_loss_share=0.05))).is_valid
    assert not certified(rules=ReplacementRules(max_share=0.4)).is_valid
    assert not certified(
        rules=ReplacementRules(parse_selector("fresh_or_frozen=fresh"), True, 0.5)
    ).is_valid
    cheaper = tuple(replace(lot, price_usd_per_lb=lot.price_usd_per_lb * 0.9) for lot in LOTS)
    assert not certified(lots=(LOTS[0], *cheaper[1:])).is_valid
    # what no mix holds back may be allowed: the prices show that it changes nothing
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
def test_replacements_of_any_lots_are_accepted_and_moved_ones_are_not(drawn, max_share, data):
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
    reported = replacement_values(lots, [THAW], rules)
    certified = certify_substitutes(lots, [THAW], rules, reported)
    assert certified.is_valid, certified.faults
    at = data.draw(st.integers(0, len(reported) - 1))
    one = reported[at]
    if one.usd_per_lb is None:
        wrong = replace(
            one,
            usd_per_lb=1.0,
            mix=(MixPart(reported[at - 1].lot_id, 1.0),),
            prices=LeanAndFat(1.0, 1.0),
        )
    else:
        by = data.draw(st.sampled_from((-0.01, 0.01)))
        wrong = replace(one, usd_per_lb=one.usd_per_lb + by)
    assert not certify_substitutes(
        lots, [THAW], rules, (*reported[:at], wrong, *reported[at + 1 :])
    ).is_valid
