"""Markets and tables of moves read back as written; every fault is listed at once."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.domain.clearing import MarketMove, MoveOf
from blend.domain.selectors import parse_selector
from blend.errors import FileTrouble, InputRefused
from blend.tables.clearing import holds_market, read_market, read_moves, write_market
from blend.tables.read import read_case
from blend.tables.write import write_csv
from tests.reporter.markets import market


@pytest.fixture
def folder(tmp_path):
    write_market(market(), tmp_path / "market")
    return tmp_path / "market"


def test_a_market_reads_back_as_written(folder):
    assert holds_market(folder) and not holds_market(folder.parent)
    case = read_case(folder).case
    assert read_market(folder, case) == market()


def test_every_fault_of_a_market_is_listed_at_once(folder):
    (folder / "product_demand.csv").write_text(
        "product_id,volume_lb,elasticity\nGB73,8e6,-1.6\nGB81,7e6,-1.4\nGB90,,0.5\n"
    )
    case = read_case(folder).case
    lots = tuple(
        replace(
            each,
            quantity_lb=None if each.lot_id == "90s" else each.quantity_lb,
            price_usd_per_lb=0.1 if each.lot_id == "50s" else each.price_usd_per_lb,
        )
        for each in case.lots
    )
    with pytest.raises(InputRefused) as refused:
        read_market(folder, replace(case, lots=lots))
    told = "\n".join(map(str, refused.value.problems))
    for part in (
        "GB81",
        "volume_lb",
        "elasticity",
        "no quantity_lb",
        "50s is quoted",
    ):
        assert part in told
    # That GB80 has no row is the same fault as that GB81 is unknown.
    assert len(refused.value.problems) == 5


def test_a_product_without_demand_is_reported(folder):
    path = folder / "product_demand.csv"
    path.write_text("".join(path.read_text().splitlines(keepends=True)[:-1]))
    with pytest.raises(InputRefused) as refused:
        read_market(folder, read_case(folder).case)
    (problem,) = refused.value.problems
    assert problem.value.startswith("no row for ")


def moves_file(tmp_path, *rows):
    path = tmp_path / "moves.csv"
    names = ("row_id", "field", "lots", "products", "rule_id", "change", "value")
    write_csv(path, names, rows)
    return path


def test_moves_read_in_their_order(tmp_path):
    path = moves_file(
        tmp_path,
        ("short", "availability", "origin!=domestic", None, None, "multiply", 0.8),
        ("orders", "orders", None, ("GB80",), None, "set", 7e6),
        ("rule", "max_share", None, None, "frozen", "multiply", 0.5),
    )
    assert read_moves(path, market()) == (
        MarketMove("short", MoveOf.AVAILABILITY, True, 0.8, parse_selector("origin!=domestic")),
        MarketMove("orders", MoveOf.ORDERS, False, 7e6, products=("GB80",)),
        MarketMove("rule", MoveOf.MAX_SHARE, True, 0.5, rule_id="frozen"),
    )


def test_every_fault_of_moves_is_listed_at_once(tmp_path):
    path = moves_file(
        tmp_path,
        ("none", "availability", "item=veal", None, None, "multiply", 0.8),
        ("who", "orders", None, ("GB70",), None, "multiply", 1.1),
        ("which", "max_share", None, None, "frozn", "set", 0.2),
        ("much", "max_share", None, None, "frozen", "multiply", 4),
        ("minimum", "min_share", None, None, "frozen", "set", 0.1),
        ("stray", "orders", "fresh_or_frozen=fresh", None, None, "multiply", 1.1),
    )
    with pytest.raises(InputRefused) as refused:
        read_moves(path, market())
    assert [(p.row, p.column) for p in refused.value.problems] == [
        (2, "lots"),
        (3, "products"),
        (4, "rule_id"),
        (5, "value"),
        (6, "rule_id"),
        (7, "lots"),
    ]


def test_a_table_of_moves_that_is_not_there(tmp_path):
    with pytest.raises(FileTrouble):
        read_moves(tmp_path / "nothing.csv", market())
