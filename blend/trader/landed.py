"""Imports at the dock: every foreign offer landed, thawed and at fresh lean, against fresh."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from blend.domain.imports import (
    BuildUp,
    Cost,
    CostLine,
    ForeignOffer,
    ImportRate,
    Quota,
    RateKind,
    RateUnit,
)
from blend.domain.quotations import Quotation
from blend.errors import Caution, InputRefused, Problem, and_more
from blend.output.answer import Answer, Spec
from blend.output.charts import BLUE, GRAY, GREEN, ORANGE, amount, chart, layer, name
from blend.output.formats import Format, cents, day, register
from blend.output.frames import DataFrame
from blend.output.screen import table, watch, wrapped
from blend.trader.fresh_basis import FreshBasis, with_fresh
from blend.trader.import_parity import Doubt, doubts, land
from blend.units import LB_PER_CWT, LB_PER_KG, POINTS_PER_SHARE

register(
    {
        "offer_id": Format("Offer"),
        "fresh_equivalent_usd_per_cwt": Format("Fresh equiv- alent", "$/cwt", 2),
        "over_fresh_usd_per_cwt": Format("Over (under) fresh", "$/cwt", 2, is_signed=True),
        "break_even_offer": Format("Break-even offer"),
        "break_even_usd_per_currency": Format("or FX", "$", 4),
        "cost_line": Format("Line"),
        "of_entry_usd": Format("Entry", "$", 2),
        "import_rate": Format("Rate"),
        "what_to_enter": Format("Enter"),
    }
)
CAUTION = (
    "Arithmetic on the rates given, not a ruling: today's tariff, your customs broker and the port"
    " decide the line, the value and what is due. Whether a quota is open is your input."
)
QUOTA_WORDS = {
    Quota.IN_QUOTA: "in quota",
    Quota.OVER_QUOTA: "over quota",
    Quota.NO_QUOTA: "no quota",
}


@dataclass(frozen=True)
class Landed(Answer):
    """Every offer that can be priced, and what is missing for the others.

    Tables: `offers`, cheapest against fresh first; `build_up`, each line from the price at origin
    to the fresh equivalent; `not_priced`, offers without a rate and what to enter.
    """

    built: tuple[BuildUp, ...]
    not_priced: tuple[Problem, ...]
    fresh: tuple[FreshBasis, ...] = ()
    """Offers whose fresh price or lean point is from quotations."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        ordered = sorted(
            self.built, key=lambda each: (each.over_fresh_usd_per_lb, each.offer.offer_id)
        )
        lines = [row for each in self.built for row in _build_up_rows(each)]
        missing = [
            {"what_is_missing": each.value, "what_to_enter": f"{each.file}, {each.column}"}
            for each in self.not_priced
        ]
        return {
            "offers": DataFrame(map(_offer_row, ordered), columns=_OFFER_COLUMNS),
            "build_up": DataFrame(lines),
            "not_priced": DataFrame(missing, columns=["what_is_missing", "what_to_enter"]),
        }

    @property
    def figures(self) -> Mapping[str, Any]:
        best = self.best
        return {
            "priced_offers": len(self.built),
            "not_priced_offers": len({each.value.partition(":")[0] for each in self.not_priced}),
            "cheapest_offer_id": None if best is None else best.offer.offer_id,
        }

    @property
    def best(self) -> BuildUp | None:
        """The offer cheapest against fresh."""
        return min(self.built, key=lambda each: each.over_fresh_usd_per_lb, default=None)

    def screen(self, sections: Collection[str] = ()) -> str:
        every, best = "all" in sections, self.best
        parts = ["Imports at your dock, against fresh meat"]
        if best is None:
            parts.append("No offer can be priced.")
        else:
            side = "over" if best.over_fresh_usd_per_lb > 0 else "under"
            off = cents(abs(best.over_fresh_usd_per_lb) * LB_PER_CWT)
            leads = " is cheapest," if len(self.built) > 1 else ":"
            words = f"{best.offer.offer_id}{leads} {off}/cwt {side} fresh"
            words += " after duty, freight, thaw loss and lean."
            columns = [name for name in _OFFER_COLUMNS if name not in _NOT_ON_SCREEN]
            parts += [wrapped(words), table(self.tables["offers"], columns)]
        if self.fresh:
            parts.append(wrapped(self.fresh_words))
        if self.not_priced:
            parts.append("NOT PRICED")
            parts += [
                wrapped(f"- {each.value}. Enter {each.column} in {each.file}.", "  ")
                for each in self.not_priced
            ]
        if every or "build-up" in sections or len(self.built) == 1:
            parts += [build_up_text(each) for each in self.built]
        warnings = doubts(self.built)
        if every or "rates" in sections:
            parts += [wrapped(str(each), "  ") for each in cautions(self.built)]
        elif warnings:
            parts.append(watch(_watch_lines(warnings)))
        parts.append(wrapped(CAUTION))
        if not sections:
            parts.append("More: --build-up, --rates, --offer ID. Chart: --chart FILE")
        return "\n".join(parts)

    @property
    def fresh_words(self) -> str:
        """Which offers are compared with quotations, and of what day; empty where none is."""
        offers: dict[str, list[str]] = {}
        for each in self.fresh:
            parts = [each.item] if each.item else []
            parts += ["the day's value of a lean point"] if each.has_point else []
            offers.setdefault(" and ".join(parts), []).append(each.offer_id)
        words = [f"{and_more(ids)} against {fresh}" for fresh, ids in offers.items()]
        return (
            f"At quotations of {day(self.fresh[0].quoted_on)}: {'; '.join(words)}." if words else ""
        )

    def chart(self) -> Spec:
        best = self.best
        if best is None:
            raise InputRefused(self.not_priced)
        return waterfall(best)


def missing_rates(
    offers: Iterable[ForeignOffer], rates: Iterable[ImportRate]
) -> tuple[Problem, ...]:
    """Rates missing to land offers; what they are compared with does not matter here."""
    rates = tuple(rates)
    problems: list[Problem] = []
    for offer in offers:
        try:
            land(offer, rates)
        except InputRefused as lacking:
            problems += lacking.problems
    return tuple(problems)


def landed(
    offers: Sequence[ForeignOffer],
    rates: Iterable[ImportRate],
    quotations: Sequence[Quotation] = (),
) -> Landed:
    """Build up every offer; one without a rate is listed and the others are priced.

    Where an offer leaves the fresh price, lean or point blank, they are those of the day last
    quoted. Raises InputRefused where none can be priced.
    """
    rates = tuple(rates)
    built: list[BuildUp] = []
    bases: list[FreshBasis] = []
    problems: list[Problem] = []
    for offer in offers:
        try:
            filled, basis = with_fresh(offer, quotations)
            built.append(land(filled, rates))
            bases += [basis] if basis else []
        except InputRefused as lacking:
            problems += lacking.problems
    if problems and not built:
        raise InputRefused(problems)
    return Landed(tuple(built), tuple(problems), tuple(bases))


_OFFER_COLUMNS = [
    "offer_id",
    "item",
    "origin",
    "landed_usd_per_cwt",
    "thawed_usd_per_cwt",
    "fresh_equivalent_usd_per_cwt",
    "fresh_usd_per_cwt",
    "over_fresh_usd_per_cwt",
    "break_even_offer",
    "break_even_usd_per_currency",
]


_NOT_ON_SCREEN = ("item", "thawed_usd_per_cwt")


def _offer_row(each: BuildUp) -> dict[str, Any]:
    offer, price = each.offer, each.break_even_price
    return {
        "offer_id": offer.offer_id,
        "item": offer.item,
        "origin": offer.origin,
        "landed_usd_per_cwt": each.landed_usd_per_lb * LB_PER_CWT,
        "thawed_usd_per_cwt": each.thawed_usd_per_lb * LB_PER_CWT,
        "fresh_equivalent_usd_per_cwt": each.fresh_equivalent_usd_per_lb * LB_PER_CWT,
        "fresh_usd_per_cwt": offer.fresh_usd_per_lb * LB_PER_CWT,
        "over_fresh_usd_per_cwt": each.over_fresh_usd_per_lb * LB_PER_CWT,
        "break_even_offer": "none"
        if price is None
        else f"{offer.currency} {price:,.3f}/{offer.price_per}",
        "break_even_usd_per_currency": each.break_even_usd_per_currency,
    }


def _build_up_rows(built: BuildUp) -> Iterator[dict[str, Any]]:
    """Each line with what it adds, the sum so far, the whole entry and the rate used."""
    offer, so_far = built.offer, 0.0
    for line in built.lines:
        if line.cost is Cost.THAW:
            yield _line_row(offer, "landed", None, built.landed_usd_per_lb)
        so_far += line.usd_per_lb
        if line.usd_per_lb or line.rates:
            row = _line_row(offer, line.cost.value, line.usd_per_lb, so_far)
            is_of_entry = line.cost not in (Cost.THAW, Cost.LEAN)
            of_entry = line.usd_per_lb * offer.net_weight_lb if is_of_entry else None
            yield row | {"of_entry_usd": of_entry, "import_rate": _rate_words(line)}
    fresh = f"fresh, {offer.fresh_lean * POINTS_PER_SHARE:.1f}% lean"
    yield _line_row(offer, fresh, None, offer.fresh_usd_per_lb)


def _line_row(offer: ForeignOffer, cost: str, each: float | None, so_far: float) -> dict[str, Any]:
    return {
        "offer_id": offer.offer_id,
        "cost_line": cost,
        "each_usd_per_cwt": None if each is None else each * LB_PER_CWT,
        "so_far_usd_per_cwt": so_far * LB_PER_CWT,
        "of_entry_usd": None,
        "import_rate": "",
    }


def build_up_frame(built: BuildUp) -> DataFrame:

    return DataFrame(_build_up_rows(built)).drop(columns="offer_id")


def build_up_text(built: BuildUp) -> str:
    note = " ".join(build_up_sentences(built))
    return table(build_up_frame(built), title=build_up_title(built), note=note)


def build_up_title(built: BuildUp) -> str:
    offer = built.offer
    return (
        f"{offer.offer_id}: {offer.item}, {offer.origin}, {offer.currency} {offer.price:g} per"
        f" {offer.price_per} {offer.basis}, {QUOTA_WORDS[offer.quota]}"
    )


def build_up_sentences(built: BuildUp) -> Iterator[str]:
    offer = built.offer
    yield (
        f"Entry of {offer.net_weight_lb:,.0f} lb on {day(offer.entry_on)}, line"
        f" {offer.tariff_line}, customs value ${built.customs_value_usd:,.0f}."
    )
    yield (
        f"A pound thaws to {built.kept_share:.4f} lb of {built.thawed_lean * 100:.1f}% lean; a lean"
        f" point counts {cents(offer.point_usd_per_lb * LB_PER_CWT)}/cwt."
    )
    if built.break_even_price is None:
        yield "It would not pay even at a price of zero."
    for rate in built.quota_rates:
        if rate.charge is RateKind.NO_QUOTA:
            yield f"{rate.origin} has no quota: {rate.source}."
            continue
        tons = (rate.value or 0.0) / 1000
        ended = rate.has_ended(offer.entry_on)
        until = f", {'ended' if ended else 'ends'} {day(rate.valid_to)}" if rate.valid_to else ""
        whose = {"": "all origins", "other": "all other origins"}.get(rate.origin, rate.origin)
        yield f"Quota of {whose}: {tons:,.0f} t a year{until}."


def _rate_words(line: CostLine) -> str:
    return "; ".join(filter(None, [*map(_one_rate, line.rates), line.note]))


def _one_rate(rate: ImportRate) -> str:
    value = rate.value or 0.0
    if rate.unit is RateUnit.SHARE:
        return f"{value * 100:.4g}%, {rate.source}"
    if rate.unit is RateUnit.USD_PER_KG:
        per_lb = value * 100 / LB_PER_KG
        return f"{value * 100:.4g} cents/kg ({per_lb:.3g} cents/lb), {rate.source}"
    return ""


_DOUBT_WORDS = {
    Doubt.ENDED: "Expired before entry: {}. Put the rates in force in import_rates.csv.",
    Doubt.OLD: "Last checked long before entry: {}. Check them against today's tariff.",
    Doubt.NOT_READ: "Not checked at the source: {}. Confirm them (--rates).",
}


def _watch_lines(found: Sequence[tuple[Doubt, ImportRate, ForeignOffer]]) -> Iterator[str]:
    for doubt, words in _DOUBT_WORDS.items():
        names = list(dict.fromkeys(rate.rate_id for each, rate, _ in found if each is doubt))
        more = f" and {len(names) - 4} more" if len(names) > 4 else ""
        if names:
            yield words.format(", ".join(names[:4]) + more)


def cautions(built: Iterable[BuildUp]) -> tuple[Caution, ...]:
    """One for each rate in doubt: ended, read long before entry, or not read at its source."""
    return tuple(_caution(*each) for each in doubts(built))


def _caution(doubt: Doubt, rate: ImportRate, offer: ForeignOffer) -> Caution:
    entry = f"the entry of {offer.offer_id} on {day(offer.entry_on)}"
    if doubt is Doubt.ENDED:
        ended = "" if rate.valid_to is None else day(rate.valid_to)
        fact, advice = f"ended {ended}, before {entry}", "Find the rate in force that day"
    elif doubt is Doubt.OLD:
        known = "an unknown day" if rate.known_on is None else day(rate.known_on)
        fact, advice = f"last read {known}, long before {entry}", "Check it against today's tariff"
    else:
        is_memory = rate.verified == "memory"
        fact = "from memory" if is_memory else "read in a restatement, not at the source"
        advice = "Confirm it against the text in force"
    advice += f". Source given: {rate.source}. A newer rate goes in import_rates.csv."
    return Caution(f"import_rates.csv {rate.rate_id}", None, None, fact, advice)


def waterfall(built: BuildUp) -> Spec:
    """From the price at origin to the fresh equivalent, step by step, with fresh as a line."""
    rows: list[dict[str, Any]] = []
    level = 0.0

    def add(step: str, start: float, end: float, kind: str) -> None:
        label = f"{end:,.2f}" if kind in ("price", "sum") else f"{end - start:+,.2f}"
        rows.append({"name": step, "start": start, "end": end, "kind": kind, "label": label,
                     "top": max(start, end)})  # fmt: skip

    for line in built.lines:
        if line.cost is Cost.THAW:
            add("landed", 0.0, level, "sum")
        before, level = level, level + line.usd_per_lb * LB_PER_CWT
        if line.cost is Cost.ORIGIN:
            add(line.cost.value, 0.0, level, "price")
        elif line.usd_per_lb:
            add(line.cost.value, before, level, "adds" if level > before else "takes off")
    add("fresh equivalent", 0.0, level, "sum")
    offer = built.offer
    fresh = offer.fresh_usd_per_lb * LB_PER_CWT
    levels = [row["end"] for row in rows] + [fresh]
    spread = max(max(levels) - min(levels), 1.0)
    ground = max(0.0, min(levels) - 0.6 * spread)
    for row in rows:
        row["start"] = max(row["start"], ground)
    scale = {"domain": [ground, max(levels) + 0.15 * spread], "nice": False, "clamp": True}
    x = name("name", axis={"labelAngle": -35, "labelLimit": 200})
    end, top, level_of_fresh = (
        amount(field, "$/cwt", scale=scale) for field in ("end", "top", "fresh")
    )
    kinds = {"price": GRAY, "adds": ORANGE, "takes off": GREEN, "sum": BLUE}
    color = name("kind", legend=None, scale={"domain": [*kinds], "range": [*kinds.values()]})
    dashes = {"type": "rule", "strokeDash": [5, 3], "strokeWidth": 1.5}
    words = ", ".join(f"{row['name']} {row['label']}" for row in rows)
    return chart(
        f"{offer.offer_id}: {offer.item} from {offer.origin}, against fresh at {cents(fresh)}",
        {"steps": rows, "fresh": [{"fresh": fresh, "words": f"fresh {cents(fresh)}"}]},
        [
            layer("bar", "steps", x=x, y=end, y2={"field": "start"}, color=color,
                  tooltip=[name("name", "step"), name("label", "$/cwt")]),
            layer({"type": "text", "dy": -7, "fontSize": 11}, "steps",
                  x=x, y=top, text=name("label")),
            layer(dashes, "fresh", y=level_of_fresh),
            layer({"type": "text", "align": "left", "x": 4, "dy": -7}, "fresh",
                  y=level_of_fresh, text=name("words")),
        ],
        subtitle=f"{offer.currency} {offer.price:g} per {offer.price_per} {offer.basis}; entry"
        f" {day(offer.entry_on)}; {QUOTA_WORDS[offer.quota]}. The scale does not start at zero.",
        description=f"{offer.offer_id}, $/cwt: {words}; fresh {fresh:,.2f}.",
    )  # fmt: skip
