"""The table of columns agrees with the domain objects, and leaves no blank unexplained."""

from __future__ import annotations

import pytest

from blend.domain.columns import Kind
from blend.domain.rules import RuleKind
from blend.model.rules import definitions
from blend.tables.columns import EVERY_TABLE, TABLES

COLUMNS = [(table, column) for table in EVERY_TABLE.values() for column in table.columns]


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_every_column_says_what_it_is_and_what_a_blank_means(table, column):
    assert column.about and column.allowed and column.enter and column.when_blank
    assert column.required == (column.when_blank == "required")
    # a quantity without its unit could be read as anything
    if (
        column.is_number
        and column.kind not in (Kind.PRICE, Kind.COUNT)
        and table.name not in ("quotation_method",)
    ):
        assert column.unit


def test_what_labels_and_money_rest_on_has_no_default():
    required = {column.name for column in TABLES["lots"].columns if column.required}
    assert required >= {"species", "origin", "lean", "price"}


def test_every_kind_of_rule_knows_its_columns():
    assert set(definitions()) == set(RuleKind)
    for kind in definitions().values():
        assert set(kind.used_columns) <= set(TABLES["rules"].column_names)
