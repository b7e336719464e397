"""`blend book forward`: prices for later months, and which bid, offer or contract each rests on.

Nothing is interpolated: a month without a bid, an offer or a contract has no price.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from blend.domain.book import Book, Deal, Pricing, Side, first_of_month, live
from blend.domain.quotations import Quotation
from blend.errors import did_you_mean, refusal
from blend.output import screen
from blend.output.answer import Answer, Spec
from blend.output.formats import Format, counted, day, long_day, pounds, register
from blend.output.frames import DataFrame
from blend.trader.book import NoMark, all_in_usd_per_cwt
from blend.trader.book_marks import DatedRates, QuotedMarks, open_quotes
from blend.units import LB_PER_LOAD

register(
    {
        "for_month": Format("Month"),
        "curve_side": Format("Side"),
        "forward_usd_per_cwt": Format("Price", "$/cwt", 2),
        "over_spot_usd_per_cwt": Format("Over (under) spot", "$/cwt", 2, is_signed=True),
        "given_or_agreed": Format("Of"),
        "is_on_curve": Format("On the curve"),
        "curve_loads": Format("Loads", "", 1),
    }
)
MAX_CONTRACT_AGE_DAYS = 45
"""Calendar days after which what a contract was agreed at no longer says what a month is worth.
House rule."""
BID, OFFER, BOUGHT, SOLD = "bid", "offer", "bought", "sold"
"""The sides of a curve; contracts by whether the book bought or sold."""
SIDES = (BID, SOLD, OFFER, BOUGHT)
SPOT, NONE = "quotation", "none"


@dataclass(frozen=True, slots=True)
class ForwardEntry:
    """One price of an item for a month, and what it rests on."""

    item_id: str
    month: date
    side: str
    usd_per_cwt: float
    spot_usd_per_cwt: float
    rests_on: str
    counterparty: str
    given_on: date
    pounds_lb: float

    @property
    def over_spot_usd_per_cwt(self) -> float:
        return self.usd_per_cwt - self.spot_usd_per_cwt


@dataclass(frozen=True)
class ForwardCurve(Answer):
    """Prices by item and month. Tables: `curve`, and `evidence` (every entry behind it).

    A month's bid is the highest, its offer the lowest, its contract bought or sold the one agreed
    last.
    """

    on: date
    spot: Mapping[str, tuple[date, float]]
    """Of items with an entry: day and price of the quotation, USD per cwt."""
    entries: tuple[ForwardEntry, ...]
    old: tuple[str, ...]
    """Contracts left out for their age."""
    unquoted: tuple[str, ...]
    """Bids and offers left out, as their item has no quotation."""
    unpriced: Mapping[tuple[str, date], float]
    """Net pounds of the book for months without a price."""

    @cached_property
    def points(self) -> Mapping[tuple[str, date, str], ForwardEntry]:
        """The entry of each item, month and side that the curve rests on."""
        found: dict[tuple[str, date, str], ForwardEntry] = {}
        for each in self.entries:
            key = each.item_id, each.month, each.side
            if key not in found or _is_better(each, found[key]):
                found[key] = each
        return found

    def months(self, item_id: str) -> list[date]:
        """From this month to the item's last one with an entry."""
        last = max(each.month for each in self.entries if each.item_id == item_id)
        found = [self.on.replace(day=1)]
        while found[-1] < last:
            found.append((found[-1] + timedelta(days=31)).replace(day=1))
        return found

    @property
    def gaps(self) -> list[tuple[str, date]]:
        """Months between now and an item's last entry that have none."""
        priced = {(item_id, month) for item_id, month, _ in self.points}
        return [
            (item_id, month)
            for item_id in self.spot
            for month in self.months(item_id)[1:]
            if (item_id, month) not in priced
        ]

    @cached_property
    def tables(self) -> Mapping[str, DataFrame]:

        chosen = set(self.points.values())
        evidence = [_row(each) | {"is_on_curve": each in chosen} for each in self.entries]
        columns = ["item_id", "for_month", "curve_side", "forward_usd_per_cwt",
                   "over_spot_usd_per_cwt", "curve_loads", "rests_on", "given_or_agreed",
                   "counterparty"]  # fmt: skip
        return {
            "curve": DataFrame(list(self._curve_rows()), columns=columns[:-1]),
            "evidence": DataFrame(evidence, columns=[*columns, "is_on_curve"]),
        }

    def _curve_rows(self) -> Iterator[dict[str, Any]]:
        for item_id, (quoted_on, usd) in self.spot.items():
            yield {
                "item_id": item_id, "for_month": "spot", "curve_side": SPOT,
                "forward_usd_per_cwt": usd, "given_or_agreed": day(quoted_on),
            }  # fmt: skip
            for month in self.months(item_id):
                sides = [
                    self.points[item_id, month, side]
                    for side in SIDES
                    if (item_id, month, side) in self.points
                ]
                yield from (_row(each) for each in sides)
                if not sides and (item_id, month) in self.gaps:
                    yield {
                        "item_id": item_id, "for_month": f"{month:%b %Y}", "curve_side": NONE,
                    }  # fmt: skip

    @property
    def figures(self) -> Mapping[str, Any]:
        return {
            "on": self.on,
            "items": len(self.spot),
            "points": len(self.points),
            "months_without_a_price": len(self.gaps),
        }

    def screen(self, sections: Collection[str] = ()) -> str:
        title = f"Forward prices, {long_day(self.on)}"
        if not self.entries:
            words = "No bid, offer or recent contract for a later month."
            return f"{screen.strong(title)}\n{words}"
        gaps = len(self.gaps)
        words = (
            f"{counted(len(self.spot), 'item')} with forward prices; "
            + (f"{counted(gaps, 'month')} between them without one" if gaps else "no month without")
            + ". Nothing is interpolated."
        )
        note = (
            "Best bid and offer of others that are good today. Bought, sold: your last contract, "
            "at today's quotation and the basis agreed, landed."
        )
        parts = [
            f"{screen.strong(title)}\n{screen.wrapped(words)}",
            screen.table(self.tables["curve"], note=note),
            screen.watch(self._warnings()),
        ]
        evidence = self.tables["evidence"]
        offered = {"evidence": lambda: screen.table(evidence, title="Every bid, offer, contract")}
        return screen.blocks(parts, sections, offered)

    def _warnings(self) -> Iterator[str]:
        for (item_id, month, side), bid in self.points.items():
            offer = self.points.get((item_id, month, OFFER))
            if side == BID and offer is not None and bid.usd_per_cwt >= offer.usd_per_cwt:
                yield (
                    f"{item_id} for {month:%b %Y}: bid {bid.rests_on} is at or over offer "
                    f"{offer.rests_on}. Check both."
                )
        for (item_id, month), lb in self.unpriced.items():
            way = "long" if lb > 0 else "short"
            yield (
                f"The book is {way} {pounds(abs(lb))} of {item_id} for {month:%b %Y}: no forward "
                "price."
            )
        if self.unquoted:
            yield f"Left out, as the item has no quotation: {', '.join(self.unquoted)}."
        if self.old:
            yield (
                f"Left out, agreed more than {MAX_CONTRACT_AGE_DAYS} days ago: "
                f"{', '.join(self.old)}."
            )

    def chart(self) -> Spec:
        from blend.output.charts import BLUE, GREEN, ORANGE, PURPLE, amount, chart, layer, name

        if not self.entries:
            raise refusal("bids_offers", "delivery_month", "none", "a bid or offer for a month")
        rows, spots = [], []
        for item_id, (_, spot) in self.spot.items():
            title = f"{item_id}, dashed: spot ${spot:,.2f}"
            for month in self.months(item_id):
                for side in SIDES:
                    found = self.points.get((item_id, month, side))
                    rows.append(
                        {
                            "item": title,
                            "month": f"{month:%b %Y}",
                            "side": side,
                            "usd": None if found is None else found.usd_per_cwt,
                            "rests_on": "" if found is None else found.rests_on,
                            "spot": spot,
                        }
                    )
            spots.append(title)
        months = sorted({month for item_id in self.spot for month in self.months(item_id)})
        labels = [f"{month:%b %Y}" for month in months]
        x = name("month", axis={"labelAngle": 0}) | {"sort": labels, "scale": {"domain": labels}}
        scale = {"zero": False, "padding": 12}
        y = amount("usd", "$/cwt", scale=scale)
        shade = {"domain": list(SIDES), "range": [BLUE, GREEN, ORANGE, PURPLE]}
        color = name("side", scale=shade, legend={"orient": "top", "title": None})
        marks = ["triangle-up", "square", "triangle-down", "circle"]
        shape = name("side", scale={"domain": list(SIDES), "range": marks})
        tip = [name("month", "Month"), name("side", "Side"),
               amount("usd", "$/cwt", format=",.2f"), name("rests_on", "Rests on")]  # fmt: skip
        layers = [
            layer({"type": "rule", "strokeDash": [5, 4]}, y=amount("spot", "$/cwt", scale=scale)),
            layer({"type": "line", "invalid": "break-paths-filter-domains"}, x=x, y=y, color=color),
            layer({"type": "point", "filled": True, "size": 90}, x=x, y=y, color=color,
                  shape=shape, tooltip=tip),
            *(
                layer({"type": "text", "align": align, "dx": dx}, x=x, y=y, text=name("rests_on"))
                | {"transform": [{"filter": {"field": "side", "oneOf": sides}}]}
                for align, dx, sides in (("right", -9, [BID, SOLD]), ("left", 9, [OFFER, BOUGHT]))
            ),
        ]  # fmt: skip
        return chart(
            "Forward prices",
            rows,
            {
                "facet": name("item", header={"labelFontSize": 13, "title": None}),
                "columns": 1,
                "spec": {"width": 640, "height": 120, "layer": layers},
                "resolve": {"scale": {"y": "independent"}},
            },
            subtitle=f"{long_day(self.on)}. Best bid and offer, last contracts; a month without "
            "a price breaks the line.",
        )


def forward_curve(
    book: Book | Iterable[Deal],
    quotations: Sequence[Quotation],
    on: date | None = None,
    *,
    items: Sequence[str] = (),
) -> ForwardCurve:
    """Bids and offers of others for later months, and contracts on a formula, a basis or fixed.

    `items` leaves out the others. Raises InputRefused for an item that is not quoted.
    """
    on = on or max(each.quoted_on for each in quotations)
    book = book if isinstance(book, Book) else Book(tuple(book))
    marks, rates = QuotedMarks(quotations), DatedRates(book.rates)
    quoted = sorted({each.item for each in quotations})
    for item_id in items:
        if item_id not in quoted:
            hint = did_you_mean(item_id, quoted) or f"one of {', '.join(quoted)}"
            raise refusal("quotations", "item", item_id, f"an item quoted. {hint}")
    found: list[ForwardEntry] = []
    old: list[str] = []
    unquoted: list[str] = []
    spot: dict[str, tuple[date, float]] = {}

    def spot_of(item_id: str) -> float | None:
        latest = marks.latest(item_id, on)
        if latest is None or (items and item_id not in items):
            return None
        spot[item_id] = latest
        return latest[1]

    for each in open_quotes(book, on):
        quote, month = each.quote, first_of_month(each.quote.delivery_month)
        if month is None or month < on.replace(day=1) or quote.is_ours or not each.is_good_on(on):
            continue
        if quote.item_id not in quoted and not items:
            unquoted.append(f"{quote.quote_id} ({quote.item_id})")
        elif (now := spot_of(quote.item_id)) is not None:
            found.append(
                ForwardEntry(
                    quote.item_id, month, str(quote.side), quote.price_usd_per_cwt, now,
                    quote.quote_id, quote.counterparty, quote.given_on, each.left_lb,
                )
            )  # fmt: skip
    net_lb: dict[tuple[str, date], float] = {}
    for deal in live(book.deals, on):
        month = first_of_month(deal.delivery_month)
        if month is None or month <= on.replace(day=1):
            continue
        net_lb[deal.item_id, month] = net_lb.get((deal.item_id, month), 0.0) + deal.signed_lb
        if (on - deal.traded_on).days > MAX_CONTRACT_AGE_DAYS:
            old.append(deal.deal_id)
        elif (now := spot_of(deal.item_id)) is not None:
            over = _over_spot(deal, on, marks, rates)
            if over is not None:
                found.append(
                    ForwardEntry(
                        deal.item_id, month, BOUGHT if deal.side is Side.BUY else SOLD,
                        now + over, now, deal.deal_id, deal.counterparty, deal.traded_on,
                        deal.pounds_lb,
                    )
                )  # fmt: skip
    with_entry = {each.item_id for each in found}
    priced = {(each.item_id, each.month) for each in found}
    unpriced = {
        key: lb
        for key, lb in sorted(net_lb.items())
        if abs(lb) >= 1 and key not in priced and (not items or key[0] in items)
    }
    order = sorted(found, key=lambda each: (each.item_id, each.month, each.side, each.rests_on))
    return ForwardCurve(
        on,
        {each: spot[each] for each in sorted(with_entry)},
        tuple(order),
        tuple(old),
        tuple(unquoted),
        unpriced,
    )


def _over_spot(deal: Deal, on: date, marks: QuotedMarks, rates: DatedRates) -> float | None:
    """What it is agreed over the item's quotation, landed: today's where its price is still open,
    else that of the day it was agreed. None where a quotation or rate of that day is missing."""
    of = on if deal.is_open_on(on) else deal.traded_on
    if deal.pricing is not Pricing.FIXED and deal.priced_on is not None:
        of = deal.priced_on if deal.priced_on <= on else on
    quoted = marks.latest(deal.item_id, of)
    try:
        return quoted and all_in_usd_per_cwt(deal, of, marks, rates) - quoted[1]
    except NoMark:
        return None


def _is_better(one: ForwardEntry, other: ForwardEntry) -> bool:
    if one.side in (BOUGHT, SOLD):
        return one.given_on > other.given_on
    sign = 1 if one.side == BID else -1
    return sign * one.usd_per_cwt > sign * other.usd_per_cwt


def _row(each: ForwardEntry) -> dict[str, Any]:
    return {
        "item_id": each.item_id,
        "for_month": f"{each.month:%b %Y}",
        "curve_side": each.side,
        "forward_usd_per_cwt": each.usd_per_cwt,
        "over_spot_usd_per_cwt": each.over_spot_usd_per_cwt,
        "curve_loads": each.pounds_lb / LB_PER_LOAD,
        "rests_on": each.rests_on,
        "given_or_agreed": day(each.given_on),
        "counterparty": each.counterparty,
    }
