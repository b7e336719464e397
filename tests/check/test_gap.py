"""The gap printed is that of the printed plan, and figures that contradict each other are
refused."""

from dataclasses import replace

import pytest

import blend.grinder.plan
from blend.check.check import check_plan
from blend.check.gap import plan_bound
from blend.domain.plan import Money, Verdict
from blend.errors import SolverTrouble
from blend.grinder.day_plan import order_words
from blend.grinder.plan import make_plan
from blend.grinder.plan_frames import products
from tests.published.cases import make_case, make_lot, make_product

LEAN, FAT = make_lot("lean", 0.90, 2.0), make_lot("fat", 0.50, 1.0)


def money(total_usd: float) -> Money:
    return Money(total_usd, 0.0, 0.0, 0.0, 0.0, 1_000.0)


def bound(objective_usd=1_000.0, bound_usd=990.0, exact=1_000.0, printed=1_000.0, *verdicts):
    return plan_bound(
        objective_usd,
        bound_usd,
        "by hand",
        exact=money(exact),
        printed=money(printed),
        verdicts=verdicts,
        is_certified=True,
    )


def test_the_gap_is_that_of_the_printed_plan():
    assert bound(printed=1_008.0).gap_usd == pytest.approx(18)
    assert bound(printed=1_008.0).gap_share == pytest.approx(18 / 1_008)


def test_a_plan_short_by_rounding_may_cost_less_than_the_bound():
    short = bound(1_000.0, 1_000.0, 1_000.0, 997.0, Verdict.WITHIN_ROUNDING)
    assert short.gap_usd == pytest.approx(-3), "shown as it is"


@pytest.mark.parametrize(
    "figures",
    [
        (1_000.0, 1_001.0),  # a bound above the plan
        (1_000.0, 1_000.0, 1_000.0, 997.0, Verdict.MET),  # cheaper though it keeps every limit
        (1_002.0, 990.0),  # an objective that is not the money
        (float("nan"), 990.0),
        (1_000.0, float("nan")),
    ],
)
def test_figures_that_contradict_each_other_are_refused(figures):
    with pytest.raises(SolverTrouble) as refused:
        bound(*figures)
    assert refused.value.exit_code == 1


def counted_usd(case, plan) -> float:
    """From the printed pounds and the prices alone; nothing here is sold or left over."""
    price = {lot.lot_id: lot.delivered_usd_per_lb for lot in case.lots}
    return sum(take.pounds_lb * price[take.lot_id] for take in plan.takes)


def odd_case():
    """One batch that whole pounds cannot fill to the pound at this lean."""
    return make_case([LEAN, FAT], [make_product(0.77, 333.3)])


def test_the_gap_recounted_from_printed_pounds():
    case = odd_case()
    plan = make_plan(case, shadow_prices=False)
    bound = plan.certificate.bound
    assert bound.printed_usd == pytest.approx(counted_usd(case, plan), abs=1e-6)
    assert bound.gap_usd == pytest.approx(counted_usd(case, plan) - bound.bound_usd, abs=1e-6)
    made_lb = sum(run.batches * run.finished_lb for run in plan.runs)
    short_lb = case.products[0].min_lb - made_lb
    product_id = case.products[0].product_id
    assert plan.short_lb(product_id) == pytest.approx(max(0.0, short_lb), abs=1e-6)


def test_pounds_short_by_rounding_are_printed():
    case = odd_case()
    plan = make_plan(case, shadow_prices=False)
    (product,) = case.products
    made_lb = sum(run.batches * run.finished_lb for run in plan.runs)
    wanted = replace(product, min_lb=made_lb + 0.7, max_lb=None)
    tight = replace(case, products=(wanted,))
    checks = check_plan(tight, plan.takes, plan.runs, {})
    short = replace(plan, certificate=replace(plan.certificate, checks=checks))
    assert products(tight, short, ())["short_of_order_lb"].tolist() == [0.7]
    assert "short by up to 0.7 lb from rounding" in order_words(tight, short)
    planned = order_words(tight, replace(short, shortage_lb={product.product_id: 65.4}))
    assert product.name in planned and "65 lb" in planned and "0.7 lb" in planned


@pytest.mark.parametrize("above_usd", [5.0, 1e6])
def test_a_planted_bound_above_the_plan_is_refused(monkeypatch, above_usd):
    case = odd_case()
    honest = make_plan(case, shadow_prices=False).certificate.bound
    planted = honest.objective_usd + above_usd
    monkeypatch.setattr(blend.grinder.plan, "dual_bound_usd", lambda *_: planted)
    with pytest.raises(SolverTrouble, match="above the plan's own cost"):
        make_plan(case, shadow_prices=False)


def test_a_planted_objective_is_refused(monkeypatch):
    case = odd_case()
    search = blend.grinder.plan.plan_whole

    def cheaper(*parts):
        found = search(*parts)
        return replace(found, objective_usd=found.objective_usd - 5)

    monkeypatch.setattr(blend.grinder.plan, "plan_whole", cheaper)
    with pytest.raises(SolverTrouble, match="adds up to"):
        make_plan(case, shadow_prices=False)
