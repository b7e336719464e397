"""Whole rows to domain objects."""

from __future__ import annotations

from decimal import Decimal

from blend.domain.lots import DOMESTIC, Lot
from blend.domain.products import Product
from blend.domain.rules import Loss, Rule, rule_kind
from blend.domain.standards import Action, StandardRow
from blend.tables.rows import Row
from blend.units import USD_PER_LB_BY_PRICE_UNIT


def usd_per_lb(price: float, unit: str) -> float:
    """A price in its unit as USD per lb, without the rounding that binary fractions bring."""
    return float(Decimal(repr(price)) * _factor(unit))


def usd_in_unit(price_usd_per_lb: float, unit: str) -> Decimal:
    """The price that `usd_per_lb` brings back to exactly `price_usd_per_lb`."""
    return Decimal(repr(price_usd_per_lb)) / _factor(unit)


def _factor(unit: str) -> Decimal:
    return Decimal(repr(USD_PER_LB_BY_PRICE_UNIT[unit]))


def delivered_usd_per_lb(row: Row) -> float:
    """What a pound of the lot in this row costs at the plant's dock."""
    price = usd_per_lb(row["price"], row["price_unit"])
    return price + usd_per_lb(row["freight_usd_per_cwt"], "usd_per_cwt")


def lot_of(row: Row) -> Lot:
    values = dict(row.values)
    freight = values.pop("freight_usd_per_cwt")
    origin = values.pop("origin")
    return Lot(
        price_usd_per_lb=usd_per_lb(values.pop("price"), values.pop("price_unit")),
        freight_usd_per_lb=usd_per_lb(freight, "usd_per_cwt"),
        origin=DOMESTIC if origin.casefold() == DOMESTIC else origin,
        label_claims=_programmes(values.pop("label_claims")),
        **values,
    )


def product_of(row: Row) -> Product:
    values = dict(row.values)
    return Product(
        species=frozenset(values.pop("species")),
        label_claims=_programmes(values.pop("label_claims")),
        **values,
    )


def rule_of(row: Row) -> Rule:
    return Rule(**row.values | {"kind": rule_kind(row["kind"])})


def loss_of(row: Row) -> Loss:
    return Loss(**row.values)


def standard_row_of(row: Row) -> StandardRow:
    kind = row["kind"] and rule_kind(row["kind"])
    return StandardRow(**row.values | {"kind": kind, "action": Action(row["action"])})


def _programmes(words: tuple[str, ...]) -> frozenset[str]:
    """In small letters: a claim written with a capital is still the same claim."""
    return frozenset(word.lower() for word in words)
