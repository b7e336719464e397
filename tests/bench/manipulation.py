"""How far one company that pushes moves a quotation, and what the guard against it costs.

Canvasses are random: the true price walks, companies come and go, trade, bid, offer or talk around
it. One company then says something far off. Before: the same quotation without the cap on one
company. Moves are against the quotation without that company, in usual daily moves.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import fmean, quantiles

import pandas

from blend.domain.market import CanvassEntry
from blend.domain.method import Method
from blend.reporter.quotation import OwnQuotations
from tests.reporter.canvass import ITEM, MONDAY, bid, offer, talk, trade

DAILY_USD_PER_CWT = 1.5
"""Standard deviation of the true price's daily change."""
QUIET_DAYS = 15
"""Before the company pushes, to know the usual move."""
PUSHED_DAYS = 5
BAD = "company 0"
NOTE = (
    "Moves by one company, in usual daily moves, over quotations that are not held; 95%: 95 of 100 "
    "are below. Error: of honest canvasses, against the planted price, $/cwt, before and now."
)


@dataclass(frozen=True, slots=True)
class Push:
    words: str
    companies: tuple[int, int]
    kinds: tuple[str, ...]
    usd_per_cwt: tuple[float, ...]


PUSHES = (
    Push("trade and bid off by $5 to $30", (4, 9), ("trade", "bid"), (5, 10, 30)),
    Push("trade and bid off by $200", (4, 9), ("trade", "bid"), (200,)),
    Push("a bid or offer alone off by $60", (4, 9), ("bid",), (60,)),
    Push("talk off by $60", (4, 9), ("talk",), (60,)),
    Push("trade off by $5 to $30, three companies", (3, 3), ("trade",), (5, 10, 30)),
)


def canvass(
    draw: random.Random, truth: float, firms: list[str], noise: float, after: int = 0
) -> list[CanvassEntry]:
    """A day as companies see it: trades around the truth, bids below and offers above."""
    entries = []
    for firm in firms:
        price = round((truth + draw.gauss(0, noise)) * 4) / 4
        kind = draw.random()
        if kind < 0.5:
            pounds = draw.choice([4e4, 8e4, 1.2e5])
            entries.append(trade(firm, price, after, pounds_lb=pounds))
        elif kind < 0.7:
            entries.append(bid(firm, price - 1, after))
        elif kind < 0.9:
            entries.append(offer(firm, price + 1, after))
        else:
            entries.append(talk(firm, price, after))
    return entries


def days_of(
    draw: random.Random, count: int, companies: tuple[int, int] = (4, 9)
) -> Iterator[tuple[float, list[str], list[CanvassEntry]]]:
    """The true price of each day, who reports, and what they say."""
    truth = 340.0
    for after in range(count):
        truth += draw.gauss(0, DAILY_USD_PER_CWT)
        firms = [f"company {n}" for n in range(draw.randint(*companies))]
        yield truth, firms, canvass(draw, truth, firms, draw.choice([0.5, 1.0, 2.0]), after)


def on(after: int) -> date:
    return MONDAY + timedelta(days=after)


@dataclass(frozen=True, slots=True)
class Moved:
    """How far the company moved one quotation, in usual daily moves, and whether it was held."""

    before: float
    now: float
    is_held: bool


def pushed_days(push: Push, seed: int, method: Method) -> Iterator[Moved]:
    """Five days in a row on which one company pushes the same way."""
    draw = random.Random(f"{push.words} {seed}")
    count = QUIET_DAYS + PUSHED_DAYS
    entries = [each for *_, day in days_of(draw, count, push.companies) for each in day]
    far = draw.choice([-1, 1]) * draw.choice(push.usd_per_cwt)
    own = {"trade": trade, "bid": bid if far > 0 else offer, "talk": talk}
    honest = [each for each in entries if each.firm != BAD or each.market_day < on(QUIET_DAYS)]
    said = [
        own[kind](BAD, 340 + far, after, **({"pounds_lb": 1e6} if kind == "trade" else {}))
        for after in range(QUIET_DAYS, count)
        for kind in push.kinds
    ]
    with_it, without = (OwnQuotations(ITEM, each, method) for each in ([*honest, *said], honest))
    for after in range(QUIET_DAYS, count):
        made, fair = with_it.of(on(after)), without.uncapped(on(after)).usd_per_cwt
        usual = made.usual_usd_per_cwt
        if (
            made.usd_per_cwt is None
            or made.uncapped_usd_per_cwt is None
            or fair is None
            or not usual
        ):
            continue
        assert made.limited is not None
        if len(made.limited.influences) >= push.companies[0]:
            yield Moved(
                abs(made.uncapped_usd_per_cwt - fair) / usual,
                abs(made.usd_per_cwt - fair) / usual,
                bool(made.held),
            )


def errors(seed: int, method: Method, count: int = 60) -> Iterator[tuple[float, float, bool]]:
    """Of honest canvasses: the error before, the error now, and whether it was held."""
    days = list(days_of(random.Random(seed), count))
    own = OwnQuotations(ITEM, [each for *_, day in days for each in day], method)
    for after, (truth, *_) in enumerate(days):
        made = own.of(on(after))
        if made.usd_per_cwt is not None and made.uncapped_usd_per_cwt is not None:
            now, before = (each - truth for each in (made.usd_per_cwt, made.uncapped_usd_per_cwt))
            yield abs(before), abs(now), bool(made.held)


def manipulation_table(method: Method, worlds: int) -> pandas.DataFrame:
    """One row a way of pushing, and one of honest canvasses."""
    rows = []
    for push in PUSHES:
        moved = [each for seed in range(worlds) for each in pushed_days(push, seed, method)]
        free = [each for each in moved if not each.is_held]
        before, now = [each.before for each in moved], [each.now for each in free]
        rows.append((push.words, len(moved), _most(before), max(before), _most(now), max(now),
                     1 - len(free) / len(moved)))  # fmt: skip
    honest = [each for seed in range(worlds // 10 + 1) for each in errors(seed, method)]
    before, now = (fmean(each[place] for each in honest) for place in (0, 1))
    held = fmean(each[2] for each in honest)
    rows.append(("error of honest canvasses", len(honest), before, None, now, None, held))
    columns = ["one company's push", "days", "before, 95%", "before, most", "now, 95%",
               "now, most", "held"]  # fmt: skip
    table = pandas.DataFrame(rows, columns=columns)
    return table.round(2)


def _most(moves: list[float]) -> float:
    return quantiles(moves, n=20)[-1]
