"""Quotations reach landed offers, and landed prices the lots that they belong to."""

from __future__ import annotations

import csv
from dataclasses import replace
from math import nan
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.domain.quotations import Quotation
from blend.errors import InputRefused
from blend.reading import read_ready_case
from blend.tables.imports import read_imports
from blend.trader.landed import landed
from blend.trader.landed_into import lots_at_landed
from blend.trader.value import value

DEMO = Path(__file__).parents[2] / "demo_data"


@pytest.fixture(name="read", scope="module")
def demo_imports():
    return read_imports(DEMO)


def test_a_blank_fresh_price_is_that_of_the_day_last_quoted(read):
    offers = {each.offer_id: each for each in read.offers}
    found = landed([offers["AU90"], offers["NZ90"]], read.rates, read.quotations)
    from_quotations, own = found.built
    day = value(read.quotations, species="beef").day
    (ninety,) = (each.quotation for each in day.items if each.quotation.item == "90s")
    assert from_quotations.offer.fresh_usd_per_lb == ninety.usd_per_lb
    assert from_quotations.offer.fresh_lean == ninety.lean
    assert from_quotations.offer.point_usd_per_lb == day.fitted.point_usd_per_lb
    assert own.offer == offers["NZ90"]  # what the sheet gives stays
    assert [each.offer_id for each in found.fresh] == ["AU90"]


def test_an_offer_without_fresh_meat_to_compare_is_listed_and_the_others_priced(read):
    offers = {each.offer_id: each for each in read.offers}
    found = landed([offers["AU90"], offers["NZ90"]], read.rates, ())
    assert [each.offer.offer_id for each in found.built] == ["NZ90"]
    assert [each.column for each in found.not_priced] == ["fresh_usd_per_cwt"]
    half = replace(offers["NZ90"], fresh_lean=nan)
    frozen = [Quotation("90 CL", "beef", 0.9, 3.2, read.quotations[0].quoted_on, "frozen")]
    for quotations in (read.quotations, frozen):
        with pytest.raises(InputRefused):
            landed([half], read.rates, quotations)


def test_landed_prices_go_into_a_copy_of_the_lots_and_nothing_else_changes(tmp_path, read):
    copy = tmp_path / "lots.csv"
    words = ["landed", str(DEMO), "--into", str(copy)]
    before = (DEMO / "lots.csv").read_bytes()
    assert CliRunner().invoke(main, words).exit_code == 0
    assert (DEMO / "lots.csv").read_bytes() == before
    with copy.open(newline="", encoding="utf-8-sig") as file:
        written = {row["lot_id"]: row for row in csv.DictReader(file)}
    built = {b.offer.lot_id: b for b in landed(read.offers, read.rates, read.quotations).built}
    lots = {lot.lot_id: lot for lot in read_ready_case(DEMO).case.lots}
    assert list(written) == list(lots)
    for lot_id, row in written.items():
        expected = lots[lot_id].price_usd_per_lb
        if lot_id in built:
            expected = built[lot_id].landed_usd_per_lb
            assert row["price_basis"] == "delivered"
        assert float(row["price"]) == pytest.approx(expected, abs=1e-6)
    assert CliRunner().invoke(main, words).exit_code == 2  # it is there now: never overwritten


def test_a_lot_that_is_not_there_or_priced_twice_is_refused(read):
    lots = read_ready_case(DEMO).case.lots
    built = landed(read.offers, read.rates, read.quotations).built
    for lot_id in ("nowhere", built[0].offer.lot_id):
        twice = [*built, replace(built[0], offer=replace(built[0].offer, lot_id=lot_id))]
        with pytest.raises(InputRefused, match="lot_id"):
            lots_at_landed(lots, twice)
