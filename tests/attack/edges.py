"""Days at the edges of what tables can say, as tables, and what must hold of any plan shown."""

from __future__ import annotations

import tempfile
from collections import defaultdict
from decimal import Decimal
from pathlib import Path
from typing import Any

from blend.domain.case import Case
from blend.domain.plan import Plan, Verdict
from blend.grinder.plan import make_plan
from blend.show.quantities import labelled_runs
from blend.show.shown import Cell, ShownColumn, ShownTable
from blend.show.tables import plan_tables
from blend.show.text import tables_text
from blend.tables.read import read_case
from tests.attack.mutations import write_csvs
from tests.attack.targets import Grid

Rows = list[dict[str, Any]]


def percent(share: float) -> str:
    return f"{100 * Decimal(repr(share)):f}%"


def lot(lot_id: str, lean: float, price: float, quantity: float | None, **more: Any) -> dict:
    plain = {
        "lot_id": lot_id,
        "item": "trim",
        "species": "beef",
        "lean": percent(lean),
        "origin": "domestic",
        "price": price,
        "price_unit": "usd_per_cwt",
        "quantity_lb": "" if quantity is None else quantity,
        "container": "loose",
    }
    return plain | more


def product(product_id: str, target: float, minimum: float, maximum: Any = "", **more: Any) -> dict:
    plain = {
        "product_id": product_id,
        "name": product_id,
        "species": "beef",
        "target_lean": percent(target),
        "tolerance_below_points": 1,
        "tolerance_above_points": 1,
        "min_lb": minimum,
        "max_lb": maximum,
        "batch_lb": 2000,
        "blender_min_lb": 1,
        "blender_max_lb": 4000,
    }
    return plain | more


def settings(**more: Any) -> Rows:
    plain = {"plan_on": "2026-11-25", "whole_containers": "no", "time_limit_s": 5}
    return [{"setting": name, "value": value} for name, value in (plain | more).items()]


def grid(rows: Rows) -> Grid:
    names = list(dict.fromkeys(name for row in rows for name in row))
    return [names, *([str(row.get(name, "")) for name in names] for row in rows)]


def read(lots: Rows, products: Rows, rules: Rows = (), losses: Rows = (), **more: Any) -> Case:
    """The case of these rows, by way of its tables."""
    tables = {"lots": lots, "products": products, "rules": rules, "losses": losses}
    tables["settings"] = settings(**more)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "case"
        write_csvs({name: grid(rows) for name, rows in tables.items() if rows}, folder)
        return read_case(folder).case


def planned(case: Case, *, shadow_prices: bool = True) -> Plan:
    """The plan, after all that can be seen of it is held against itself."""
    plan = make_plan(case, shadow_prices=shadow_prices)
    broken = [each for each in plan.certificate.checks if each.verdict is Verdict.BROKEN]
    assert not broken and plan.certificate.is_valid, broken
    check_shown(case, plan)
    return plan


def shown_text(case: Case, plan: Plan) -> str:
    return tables_text(plan_tables(case, plan))


# What is shown adds up ------------------------------------------------------------------------


def _read_back(column: ShownColumn, cell: Cell) -> Decimal:
    """The number as a reader of the page has it."""
    text = column.text(cell)
    return Decimal(text.replace(",", "")) if text else Decimal(0)


def column_of(table: ShownTable, name: str) -> list[Decimal]:
    place = [column.name for column in table.columns].index(name)
    return [_read_back(table.columns[place], row[place]) for row in table.rows]


def check_shown(case: Case, plan: Plan) -> None:
    """Totals are the sums of the rows above them, and one table's pounds are another's."""
    tables = plan_tables(case, plan)
    for table in tables:
        if table.totals is not None:
            for column, total, *cells in zip(table.columns, table.totals, *table.rows, strict=True):
                if column.is_summed:
                    parts = sum(_read_back(column, cell) for cell in cells)
                    assert _read_back(column, total) == parts, (table.title, column.name)
    purchases, blends = tables[0], tables[1]
    taken, used, left = (column_of(purchases, name) for name in ("Taken", "Used", "Left over"))
    assert taken == [a + b for a, b in zip(used, left, strict=True)]
    recipes = tables[2 : 2 + len(plan.runs)]
    in_recipes: dict[str, Decimal] = defaultdict(Decimal)
    for (run, _), recipe in zip(labelled_runs(case, plan), recipes, strict=True):
        each = column_of(recipe, "Each batch")
        every = column_of(recipe, "In all" if run.batches == 1 else f"All {run.batches} batches")
        assert every == [run.batches * pounds for pounds in each]
        for row, pounds in zip(recipe.rows, every, strict=True):
            in_recipes[row[0]] += pounds
    assert {row[0]: pounds for row, pounds in zip(purchases.rows, used, strict=True) if pounds} == {
        lot_id: pounds for lot_id, pounds in in_recipes.items() if pounds
    }
    batches, batch, in_all = (column_of(blends, name) for name in ("Batches", "Batch", "In all"))
    assert in_all == [count * pounds for count, pounds in zip(batches, batch, strict=True)]
    _check_money(case, plan, tables)


def _check_money(case: Case, plan: Plan, tables: list[ShownTable]) -> None:
    """What is bought costs what the money table says, or the difference of cents is told."""
    (money,) = (table for table in tables if table.title == "Money")
    meat, freight, *_ = column_of(money, "Amount")
    bought = sum(column_of(tables[0], "Cost"), Decimal(0))
    if bought != meat + freight:
        assert f"adds up to {bought:,.2f}" in money.note
        assert abs(bought - meat - freight) <= Decimal("0.01") * (len(plan.takes) + 2)
