"""Invented markets: the same seed gives the same one, and each has a plan."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.rules import RuleKind, WholeContainers
from tests.bench.instances import KINDS, make_instance
from tests.reference import solve_reference

each_kind = pytest.mark.parametrize("kind", KINDS)
sizes = {"lots": st.integers(2, 24), "products": st.integers(1, 5), "seed": st.integers(0, 10**6)}


@each_kind
@settings(max_examples=30, deadline=None)
@given(**sizes)
def test_the_same_arguments_give_the_same_case_and_it_has_a_plan(kind, lots, products, seed):
    case = make_instance(lots, products, seed, kind)
    assert case == make_instance(lots, products, seed, kind)
    assert case.lots != make_instance(lots, products, seed + 1, kind).lots
    assert (len(case.lots), len(case.products)) == (lots, products)
    assert solve_reference(case, relax=True, solver="highs").status == "optimal"


@each_kind
@pytest.mark.parametrize("seed", range(3))
def test_whole_containers_keep_the_market_and_cost_more(kind, seed):
    case = make_instance(9, 2, seed, kind)
    taken = make_instance(9, 2, seed, kind, whole=WholeContainers.TAKEN)
    assert (taken.lots, taken.products, taken.rules) == (case.lots, case.products, case.rules)
    costs_usd = [
        solve_reference(case, relax=True, solver="highs").objective_usd,
        solve_reference(case, solver="highs").objective_usd,
        solve_reference(taken, solver="highs").objective_usd,
    ]
    assert costs_usd == sorted(costs_usd)


@each_kind
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("whole", [WholeContainers.NO, WholeContainers.TAKEN])
def test_two_solvers_agree(kind, seed, whole):
    case = make_instance(9, 2, seed, kind, whole=whole)
    by_cbc, by_highs = (solve_reference(case, solver=name) for name in ("cbc", "highs"))
    assert by_cbc.objective_usd == pytest.approx(by_highs.objective_usd, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_a_plain_market_is_as_described(seed):
    case = make_instance(1_000, 60, seed, "plain")
    on_offer_lb = sum(lot.max_lb for lot in case.lots)
    assert 0.25 <= sum(product.min_lb for product in case.products) / on_offer_lb <= 0.40
    assert all(2_000 <= lot.max_lb <= 42_000 for lot in case.lots)
    assert all(0.49 <= lot.lean <= 0.95 for lot in case.lots)
    targets = [product.target_lean for product in case.products]
    assert (min(targets), max(targets)) == (0.70, 0.93)
    fifties, nineties = (
        [lot.price_usd_per_lb for lot in case.lots if abs(lot.lean - lean) < 0.012]
        for lean in (0.50, 0.90)
    )
    assert max(fifties) < min(nineties)


@pytest.mark.parametrize("seed", range(3))
def test_lean_is_scarce_in_a_tight_market(seed):
    case = make_instance(100, 12, seed, "tight")
    answer = solve_reference(case, relax=True, solver="highs")
    lean = [lot for lot in case.lots if lot.lean >= 0.84]
    taken_whole = [lot for lot in lean if answer.take_lb[lot.lot_id] > lot.max_lb - 1]
    assert len(taken_whole) > len(lean) / 2


def test_a_tight_market_has_every_kind_of_rule():
    case = make_instance(1_000, 60, 0, "tight")
    # temperatures need thermometer readings
    assert {rule.kind for rule in case.rules} == set(RuleKind) - {RuleKind.MAX_TEMP}
    assert len({species for product in case.products for species in product.species}) == 3


def test_one_lot_does_not_blend():
    with pytest.raises(ValueError, match="at least 2 lots, not 1"):
        make_instance(1, 1, 0)
