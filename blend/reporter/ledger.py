"""The ledger of claims: each published direction or cause with its date and horizon, scored later.

A direction is right where the item's average quotation of the horizon week moved that way by a
measurable amount. The base rate is how often the item moved that way over as many days anyway, so
that calling "up" in a rising market is no skill. Calls whose horizons overlap are not independent;
the screen says how many do.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from statistics import fmean
from typing import TYPE_CHECKING

from blend.domain.calls import HORIZON_DAYS, Call, Way
from blend.output.formats import counted, day
from blend.output.frames import DataFrame
from blend.reporter.scoring import Brier, HitRate, brier_of_calls, hit_rate

if TYPE_CHECKING:
    from blend.store import Store


class Outcome(StrEnum):
    RIGHT = "right"
    WRONG = "wrong"
    OPEN = "open"
    """The horizon is not over, or too few quotations are there."""


@dataclass(frozen=True, slots=True)
class CauseClaim:
    """One published statement of why an item moved: a driver, and which way its volume had gone."""

    made_on: date
    item_id: str
    driver: str
    volume_way: Way


@dataclass(frozen=True, slots=True)
class Scored:
    call: Call
    outcome: Outcome
    moved_usd_per_cwt: float | None


@dataclass(frozen=True, slots=True)
class Record:
    """How calls of direction did. None where none is due."""

    scored: tuple[Scored, ...]
    hits: HitRate | None
    brier: Brier | None
    overlapping: int
    """Calls whose horizon overlaps an earlier call's of the same item."""


Prices = Mapping[str, Sequence[tuple[date, float]]]
"""By item, its quotations by day."""


def score_calls(
    calls: Iterable[Call], prices: Prices, measurable: Mapping[str, float], as_of: date
) -> Record:
    """Score the calls that are due on a day."""
    calls = sorted(calls, key=lambda each: (each.made_on, each.item_id))
    scored = tuple(_score(each, prices, measurable, as_of) for each in calls)
    due = [each for each in scored if each.outcome is not Outcome.OPEN]
    if not due:
        return Record(scored, None, None, _overlapping(calls))
    right = sum(each.outcome is Outcome.RIGHT for each in due)
    base = fmean(base_rate(each.call, prices, measurable) for each in due)
    stated = [each for each in due if each.call.chance is not None]
    score = (
        brier_of_calls(
            [each.call.chance or 0.0 for each in stated],
            [each.outcome is Outcome.RIGHT for each in stated],
        )
        if stated
        else None
    )
    return Record(scored, hit_rate(right, len(due), base), score, _overlapping(calls))


def _score(call: Call, prices: Prices, measurable: Mapping[str, float], as_of: date) -> Scored:
    moved = None if as_of < call.due_on else _move(prices.get(call.item_id, ()), call)
    if moved is None:
        return Scored(call, Outcome.OPEN, None)
    went = way_of(moved, measurable[call.item_id])
    return Scored(call, Outcome.RIGHT if went is call.way else Outcome.WRONG, moved)


def _move(days: Sequence[tuple[date, float]], call: Call) -> float | None:
    """The average of the week to the due day less that of the week to the day of the call."""
    then = [usd for day, usd in days if call.made_on - timedelta(days=7) < day <= call.made_on]
    due = [usd for day, usd in days if call.due_on - timedelta(days=7) < day <= call.due_on]
    return fmean(due) - fmean(then) if then and due else None


def way_of(moved_usd_per_cwt: float, measurable_usd_per_cwt: float) -> Way:
    if abs(moved_usd_per_cwt) < measurable_usd_per_cwt:
        return Way.STEADY
    return Way.UP if moved_usd_per_cwt > 0 else Way.DOWN


def base_rate(call: Call, prices: Prices, measurable: Mapping[str, float]) -> float:
    """How often the item moved the called way over such a horizon, from one day a week before."""
    days = [pair for pair in prices.get(call.item_id, ()) if pair[0] <= call.made_on]
    moves = []
    for made_on, _ in days[::5]:
        earlier = Call(made_on, call.item_id, call.way, call.horizon_days)
        if earlier.due_on <= call.made_on:
            moved = _move(days, earlier)
            if moved is not None:
                moves.append(way_of(moved, measurable[call.item_id]) is call.way)
    return fmean(moves) if moves else 1 / len(Way)


def _overlapping(calls: Sequence[Call]) -> int:
    latest: dict[str, date] = {}
    overlapping = 0
    for call in calls:
        if call.made_on < latest.get(call.item_id, date.min):
            overlapping += 1
        latest[call.item_id] = max(call.due_on, latest.get(call.item_id, date.min))
    return overlapping


def cause_supported(
    claim: CauseClaim, volumes: Sequence[tuple[date, float, float]], error_share: float
) -> Outcome:
    """Whether volumes counted later confirm a cause: did the driver's volume go the claimed way?

    `volumes` are (period end, counted, the year before) as they stand today. Open while nothing
    was counted since, or where the difference is within `error_share` of the volume.
    """
    after = [(now, before) for end, now, before in volumes if end >= claim.made_on and before]
    if not after:
        return Outcome.OPEN
    share = fmean(now / before - 1 for now, before in after)
    if abs(share) <= error_share:
        return Outcome.OPEN if claim.volume_way is not Way.STEADY else Outcome.RIGHT
    went = Way.UP if share > 0 else Way.DOWN
    return Outcome.RIGHT if went is claim.volume_way else Outcome.WRONG


# In words ----------------------------------------------------------------------------------------


def call_of(text: str, made_on: date, item_ids: Collection[str], source: str) -> Call:
    """A call as typed: "90s up", or with its chance, "90s up 70%". ValueError: what to enter."""
    found = re.fullmatch(r"(.+?)\s+(up|down|steady)(?:\s+(\d+(?:\.\d+)?)\s*%)?", text.strip())
    if found is None:
        raise ValueError(f'"{text}": enter an item, up, down or steady, and a chance: "90s up 70%"')
    name, way, percent = found.groups()
    if name not in item_ids:
        raise ValueError(f"{name}: enter an item: {', '.join(item_ids)}")
    chance = None if percent is None else float(percent) / 100
    if chance is not None and not 0 < chance < 1:
        raise ValueError(f"{percent}%: enter a chance over 0% and under 100%")
    return Call(made_on, name, Way(way), chance=chance, source=source)


def signed_calls(store: Store, texts: Iterable[str], made_on: date, source: str) -> list[Call]:
    """Calls as typed, for a day. ValueError: what to enter, or that later days are known."""
    days, items = store.market_days(), tuple(store.items())
    calls = [call_of(each, made_on, items, source) for each in texts]
    if calls and days and days[-1] > made_on:
        raise ValueError(f"a call is for days to come: the store has {day(days[-1])} already")
    return calls


def record_frame(record: Record) -> DataFrame:
    """Each call and how it did, the latest first."""

    return DataFrame(
        [
            {
                "called_on": each.call.made_on,
                "item_id": each.call.item_id,
                "way": str(each.call.way),
                "chance_percent": None if each.call.chance is None else 100 * each.call.chance,
                "due_on": each.call.due_on,
                "outcome": str(each.outcome),
                "moved_usd_per_cwt": each.moved_usd_per_cwt,
                "published_in": each.call.source,
            }
            for each in reversed(record.scored)
        ]
    )


def call_words(call: Call) -> str:
    chance = "" if call.chance is None else f", {call.chance:.0%} chance"
    return f"{call.item_id} {call.way} by {day(call.due_on)}{chance}."


def record_words(record: Record, as_of: date) -> list[str]:
    """Calls made on a day; how those did that fell due in the week to it, one by one; and how all
    of them did together."""
    lines = [call_words(each.call) for each in record.scored if each.call.made_on == as_of]
    for each in record.scored:
        last_week = timedelta(0) <= as_of - each.call.due_on < timedelta(days=HORIZON_DAYS)
        if each.outcome is not Outcome.OPEN and last_week:
            moved = each.moved_usd_per_cwt or 0.0
            lines.append(
                f"{each.call.item_id} {each.call.way}, called {day(each.call.made_on)}: "
                f"{each.outcome}, moved {moved:+.2f} on the average of the week."
            )
    hits = record.hits
    if hits is None:
        return [*lines, f"{counted(len(record.scored), 'call')} on file, none due yet."]
    line = (
        f"All calls due: {hits.hits} of {hits.calls} right, {hits.rate:.0%} (95% exact interval "
        f"{hits.low:.0%} to {hits.high:.0%}); the base rate is {hits.base_rate:.0%}."
    )
    if record.brier is not None:
        line += f" Brier score of stated chances {record.brier.score:.2f} (0 is best)."
    if record.overlapping:
        line += f" {counted(record.overlapping, 'call')} overlap, so less is known than it looks."
    if not hits.is_skill:
        line += " No better than the base rate beyond chance."
    return [*lines, line]
