"""Read foreign offers and the dated rates of duty and fees; all problems are told at once."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from blend.domain.imports import (
    USD,
    Basis,
    ForeignOffer,
    ImportRate,
    Quota,
    RateKind,
    RateUnit,
)
from blend.errors import Caution, InputRefused
from blend.tables.build import usd_per_lb
from blend.tables.columns import IMPORT_RATES, IMPORT_TABLES
from blend.tables.rows import Row, Sheet, problems_in_order, read_sheet
from blend.tables.standards import packaged_path
from blend.tables.tables import READABLE, Source, read_csv_table, read_tables
from blend.units import LB_PER_KG


@dataclass(frozen=True, slots=True)
class ImportsRead:
    """Offers, every rate there is, and what to look at twice."""

    offers: tuple[ForeignOffer, ...]
    rates: tuple[ImportRate, ...]
    warnings: tuple[Caution, ...]


def read_imports(source: Source) -> ImportsRead:
    """Read foreign offers, and rates of the folder's own beside those that come with `blend`.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    raw = read_tables(source, IMPORT_TABLES)
    sheets = {name: read_sheet(table, IMPORT_TABLES[name]) for name, table in raw.tables.items()}
    for row in sheets["foreign_offers"].rows if "foreign_offers" in sheets else ():
        _check_offer(sheets["foreign_offers"], row)
    for row in sheets["import_rates"].rows if "import_rates" in sheets else ():
        _check_rate(sheets["import_rates"], row)
    problems = problems_in_order(raw, sheets, IMPORT_TABLES)
    if problems:
        raise InputRefused(problems)
    own = {} if "import_rates" not in sheets else _rates_of(sheets["import_rates"])
    return ImportsRead(
        offers=tuple(map(_offer_of, sheets["foreign_offers"].rows)),
        rates=tuple((packaged_rates() | own).values()),
        warnings=tuple(raw.warnings),
    )


def holds_offers(path: str | Path) -> bool:
    """Whether a table of foreign offers lies in the folder."""
    path = Path(path)
    return path.is_dir() and any(
        each.suffix.lower() in READABLE and each.stem.casefold() == "foreign_offers"
        for each in path.iterdir()
    )


def packaged_rates() -> dict[str, ImportRate]:
    """The rates that come with `blend`, by id; raise InputRefused or FileTrouble."""
    name = "import_rates.csv"
    sheet = read_sheet(read_csv_table(packaged_path(name), f"specs/{name}"), IMPORT_RATES)
    for row in sheet.rows:
        _check_rate(sheet, row)
    if sheet.problems:
        raise InputRefused(sheet.sorted_problems())
    return _rates_of(sheet)


def _rates_of(sheet: Sheet) -> dict[str, ImportRate]:
    return {
        row["rate_id"]: ImportRate(
            **row.values | {"charge": RateKind(row["charge"]), "unit": RateUnit(row["unit"])}
        )
        for row in sheet.rows
    }


_UNITS = {
    RateKind.DUTY_IN_QUOTA: (RateUnit.SHARE, RateUnit.USD_PER_KG),
    RateKind.DUTY_OVER_QUOTA: (RateUnit.SHARE, RateUnit.USD_PER_KG),
    RateKind.SURCHARGE: (RateUnit.SHARE,),
    RateKind.MPF: (RateUnit.SHARE,),
    RateKind.MPF_MIN: (RateUnit.USD_PER_ENTRY,),
    RateKind.MPF_MAX: (RateUnit.USD_PER_ENTRY,),
    RateKind.HMF: (RateUnit.SHARE,),
    RateKind.ASSESSMENT: (RateUnit.USD_PER_KG,),
    RateKind.QUOTA: (RateUnit.KG_PER_YEAR,),
}


def _check_rate(sheet: Sheet, row: Row) -> None:
    if {"charge", "unit"} <= row.values.keys():
        allowed = _UNITS[RateKind(row["charge"])]
        if row["unit"] not in allowed:
            sheet.refuse(row.number, "unit", row["unit"], f"{' or '.join(allowed)}, for this")
    if row.values.get("unit") == RateUnit.SHARE and (row.values.get("value") or 0) > 5:
        sheet.refuse(row.number, "value", f"{row['value']:g}", "a share of 1, such as 0.264")
    if {"valid_from", "valid_to"} <= row.values.keys():
        first, last = row["valid_from"], row["valid_to"]
        if first is not None and last is not None and last < first:
            sheet.refuse(row.number, "valid_to", str(last), f"valid_from, {first}, or later")


def _check_offer(sheet: Sheet, row: Row) -> None:
    if {"currency", "usd_per_currency"} <= row.values.keys():
        rate = row["usd_per_currency"]
        is_usd = row["currency"].upper() == USD
        if is_usd and rate not in (None, 1):
            sheet.refuse(row.number, "usd_per_currency", f"{rate:g}", "1 or nothing, for USD")
        elif not is_usd and rate is None:
            allowed = f"USD for one {row['currency']}"
            sheet.refuse(row.number, "usd_per_currency", "nothing", allowed)
    if row.values.get("duty_usd_per_kg") is not None and row.values.get("duty_share") is not None:
        allowed = "one own duty, by weight or by value"
        sheet.refuse(row.number, "duty_share", f"{row['duty_share']:g}", allowed)


_PER_CWT = ("ocean_freight", "handling", "inland", "fresh", "point")


def _offer_of(row: Row) -> ForeignOffer:
    values = dict(row.values)
    for name in _PER_CWT:
        values[f"{name}_usd_per_lb"] = usd_per_lb(values.pop(f"{name}_usd_per_cwt"), "usd_per_cwt")
    values["net_weight_lb"] = values.pop("net_weight_kg") * LB_PER_KG
    values["currency"] = values["currency"].upper()
    values["usd_per_currency"] = values["usd_per_currency"] or 1.0
    return ForeignOffer(
        **values | {"basis": Basis(values["basis"]), "quota": Quota(values["quota"])}
    )
