"""Loads over several customers: against every split there is, and against their own plans."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.optimize import linprog

from blend.cli import main
from blend.domain.customers import CustomerRow
from blend.errors import InputRefused
from blend.reading import read_ready_case
from blend.tables.customers import read_customers
from blend.trader.curves import demand_curve
from blend.trader.customers import (
    CustomerDemand,
    at_one_price,
    best_price,
    best_split,
    customers,
    over_cost_usd,
    product_steps,
)

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.mark.parametrize("seed", range(20))
def test_the_best_split_and_price_beat_all_others(seed):
    rng = np.random.default_rng(seed)
    demands = [
        CustomerDemand(
            f"C{number}",
            float(rng.integers(0, 12)) / 2,
            tuple(sorted((float(p) for p in rng.integers(300, 340, rng.integers(0, 5))),
                         reverse=True)),
        )
        for number in range(3)
    ]  # fmt: skip
    loads, cost = int(rng.integers(1, 8)), 315.0
    split = best_split(demands, loads, cost)
    assert sum(split.values()) <= loads

    def earns(numbers):
        pairs = zip(demands, numbers, strict=True)
        return sum(over_cost_usd(each, number, cost) for each, number in pairs)

    every = itertools.product(*(range(len(each.delivered_usd_per_cwt) + 1) for each in demands))
    best = max(earns(numbers) for numbers in every if sum(numbers) <= loads)
    assert earns(split.values()) == pytest.approx(best)
    price = best_price(demands, loads, cost)
    one = max(
        (fob - cost) * 400 * min(loads, sum(each.loads_at(fob) for each in demands))
        for fob in np.arange(280, 345, 0.5)
    )
    if price is None:
        assert one <= 0
        return
    taken = at_one_price(demands, loads, price)
    assert (price - cost) * 400 * sum(taken.values()) == pytest.approx(one)
    assert all(taken[each.customer] <= each.loads_at(price) for each in demands)
    assert one <= best + 1e-6  # a price of its own for each earns no less


def test_loads_of_a_customer_with_a_plan_are_those_of_its_demand():
    rows = [CustomerRow("G", "90 CL", 2.25, "plan", "I90-1", 5, max_loads=4)]
    case = read_ready_case(DEMO).case
    found = customers(rows, "90 CL", 4, 300.0, lambda _: case, whole=False)
    curve = demand_curve(case, "I90-1", available_lb=32_000)
    prices = found.demands[0].delivered_usd_per_cwt
    for number, price in enumerate(prices, start=1):
        assert curve.pounds_at(price / 100)[1] * 5 >= number * 40_000 - 1
        assert curve.pounds_at(price / 100 + 0.0002)[1] * 5 < number * 40_000
    assert list(prices) == sorted(prices, reverse=True)


def test_a_customer_whose_plan_takes_no_whole_load_is_said_so_and_the_others_are_priced():
    rows = [
        CustomerRow("G", "90 CL", 2.25, "plan", "CHK-1", 1, max_loads=4),
        CustomerRow("H", "90 CL", 3.0, takes_lb=60_000, pays_usd_per_cwt=350),
    ]
    case = read_ready_case(DEMO).case
    found = customers(rows, "90 CL", 4, 300.0, lambda _: case)
    assert found.shown == {"G": 0, "H": 1} and found.whole_lb == {}
    assert "G takes no whole load" in found.screen()


def test_rows_without_a_plan_add_up():
    rows = [
        CustomerRow("H", "90s", 3.0, takes_lb=60_000, pays_usd_per_cwt=350),
        CustomerRow("H", "90s", 3.0, takes_lb=60_000, pays_usd_per_cwt=340),
    ]
    found = customers(rows, "90s", 5, 330.0, _no_plan)
    assert found.demands[0].delivered_usd_per_cwt == (350, 340, 340)
    with pytest.raises(InputRefused, match="90s"):
        customers(rows, "85s", 5, 330.0, _no_plan)


def _no_plan(folder):
    raise AssertionError(folder)


def test_an_offer_sheet_names_its_own_customer_alone_and_no_cost(tmp_path):
    page = tmp_path / "offer.html"
    words = ["customers", str(DEMO / "book"), "90 CL", "--loads", "5", "--cost", "314.07",
             "--no-whole", "--offer-sheet", str(page), "--customer", "Grinder H"]  # fmt: skip
    assert CliRunner().invoke(main, words).exit_code == 0
    text = page.read_text()
    assert "Grinder H" in text and "80,000 lb" in text
    assert not any(word in text for word in ("Grinder G", "Grinder J", "314.07", "Packer"))
    assert CliRunner().invoke(main, [*words[:-1], "Grinder X"]).exit_code == 2


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("G,90 CL,..,,5,,,2,4,,", "lot_id"),
        ("G,90 CL,,,,,320,2,4,,", "takes_lb"),
        ("G,90 CL,..,I90-1,5,2 loads,,2,4,,", "takes_lb"),
        ("G,90 CL,,,,2 loads,320,,4,,", "freight_usd_per_cwt"),
        ("G,90 CL,,,,2 loads,,2,4,81,90000", "takes_lb"),
        ("G,90 CL,,,,,,2,4,81,", "makes_lb"),
        ("G,90 CL,..,I90-1,5,,,2,4,,\nG,90 CL,,,,2 loads,320,2,4,,", "customer"),
        ("G,90 CL,,,,2 loads,320,2,4,,\nG,90 CL,,,,2 loads,310,3,4,,", "freight_usd_per_cwt"),
    ],
)
def test_a_faulty_customer_is_refused_at_its_cell(tmp_path, row, column):
    head = (DEMO / "book" / "customers.csv").read_text().splitlines()[0]
    (tmp_path / "customers.csv").write_text(f"{head}\n{row}\n")
    with pytest.raises(InputRefused) as refused:
        read_customers(tmp_path)
    assert [each.column for each in refused.value.problems] == [column]


@pytest.mark.parametrize("seed", range(20))
def test_what_a_product_takes_is_what_a_linear_program_buys(seed):
    rng = np.random.default_rng(seed)
    leans = np.sort(rng.choice(np.arange(50, 96), 6, replace=False)) / 100
    prices = 50 + 300 * leans + rng.normal(0, 12, 6)
    lean, product = float(rng.integers(50, 96)) / 100, float(rng.integers(60, 86)) / 100
    steps = product_steps(lean, product, 100.0, zip(leans.tolist(), prices.tolist(), strict=True))
    if not leans[0] <= product <= leans[-1]:
        assert steps == []
        return
    assert [price for price, _ in steps] == sorted((price for price, _ in steps), reverse=True)
    for price in rng.uniform(150, 400, 8):
        bought = linprog(
            [price, *prices], A_eq=[np.ones(7), [lean, *leans]], b_eq=[100, 100 * product]
        ).x[0]
        assert sum(lb for at, lb in steps if at > price) == pytest.approx(bought, abs=1e-6)
