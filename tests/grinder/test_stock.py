"""Stock is sunk: what it is worth if kept, what expires today, and which lot goes first."""

from __future__ import annotations

import warnings
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.domain.case import Case
from blend.domain.plan import Verdict
from blend.domain.rules import Rule, RuleKind, WholeContainers
from blend.grinder.day_plan import plan as day_plan
from blend.grinder.plan import make_plan
from blend.grinder.work_order import work_order
from blend.grinder.work_order_sheets import work_order_pages
from tests.reference import solve_reference

DAY = date(2026, 11, 25)


def case_of(*lots: dict[str, Any], lean: int = 80, **more: Any) -> Case:
    """Lots of 80s and one product of 2,000 lb."""
    import pandas as pd

    rows = [
        {"species": "beef", "lean": lean, "price_unit": "usd_per_cwt", "origin": "domestic",
         "fresh_or_frozen": "fresh", "price_basis": "delivered", "item": "80s",
         "on_hand_or_offered": "on hand", "quantity_lb": 2000} | lot
        for lot in lots
    ]  # fmt: skip
    product = {"product_id": "GB80", "name": "Ground beef", "species": "beef", "target_lean": 80,
               "tolerance_below_points": 2, "tolerance_above_points": 2, "min_lb": 2000,
               "max_lb": 2000, "batch_lb": 2000, "blender_min_lb": 1000,
               "blender_max_lb": 2100}  # fmt: skip
    rules = {"plan_on": DAY, "whole_containers": "no"} | more
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # blanks
        return Case.from_frames(
            lots=pd.DataFrame(rows), products=pd.DataFrame([product]), settings=rules
        )


def used_lb(case: Case) -> dict[str, float]:
    return {take.lot_id: take.used_lb for take in make_plan(case, shadow_prices=False).takes}


OFFER = {"lot_id": "OFFER", "price": 250, "on_hand_or_offered": "offered"}
EXPIRING = {"lot_id": "STOCK", "price": 260, "use_by": DAY}


def test_meat_that_expires_today_is_used_before_the_same_meat_is_bought():
    case = case_of(OFFER, EXPIRING)
    assert used_lb(case) == {"STOCK": 2000}
    at_books = [replace(lot, price_usd_per_lb=lot.cost_usd_per_lb) for lot in case.lots]
    assert used_lb(replace(case, lots=tuple(at_books))) == {"OFFER": 2000}
    money = make_plan(case).money
    assert (money.total_usd, money.books_total_usd) == (0.0, 5200.0)


@pytest.mark.parametrize(
    ("stock", "more", "worth_usd_per_cwt"),
    [
        ({}, {}, 260),
        ({"salvage_value_usd_per_lb": 1.5}, {}, 150),
        ({"replacement_usd_per_cwt": 255}, {}, 255),
        ({"replacement_usd_per_cwt": 255}, {"carrying_usd_per_cwt_day": 0.4}, 254.6),
        ({"replacement_usd_per_cwt": 255},
         {"carrying_usd_per_cwt_day": 0.4, "next_grind_on": "2026-11-27"}, 254.2),
        ({"replacement_usd_per_cwt": 140, "salvage_value_usd_per_lb": 1.5}, {}, 150),
        ({"use_by": "2026-11-26"}, {}, 260),
        ({"use_by": "2026-11-26", "replacement_usd_per_cwt": 255},
         {"next_grind_on": "2026-11-27"}, 0),
        ({"use_by": DAY, "salvage_value_usd_per_lb": 1.5}, {}, 0),
        ({"use_by": DAY, "salvage_value_usd_per_lb": -0.1}, {}, -10),
        ({"use_by": DAY, "salvage_value_usd_per_lb": -0.1, "quantity_lb": None}, {}, 0),
    ],
)  # fmt: skip
def test_what_stock_is_worth_if_kept(stock, more, worth_usd_per_cwt):
    lot = case_of({"lot_id": "STOCK", "price": 260} | stock, **more).lot("STOCK")
    assert 100 * lot.delivered_usd_per_lb == pytest.approx(worth_usd_per_cwt)
    assert lot.cost_usd_per_lb == 2.6
    assert lot.salvage_value_usd_per_lb <= lot.delivered_usd_per_lb


CENTS = st.integers(0, 400)


@st.composite
def stock_days(draw):
    """Sheets of offers and stock, some of which expires."""
    lots = [
        {
            "lot_id": f"L{number}",
            "price": draw(st.integers(50, 400)),
            "lean": draw(st.integers(70, 92)),
            "on_hand_or_offered": draw(st.sampled_from(("on hand", "offered"))),
            "use_by": DAY + timedelta(days=draw(st.integers(0, 4))),
            "replacement_usd_per_cwt": draw(st.none() | CENTS),
            "quantity_lb": draw(st.integers(1, 20)) * 100,
        }
        for number in range(draw(st.integers(2, 6)))
    ]
    more = {"carrying_usd_per_cwt_day": draw(st.integers(0, 30)) / 10}
    more["next_grind_on"] = DAY + timedelta(days=draw(st.integers(1, 3)))
    return lots, more


@settings(max_examples=25, deadline=None)
@given(stock_days())
def test_plans_cost_what_an_independent_model_of_the_sheet_says(sheet):
    """The reference solves with values found from the typed cells alone."""
    rows, more = sheet
    fill = {"lot_id": "FILL", "price": 900, "on_hand_or_offered": "offered", "quantity_lb": 9000}
    case = case_of(*rows, fill, **more)
    days = (more["next_grind_on"] - DAY).days
    priced = []
    for lot in case.lots:
        typed = next((row for row in rows if row["lot_id"] == lot.lot_id), fill)
        usd_per_cwt = typed["price"]
        if typed["on_hand_or_offered"] == "on hand":
            if typed["use_by"] < more["next_grind_on"]:
                usd_per_cwt = 0
            elif typed["replacement_usd_per_cwt"] is not None:
                carried = days * more["carrying_usd_per_cwt_day"]
                usd_per_cwt = max(0, typed["replacement_usd_per_cwt"] - carried)
        priced.append(replace(lot, price_usd_per_lb=usd_per_cwt / 100))
    expected = solve_reference(replace(case, lots=tuple(priced)))
    found = make_plan(case, shadow_prices=False)
    bound = found.certificate.bound
    assert bound.objective_usd == pytest.approx(expected.objective_usd, abs=0.01)
    assert bound.is_certified
    books = sum(
        take.pounds_lb * typed["price"] / 100
        for take in found.takes
        for typed in rows
        if typed["lot_id"] == take.lot_id and typed["on_hand_or_offered"] == "on hand"
    )
    assert found.money.stock_books_usd == pytest.approx(books)


@pytest.mark.parametrize("whole", [WholeContainers.NO, WholeContainers.TAKEN])
def test_of_stock_that_is_alike_what_expires_first_goes_first(whole):
    def stock(lot_id: str, days: int) -> dict[str, Any]:
        return {
            "lot_id": lot_id,
            "price": 260,
            "use_by": DAY + timedelta(days=days),
            "replacement_usd_per_cwt": 255,
            "quantity_lb": 1500,
            "container": "box",
            "container_lb": 100,
        }

    case = case_of(*(stock(f"L{n}", days) for n, days in enumerate((5, 3, 9))), OFFER)
    case = replace(case, settings=replace(case.settings, whole_containers=whole))
    offered = replace(case.lot("OFFER"), price_usd_per_lb=9.0)
    case = replace(case, lots=tuple(offered if o.lot_id == "OFFER" else o for o in case.lots))
    found = make_plan(case, shadow_prices=False)
    assert {take.lot_id: take.used_lb for take in found.takes} == {"L1": 1500, "L0": 500}
    assert found.certificate.is_valid
    assert found.money.total_usd == pytest.approx(2000 * 2.55)


def test_what_expires_unused_is_listed_with_what_it_cost():
    case = case_of(OFFER, EXPIRING | {"quantity_lb": 3000, "salvage_value_usd_per_lb": -0.1})
    shown = day_plan(case)
    (take,) = shown.plan.takes
    assert (take.pounds_lb, shown.plan.money.total_usd) == (2000, -200)
    (row,) = shown.tables["stock"].itertuples()
    assert (row.expires_unused_lb, row.expires_books_usd) == (1000, 2600)
    assert "EXPIRES UNUSED  STOCK" in shown.screen()


def test_a_product_without_an_order_is_not_made_and_breaks_nothing():
    """Floors, counts and minimum shares of a product that is not made ask for nothing."""
    case = case_of(OFFER | {"quantity_lb": 9000})
    (made,) = case.products
    idle = replace(made, product_id="IDLE", name="Idle", min_lb=0.0, max_lb=0.0)
    rules = (
        Rule("some", RuleKind.SHARE, ("IDLE",), min_share=0.1),
        Rule("all kinds", RuleKind.MIN_IF_USED, min_share=0.05),
        Rule("few", RuleKind.MAX_LOTS, max_count=3),
    )
    case = replace(case, products=(made, idle), rules=rules)
    shown = day_plan(case)
    assert {run.product_id for run in shown.plan.runs} == {"GB80"}
    assert shown.plan.certificate.is_valid
    assert not shown.plan.short_lb("IDLE")
    checks = [
        check for check in shown.plan.certificate.checks if check.requirement.product_id == "IDLE"
    ]
    assert checks
    assert all(check.verdict is Verdict.MET for check in checks)
    assert [each.product_id for each in shown.odds] == ["GB80"]
    order = work_order(case, shown.plan)
    assert {batch.product_id for batch in order.batches} == {"GB80"}
    assert [page.name for page in work_order_pages(order, shown.plan)] == ["Run order", "GB80"]
    (row,) = shown.products[shown.products["product_id"] == "IDLE"].itertuples()
    assert (row.batches, row.finished_lb) == (0, 0)
