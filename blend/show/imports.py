"""Import parity as tables: the build-up of each offer, and all of them next to fresh."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from blend.domain.imports import BuildUp, Cost, ImportRate, Quota, RateUnit
from blend.show.amounts import lean_percent, number_words, percent, printable
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column
from blend.units import LB_PER_CWT, LB_PER_KG

CAUTION = (
    "Arithmetic on the rates given, no ruling: the current tariff, the customs broker and the "
    "port decide the line, the value and what is due. Whether a quota is open on the day of "
    "entry is your input."
)
_QUOTA_WORDS = {Quota.IN_QUOTA: "within quota", Quota.OVER_QUOTA: "over quota"}
_PRICE_DECIMALS = 4


def landed_tables(built: Sequence[BuildUp]) -> list[ShownTable]:
    """The build-up of each offer, then all of them next to fresh."""
    return [*map(build_up_table, built), parity_table(built)]


def build_up_table(built: BuildUp) -> ShownTable:
    """From the price at origin to the price next to fresh, line by line."""
    offer = built.offer
    columns = (
        ShownColumn("Line"),
        usd_per_cwt_column("Each"),
        usd_per_cwt_column("So far"),
        ShownColumn("Entry", "USD", Format.HUNDREDTHS),
        ShownColumn("Rate"),
    )
    rows: list[tuple[Cell, ...]] = []
    so_far = 0.0
    for line in built.lines:
        so_far += line.usd_per_lb
        if line.usd_per_lb == 0 and not line.rates:
            continue
        of_entry = None
        if line.cost not in (Cost.THAW, Cost.LEAN):
            of_entry = line.usd_per_lb * offer.net_weight_lb
        if line.cost is Cost.THAW:
            rows.append(("landed, frozen", None, built.landed_usd_per_lb * LB_PER_CWT, None, ""))
        rows.append(
            (
                line.cost.value,
                line.usd_per_lb * LB_PER_CWT,
                so_far * LB_PER_CWT,
                of_entry,
                _rate_words(line.rates, line.note),
            )
        )
    rows.append(
        (
            f"fresh, {lean_percent(offer.fresh_lean)} lean",
            None,
            offer.fresh_usd_per_lb * LB_PER_CWT,
            None,
            "",
        )
    )
    return shown_table(_title(built), columns, rows, " ".join(_sentences(built)))


def _title(built: BuildUp) -> str:
    offer = built.offer
    return (
        f"{offer.offer_id}: {offer.item}, {offer.origin}, {offer.currency} "
        f"{number_words(offer.price, max_decimals=4)} per {offer.price_per} {offer.basis}, "
        f"{_QUOTA_WORDS[offer.quota]}"
    )


def _sentences(built: BuildUp) -> Iterable[str]:
    offer = built.offer
    yield (
        f"Entry of {number_words(offer.net_weight_lb, max_decimals=0)} lb on {offer.entry_on}, "
        f"line {offer.tariff_line}, customs value "
        f"{number_words(built.customs_value_usd, max_decimals=0)} USD."
    )
    yield (
        f"A pound thaws to {number_words(built.kept_share, max_decimals=4)} lb of "
        f"{lean_percent(built.thawed_lean)} lean; a lean point is taken at "
        f"{number_words(offer.point_usd_per_lb * LB_PER_CWT, min_decimals=2)} USD/cwt."
    )
    if built.indifferent_price is None:
        yield "At no price above nothing would it be worth its way."
    else:
        yield (
            f"Buyers are indifferent at {offer.currency} "
            f"{number_words(built.indifferent_price, max_decimals=_PRICE_DECIMALS)} per "
            f"{offer.price_per}"
            + (
                f", or at {number_words(built.indifferent_usd_per_currency, max_decimals=4)} USD "
                f"for one {offer.currency}."
                if built.indifferent_usd_per_currency is not None
                else "."
            )
        )
    for rate in built.quota_rates:
        yield _quota_sentence(rate, built)


def _quota_sentence(rate: ImportRate, built: BuildUp) -> str:
    tons = number_words((rate.value or 0.0) / 1000, max_decimals=0)
    ended = f", ended {rate.valid_to}" if rate.has_ended(built.offer.entry_on) else ""
    ends = f", ends {rate.valid_to}" if rate.valid_to and not ended else ""
    of = rate.origin or "all origins, with exceptions"
    return f"Quota of {of}: {tons} t a year{ended}{ends} ({rate.source})."


def _rate_words(rates: tuple[ImportRate, ...], note: str) -> str:
    words = [_one_rate(rate) for rate in rates]
    return "; ".join(filter(None, [*words, note]))


def _one_rate(rate: ImportRate) -> str:
    match rate.unit:
        case RateUnit.SHARE:
            amount = percent_of(rate.value)
        case RateUnit.USD_PER_KG:
            cents = number_words(rate.value * 100)
            cents_per_lb = number_words(rate.value * 100 / LB_PER_KG, max_decimals=4)
            amount = f"{cents} ¢/kg ({cents_per_lb} ¢/lb)"
        case _:
            return ""
    return f"{amount}, {rate.source}"


def percent_of(share: float) -> str:
    """A rate of value in per cent, with all its decimals."""
    return f"{number_words(share * 100, max_decimals=4)} %" if share % 0.01 else percent(share)


def waterfall_words(built: BuildUp) -> str:
    """What a picture of the build-up shows, for who does not see it."""
    steps = [
        f"{line.cost.value} {line.usd_per_lb * LB_PER_CWT:+,.2f}"
        for line in built.lines
        if line.usd_per_lb
    ]
    return printable(
        f"{built.offer.offer_id} from its price at origin to next to fresh, USD/cwt:"
        f" {', '.join(steps)}; in all {built.next_to_fresh_usd_per_lb * LB_PER_CWT:,.2f} beside"
        f" fresh at {built.offer.fresh_usd_per_lb * LB_PER_CWT:,.2f}."
    )


def parity_table(built: Sequence[BuildUp]) -> ShownTable:
    """Every offer landed, thawed and next to fresh, the cheapest for fresh first."""
    columns = (
        ShownColumn("Offer"),
        ShownColumn("Item"),
        ShownColumn("Origin"),
        usd_per_cwt_column("Landed"),
        usd_per_cwt_column("Thawed"),
        usd_per_cwt_column("Next to fresh"),
        usd_per_cwt_column("Fresh"),
        usd_per_cwt_column("Dearer by"),
        ShownColumn("Indifferent price", "", Format.READING),
        ShownColumn("or rate", "USD", Format.TEN_THOUSANDTHS),
    )
    rows = [
        (
            each.offer.offer_id,
            each.offer.item,
            each.offer.origin,
            each.landed_usd_per_lb * LB_PER_CWT,
            each.thawed_usd_per_lb * LB_PER_CWT,
            each.next_to_fresh_usd_per_lb * LB_PER_CWT,
            each.offer.fresh_usd_per_lb * LB_PER_CWT,
            each.dearer_usd_per_lb * LB_PER_CWT,
            "none"
            if each.indifferent_price is None
            else f"{each.offer.currency} {each.indifferent_price:,.4f} per {each.offer.price_per}",
            each.indifferent_usd_per_currency,
        )
        for each in sorted(built, key=lambda each: (each.dearer_usd_per_lb, each.offer.offer_id))
    ]
    return shown_table("Imports next to fresh", columns, rows, CAUTION)
