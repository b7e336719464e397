"""The table of columns agrees with the domain objects, and leaves no blank unexplained."""

from __future__ import annotations

from dataclasses import MISSING, fields

import pytest

from blend.domain.case import Settings
from blend.domain.lots import Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, RuleKind
from blend.domain.standards import StandardRow
from blend.model.rules import definitions
from blend.tables.columns import SETTING_COLUMNS, TABLES, Kind

COLUMNS = [(table, column) for table in TABLES.values() for column in table.columns]
FIELD_BY_COLUMN = {
    "price": "price_usd_per_lb",
    "freight_usd_per_cwt": "freight_usd_per_lb",
    "price_unit": "price_usd_per_lb",
}
DOMAIN = {
    "lots": Lot,
    "products": Product,
    "rules": Rule,
    "losses": Loss,
    "standards": StandardRow,
}


@pytest.mark.parametrize("name", DOMAIN)
def test_columns_are_the_fields_of_the_domain_object(name: str):
    columns = {FIELD_BY_COLUMN.get(each, each) for each in TABLES[name].column_names}
    # The source of a rule is the section of a standard, which the plant's own rules have not;
    # excess heat is reckoned from the temperatures of lots.
    not_written = {"source", "excess_heat_btu_per_lb"} if name == "rules" else set()
    known = {field.name for field in fields(DOMAIN[name])} - not_written
    assert columns == known


def test_settings_are_the_fields_of_the_domain_object():
    assert list(SETTING_COLUMNS) == [field.name for field in fields(Settings)]


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_every_column_says_what_it_is_and_what_a_blank_means(table, column):
    assert column.about and column.allowed and column.when_blank
    assert column.required == (column.when_blank == "required")
    # A quantity without its unit could be read as anything.
    if column.kind in (Kind.SHARE, Kind.NUMBER) and column.name != "price":
        assert (
            column.unit
            and column.unit.split()[0].lower().strip("°") in f"{column.name} share lb usd"
        )


def test_what_labels_and_money_rest_on_has_no_default():
    required = {column.name for column in TABLES["lots"].columns if column.required}
    assert required >= {"species", "origin", "lean", "price", "price_unit"}


def test_a_field_that_the_domain_leaves_open_is_never_required():
    for name, kind in DOMAIN.items():
        given = {field.name for field in fields(kind) if field.default is MISSING}
        for column in TABLES[name].columns:
            if column.required:
                field = FIELD_BY_COLUMN.get(column.name, column.name)
                assert field in given | {"origin", "verified", "source"}, column.name


def test_every_kind_of_rule_knows_its_columns():
    assert set(definitions()) == set(RuleKind)
    for kind in definitions().values():
        assert set(kind.used_columns) <= set(TABLES["rules"].column_names)
