"""What each driver was: just the cells that differ by it, and every one of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from blend.domain.selectors import parse_selector
from blend.reading import read_ready_case
from blend.reporter.mixed import Driver
from blend.reporter.sides import Cell, Side, sides_of_cases, sides_of_markets
from blend.tables.clearing import read_market

DEMO = Path(__file__).parents[2] / "demo_data"
ITEM = parse_selector("item=fresh 90s")


@pytest.fixture(scope="module")
def case():
    return read_ready_case(DEMO).case


def with_lot(case, lot_id, **changed):
    lots = tuple(replace(e, **changed) if e.lot_id == lot_id else e for e in case.lots)
    return replace(case, lots=lots)


def test_nothing_differs_between_a_case_and_itself(case):
    assert not any(sides_of_cases(case, case, ITEM).values())


@pytest.mark.parametrize(
    ("lot_id", "changed", "driver", "cell"),
    [
        ("B90-1", {"price_usd_per_lb": 3.9}, Driver.OWN_PRICE, Cell.PRICE),
        ("B50-1", {"price_usd_per_lb": 3.9}, Driver.OTHER_PRICES, Cell.PRICE),
        ("B90-1", {"quantity_lb": 7.0}, Driver.FRESH_SUPPLY, Cell.POUNDS),
        ("I90-1", {"quantity_lb": None}, Driver.IMPORTED_SUPPLY, Cell.POUNDS),
        ("B50-1", {"lean": 0.4}, Driver.FRESH_SUPPLY, Cell.OTHER),
    ],
)
def test_a_cell_of_a_lot_is_told_by_its_driver_alone(case, lot_id, changed, driver, cell):
    sides = sides_of_cases(case, with_lot(case, lot_id, **changed), ITEM)
    assert [each for each in sides if sides[each]] == [driver]
    (side,) = sides[driver]
    assert (side.name, side.cell) == (lot_id, cell)
    assert side.after in (*changed.values(), 3.9)


def test_orders_and_rules_are_told_apart(case):
    product = case.products[0]
    other = replace(product, min_lb=1.0, target_lean=product.target_lean + 0.001)
    after = replace(case, products=(other, *case.products[1:]), rules=case.rules[1:])
    sides = sides_of_cases(case, after, ITEM)
    name = product.product_id
    assert sides[Driver.ORDERS] == (Side(Cell.ORDERED, name, product.min_lb, 1.0),)
    told = {(each.name, each.column) for each in sides[Driver.RULES]}
    assert told == {(name, "target_lean"), (case.rules[0].rule_id, "rules")}


def test_orders_of_a_market_are_its_volumes():
    folder = DEMO / "history" / "market"
    market = read_market(folder, read_ready_case(folder).case)
    first, *others = market.demands
    after = replace(market, demands=(replace(first, volume_lb=5.0), *others))
    sides = sides_of_markets(market, after, parse_selector("item=90s"))
    told = Side(Cell.ORDERED, first.product_id, first.volume_lb, 5.0)
    assert sides == dict.fromkeys(sides, ()) | {Driver.ORDERS: (told,)}
