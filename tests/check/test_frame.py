"""Pairs of lots and products in whole numbers: found once for products that are alike."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from hypothesis import given, settings

from blend.check.exact import kept_of_lb, reason_barred
from blend.check.frame import Frame
from blend.domain.case import Case
from tests import strategies


def _shares(frame: Frame, product_id: str) -> dict[str, tuple[Fraction, Fraction]]:
    return {
        frame.lots[place].lot_id: (Fraction(pair.lean, frame.unit), Fraction(pair.fat, frame.unit))
        for place, pair in frame.products[product_id].pairs.items()
    }


def _groups(frame: Frame, product_id: str) -> dict[frozenset, set[str]]:
    return {
        selectors: {frame.lots[pair.lot].lot_id for pair in pairs}
        for selectors, pairs in frame.products[product_id].groups
    }


@settings(max_examples=60)
@given(strategies.cases(max_lots=6, max_products=5))
def test_a_product_among_others_has_the_pairs_that_it_has_alone(case: Case):
    frame = Frame(case)
    for product in case.products:
        alone = Frame(replace(case, products=(product,)))
        assert _shares(frame, product.product_id) == _shares(alone, product.product_id)
        assert _groups(frame, product.product_id) == _groups(alone, product.product_id)


@settings(max_examples=60)
@given(strategies.cases(max_lots=6, max_products=3))
def test_pairs_are_those_that_tables_allow_and_keep_what_losses_leave(case: Case):
    frame = Frame(case)
    banned = {
        (lot.lot_id, product.product_id)
        for rule in case.binding_rules()
        if rule.kind == "must_not_use"
        for lot in case.lots
        for product in case.products
        if rule.governs(product) and rule.lots.holds(lot)
    }
    for product in case.products:
        assert _shares(frame, product.product_id) == {
            lot.lot_id: kept_of_lb(lot, product, case.losses)
            for lot in case.lots
            if not reason_barred(replace(lot, quantity_lb=None), product, case.settings.plan_on)
            and (lot.lot_id, product.product_id) not in banned
        }
