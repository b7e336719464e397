"""Quotations of a day: each item's price, what it is based on, which way it went, and whether it
is OK to publish. No company is named in anything here."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

from blend.domain.market import LB_PER_LOAD, CanvassEntry, EntryKind, Item, Published
from blend.domain.method import Method
from blend.errors import BlendError, refusal
from blend.output.answer import Answer
from blend.output.formats import Format, cents, counted, day, long_day, register
from blend.output.frames import DataFrame, frame
from blend.output.screen import table, watch, width, with_sections, wrapped
from blend.reporter import words
from blend.reporter.assessed import Assessed, Code, Rung
from blend.reporter.calendar import Average, Span
from blend.reporter.context import context_frame
from blend.reporter.quoting import (
    Compared,
    Heard,
    Publication,
    Quoted,
    Requoted,
    comparisons,
    heard,
    quote,
    requote,
    standings,
)
from blend.reporter.tone import SOURCES, Standing, Standings
from blend.store.store import AsOf, Store
from blend.units import POINTS_PER_SHARE

_USD = ("$/cwt", 2)
MIN_COMPANIES_SHOWN = 3
_WIDE = 80
"""Columns of a terminal that shows the whole table of quotations."""
register(
    {
        "trades": Format("Trades", "", 0, is_summed=True),
        "trades_heard": Format("Trades", "", 0),
        "loads": Format("Loads", "", 1, is_summed=True),
        "companies": Format("Cos.", "", 0),
        "compared_with": Format("Against"),
        "min_move_usd_per_cwt": Format("Counts from", *_USD),
        "purchase_type": Format("Purchase"),
        "offerings": Format("Supply"),
        "change_usd_per_cwt": Format("Change", "$/cwt", 2, is_signed=True),
        "publish": Format("OK to publish"),
        "error_usd_per_cwt": Format("Std. error", *_USD),
        "change_error_usd_per_cwt": Format("Its error", "$/cwt", 2),
        "chance_up_percent": Format("Chance it rose", "%", 0),
        "chance_steady_percent": Format("Chance within", "%", 0),
        "bidding": Format("Bids", "", 0),
        "offering": Format("Offers", "", 0),
        "usual_bidding": Format("usual", "", 1),
        "usual_offering": Format("usual", "", 1),
        "usual_trades": Format("usual", "", 1),
        "given_usd_per_cwt": Format("Price given", *_USD),
        "for_lean_usd_per_cwt": Format("for lean", "$/cwt", 2, is_signed=True),
        "for_freight_usd_per_cwt": Format("for freight", "$/cwt", 2, is_signed=True),
        "adjusted_usd_per_cwt": Format("On item's terms", *_USD),
        "average_usd_per_cwt": Format("Weighted average", *_USD),
        "average_before_usd_per_cwt": Format("before", *_USD),
        "plain_usd_per_cwt": Format("Plain average", *_USD),
        "plain_change_usd_per_cwt": Format("change", "$/cwt", 2, is_signed=True),
        "published_usd_per_cwt": Format("Published", *_USD),
        "method_usd_per_cwt": Format("By the method", *_USD),
        "without_usd_per_cwt": Format("Quote without it", *_USD),
        "moves_it_usd_per_cwt": Format("Moves quote by", "$/cwt", 2, is_signed=True),
        "cap_usd_per_cwt": Format("Cap", *_USD),
        "uncapped_usd_per_cwt": Format("Before the cap", *_USD),
    }
)


@dataclass(frozen=True)
class DayQuotes(Answer):
    """Quotations of items on one day. `publication` is what --publish did."""

    known: Heard
    quoted: tuple[Quoted, ...]
    together: Standings
    compared: tuple[Compared, ...]
    method: Method
    publication: Publication | None = None
    report: Path | None = None
    """A public market-news table to show next to the quotations."""

    @property
    def day(self) -> date:
        return self.known.day

    @property
    def names(self) -> list[str]:
        return [each.assessed.item.item_id for each in self.quoted]

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        return {
            "quotations": quotations_frame(self.quoted),
            "evidence": evidence_frame([each.assessed for each in self.quoted]),
            "influence": influence_frame([each.assessed for each in self.quoted]),
            "stats": stats_frame(self.quoted),
            "purchases": purchases_frame(self.known, self.names),
            **({} if self.report is None else {"report": context_frame(self.report, self.quoted)}),
            "demand": demand_frame(self.quoted, self.together),
            "spans": spans_frame(self.compared),
            "words": words_frame(self.quoted, self.together),
            "method": method_frame(self.method),
        }

    @property
    def figures(self) -> Mapping[str, Any]:
        found: dict[str, Any] = {"day": self.day, "method": self.method.version}
        for name in ("demand", "offerings", "activity"):
            standing: Standing = getattr(self.together, name)
            found |= {name: standing.word, f"{name}_count": standing.count,
                      f"{name}_usual": standing.normal}  # fmt: skip
        return found

    def screen(self, sections: Collection[str] = ()) -> str:
        shown = self.tables["quotations"].assign(
            range=[_range(each.assessed) for each in self.quoted]
        )
        columns = ["item_id", "trades", "loads", "range", "quote_usd_per_cwt",
                   "change_usd_per_cwt", "trend", "based_on"]  # fmt: skip
        if width() < _WIDE:  # a range cut short would read as another price
            columns = [name for name in columns if name not in ("trades", "loads", "based_on")]
        first = [
            wrapped(f"{long_day(self.day)}. $/cwt, {self._terms}. One load is 40,000 lb."),
            f"\n{table(shown, columns)}\n",
            wrapped(standing_words(self.together)),
            wrapped(self._counted_apart),
            self._published_words,
            watch(self._warnings()),
            *self._report(),
        ]
        return with_sections(
            first,
            sections,
            {
                "evidence": self._evidence,
                "stats": lambda: table(
                    self.tables["stats"], title="Errors and tests", note=self._stats_note
                ),
                "trend": self._trend,
                "purchases": lambda: table(
                    self.tables["purchases"], title="Trades by purchase type", note=PURCHASES_NOTE
                ),
                "method": lambda: table(
                    self.tables["method"],
                    title=f"Method {method_words(self.method)}",
                    note=EVIDENCE_NOTE,
                ),
            },
        )

    @property
    def _terms(self) -> str:
        items = [each.assessed.item for each in self.quoted]
        bases = {"FOB plant" if each.basis == "fob" else each.basis for each in items}
        within = sorted({each.delivered_within_days for each in items})
        days = f"{within[0]} to {within[-1]}" if len(within) > 1 else str(within[0])
        return f"{' or '.join(sorted(bases))}, delivered within {days} days"

    def _report(self) -> list[str]:
        if self.report is None:
            return []
        note = "For context only: nothing of it is stored or in a quote. Compared by lean, fresh."
        return ["", table(self.tables["report"], title=f"Public report {self.report.name}",
                          note=note)]  # fmt: skip

    @property
    def _counted_apart(self) -> str:
        apart = [
            each for each in _trades_of(self.known, self.names) if not each.sets_negotiated_quote
        ]
        if not apart:
            return ""
        loads = sum(each.pounds_lb or 0.0 for each in apart) / LB_PER_LOAD
        trades = counted(len(apart), "trade")
        return f"Formula, forward and export, not in any quote: {trades}, {loads:.1f} loads."

    @property
    def _published_words(self) -> str:
        if self.publication is not None:
            return "\n".join(map(wrapped, publication_lines(self.publication)))
        fine = sum(each.may_be_published for each in self.quoted)
        return f"OK to publish: {fine} of {len(self.quoted)}."

    def _changed_since(self) -> list[str]:
        """What was published for the day and would come out otherwise now."""
        now = {each.assessed.item.item_id: each.assessed.usd_per_cwt for each in self.quoted}
        return [
            f"{each.item_id} was published at {cents(each.usd_per_cwt)}; the method now gives "
            f"{cents(price)}. To correct it: --publish with --reason."
            for each in self.known.published
            if each.market_day == self.day
            and not each.override_reason
            and (price := now.get(each.item_id)) is not None
            and round(price, 2) != each.usd_per_cwt
        ]

    def _warnings(self) -> list[str]:
        if self.publication is not None:
            return []
        quiet = [] if self.day in self.known.market_days else [f"No entries on {day(self.day)}."]
        return (
            quiet
            + self._changed_since()
            + [
                f"Do not publish {each.assessed.item.item_id} yet: {words.not_ok(each)}."
                for each in self.quoted
                if not each.may_be_published
            ]
        )

    def _evidence(self) -> str:
        shown, influence = self.tables["evidence"], self.tables["influence"]
        parts = []
        for each in self.quoted:
            made = each.assessed
            name = made.item.item_id
            parts.append(
                table(
                    shown[shown.item_id == name]
                    .drop(columns="item_id")
                    .dropna(axis="columns", how="all"),
                    title=f"Evidence for {name}",
                    note=item_note(made.item),
                )
            )
            if made.limited is not None:
                own = influence[influence.item_id == name]
                parts.append(
                    table(
                        own,
                        ("company_type", "without_usd_per_cwt", "moves_it_usd_per_cwt"),
                        title=f"How far one company moves {name}",
                        note=influence_note(made, self.method),
                    )
                )
        return "\n\n".join(parts)

    @property
    def _stats_note(self) -> str:
        return (
            "The error is rough, and blank where prices are too few. Change: by a model of "
            f"{self.method.trend_days} market days of all items together, which allows for who "
            "reports; chances are the model's. A direction needs a chance of "
            f"{1 - self.method.tone_level / 2:.0%} that it is the right one; steady, as much "
            "against a measurable move either way (counts from). In simulated flat markets "
            "3% of item-days get a false direction (at most 5% allowed); a $2 move of the whole "
            "market is seen on 98%, of one item alone on about half, a $4 one on 87%."
        )

    def _trend(self) -> str:
        return "\n\n".join(
            (
                table(self.tables["demand"], title="Demand and offerings",
                      note=demand_note(self.method)),
                table(self.tables["spans"], _SHOWN_OF_SPANS, title="Weeks, months and year to date",
                      note=SPANS_NOTE),
                table(self.tables["words"], title="Sources of the terms"),
            )
        )  # fmt: skip


def quote_day(
    store: Store,
    on: date,
    method: Method,
    item_ids: Sequence[str] = (),
    as_of: AsOf = None,
) -> DayQuotes:
    """Quotations of these items, or of every item in the store, on one day.

    Raise InputRefused for an unknown item.
    """
    known = heard(store, on, method, as_of)
    names = list(item_ids) or list(known.items)
    quoted = tuple(quote(known, name, method) for name in names)
    compared = tuple(comparisons(store, names, on, method, known.position))
    return DayQuotes(known, quoted, standings(known, method), compared, method)


class NoMarket(BlendError):
    """Nothing was heard on the day asked for."""

    exit_code = 2


def refuse_day_without_market(known: Heard, outcome: str = " Nothing written.") -> None:
    """Raise NoMarket, naming the latest day there is, where nothing was heard on a day."""
    on = known.day
    if on in known.market_days:
        return
    before = [each for each in known.market_days if each < on]
    latest = f"Latest: {max(before):%b} {max(before).day}." if before else "None earlier on file."
    year = "" if before and max(before).year == on.year else f", {on.year}"
    raise NoMarket(f"No market on {on:%A, %b} {on.day}{year}. {latest}{outcome}")


# What was published, made again ------------------------------------------------------------------


@dataclass(frozen=True)
class Reproduced(Answer):
    """Published quotations and the same made again from what the store held then."""

    day: date
    made: tuple[Requoted, ...]

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        columns = ("item_id", "published_usd_per_cwt", "method_usd_per_cwt", "again_usd_per_cwt",
                   "is_same", "store_position", "method", "reason")  # fmt: skip
        rows = [
            (
                each.published.item_id,
                each.published.usd_per_cwt,
                each.published.assessed_usd_per_cwt,
                each.assessed.usd_per_cwt,
                each.is_same,
                each.published.store_position,
                each.published.method_digest[:12],
                each.published.override_reason,
            )
            for each in self.made
        ]
        return {"reproduced": frame(columns, rows)}

    def screen(self, sections: Collection[str] = ()) -> str:
        differ = [each.published.item_id for each in self.made if not each.is_same]
        verdict = (
            f"{', '.join(differ)}: the method gives another number now."
            if differ
            else "Every published quotation comes out the same, to the last digit."
        )
        return "\n".join(
            (
                f"Published for {long_day(self.day)}, rebuilt from the store as it was then.",
                wrapped(verdict),
                table(self.tables["reproduced"]),
            )
        )


register(
    {
        "again_usd_per_cwt": Format("Again", *_USD),
        "is_same": Format("Same"),
        "store_position": Format("Import no.", "", 0),
    }
)


def reproduce(
    store: Store, on: date, item_ids: Sequence[str] = (), as_of: AsOf = None
) -> Reproduced:
    """Make what was published of a day again; raise InputRefused where nothing was."""
    names = list(item_ids) or [each.item_id for each in store.published(days=(on, on))]
    if not names:
        nothing = f"nothing was published for {day(on)}"
        raise refusal("published", "market_day", nothing, "a day that was published")
    return Reproduced(on, tuple(requote(store, name, on, as_of) for name in names))


# Frames ------------------------------------------------------------------------------------------


def quotations_frame(
    quoted: Iterable[Quoted], published: Mapping[str, Published] | None = None
) -> DataFrame:
    """One row an item: trades used, range used, quotation, change of the companies reporting
    both days, and whether it is OK to publish."""
    columns = ("item_id", "trades", "pounds_lb", "loads", "low_usd_per_cwt", "high_usd_per_cwt",
               "quote_usd_per_cwt", "error_usd_per_cwt", "change_usd_per_cwt", "trend",
               "based_on", "confidence", "publish")  # fmt: skip
    rows: list[tuple[Any, ...]] = []
    for each in quoted:
        made = each.assessed
        rows.append(
            (
                made.item.item_id,
                made.trades,
                made.pounds_lb,
                made.pounds_lb / LB_PER_LOAD,
                made.low_usd_per_cwt,
                made.high_usd_per_cwt,
                made.usd_per_cwt,
                made.standard_error_usd_per_cwt,
                each.tone.trend.change_usd_per_cwt if each.tone.trend.is_tested else None,
                each.tone.trend.word.value if made.trades else "no trades",
                words.based_on(made),
                made.confidence.value,
                words.publish(each),
            )
        )
    if not published:
        return frame(columns, rows)
    prices = [own.usd_per_cwt if (own := published.get(row[0])) else None for row in rows]
    return frame(
        (*columns, "published_usd_per_cwt"),
        [(*row, usd) for row, usd in zip(rows, prices, strict=True)],
    )


def _range(made: Assessed) -> str:
    if made.low_usd_per_cwt is None or made.high_usd_per_cwt is None:
        return ""
    return f"{made.low_usd_per_cwt:,.2f}-{made.high_usd_per_cwt:,.2f}"


def adjustments_frame(quoted: Iterable[Quoted]) -> DataFrame:
    """What each quotation's weight comes from, and what was adjusted."""
    rows = [
        (
            each.assessed.item.item_id,
            words.weights(each.assessed.shares),
            words.adjustments(each.assessed.codes),
            words.publish(each),
        )
        for each in quoted
    ]
    return frame(("item_id", "weight_from", "adjustments", "publish"), rows)


def _trades_of(known: Heard, names: Iterable[str]) -> list[CanvassEntry]:
    return [
        each
        for name in names
        for each in known.entries.get(name, ())
        if each.market_day == known.day and each.kind is EntryKind.TRADE
    ]


PURCHASES_NOTE = (
    f"As reported on the day, on their own terms. No prices where fewer than "
    f"{MIN_COMPANIES_SHOWN} companies reported. Only negotiated domestic and imported trades "
    "count in a quote."
)


def purchases_frame(known: Heard, names: Iterable[str]) -> DataFrame:
    """The day's trades by purchase type, basis, market (domestic, imported, export)."""
    groups: dict[tuple[str, str, str, str], list[CanvassEntry]] = {}
    for each in _trades_of(known, names):
        is_imported = known.items[each.item_id].origin != "domestic"
        market = each.destination if each.destination == "export" or not is_imported else "imported"
        key = (each.item_id, each.purchase_type, each.basis, market)
        groups.setdefault(key, []).append(each)
    rows: list[tuple[Any, ...]] = []
    for key, own in groups.items():
        pounds = [each.pounds_lb or 0.0 for each in own]
        prices = [each.usd_per_cwt for each in own]
        figures: tuple[float | None, ...] = (None, None, None)
        if len({each.firm for each in own}) >= MIN_COMPANIES_SHOWN:
            money = sum(lb * usd for lb, usd in zip(pounds, prices, strict=True))
            figures = (min(prices), max(prices), money / sum(pounds))
        rows.append((*key, len(own), sum(pounds) / LB_PER_LOAD, *figures))
    columns = ("item_id", "purchase_type", "basis", "market", "trades", "loads",
               "low_usd_per_cwt", "high_usd_per_cwt", "average_usd_per_cwt")  # fmt: skip
    return frame(columns, rows)


def evidence_frame(quoted: Iterable[Assessed]) -> DataFrame:
    """Every entry with its weight or why it has none; no source is shown."""
    columns = ("item_id", "entry_id", "kind", "company_type", "given_usd_per_cwt",
               "for_lean_usd_per_cwt", "for_freight_usd_per_cwt", "adjusted_usd_per_cwt",
               "pounds_lb", "weight_percent", "use")  # fmt: skip
    rows = []
    for made in quoted:
        for each in sorted(made.evidence, key=lambda each: (-each.weight, each.entry.entry_id)):
            changes = {change.what: change.usd_per_cwt for change in each.adjustments}
            rows.append(
                (
                    made.item.item_id,
                    each.entry.entry_id,
                    each.entry.kind.value,
                    each.entry.source_class,
                    each.entry.usd_per_cwt,
                    changes.get("lean"),
                    changes.get("freight"),
                    each.usd_per_cwt,
                    each.entry.pounds_lb,
                    each.weight * POINTS_PER_SHARE,
                    words.USES[each.use],
                )
            )
    return frame(columns, rows)


def influence_frame(quoted: Iterable[Assessed]) -> DataFrame:
    """How far each company moves a quotation before the cap, by type of company; no name."""
    columns = ("item_id", "company_type", "without_usd_per_cwt", "moves_it_usd_per_cwt",
               "cap_usd_per_cwt", "uncapped_usd_per_cwt", "quote_usd_per_cwt")  # fmt: skip
    rows = [
        (
            made.item.item_id,
            each.company_type,
            each.without_usd_per_cwt,
            each.moves_usd_per_cwt,
            made.limited.cap_usd_per_cwt,
            made.uncapped_usd_per_cwt,
            made.usd_per_cwt,
        )
        for made in quoted
        if made.limited is not None
        for each in made.limited.influences
    ]
    return frame(columns, rows)


def influence_note(made: Assessed, method: Method) -> str:
    """The cap, where it is from, and what it did."""
    assert made.limited is not None and made.usd_per_cwt is not None
    if made.limited.cap_usd_per_cwt is None:
        return "No cap: too few days with a quotation to know the usual daily move."
    few = len(made.limited.influences) <= method.few_companies
    moves = method.company_cap_moves_if_few if few else method.company_cap_moves
    times = "" if moves == 1 else f"{moves:g} times "
    cap, usual = made.limited.cap_usd_per_cwt, made.usual_usd_per_cwt or 0.0
    note = f"Cap on one company: {cents(cap)}, {times}its usual daily move."
    if cap > moves * usual:
        note = f"Companies are far apart: the middle is taken, which one moves by {cents(cap)}."
    if made.limited.hangs_on_one:
        note += " Blank: no quotation without that company, so no cap on it."
    if Code.CAPPED in made.codes:
        note += f" {cents(made.uncapped_usd_per_cwt or 0.0)} before the cap."
    return f"{note} Held: {made.held}." if made.held else note


def item_note(item: Item) -> str:
    lean = (
        "in proportion"
        if item.point_usd_per_cwt is None
        else f"at {cents(item.point_usd_per_cwt)} a point"
    )
    return (
        f"{item.name}: {item.lean:.0%} lean, {item.fresh_or_frozen}, {item.origin}, {item.basis}, "
        f"delivered within {counted(item.delivered_within_days, 'day')}. Lean is adjusted {lean}."
    )


def _percent(chance: float | None) -> float | None:
    return None if chance is None else chance * POINTS_PER_SHARE


def stats_frame(quoted: Iterable[Quoted]) -> DataFrame:
    """The error of each quotation, and the tests behind its trend."""
    columns = ("item_id", "error_usd_per_cwt", "compared_with", "companies", "change_usd_per_cwt",
               "change_error_usd_per_cwt", "chance_up_percent", "chance_steady_percent",
               "min_move_usd_per_cwt")  # fmt: skip
    rows = []
    for each in quoted:
        trend = each.tone.trend
        rows.append(
            (
                each.assessed.item.item_id,
                each.assessed.standard_error_usd_per_cwt,
                trend.compared_with,
                trend.firms,
                trend.change_usd_per_cwt,
                trend.error_usd_per_cwt,
                _percent(trend.chance_above(0.0)),
                _percent(trend.chance_steady),
                trend.measurable_usd_per_cwt,
            )
        )
    return frame(columns, rows)


def demand_frame(quoted: Iterable[Quoted], together: Standings) -> DataFrame:
    """Companies bidding, companies offering and trades, next to the usual number."""
    columns = ("item_id", "demand", "bidding", "usual_bidding", "offerings", "offering",
               "usual_offering", "trading", "trades_heard", "usual_trades")  # fmt: skip
    of_items = [(each.assessed.item.item_id, each.tone.standings) for each in quoted]
    rows = [
        (
            name,
            *(
                cell
                for each in (of.demand, of.offerings, of.activity)
                for cell in (each.word or "", each.count, each.normal)
            ),
        )
        for name, of in (*of_items, ("all", together))
    ]
    return frame(columns, rows)


def demand_note(method: Method) -> str:
    return (
        "Bids and offers: companies bidding and offering, as heard, never taken from prices; a "
        "company bidding on two items counts twice. "
        f"Usually: the median of up to {counted(method.normal_days, 'market day')} before; none "
        f"where that is under {method.normal_min_count:g} or the days are too few."
    )


def standing_words(together: Standings) -> str:
    """Demand moderate (6 companies bidding, usually 5), offerings ..., 49 trades (...)."""
    demand, offerings, trades = together.demand, together.offerings, together.activity
    return (
        f"Demand {demand.word or 'not rated'} ({demand.count} companies bidding"
        f"{_usually(demand)}), offerings {offerings.word or 'not rated'} "
        f"({offerings.count} offering{_usually(offerings)}), {counted(trades.count, 'trade')}"
        f"{_usually(trades)}."
    )


def _usually(standing: Standing) -> str:
    return "" if standing.normal is None else f", usually {standing.normal:g}"


_SPANS = {
    Span.WEEK: ("week", "last week"),
    Span.WEEK_OF_YEAR: ("week", "last year"),
    Span.MONTH: ("month", "last month"),
    Span.MONTH_OF_YEAR: ("month", "last year"),
    Span.YEAR_TO_DATE: ("year", "last year"),
}
_SHOWN_OF_SPANS = (
    "item_id", "span", "against", "average_usd_per_cwt", "average_before_usd_per_cwt",
    "change_usd_per_cwt", "plain_change_usd_per_cwt", "days", "days_before",
)  # fmt: skip
SPANS_NOTE = (
    "$/cwt. Weighted by the pounds traded; plain: the mean of the days' quotations. *: so far, "
    "against as many days of the earlier span. No change where more than a quarter of the market "
    "days of either are missing. Weeks are ISO weeks."
)


def spans_frame(compared: Iterable[Compared]) -> DataFrame:
    """Week, month and year to date of each item against earlier ones."""
    columns = ("item_id", "span", "against", "average_usd_per_cwt", "average_before_usd_per_cwt",
               "change_usd_per_cwt", "plain_usd_per_cwt", "plain_change_usd_per_cwt", "loads",
               "days", "days_before")  # fmt: skip
    rows: list[tuple[Any, ...]] = []
    for each in compared:
        for made in each.comparisons:
            now, then = made.now, made.then
            span, against = _SPANS[made.span]
            rows.append(
                (
                    each.item.item_id,
                    span if made.is_whole else f"{span}*",
                    against,
                    now.weighted_usd_per_cwt,
                    then.weighted_usd_per_cwt,
                    made.weighted_change,
                    now.simple_usd_per_cwt,
                    made.simple_change,
                    now.pounds_lb / LB_PER_LOAD,
                    _days(now),
                    _days(then),
                )
            )
        if (last := each.five_days) is not None:
            averages = (last.weighted_usd_per_cwt, None, None, last.simple_usd_per_cwt, None)
            span = f"last {counted(last.days, 'day')}"
            loads = last.pounds_lb / LB_PER_LOAD
            rows.append((each.item.item_id, span, "", *averages, loads, _days(last), ""))
    return frame(columns, rows)


def _days(average: Average) -> str:
    return f"{average.days}/{average.days + average.missing}"


def words_frame(quoted: Iterable[Quoted], together: Standings) -> DataFrame:
    """Where each word on the page is from."""
    quoted = list(quoted)
    used = {each.tone.trend.word.value for each in quoted}
    for of in (together, *(each.tone.standings for each in quoted)):
        used |= {each.word for each in (of.demand, of.offerings, of.activity) if each.word}
    return frame(("word", "source"), [(word, SOURCES[word]) for word in sorted(used)])


EVIDENCE_NOTE = (
    "Evidence counts in the order of IOSCO, Principles for Oil Price Reporting Agencies (FR06/12, "
    "2012), 2.2: trades, firm bids and offers, other information. That is no claim to follow them. "
    "OK to publish: by the 3/70/20 guideline of USDA Market News on confidentiality."
)


def method_words(method: Method) -> str:
    return f"{method.version}, digest {method.digest[:12]}"


def method_frame(method: Method) -> DataFrame:
    """Every number of the method."""
    rows = [
        (name, ", ".join(map(str, value)) if isinstance(value, tuple) else str(value))
        for name, value in dataclasses.asdict(method).items()
    ]
    return frame(("rule", "value"), rows)


# Publishing --------------------------------------------------------------------------------------


def publication_frame(publication: Publication) -> DataFrame:
    """What is published, and what is not and why."""
    rows: list[tuple[Any, ...]] = [
        (
            each.item_id,
            "publish",
            each.usd_per_cwt,
            each.assessed_usd_per_cwt,
            f"set by the reporter: {each.override_reason}"
            if each.override_reason
            else words.adjustments(each.rationale),
        )
        for each in publication.published
    ]
    held = (
        (publication.withheld, "withhold", "it could show a company: "),
        (publication.undecided, "do not publish", "set its price and give the reason: "),
    )
    rows += [
        (each.assessed.item.item_id, step, None, each.assessed.usd_per_cwt,
         f"{why}{words.not_ok(each)}")
        for group, step, why in held
        for each in group
    ]  # fmt: skip
    rows += [
        (each.assessed.item.item_id, "leave out", None, None, "no quotation")
        for each in publication.not_quoted
    ]
    return frame(("item_id", "what", "price_usd_per_cwt", "method_usd_per_cwt", "why"), rows)


def publication_lines(publication: Publication) -> list[str]:
    """What was published, item by item, and what was not."""
    lines = [f"Published {each.item_id} at {_price(each)}" for each in publication.published]
    lines += [each.notice for each in publication.corrections]
    rows = publication_frame(publication).itertuples(index=False)
    return lines + [
        f"Not published: {row.item_id}, {row.why}." for row in rows if row.what != "publish"
    ]


def _price(each: Published) -> str:
    price = cents(each.usd_per_cwt)
    if not each.override_reason:
        return f"{price}."
    own = each.assessed_usd_per_cwt
    by_method = "none" if own is None else cents(own)
    return f"{price} (method: {by_method}; set because: {each.override_reason})."


def published_frame(published: Iterable[Published]) -> DataFrame:
    """What was published, by whom and when."""
    columns = ("item_id", "published_usd_per_cwt", "low_usd_per_cwt", "high_usd_per_cwt",
               "method_usd_per_cwt", "trend", "based_on", "published_by", "published_at",
               "reason")  # fmt: skip
    rows = [
        (
            each.item_id,
            each.usd_per_cwt,
            each.low_usd_per_cwt,
            each.high_usd_per_cwt,
            each.assessed_usd_per_cwt,
            each.tone,
            words.BASED_ON[Rung(each.evidence)],
            each.assessor,
            f"{each.published_at:%Y-%m-%d %H:%M %Z}",
            each.override_reason,
        )
        for each in published
    ]
    return frame(columns, rows)
