"""Papers of one deal: its confirmation, and its settlement with what a lean test takes off."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from typing import Any

from blend.domain.book import BookRate, Deal, Entry, LeanClaim, Pricing, Side, Where, live
from blend.domain.quotations import Quotation
from blend.errors import InputRefused, Problem, did_you_mean, refusal
from blend.output import screen
from blend.output.answer import Answer
from blend.output.formats import Format, cents, day, long_day, money, number, pounds, register
from blend.output.frames import DataFrame
from blend.trader.book import price_usd_per_cwt
from blend.trader.book_marks import DatedRates, QuotedMarks
from blend.trader.lean_fat import DayValue, value_days
from blend.units import LB_PER_CWT, LB_PER_KG, LB_PER_LOAD, POINTS_PER_SHARE

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
    """A deal, bid or offer that still counts. Raises InputRefused, and says what replaced it."""
    entries = list(entries)
    standing = {each.entry_id: each for each in live(entries, date.max)}
    if entry_id in standing:
        return standing[entry_id]
    hint = did_you_mean(entry_id, standing)
    for later in entries:
        if later.corrects == entry_id:
            hint = "It was withdrawn." if later.withdrawn else f"{later.entry_id} replaced it."
    problem = Problem("book", None, "deal_id", entry_id, "an entry that still counts", hint)
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
    ask = "Please let us know within one business day if this is not what was agreed."
    sign = [
        screen.wrapped(ask),
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
class Settlement(Answer):
    """What a deal comes to by the pounds delivered, and what a lean test takes off its price, two
    ways. Table: `claim`."""

    deal: Deal
    delivered_lb: float
    price_usd_per_cwt: float
    nominal: float = 0.0
    tested: float | None = None
    line_of: date | None = None
    off_usd_per_cwt: Mapping[LeanClaim, float] = field(default_factory=dict)
    open_on: date | None = None
    """The day whose quotation or rate is used for one that is still open; None for none."""

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        rows = [
            {
                "claim_way": {"pro_rata": "pro rata", "by_line": "by lean and fat"}[way],
                "claimed_off_usd_per_cwt": off,
                "settled_usd_per_cwt": self.price_usd_per_cwt - off,
                "claim_usd": off * self.delivered_lb / LB_PER_CWT,
                "claim_agreed": "<- in the contract" if way is self.deal.lean_claim else "",
            }
            for way, off in self.off_usd_per_cwt.items()
        ]
        return {"claim": DataFrame(rows)}

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "deal_id": self.deal.deal_id,
            "delivered_lb": self.delivered_lb,
            "lean_percent": 100 * self.nominal,
            "tested_percent": None if self.tested is None else 100 * self.tested,
            "price_usd_per_cwt": self.price_usd_per_cwt,
            "line_of": self.line_of,
            "claim_usd": self.claim_usd,
            "due_usd": self.due_usd,
        }

    @property
    def points_short(self) -> float:
        tested = self.nominal if self.tested is None else self.tested
        return (self.nominal - tested) * POINTS_PER_SHARE

    @property
    def agreed_off_usd_per_cwt(self) -> float | None:
        """What a shortage takes off by the way agreed; None where none is."""
        return self.off_usd_per_cwt.get(self.deal.lean_claim) if self.points_short > 0 else 0.0

    @property
    def claim_usd(self) -> float | None:
        off = self.agreed_off_usd_per_cwt
        return None if off is None else off * self.delivered_lb / LB_PER_CWT

    @property
    def due_usd(self) -> float | None:
        """What is to be paid for the deal, the claim taken off."""
        if self.claim_usd is None:
            return None
        return self.price_usd_per_cwt * self.delivered_lb / LB_PER_CWT - self.claim_usd

    @property
    def settled(self) -> Mapping[str, str]:
        """What a correction of the deal says once it is settled: its pounds and price.

        Raises InputRefused for what is not settled yet.
        """
        deal, off = self.deal, self.agreed_off_usd_per_cwt
        if self.open_on is not None:
            raise refusal(
                "book", "priced_on", "still open", "a day, or a locked rate, to settle it"
            )
        if off is None:
            required = "pro_rata or by_line, as the contract says, to settle a shortage"
            raise refusal("book", "lean_claim", deal.lean_claim, required)
        price = deal.price - off * (deal.price / self.price_usd_per_cwt if _is_foreign(deal) else 1)
        return {"price": f"{price:.6f}", "pounds_lb": f"{self.delivered_lb:.2f}"}

    def screen(self, sections: Collection[str] = ()) -> str:
        deal, short = self.deal, self.points_short
        head = f"{deal.deal_id}: {pounds(deal.pounds_lb)} of {deal.item_id}"
        if self.delivered_lb != deal.pounds_lb:
            head += f", {pounds(self.delivered_lb)} delivered,"
        head += f" at {cents(self.price_usd_per_cwt)}/cwt"
        if self.tested is not None:
            head += (
                f" tested {100 * self.tested:g}% lean, {_points(abs(short))} "
                f"{'short of' if short > 0 else 'over'} {100 * self.nominal:g}%"
            )
        parts = [screen.strong(screen.wrapped(head)), screen.wrapped(self._verdict)]
        if self.tested is not None and self.line_of is not None:
            parts += [
                screen.table(self.tables["claim"]),
                screen.wrapped(
                    f"Lean and fat of {day(self.line_of)}. A test has an error of its own: how "
                    "many samples and whose, the contract says. The book marks the meat as "
                    f"{deal.item_id} all the same."
                ),
            ]
        if self.open_on is not None:
            what = "exchange rate" if deal.has_open_rate else "price"
            parts.append(
                screen.wrapped(
                    f"Not final: the deal's {what} is open and taken as of {day(self.open_on)}; "
                    "what is due moves with it."
                )
            )
        return "\n\n".join(parts)

    @property
    def _verdict(self) -> str:
        other = self.deal.counterparty or "the other side"
        is_buy = self.deal.side is Side.BUY
        whom = f"{'to' if is_buy else 'from'} {other}"
        if self.due_usd is None or self.claim_usd is None:
            full = self.price_usd_per_cwt * self.delivered_lb / LB_PER_CWT
            return (
                f"Due {whom}: {money(full)} before a claim. The deal does not say how a shortage "
                "is settled: read the contract."
            )
        due = money(self.due_usd)
        if _is_foreign(self.deal):
            rate = self.price_usd_per_cwt / self.deal.price
            due += f" ({self.due_usd / rate:,.0f} {self.deal.currency} at {rate:.4f})"
        said = f"Due {whom}: {due}."
        if self.points_short > 0:
            pays, gets = (f"{other} credits", "us") if is_buy else ("we credit", other)
            said += f" By the contract, {pays} {gets} {money(self.claim_usd)}, taken off already."
        elif self.points_short < 0:
            said += " Not short: most contracts pay nothing for more lean; below, as a premium."
        return said


def _points(points: float) -> str:
    words = f"{points:.2g}"
    return f"{words} point" if words == "1" else f"{words} points"


def _is_foreign(deal: Deal) -> bool:
    return deal.currency != "USD"


def settlement(
    deal: Deal,
    quotations: Sequence[Quotation],
    tested: float | None = None,
    on: date | None = None,
    rates: Iterable[BookRate] = (),
    delivered_lb: float | None = None,
) -> Settlement:
    """What a deal comes to, and its price adjustment where it tests at another lean: pro rata and
    by the lean line of the day that priced it (or of `on`). Raises InputRefused and NoMark."""
    if deal.priced_on is None and deal.pricing is not Pricing.FIXED and on is None:
        on = max(each.quoted_on for each in quotations)
    of = on or deal.priced_on or deal.traded_on
    price = price_usd_per_cwt(deal, of, QuotedMarks(quotations), DatedRates(rates))
    open_on = of if deal.has_open_rate or deal.is_open_on(of) else None
    made = Settlement(deal, delivered_lb or deal.pounds_lb, price, open_on=open_on)
    if tested is None:
        return made
    quoted = _quoted(deal, quotations)
    if quoted is None:
        required = "an item quoted, as its lean is that of the quotation"
        raise refusal("quotations", "item", deal.item_id, required)
    line = _line(quotations, quoted, of)
    priced = replace(quoted, usd_per_lb=price / LB_PER_CWT)
    pro_rata, by_line = (usd * LB_PER_CWT for usd in line.off_lean(priced, tested))
    off = {LeanClaim.PRO_RATA: price - pro_rata, LeanClaim.BY_LINE: price - by_line}
    return replace(
        made, nominal=quoted.lean, tested=tested, line_of=line.quoted_on, off_usd_per_cwt=off
    )


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
