"""Every number in specs/standards.csv against the text it comes from, and the sense of each row."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path

import pytest

from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import RuleKind
from blend.domain.selectors import EVERY_LOT, parse_selector
from blend.domain.standards import STALE_AFTER, Action, StandardRow

FILE = Path(__file__).parents[2] / "specs" / "standards.csv"
with FILE.open(newline="", encoding="utf-8") as file:
    CELLS = list(csv.DictReader(file))

MAX_SHARE = {
    # 9 CFR 319.15(a), (b): 30% fat (FSIS, "Ground Beef and Food Safety"; 2VAC5-590-10(A)).
    "ground_beef_fat": 0.30,
    "hamburger_fat": 0.30,
    # 2VAC5-590-10(A), mirror of 9 CFR 319.15(a): "cheek meat shall be limited to 25%".
    "ground_beef_cheek": 0.25,
    "hamburger_cheek": 0.25,
    # FSIS policy book (2005), "Hamburger", as glossaries quote it; from memory.
    "ground_beef_cheek_label": 0.02,
    "hamburger_cheek_label": 0.02,
    # 2VAC5-590-10(B).
    "beef_patties_fat": 0.30,
    # 9 CFR 319.15(d); the cheek by its reference to (a).
    "fabricated_steak_fat": 0.30,
    "fabricated_steak_cheek": 0.25,
    # 9 CFR 319.141 and 319.144.
    "fresh_pork_sausage_fat": 0.50,
    "whole_hog_sausage_fat": 0.50,
    # 9 CFR 319.142 and 319.143; from memory.
    "fresh_beef_sausage_fat": 0.30,
    "breakfast_sausage_fat": 0.50,
    # 1 NYCRR 319.145(a), mirror of 9 CFR 319.145(a).
    "italian_sausage_fat": 0.35,
    # FSIS, "Hot Dogs and Food Safety"; 7 Pa. Code 1.407(a) and, for poultry, (d).
    "frankfurter_fat": 0.30,
    "frankfurter_poultry": 0.15,
    # 9 CFR 319.6(b); from memory.
    "fresh_pork_sausage_mechanically_separated": 0.20,
    "breakfast_sausage_mechanically_separated": 0.20,
    "italian_sausage_mechanically_separated": 0.20,
    "frankfurter_mechanically_separated": 0.20,
    # South Dakota ARSD 20:01:01:05.
    "diet_lean_ground_beef_fat": 0.10,
    # Pennsylvania, meats solicitation, April to June 2024: average fat no more than 20%.
    "pennsylvania_bid_ground_beef_fat": 0.20,
    # 9 CFR 317.362(e), from memory: less than 10 g and less than 5 g, see the test of strictness.
    "claim_lean_fat": 0.099,
    "claim_lean_fat_per_serving": 0.0877,
    "claim_extra_lean_fat": 0.049,
    "claim_extra_lean_fat_per_serving": 0.0438,
    # 9 CFR 381.168, raw; from memory.
    "ground_turkey_skin": 0.15,
    "ground_chicken_skin": 0.20,
}

MEMORY_MAY_REFUSE = {
    "claim_lean_fat": "a false claim harms a buyer; pages that quote USDA give the same number",
    "claim_extra_lean_fat": "as for lean",
}

SPECIES = {"beef", "veal", "pork", "lamb", "chicken", "turkey"}
MEAT_CLASSES = {
    *("cow", "bull", "fed", "veal", "cheek", "head", "heart", "tongue", "fat_trim"),
    *("finely_textured", "partially_defatted", "mechanically_separated"),
    *("sow", "market_hog", "boneless_pork", "back_fat", "thigh", "breast", "skin"),
}


def share(text: str) -> float | None:
    return float(text) if text else None


def day(text: str) -> date | None:
    return date.fromisoformat(text) if text else None


def standard_row(cells: dict[str, str]) -> StandardRow:
    return StandardRow(
        standard_id=cells["standard_id"],
        row_id=cells["row_id"],
        title=cells["title"],
        section=cells["section"],
        action=Action(cells["action"]),
        kind=RuleKind(cells["kind"]) if cells["kind"] else None,
        lots=parse_selector(cells["lots"]),
        min_share=share(cells["min_share"]),
        max_share=share(cells["max_share"]),
        effective_on=day(cells["effective_on"]),
        read_on=day(cells["read_on"]),
        verified=cells["verified"],
        source=cells["source"],
        note=cells["note"],
    )


ROWS = [standard_row(cells) for cells in CELLS]
each_row = pytest.mark.parametrize("row", ROWS, ids=lambda row: row.row_id)


def test_each_number_is_the_published_one():
    assert {row.row_id: row.max_share for row in ROWS if row.max_share is not None} == MAX_SHARE
    assert all(row.min_share is None for row in ROWS)
    assert len({row.row_id for row in ROWS}) == len(ROWS)


@each_row
def test_kind_selector_and_bounds_belong_together(row):
    if row.action is Action.NOTE:
        assert (row.kind, row.lots, row.max_share) == (None, EVERY_LOT, None)
    elif row.kind is RuleKind.MUST_NOT_USE:
        assert row.lots.conditions and row.max_share is None
    elif row.kind is RuleKind.FAT:
        assert not row.lots.conditions and 0 < row.max_share < 1
    else:
        assert row.kind is RuleKind.SHARE
        assert row.lots.conditions and 0 < row.max_share < 1


@each_row
def test_selectors_use_the_words_of_the_trade(row):
    known = {"species": SPECIES, "meat_class": MEAT_CLASSES}
    for condition in row.lots.conditions:
        assert set(condition.values) <= known[condition.attribute]


@each_row
def test_verified_and_dates_agree(row):
    if row.verified == "memory":
        assert row.read_on is None
        assert row.source == "from memory"
        assert row.action is not Action.REFUSE or row.row_id in MEMORY_MAY_REFUSE
    else:
        assert row.verified == "read"
        assert row.read_on is not None
        assert row.source != "from memory"
    if row.effective_on and row.read_on:
        assert row.effective_on <= row.read_on


def test_rows_go_stale_and_memory_is_always_stale():
    for row in ROWS:
        if row.verified == "memory":
            assert row.is_stale(date(2026, 11, 25))
        else:
            assert not row.is_stale(row.read_on + STALE_AFTER)
            assert row.is_stale(row.read_on + 2 * STALE_AFTER)


@pytest.mark.parametrize(("claim", "fat_g"), [("claim_lean", 10), ("claim_extra_lean", 5)])
def test_claims_stay_strictly_below_the_law(claim, fat_g):
    """9 CFR 317.362(e): less than so many g, in 100 g and in the reference amount (114 g raw,
    9 CFR 317.312); from memory. A product at exactly the number may not carry the claim."""
    for row_id, amount_g in ((f"{claim}_fat", 100), (f"{claim}_fat_per_serving", 114)):
        fat_at_max_g = MAX_SHARE[row_id] * amount_g
        assert fat_g - 0.11 < fat_at_max_g < fat_g


def refused(standard_id: str, **lot_words: str) -> set[str]:
    """The rows that keep a lot out of a product under the standard, warnings included."""
    lot = Lot("L", "trim", lean=0.5, price_usd_per_lb=1.0, quantity_lb=None, **lot_words)
    return {
        row.row_id.removeprefix(f"{standard_id}_")
        for row in ROWS
        if row.standard_id == standard_id
        and row.kind is RuleKind.MUST_NOT_USE
        and row.lots.holds(lot)
    }


def test_fat_as_such_sets_hamburger_apart_from_ground_beef():
    """FSIS, "Ground Beef and Food Safety": fat may be added to hamburger, not to ground beef."""
    assert refused("ground_beef", species="beef", meat_class="fat_trim") == {"added_fat"}
    assert refused("hamburger", species="beef", meat_class="fat_trim") == set()


@pytest.mark.parametrize(
    ("standard_id", "own", "other"),
    [
        ("ground_beef", "beef", "pork"),
        ("hamburger", "beef", "veal"),
        ("beef_patties", "beef", "turkey"),
        ("fabricated_steak", "veal", "pork"),
        ("fresh_pork_sausage", "pork", "beef"),
        ("whole_hog_sausage", "pork", "beef"),
        ("fresh_beef_sausage", "beef", "pork"),
        ("italian_sausage", "pork", "beef"),
        ("ground_turkey", "turkey", "chicken"),
        ("ground_chicken", "chicken", "turkey"),
    ],
)
def test_a_name_keeps_its_species(standard_id, own, other):
    """Sections as in the rows: each standard names the species it is made of."""
    assert refused(standard_id, species=own) == set()
    assert refused(standard_id, species=other) == {"species"}


@pytest.mark.parametrize("standard_id", ["ground_beef", "hamburger"])
def test_heart_and_tongue_warn_and_do_not_refuse(standard_id):
    """FSIS guidance of 1981 forbids them, its answer of July 2016 does not, 9 CFR 301.2 counts
    them as meat: the plan warns, the inspector decides."""
    (row,) = (row for row in ROWS if row.row_id == f"{standard_id}_heart_tongue")
    assert row.action is Action.WARN
    for meat_class in ("heart", "tongue"):
        assert refused(standard_id, species="beef", meat_class=meat_class) == {"heart_tongue"}


def test_a_row_becomes_a_rule_on_the_product_that_names_it():
    (row,) = (row for row in ROWS if row.row_id == "ground_beef_cheek")
    product = Product(
        product_id="P",
        name="ground beef 80",
        species=frozenset({"beef"}),
        target_lean=0.80,
        tolerance_below_share=0.01,
        tolerance_above_share=0.01,
        min_lb=1000,
        max_lb=None,
        batch_lb=1000,
        blender_min_lb=500,
        blender_max_lb=1000,
        standards=("ground_beef",),
    )
    rule = row.rule_for(product)
    assert (rule.kind, str(rule.lots), rule.max_share) == (
        RuleKind.SHARE,
        "meat_class=cheek",
        0.25,
    )
    assert rule.source == "9 CFR 319.15(a)"
