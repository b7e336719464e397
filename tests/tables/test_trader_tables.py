"""Tables of orders, forward prices, stores, day rules, foreign offers and scenarios: every
planted fault is listed once, with its place."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from blend.domain.horizon import DayRuleKind, Side
from blend.domain.imports import RateKind
from blend.domain.scenarios import Change, Distribution, ScenarioField
from blend.errors import InputRefused, Problem
from blend.tables.columns import IMPORT_TABLES, POSITION_TABLES, SCENARIOS
from blend.tables.imports import packaged_rates, read_imports
from blend.tables.positions import read_horizon
from blend.tables.read import read_case
from blend.tables.scenarios import read_scenarios

CASE = {
    "settings": "setting,value\nplan_on,2026-03-02\n",
    "lots": (
        "lot_id,item,species,lean,fresh_or_frozen,origin,on_hand_or_offered,price,price_unit,quantity_lb,use_by\n"
        "F90,fresh 90s,beef,0.9,fresh,domestic,offered,340,usd_per_cwt,20000,2026-03-05\n"
        "F50,fresh 50s,beef,0.5,fresh,domestic,on hand,90,usd_per_cwt,8000,2026-03-04\n"
        "I90,frozen 90 CL,beef,0.9,frozen,New Zealand,on hand,320,usd_per_cwt,9000,\n"
    ),
    "products": (
        "product_id,name,species,target_lean,tolerance_below_points,tolerance_above_points,"
        "min_lb,batch_lb,blender_min_lb,blender_max_lb\n"
        "G80,Ground 80,beef,0.8,1,1,0,1000,0,5000\n"
    ),
    "orders": (
        "order_id,product_id,day,min_lb,max_lb\n"
        "o1,G80,2026-03-02,4000,4000\n"
        "o2,G80,2026-03-04,5000,\n"
    ),
    "forward_offers": (
        "price_id,side,lot_id,day,price,price_unit,quantity_lb,use_by\n"
        "p1,,F90,2026-03-04,352,usd_per_cwt,10000,2026-03-06\n"
        "p2,bid,F50,2026-03-03,0.95,usd_per_lb,,\n"
    ),
    "coolers": (
        "cooler_id,lots,capacity_lb,holding_usd_per_cwt_day,shelf_life_days,ending_inventory_lb,freezes,"
        "freezer_max_lb,freezing_usd_per_cwt\n"
        "cooler,fresh_or_frozen=fresh,30000,0.2,4,,,,\n"
        "freezer,fresh_or_frozen=frozen,50000,0.1,180,1000,"
        "fresh_or_frozen=fresh; lean<=0.6,4000,3\n"
    ),
    "day_rules": (
        "rule_id,kind,lots,against,min_lb,max_lb\n"
        "frozen,max_used,fresh_or_frozen=frozen,,,6000\n"
        "company,needs,lot=F90,lot=F50,100,\n"
    ),
}
OFFER = {
    "offer_id": "NZ90",
    "item": "frozen 90 CL",
    "origin": "New Zealand",
    "tariff_line": "0202.30.50",
    "lean": "0.9",
    "price": "11.2",
    "currency": "NZD",
    "price_per": "kg",
    "usd_per_currency": "0.59",
    "basis": "fob",
    "net_weight_kg": "25000",
    "entry_on": "2026-04-01",
    "quota": "in_quota",
    "ocean_freight_usd_per_cwt": "12",
    "insurance_share": "0.003",
    "assessment_usd_per_kg": "0.02",
    "handling_usd_per_cwt": "3",
    "inland_usd_per_cwt": "4",
    "days_to_plant": "45",
    "finance_share_per_year": "0.07",
    "thaw_lean_loss_share": "0.025",
    "fresh_usd_per_cwt": "349",
    "fresh_lean": "0.9",
    "point_usd_per_cwt": "5.6",
    "lot_id": "I90",
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in CASE.items():
        (tmp_path / f"{name}.csv").write_text(text)
    return tmp_path


def _write_offers(folder: Path, *changes: dict[str, str]) -> None:
    rows = [OFFER | change for change in changes]
    lines = [",".join(OFFER), *(",".join(row.values()) for row in rows)]
    (folder / "foreign_offers.csv").write_text("\n".join(lines) + "\n")


def _problems(read, *args) -> list[Problem]:
    with pytest.raises(InputRefused) as told:
        read(*args)
    return list(told.value.problems)


# Positions ------------------------------------------------------------------------------------


def test_a_horizon_is_read(folder: Path):
    horizon = read_horizon(folder).horizon
    assert horizon.days == (date(2026, 3, 2), date(2026, 3, 3), date(2026, 3, 4))
    assert [order.max_lb for order in horizon.orders] == [4000, None]
    offer, bid = horizon.prices
    assert (offer.side, offer.price_usd_per_lb, offer.use_by) == (
        Side.OFFER,
        3.52,
        date(2026, 3, 6),
    )
    assert (bid.side, bid.price_usd_per_lb, bid.quantity_lb) == (Side.BID, 0.95, None)
    cooler, freezer = horizon.coolers
    assert (cooler.holding_usd_per_lb_day, cooler.ending_inventory_lb, cooler.freezing) == (
        0.002,
        0,
        None,
    )
    assert (freezer.freezing.usd_per_lb, freezer.freezing.max_lb) == (0.03, 4000)
    assert set(horizon.fresh_of) == {"F50 frozen"}
    assert [rule.kind for rule in horizon.day_rules] == [DayRuleKind.NEEDS, DayRuleKind.MAX_USED]


FAULTS = [
    ("orders", "o2,G80,2026-03-04,5000,", "o2,G81,2026-03-04,5000,", 3, "product_id"),
    ("orders", "o2,G80,2026-03-04,5000,", "o2,G80,2026-03-01,5000,", 3, "day"),
    ("orders", "o2,G80,2026-03-04,5000,", "o2,G80,2026-03-02,5000,", 3, "day"),
    ("orders", "o1,G80,2026-03-02,4000,4000", "o1,G80,2026-03-02,4000,3000", 2, "max_lb"),
    ("forward_offers", "p1,,F90", "p1,,F91", 2, "lot_id"),
    ("forward_offers", "p1,,F90", "F90,,F90", 2, "price_id"),
    ("forward_offers", "10000,2026-03-06", "10000,2026-03-03", 2, "use_by"),
    ("forward_offers", "usd_per_lb,,", "usd_per_lb,,2026-03-05", 3, "use_by"),
    ("coolers", "30000,0.2,4,,", "500,0.2,4,900,", 2, "capacity_lb"),
    ("coolers", "cooler,fresh_or_frozen=fresh,", "cooler,,", 3, "lots"),
    ("coolers", "4,,,,\n", "4,,,500,\n", 2, "freezer_max_lb"),
    ("day_rules", "fresh_or_frozen=frozen,,,6000", "fresh_or_frozen=frozen,,,", 2, "max_lb"),
    ("day_rules", "fresh_or_frozen=frozen,,,6000", "fresh_or_frozen=frozen,,50,6000", 2, "min_lb"),
    ("day_rules", "lot=F90,lot=F50,100", "lot=F90,,100", 3, "against"),
    ("lots", "on hand,90,usd_per_cwt,8000", "on hand,90,usd_per_cwt,", None, "quantity_lb"),
]


@pytest.mark.parametrize(("table", "sound", "faulty", "row", "column"), FAULTS)
def test_a_planted_fault_is_listed_once_with_its_place(folder, table, sound, faulty, row, column):
    text = CASE[table]
    assert sound in text
    (folder / f"{table}.csv").write_text(text.replace(sound, faulty, 1))
    (problem,) = _problems(read_horizon, folder)
    assert (problem.file, problem.row, problem.column) == (f"{table}.csv", row, column)


def test_faults_of_the_case_and_of_the_orders_are_listed_together(folder: Path):
    (folder / "lots.csv").write_text(CASE["lots"].replace("0.5,fresh", "500,fresh"))
    (folder / "orders.csv").write_text(CASE["orders"].replace("5000", "many"))
    assert [problem.file for problem in _problems(read_horizon, folder)] == [
        "lots.csv",
        "orders.csv",
    ]


def test_without_orders_there_is_nothing_to_plan(folder: Path):
    (folder / "orders.csv").unlink()
    (problem,) = _problems(read_horizon, folder)
    assert problem.file == "orders.csv"


def test_fresh_meat_that_nothing_bounds_is_reported(folder: Path):
    (folder / "coolers.csv").write_text(CASE["coolers"].replace("0.2,4,", "0.2,,"))
    (folder / "forward_offers.csv").write_text(
        CASE["forward_offers"].replace("10000,2026-03-06", "10000,")
    )
    warnings = read_horizon(folder).warnings
    (caution,) = (each for each in warnings if each.column == "shelf_life_days")
    assert "F90" in caution.fact


# Imports --------------------------------------------------------------------------------------


def test_offers_and_own_rates_are_read(folder: Path):
    _write_offers(folder, {}, {"offer_id": "US", "currency": "usd", "usd_per_currency": ""})
    (folder / "import_rates.csv").write_text(
        "rate_id,charge,value,unit,valid_from,verified,source\n"
        "mpf_max_2026,mpf_max,700,usd_per_entry,2026-01-01,own,broker\n"
        "mpf_max_2027,mpf_max,710,usd_per_entry,2026-10-01,own,broker\n"
    )
    read = read_imports(folder)
    assert [(o.currency, o.usd_per_currency) for o in read.offers] == [("NZD", 0.59), ("USD", 1)]
    assert read.offers[0].net_weight_lb == pytest.approx(55_115.57, abs=0.01)
    by_id = {rate.rate_id: rate for rate in read.rates}
    assert by_id["mpf_max_2026"].value == 700
    assert by_id["mpf_max_2027"].charge is RateKind.MPF_MAX
    assert len(by_id) == len(packaged_rates()) + 1


@pytest.mark.parametrize(
    ("change", "column"),
    [
        ({"usd_per_currency": ""}, "usd_per_currency"),
        ({"currency": "USD"}, "usd_per_currency"),
        ({"lean": "900"}, "lean"),
        ({"basis": "cfr"}, "basis"),
        ({"quota": ""}, "quota"),
        ({"entry_on": "31/1/2026"}, "entry_on"),
    ],
)
def test_a_faulty_offer_is_refused(folder: Path, change, column):
    _write_offers(folder, {}, {"offer_id": "other"} | change)
    (problem,) = _problems(read_imports, folder)
    assert (problem.row, problem.column) == (3, column)


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("r,mpf,0.003,usd_per_kg,,,own,broker", "unit"),
        ("r,hmf,12.5,share,,,own,broker", "value"),
        ("r,hmf,0.1,share,2026-02-01,2026-01-01,own,broker", "valid_to"),
    ],
)
def test_a_faulty_rate_is_refused(folder: Path, row, column):
    _write_offers(folder, {})
    header = "rate_id,charge,value,unit,valid_from,valid_to,verified,source"
    (folder / "import_rates.csv").write_text(f"{header}\n{row}\n")
    (problem,) = _problems(read_imports, folder)
    assert (problem.file, problem.column) == ("import_rates.csv", column)


def test_every_packaged_rate_names_where_it_is_from():
    for rate in packaged_rates().values():
        assert rate.source
        assert rate.verified in ("read", "restated", "memory")
        assert rate.value is not None or rate.note, "an unknown rate says why"


# Scenarios ------------------------------------------------------------------------------------

HEADER = (
    "row_id,scenario,field,lots,products,currency,change,value,distribution,sd,minimum,maximum,correlated_with,"
    "correlation"
)
SOUND = (
    "a,dear,price,fresh_or_frozen=fresh,,,add,20,,,,,,",
    "b,,price,lean>=0.8,,,multiply,1,lognormal,0.05,,,,",
    "c,,quantity,,,,multiply,1,triangular,,0.8,1.1,b,0.4",
    "d,,order,,G80,,set,4500,normal,300,0,,,",
    "e,weak,rate,,,nzd,multiply,0.95,,,,,,",
)


def _read_scenarios(folder: Path, *rows: str):
    _write_offers(folder, {})
    (folder / "scenarios.csv").write_text("\n".join((HEADER, *rows)) + "\n")
    return read_scenarios(folder, read_case(folder).case, read_imports(folder).offers)


def test_scenarios_are_read(folder: Path):
    a, b, c, d, e = _read_scenarios(folder, *SOUND)
    assert (a.field, a.change, a.value, a.distribution) == (
        ScenarioField.PRICE,
        Change.ADD,
        0.2,
        Distribution.FIXED,
    )
    assert (b.value, b.sd) == (1.0, 0.05)
    assert (c.correlated_with, c.correlation) == ("b", 0.4)
    assert (d.value, d.sd, d.products) == (4500, 300, ("G80",))
    assert (e.currency, e.scenario) == ("NZD", "weak")


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("x,,price,fresh_or_frozen=fresh,,,add,20,,,,,,", "scenario"),
        ("x,dear,price,,,,multiply,1,normal,0.1,,,,", "scenario"),
        ("x,As planned,price,,,,multiply,1,,,,,,", "scenario"),
        ("x,,price,,,,multiply,1,normal,,,,,", "sd"),
        ("x,dear,price,,,,multiply,1,,0.1,,,,", "sd"),
        ("x,,price,,,,multiply,1,triangular,,0.8,,,", "maximum"),
        ("x,,price,,,,multiply,1,triangular,,1.2,1.3,,", "minimum"),
        ("x,,price,,,,multiply,0,lognormal,0.1,,,,", "value"),
        ("x,,price,,,,multiply,1,normal,0.1,,,bb,0.3", "correlated_with"),
        ("x,,price,,,,multiply,1,normal,0.1,,,b,", "correlation"),
        ("x,dear,price,fresh_or_frozen=raw,,,multiply,1,,,,,,", "lots"),
        ("x,dear,price,,G80,,multiply,1,,,,,,", "products"),
        ("x,dear,order,,G81,,multiply,1,,,,,,", "products"),
        ("x,dear,rate,,,AUD,multiply,1,,,,,,", "currency"),
        ("x,dear,price,,,,multiply,-1,,,,,,", "value"),
    ],
)
def test_a_faulty_change_is_refused(folder: Path, row, column):
    (problem,) = _problems(_read_scenarios, folder, *SOUND, row)
    assert (problem.file, problem.row, problem.column) == ("scenarios.csv", 7, column)


def test_a_quantity_without_a_limit_can_only_be_set(folder: Path):
    (folder / "lots.csv").write_text(CASE["lots"].replace("usd_per_cwt,20000", "usd_per_cwt,"))
    row = "x,dear,quantity,lot=F90,,,multiply,1.1,,,,,,"
    (problem,) = _problems(_read_scenarios, folder, row)
    assert problem.column == "change"


# The tables of columns --------------------------------------------------------------------------

TABLES = (*POSITION_TABLES.values(), *IMPORT_TABLES.values(), SCENARIOS)
