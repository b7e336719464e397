"""Quotations and what they rest on, as tables and lines; no firm is ever named in them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from blend.domain.market import EntryKind, Published
from blend.domain.method import Method
from blend.reporter.assessed import NEEDS_DECISION, Assessed, Code, DataShares, Rung
from blend.reporter.evidence import Use
from blend.reporter.quoting import Publication, Quoted, Requoted
from blend.show.amounts import count_of, number_words, percent, printable
from blend.show.shown import Cell, Format, ShownColumn, ShownTable, shown_table, usd_per_cwt_column

RUNG_WORDS = {
    Rung.TRADES: "trades",
    Rung.THIN_TRADES: "thin trades",
    Rung.BIDS_OFFERS: "bids and offers",
    Rung.OTHER: "other information",
    Rung.CARRIED: "carried",
    Rung.NOT_QUOTED: "not quoted",
}

CODE_WORDS = {
    Code.TRADES_FEW: "too few trades",
    Code.POUNDS_FEW: "too few pounds traded",
    Code.FIRMS_FEW: "trades of too few firms",
    Code.CONCENTRATED: "one firm has too much of the trade",
    Code.BIDS_OFFERS_OUTWEIGH: "bids and offers outweigh trades",
    Code.OTHER_INFORMATION: "rests on other information in part",
    Code.ONE_SIDED: "bids without offers, or offers without bids",
    Code.CROSSED: "bids above offers, so neither was used",
    Code.SIDES_FEW: "too few companies bidding or offering",
    Code.AT_BID: "raised to a bid that enough companies back",
    Code.AT_OFFER: "lowered to an offer that enough companies back",
    Code.WITHIN_TRADES: "kept within the range of the trades",
    Code.OUTSIDE_SPREAD: "outside of the standing bids and offers",
    Code.OUTLIERS_LEFT_OUT: "outliers left out",
    Code.AFFILIATES_LEFT_OUT: "trades between affiliates left out",
    Code.TERMS_LEFT_OUT: "entries on other terms left out",
    Code.LEAN_ADJUSTED: "adjusted for lean",
    Code.FREIGHT_ADJUSTED: "adjusted for freight",
    Code.SCALE_UNKNOWN: "median of few, scatter unknown",
    Code.CARRIED: "carried from an earlier day",
    Code.ONLY_ONE_BID: "unchanged: only one bid",
    Code.ONLY_ONE_OFFER: "unchanged: only one offer",
    Code.ONLY_BIDS_OFFERS: "unchanged: bids and offers from too few companies, or crossed",
    Code.OVERRIDDEN: "set by a person",
}

USE_WORDS = {
    Use.USED: "used",
    Use.LATE: "heard too late",
    Use.LATER_DELIVERY: "delivered later",
    Use.OTHER_LEAN: "other lean",
    Use.NO_FREIGHT: "no freight told",
    Use.AFFILIATES: "between affiliates",
    Use.OUTLIER: "outlier",
    Use.NOT_FIRM: "not firm",
    Use.NOT_BEST: "not the firm's best",
    Use.NO_PAIR: "nothing to set beside it",
    Use.HIGHER_EVIDENCE: "better evidence sufficed",
    Use.CROSSED: "crossed",
    Use.TOO_THIN: "too thin with it",
}

FAILED_WORDS = {
    "firms": "too few firms report often",
    "largest": "one firm has too much of the data",
    "sole": "one firm is too often the only one",
}

KIND_WORDS = {
    EntryKind.TRADE: "trade",
    EntryKind.BID: "bid",
    EntryKind.OFFER: "offer",
    EntryKind.OTHER: "other",
}


QUOTED_COLUMNS = (
    ShownColumn("Item"),
    usd_per_cwt_column("Quoted"),
    usd_per_cwt_column("Low"),
    usd_per_cwt_column("High"),
    usd_per_cwt_column("±"),
    ShownColumn("Stands on"),
)


def quoted_cells(made: Assessed) -> tuple[Cell, ...]:
    """An item's quotation in `QUOTED_COLUMNS`."""
    return (
        made.item.item_id,
        "none" if made.usd_per_cwt is None else made.usd_per_cwt,
        made.low_usd_per_cwt,
        made.high_usd_per_cwt,
        made.standard_error_usd_per_cwt,
        stands_on(made),
    )


def quotation_tables(quoted: Sequence[Quoted], method: Method) -> list[ShownTable]:
    """The quotations of a day, and for each the judgments that went into it."""
    return [quotations_table(quoted, method), judgments_table(quoted)]


def quotations_table(quoted: Sequence[Quoted], method: Method) -> ShownTable:
    columns = (
        *QUOTED_COLUMNS,
        ShownColumn("Confidence"),
        ShownColumn("Trades", "", Format.WHOLE),
        ShownColumn("Traded", "lb", Format.WHOLE),
        ShownColumn("Firms", "", Format.WHOLE),
    )
    rows = [
        (
            *quoted_cells(made),
            made.confidence.value,
            made.trades,
            made.pounds_lb,
            made.firms,
        )
        for made in (each.assessed for each in quoted)
    ]
    title = f"Quotations of {quoted[0].assessed.day}"
    return shown_table(title, columns, rows, " ".join(_method_sentences(method)))


def stands_on(made: Assessed) -> str:
    if made.carried_from is None:
        return RUNG_WORDS[made.rung]
    return f"carried {count_of((made.day - made.carried_from).days, 'day')}"


def shares_words(shares: DataShares) -> str:
    """Which types of data bear how much, as 60 % trades, 40 % bids and offers."""
    names = ("trades", "bids and offers", "other", "carried")
    parts = [
        f"{number_words(share * 100, max_decimals=0)} % {name}"
        for name, share in zip(names, shares, strict=True)
        if share > 0
    ]
    return ", ".join(parts)


def _method_sentences(method: Method) -> Iterator[str]:
    yield (
        "Evidence counts in the order of IOSCO, Principles for Oil Price Reporting Agencies "
        "(FR06/12, 2012), 2.2: trades, firm bids and offers, other information; this is no claim "
        "to follow them."
    )
    yield "± is one standard error, rough, and blank where prices are too few to tell."
    yield method_words(method)


def method_words(method: Method) -> str:
    return f"Method {printable(method.version)}, digest {method.digest[:12]}."


def judgments_table(quoted: Sequence[Quoted]) -> ShownTable:
    heads = ("Item", "By weight", "Judgment", "To be shown")
    columns = [ShownColumn(head) for head in heads]
    rows = [
        (
            each.assessed.item.item_id,
            shares_words(each.assessed.shares) or "nothing",
            codes_words(each.assessed.codes),
            "yes" if each.may_be_published else f"no: {failed_words(each)}",
        )
        for each in quoted
    ]
    note = (
        "To be shown: by the 3/70/20 guideline of USDA Market News for keeping what single firms "
        "do confidential, over the days of the method."
    )
    waiting = [each.assessed for each in quoted if each.assessed.needs_decision]
    if waiting:
        names = ", ".join(made.item.item_id for made in waiting)
        note += f" Carried unchanged, for you to decide: {names}."
    return shown_table("What was judged", columns, rows, note)


def codes_words(codes: Iterable[str]) -> str:
    """Judgment codes in words; "none" where there is none."""
    return "; ".join(CODE_WORDS[Code(code)] for code in codes) or "none"


def failed_words(each: Quoted) -> str:
    """Why a quotation may not be published as it is."""
    words = [FAILED_WORDS[name] for name in each.confidentiality.failed]
    return "; ".join([*words, *decision_words(each.assessed)])


def decision_words(made: Assessed) -> list[str]:
    """Why a reporter must decide first; empty where none must."""
    why = [CODE_WORDS[code] for code in made.codes if code in NEEDS_DECISION]
    return [f"{words} (your decision)" for words in why]


def evidence_table(made: Assessed) -> ShownTable:
    """Every entry of a quotation, with its weight or why it has none; no source is told."""
    columns = (
        ShownColumn("Entry"),
        ShownColumn("Kind"),
        ShownColumn("From a"),
        usd_per_cwt_column("Told"),
        usd_per_cwt_column("Lean"),
        usd_per_cwt_column("Freight"),
        usd_per_cwt_column("On its terms"),
        ShownColumn("Pounds", "", Format.WHOLE),
        ShownColumn("Weight", "%", Format.TENTHS),
        ShownColumn("Use"),
    )
    rows = [
        (
            each.entry.entry_id,
            KIND_WORDS[each.entry.kind],
            each.entry.source_class,
            each.entry.usd_per_cwt,
            sum(change for what, change in each.adjustments if what == "lean") or None,
            sum(change for what, change in each.adjustments if what == "freight") or None,
            each.usd_per_cwt,
            each.entry.pounds_lb,
            each.weight * 100,
            USE_WORDS[each.use],
        )
        for each in sorted(made.evidence, key=lambda each: (-each.weight, each.entry.entry_id))
    ]
    item = made.item
    lean = (
        "by proportion"
        if item.point_usd_per_cwt is None
        else f"at {number_words(item.point_usd_per_cwt)} USD/cwt a point"
    )
    note = (
        f"{item.name}: {percent(item.lean)} lean, {item.fresh_or_frozen}, {item.origin}, {item.basis}, "
        f"delivered within {count_of(item.delivered_within_days, 'day')}. Lean is adjusted {lean}."
    )
    return shown_table(f"Evidence for {item.item_id} on {made.day}", columns, rows, note)


def publication_lines(publication: Publication) -> Iterator[str]:
    """What was published, item by item, and what was not."""
    for each in publication.published:
        yield f"Published {printable(each.item_id)}: {_price_words(each)}"
    for each in publication.not_quoted:
        yield f"Not published, as it is not quoted: {printable(each.assessed.item.item_id)}"
    for each in publication.withheld:
        yield f"Withheld {printable(each.assessed.item.item_id)}: {failed_words(each)}"
    for each in publication.undecided:
        name, why = printable(each.assessed.item.item_id), failed_words(each)
        yield f"Not published {name}: {why}. To publish it, set its price and give the reason."


def _price_words(each: Published) -> str:
    price = f"{number_words(each.usd_per_cwt, min_decimals=2)} USD/cwt"
    if not each.override_reason:
        return price
    by_method = (
        "none"
        if each.assessed_usd_per_cwt is None
        else number_words(each.assessed_usd_per_cwt, min_decimals=2)
    )
    return f"{price} (by the method {by_method}; set so: {printable(each.override_reason)})"


def requoted_line(made: Requoted) -> str:
    """Whether a published quotation was made again."""
    published, again = made.published, made.assessed
    what = f"{printable(published.item_id)} of {published.market_day}"
    at = f"store position {published.store_position}, method {published.method_digest[:12]}"
    if made.is_same:
        return f"{what}: {_price_words(published)}, made again to the last digit ({at})."
    was, now = (
        "none" if usd is None else number_words(usd, max_decimals=6)
        for usd in (published.assessed_usd_per_cwt, again.usd_per_cwt)
    )
    return f"{what}: the method gave {was} then and gives {now} now ({at})."
