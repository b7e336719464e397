"""Papers of one deal: its confirmation, and what a lean shortage takes off its price."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from blend.domain.book import BookRate, Deal, Entry, LeanClaim, Pricing, Side, Where, live
from blend.domain.quotations import Quotation
from blend.errors import InputRefused, Problem, did_you_mean, refusal
from blend.output import screen
from blend.output.answer import Answer
from blend.output.formats import Format, cents, day, long_day, money, number, register
from blend.trader.book import price_usd_per_cwt
from blend.trader.book_marks import DatedRates, QuotedMarks
from blend.trader.lean_fat import DayValue, value_days
from blend.units import LB_PER_CWT, LB_PER_KG, LB_PER_LOAD, POINTS_PER_SHARE

if TYPE_CHECKING:
    from pandas import DataFrame

register(
    {
        "claim_way": Format("Settled"),
        "claimed_off_usd_per_cwt": Format("Off the price", "$/cwt", 2),
        "settled_usd_per_cwt": Format("Price then", "$/cwt", 2),
        "claim_usd": Format("On the deal", "$", 2),
        "claim_agreed": Format(""),
    }
)
_WAYS = {
    LeanClaim.PRO_RATA: "pro rata: the lean carries the whole price",
    LeanClaim.BY_LINE: "by lean and fat: a point costs what it is worth on the day's line",
}


def find_entry(entries: Iterable[Entry], entry_id: str) -> Entry:
    """A deal, bid or offer that stands today. Raises InputRefused, and says what took its place."""
    entries = list(entries)
    standing = {each.entry_id: each for each in live(entries, date.max)}
    if entry_id in standing:
        return standing[entry_id]
    later = [each.entry_id for each in entries if each.corrects == entry_id]
    hint = f"{later[-1]} took its place." if later else did_you_mean(entry_id, standing)
    problem = Problem("book", None, "deal_id", entry_id, "an entry that stands", hint)
    raise InputRefused([problem])


def confirmation(deal: Deal, quotations: Sequence[Quotation], house: str = "") -> str:
    """The text to send to the counterparty. What the deal does not say is left to fill in."""
    quoted = _quoted(deal, quotations)
    we, they = ("Buyer", "Seller") if deal.side is Side.BUY else ("Seller", "Buyer")
    kg = deal.pounds_lb / LB_PER_KG
    loads = number(deal.pounds_lb / LB_PER_LOAD)
    loads += " load" if loads == "1" else " loads"
    goods = deal.item_id if quoted is None else (
        f"{deal.item_id}, {quoted.fresh_or_frozen} {quoted.species}, "
        f"{quoted.lean * POINTS_PER_SHARE:g}% chemical lean"
    )  # fmt: skip
    lines = {
        "Deal": f"{deal.deal_id}, agreed {long_day(deal.traded_on)}",
        we: house or BLANK,
        they: deal.counterparty or BLANK,
        "Goods": goods,
        "Quantity": f"{deal.pounds_lb:,.0f} lb ({kg:,.0f} kg, {loads} of {LB_PER_LOAD:,.0f} lb)",
        "Price": _price_words(deal),
        "Delivery": _delivery_words(deal),
        "Short lean": _lean_words(deal, quoted),
        "Sampling": BLANK + " (who draws the samples, how many, which method)",
        "Payment": BLANK,
    }
    width = max(map(len, lines)) + 2
    body = [
        screen.wrapped(f"{name + ':':<{width}}{text}", " " * width) for name, text in lines.items()
    ]
    title = "Contract confirmation" if not deal.corrects else (
        f"Contract confirmation, in place of {deal.corrects}"
    )  # fmt: skip
    sign = [
        "Please tell us within one business day if this is not what was agreed.",
        f"{we}: {BLANK}    {they}: {BLANK}",
    ]
    return "\n".join([title, "", *body, "", *sign])


BLANK = "____________"


def _quoted(deal: Deal, quotations: Sequence[Quotation]) -> Quotation | None:
    own = [each for each in quotations if each.item == deal.item_id]
    return max(own, key=lambda each: each.quoted_on, default=None)


def _price_words(deal: Deal) -> str:
    if deal.pricing is Pricing.FIXED:
        if deal.currency != "USD":
            return f"{deal.price:,.2f} {deal.currency}/cwt, fixed"
        return f"{cents(deal.price)}/cwt, fixed"
    sign = "plus" if deal.price >= 0 else "less"
    on = f"of {long_day(deal.priced_on)}" if deal.priced_on else f"of {BLANK} (day not set yet)"
    by = f", to be fixed by {long_day(deal.price_by)}" if deal.price_by else ""
    words = f"published quotation of {deal.reference} {on}, {sign} {cents(abs(deal.price))}/cwt"
    return f"{words}{by}"


def _delivery_words(deal: Deal) -> str:
    place = {Where.STOCK: "from stock", Where.AFLOAT: "afloat"}.get(deal.where, "on contract")
    return f"{deal.delivery_month or BLANK}, {place}; place {BLANK}"


def _lean_words(deal: Deal, quoted: Quotation | None) -> str:
    if deal.lean_claim is LeanClaim.NOT_AGREED:
        return f"{BLANK} (pro rata, or by the day's lean and fat: not agreed)"
    if quoted is None:
        return _WAYS[deal.lean_claim]
    return f"under {quoted.lean * POINTS_PER_SHARE:g}%, price adjusted {_WAYS[deal.lean_claim]}"


@dataclass(frozen=True)
class DealClaim(Answer):
    """What a lean test takes off a deal's price, two ways. Table: `claim`."""

    deal: Deal
    nominal: float
    tested: float
    price_usd_per_cwt: float
    line_of: date
    off_usd_per_cwt: Mapping[LeanClaim, float]
    open_on: date | None = None
    """The day whose quotation or rate stands in for one that is still open; None for none."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:
        from pandas import DataFrame

        rows = [
            {
                "claim_way": {"pro_rata": "pro rata", "by_line": "by lean and fat"}[way],
                "claimed_off_usd_per_cwt": off,
                "settled_usd_per_cwt": self.price_usd_per_cwt - off,
                "claim_usd": off * self.deal.pounds_lb / LB_PER_CWT,
                "claim_agreed": "<- in the contract" if way is self.deal.lean_claim else "",
            }
            for way, off in self.off_usd_per_cwt.items()
        ]
        return {"claim": DataFrame(rows)}

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "deal_id": self.deal.deal_id,
            "lean_percent": 100 * self.nominal,
            "tested_percent": 100 * self.tested,
            "price_usd_per_cwt": self.price_usd_per_cwt,
            "line_of": self.line_of,
            "claim_usd": self.claim_usd,
        }

    @property
    def claim_usd(self) -> float | None:
        """By the way agreed; None where none is."""
        off = self.off_usd_per_cwt.get(self.deal.lean_claim)
        return None if off is None else off * self.deal.pounds_lb / LB_PER_CWT

    def screen(self, sections: Collection[str] = ()) -> str:
        deal, short = self.deal, (self.nominal - self.tested) * POINTS_PER_SHARE
        short_words = f"{abs(short):.2g} points {'short of' if short > 0 else 'over'}"
        head = (
            f"{deal.deal_id}: {deal.pounds_lb:,.0f} lb of {deal.item_id} at "
            f"{cents(self.price_usd_per_cwt)}/cwt tested {100 * self.tested:g}% lean, "
            f"{short_words} {100 * self.nominal:g}%"
        )
        parts = [screen.strong(screen.wrapped(head)), screen.wrapped(self._verdict(short))]
        parts.append(screen.table(self.tables["claim"]))
        if self.open_on is not None:
            what = "exchange rate" if deal.has_open_rate else "price"
            parts.append(
                screen.wrapped(
                    f"Not final: the deal's {what} is open and taken as of {day(self.open_on)}; "
                    "the claim moves with it."
                )
            )
        parts.append(
            screen.wrapped(
                f"Lean and fat of {day(self.line_of)}. A test has an error of its own: how many "
                "samples and whose, the contract says."
            )
        )
        return "\n\n".join(parts)

    def _verdict(self, short: float) -> str:
        if short <= 0:
            return "Not short: most contracts pay nothing for more lean. Shown as a premium."
        pays, gets = ("we credit", self.deal.counterparty or "the buyer")
        if self.deal.side is Side.BUY:
            pays, gets = f"{self.deal.counterparty or 'the seller'} credits", "us"
        if self.claim_usd is None:
            return f"The deal does not say how: read the contract before {pays} {gets}."
        return f"By the contract, {pays} {gets} {money(self.claim_usd)}."


def deal_claim(
    deal: Deal,
    quotations: Sequence[Quotation],
    tested: float,
    on: date | None = None,
    rates: Iterable[BookRate] = (),
) -> DealClaim:
    """The price adjustment of a deal that tests at another lean, pro rata and by the lean line of
    the day that priced it (or of `on`). Raises InputRefused and NoMark."""
    quoted = _quoted(deal, quotations)
    if quoted is None:
        raise refusal(
            "quotations",
            "item",
            deal.item_id,
            "an item quoted, as its lean is that of the quotation",
        )
    if deal.priced_on is None and deal.pricing is not Pricing.FIXED and on is None:
        on = max(each.quoted_on for each in quotations)
    of = on or deal.priced_on or deal.traded_on
    price = price_usd_per_cwt(deal, of, QuotedMarks(quotations), DatedRates(rates))
    line = _line(quotations, quoted, of)
    priced = replace(quoted, usd_per_lb=price / LB_PER_CWT)
    pro_rata, by_line = (usd * LB_PER_CWT for usd in line.off_lean(priced, tested))
    off = {LeanClaim.PRO_RATA: price - pro_rata, LeanClaim.BY_LINE: price - by_line}
    open_on = of if deal.has_open_rate or deal.is_open_on(of) else None
    return DealClaim(deal, quoted.lean, tested, price, line.quoted_on, off, open_on)


def _line(quotations: Sequence[Quotation], of: Quotation, on: date) -> DayValue:
    days = value_days([each for each in quotations if each.species == of.species])
    known = [each for each in days if each.quoted_on <= on]
    if not known:
        raise refusal(
            "quotations",
            "item",
            str(on),
            "a day with quotations of two fresh items or more, or later",
        )
    return known[-1]
