"""Days at the edges of what tables can say, as tables, and what must hold of any plan shown."""

from __future__ import annotations

import math
import tempfile
from decimal import Decimal
from pathlib import Path
from typing import Any

from blend.domain.case import Case
from blend.domain.plan import Plan, Verdict
from blend.grinder.day_plan import DayPlan
from blend.grinder.odds import errors_of
from blend.grinder.plan import make_plan
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
    """The plan, after everything shown of it is checked for agreement."""
    plan = make_plan(case, shadow_prices=shadow_prices)
    broken = [each for each in plan.certificate.checks if each.verdict is Verdict.BROKEN]
    assert not broken and plan.certificate.is_valid, broken
    check_shown(case, plan)
    return plan


def shown_text(case: Case, plan: Plan) -> str:
    return DayPlan(case, plan, errors_of(case, {})).screen(["all"])


def check_shown(case: Case, plan: Plan) -> None:
    """Every section can be printed, and one table's pounds and dollars are another's."""
    shown = DayPlan(case, plan, errors_of(case, {}))
    assert len(shown.screen().splitlines()) <= 40
    assert shown.screen(["all"]) and shown.to_json()
    taken, recipes = shown.purchases, shown.recipes
    assert (taken["taken_lb"] == taken["used_lb"] + taken["leftover_lb"]).all()
    assert (recipes["run_lb"] == recipes["batches"] * recipes["weigh_lb"]).all()
    in_recipes = recipes.groupby("lot_id")["run_lb"].sum()
    used = taken.set_index("lot_id")["used_lb"]
    assert used[used > 0].to_dict() == in_recipes[in_recipes > 0].to_dict()
    money = shown.tables["money"]["money_usd"]
    assert math.isclose(money.sum(), plan.money.total_usd, abs_tol=1e-6, rel_tol=1e-12)
    bought_usd = taken["purchase_usd"].sum()
    paid_usd = plan.money.meat_usd + plan.money.freight_usd + plan.money.stock_books_usd
    assert math.isclose(bought_usd, paid_usd, abs_tol=1e-6, rel_tol=1e-9)
