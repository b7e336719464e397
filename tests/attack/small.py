"""A small plant's day with every other table, so that whole commands run in a second."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from blend.tables.columns import HISTORY_TABLES
from tests.attack.targets import DEMO, Grid, case_grids, grid_of, targets

LOTS = (
    *("B50-1", "B50-2", "B65-2", "B81-2", "B85-2", "B90-1", "B90-2"),
    *("I90-1", "I90-2", "I65-1", "D50-1"),
)
PRODUCTS = {"GB73": ("8000", "8000"), "GB80": ("12000", "14000"), "GB85": ("6000", "")}
"""Finished pounds ordered of each: at least, at most."""


RULES = (
    "imported,share,,origin!=domestic,,,0.4",
    "lots in a blend,max_lots,GB73|GB80,,,,,4",
    "minimum to weigh,min_if_used,,,,0.03",
    "use today,must_use,,lot=B50-1,,,,,6000",
    "apart,keep_apart,GB85,fresh_or_frozen=frozen,lot=B90-1",
)
SETTINGS = ("plan_on,2026-11-25", "whole_containers,taken", "gap_share,0.02", "time_limit_s,2")
ORDERS = (
    "order_id,product_id,day,min_lb,max_lb,shortage_penalty_usd_per_lb",
    "1,GB73,2026-11-25,6000,6000,5",
    "2,GB80,2026-11-27,8000,9000,5",
    "3,GB85,2026-11-27,4000,,5",
)
SCENARIOS = (
    "up,up,price,,,,add,20,fixed",
    "lean,,price,fresh_or_frozen=fresh,,,multiply,1,lognormal,0.04",
    "kiwi,,rate,,,NZD,set,0.586,normal,0.01,0.5,0.7",
    "order,,order,,GB80,,multiply,1,triangular,,0.9,1.1",
)


def _rows(header: list[str], lines: Iterable[str]) -> Grid:
    """A table of lines of cells, filled up with blanks."""
    cells = [line.split(",") for line in lines]
    return [header, *(row + [""] * (len(header) - len(row)) for row in cells)]


def _where(grid: Grid, column: str, is_kept: Callable[[str], bool]) -> Grid:
    place = grid[0].index(column)
    return [grid[0], *(row for row in grid[1:] if is_kept(row[place]))]


def _with_volumes(grid: Grid) -> Grid:
    names = [grid[0].index(name) for name in ("product_id", "min_lb", "max_lb")]
    product, minimum, maximum = names
    for row in grid[1:]:
        row[minimum], row[maximum] = PRODUCTS[row[product]]
    return grid


def small_grids() -> dict[str, Grid]:
    """Every table that commands read from a folder of a case."""
    case = case_grids(DEMO)
    grids = {
        "lots": _where(case["lots"], "lot_id", LOTS.__contains__),
        "products": _with_volumes(_where(case["products"], "product_id", PRODUCTS.__contains__)),
        "rules": _rows(case["rules"][0], RULES),
        "losses": case["losses"],
        "settings": _rows(["setting", "value"], SETTINGS),
        "orders": _rows(ORDERS[0].split(","), ORDERS[1:]),
        "scenarios": _rows(grid_of(DEMO / "scenarios.csv")[0], SCENARIOS),
    }
    beside = {
        "tests": ("lot_id", lambda lot_id: True),
        "batch_tests": ("product_id", PRODUCTS.__contains__),
        "temperatures": ("lot_id", LOTS.__contains__),
        "confidence": ("product_id", PRODUCTS.__contains__),
        "lean_spread": ("lot_id", LOTS.__contains__),
        "foreign_offers": ("lot_id", lambda lot_id: not lot_id or lot_id in LOTS),
        "forward_offers": ("lot_id", LOTS.__contains__),
        "quotations": ("item", lambda item: True),
    }
    for name, (column, is_kept) in beside.items():
        grids[name] = _where(grid_of(DEMO / f"{name}.csv", 60), column, is_kept)
    grids["forward_offers"] = grids["forward_offers"][:12]
    grids["coolers"] = grid_of(DEMO / "coolers.csv")
    return grids


def market_grids() -> dict[str, Grid]:
    market = case_grids(DEMO / "market")
    return market | {"product_demand": grid_of(DEMO / "market" / "product_demand.csv")}


def history_grids() -> dict[str, Grid]:
    return {name: grid_of(DEMO / "history" / f"{name}.csv", 60) for name in HISTORY_TABLES}


def beside_grids() -> dict[str, Grid]:
    """Tables that commands are named the file of."""
    by_name = {target.name: target for target in targets()}
    return {name: by_name[name].tables[name] for name in ("market_moves", "quotation_method")}
