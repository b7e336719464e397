"""The money of a plan, added up by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.domain.rules import Loss
from blend.domain.selectors import parse_selector
from tests.check.plans import easy_product, write_plan
from tests.published.cases import make_case, make_lot, make_product

COW = make_lot("cow", 0.90, 0.99)
TRIM = make_lot("trim", 0.75, 0.79)
SQUARE = [("ground", 1, {"cow": 333, "trim": 667})]


def test_square_of_two():
    # Teaching slides "Meat Calculations", example 1: 1/3 at 0.99 and 2/3 at 0.79 USD per lb make
    # 0.85667; in whole pounds 333 x 0.99 + 667 x 0.79 = 329.67 + 526.93.
    money = write_plan(make_case([COW, TRIM], [make_product(0.80, 1_000.0)]), SQUARE).money()
    assert money.meat_usd == 856.60
    assert money.total_usd == 856.60
    assert money.usd_per_finished_lb == 0.8566
    assert (money.freight_usd, money.salvage_value_usd, money.sales_usd) == (0.0, 0.0, 0.0)


def test_every_kind_of_money():
    cow = replace(COW, price_basis="fob", freight_usd_per_lb=0.05, salvage_value_usd_per_lb=0.40)
    trim = replace(TRIM, freight_usd_per_lb=0.07, salvage_value_usd_per_lb=-0.10)
    product = easy_product(shortage_penalty_usd_per_lb=0.30, sale_usd_per_lb=1.50)
    case = make_case([cow, trim], [product])
    takes = {"cow": 400, "trim": 700}
    money = write_plan(case, SQUARE, takes=takes, short={"ground": 1_000.0}).money()
    assert money.meat_usd == 400 * 0.99 + 700 * 0.79
    assert money.freight_usd == 20.0  # of the FOB lot alone; the other is priced delivered
    assert money.salvage_value_usd == 23.5  # 67 x 0.40 - 33 x 0.10
    assert money.shortage_penalty_usd == 300.0
    assert money.sales_usd == 1_500.0
    assert money.finished_lb == 1_000.0


def test_sales_are_of_finished_pounds():
    loss = Loss("purge", "thaw", parse_selector("lot=trim"), lean_loss_share=0.2)
    product = easy_product(sale_usd_per_lb=2.0)
    money = write_plan(make_case([COW, TRIM], [product], losses=(loss,)), SQUARE).money()
    assert money.finished_lb == 899.95  # 333 + 667 x (1 - 0.2 x 0.75)
    assert money.sales_usd == 1_799.90


def test_left_over_is_counted_not_read():
    plan = write_plan(
        make_case([replace(COW, salvage_value_usd_per_lb=1.0), TRIM], [easy_product()]), SQUARE
    )
    assert plan.with_take(used_lb=0.0).money() == plan.money()


def test_a_million_dimes_add_up():
    # 0.1 has no exact binary; ten thousand batches of it do not drift
    dime = make_lot("dime", 0.80, 0.1)
    plan = write_plan(make_case([dime], [easy_product()]), [("ground", 10_000, {"dime": 100})])
    assert plan.money().meat_usd == pytest.approx(100_000.0, rel=0, abs=0)
