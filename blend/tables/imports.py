"""Read foreign offers and the dated rates of duty and fees; all problems are listed at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from blend.domain.imports import USD, ForeignOffer, ImportRate, RateKind, RateUnit
from blend.domain.quotations import Quotation
from blend.errors import Caution
from blend.tables.columns import IMPORT_RATES, IMPORT_TABLES, QUOTATIONS
from blend.tables.rows import Row, Sheet, Sheets
from blend.tables.standards import packaged_sheet
from blend.tables.tables import Source, holds_table


@dataclass(frozen=True, slots=True)
class ImportsRead:
    """Offers, every rate there is, and what to check."""

    offers: tuple[ForeignOffer, ...]
    rates: tuple[ImportRate, ...]
    warnings: tuple[Caution, ...]
    quotations: tuple[Quotation, ...] = ()
    """Next to the offers; blank fresh prices are filled from the last day of them."""


def read_imports(source: Source) -> ImportsRead:
    """Read foreign offers, and the folder's own rates together with the built-in ones.

    Raise InputRefused with all problems; raise FileTrouble for what cannot be opened.
    """
    quoted = replace(QUOTATIONS, required=False)
    sheets = Sheets(source, {**IMPORT_TABLES, quoted.name: quoted})
    for row in sheets.rows("foreign_offers"):
        _check_offer(sheets["foreign_offers"], row)
    own = sheets.get("import_rates")
    if own is not None:
        _check_rates(own)
    sheets.raise_problems()
    rates = packaged_rates() | ({} if own is None else _by_id(own))
    offers = sheets.records("foreign_offers", ForeignOffer)
    quotations = sheets.records(QUOTATIONS.name, Quotation)
    return ImportsRead(offers, tuple(rates.values()), sheets.cautions, quotations)


def holds_offers(path: str | Path) -> bool:
    """Whether there is a table of foreign offers in the folder."""
    return holds_table(path, "foreign_offers")


def packaged_rates() -> dict[str, ImportRate]:
    """The built-in rates, by id; raise InputRefused or FileTrouble."""
    sheet = packaged_sheet(IMPORT_RATES)
    _check_rates(sheet)
    sheet.raise_problems()
    return _by_id(sheet)


def _by_id(sheet: Sheet) -> dict[str, ImportRate]:
    return {rate.rate_id: rate for rate in sheet.records(ImportRate)}


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
    RateKind.NO_QUOTA: (RateUnit.KG_PER_YEAR,),
}


def _check_rates(sheet: Sheet) -> None:
    sheet.refuse_unordered("valid_from", "valid_to")
    for row in sheet.rows:
        if row.has("charge", "unit") and row["unit"] not in _UNITS[row["charge"]]:
            required = f"{' or '.join(_UNITS[row['charge']])} for {row['charge']}"
            sheet.refuse(row.number, "unit", row["unit"], required)
        if row.values.get("unit") == RateUnit.SHARE and (row.values.get("value") or 0) > 5:
            sheet.refuse(row.number, "value", f"{row['value']:g}", "a fraction, such as 0.264")


def _check_offer(sheet: Sheet, row: Row) -> None:
    if row.has("currency", "usd_per_currency"):
        rate = row["usd_per_currency"]
        is_usd = row["currency"].upper() == USD
        if is_usd and rate not in (None, 1):
            sheet.refuse(row.number, "usd_per_currency", f"{rate:g}", "1 or blank, for USD")
        elif not is_usd and rate is None:
            hint = f"Enter USD for one {row['currency']}."
            sheet.refuse(row.number, "usd_per_currency", "blank", hint=hint)
    if row.values.get("duty_usd_per_kg") is not None and row.values.get("duty_share") is not None:
        value = "both duty_usd_per_kg and duty_share"
        sheet.refuse(row.number, "duty_share", value, hint="Enter one duty, by weight or value.")
