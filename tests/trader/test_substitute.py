"""Substitutes in a product: only meat it may have, its limits kept, after its losses."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.domain.replacement import ReplacementRules
from blend.domain.rules import RuleKind, kept_per_lb
from blend.errors import InputRefused
from blend.reading import read_ready_case
from blend.trader.replacement import may_have
from blend.trader.substitute import substitute

CASE = read_ready_case(Path(__file__).parents[2] / "demo_data").case
ANY_MEAT = ReplacementRules()


@pytest.fixture(scope="module", params=["trimmings", "any meat"])
def answer(request):
    return substitute(CASE, rules=ANY_MEAT) if request.param == "any meat" else substitute(CASE)


def test_a_mix_has_the_lean_and_weight_of_its_item_after_the_product_s_losses(answer):
    for each in answer.found:
        if each.replacement.usd_per_lb is None:
            continue
        product = CASE.product(each.product_id)
        parts = [(CASE.lot(part.lot_id), part.lb_per_lb) for part in each.replacement.mix]
        for side in (0, 1):
            own = kept_per_lb(CASE.lot(each.replacement.lot_id), product, CASE.losses)[side]
            mix = sum(lb * kept_per_lb(lot, product, CASE.losses)[side] for lot, lb in parts)
            assert mix == pytest.approx(own, abs=1e-6)
        cost = sum(lb * lot.market_usd_per_lb for lot, lb in parts)
        assert cost == pytest.approx(each.replacement.usd_per_lb, abs=1e-6)


def test_a_mix_has_only_meat_that_the_product_may_have_and_keeps_its_limits(answer):
    checked = 0
    for each in answer.found:
        product, item = CASE.product(each.product_id), CASE.lot(each.replacement.lot_id)
        rules = [rule for rule in CASE.binding_rules() if rule.governs(product)]
        mix = [(CASE.lot(part.lot_id), part.lb_per_lb) for part in each.replacement.mix]
        assert all(may_have(product, lot, rules) for lot, _ in mix)
        finished = [(lot, lb * sum(kept_per_lb(lot, product, CASE.losses))) for lot, lb in mix]
        total = sum(lb for _, lb in finished)
        for rule in rules:
            if rule.kind == RuleKind.KEEP_APART:
                sides = [
                    any(side.holds(lot) for lot, _ in mix) for side in (rule.lots, rule.against)
                ]
                assert not all(sides)
            if rule.kind == RuleKind.SHARE and rule.max_share is not None and mix:
                share = sum(lb for lot, lb in finished if rule.lots.holds(lot)) / total
                assert share <= (1 if rule.lots.holds(item) else rule.max_share) + 1e-6
                checked += 1
    assert checked > 100


def test_heart_which_no_product_may_have_stands_in_for_nothing(answer):
    hearts = {lot.lot_id for lot in CASE.lots if lot.meat_class == "heart"}
    assert hearts
    used = {part.lot_id for each in answer.found for part in each.replacement.mix}
    assert not used & hearts


def test_head_and_cheek_stand_in_for_trimmings_only_where_asked():
    def uses_head(found):
        return any(
            CASE.lot(part.lot_id).meat_class in ("head", "cheek")
            for each in found
            for part in each.replacement.mix
            if CASE.lot(each.replacement.lot_id).meat_class not in ("head", "cheek")
        )

    in_80 = substitute(CASE, product_id="GB80")
    assert {each.product_id for each in in_80.found} == {"GB80"}
    assert not uses_head(in_80.found)
    assert uses_head(substitute(CASE, product_id="GB80", rules=ANY_MEAT).found)


def test_an_unknown_product_is_refused():
    with pytest.raises(InputRefused, match="GB81"):
        substitute(CASE, product_id="GB81")
