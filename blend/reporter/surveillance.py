"""Guards on a canvass: what looks wrong at entry, and how far one company can move a quotation.

Limiting any one submitter's influence, and asking about data that do not fit, follow IOSCO,
Principles for Oil Price Reporting Agencies, FR06/12 (2012), chapter 2. The numbers are in
the method.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

from blend.domain.market import LB_PER_LOAD, CanvassEntry, EntryKind
from blend.domain.method import Method
from blend.output.formats import cents

SLIPS = ((10.0, "10 times"), (0.1, "a tenth of"), (100.0, "100 times"), (0.01, "a hundredth of"))
"""Factors that a decimal point in the wrong place, or cents for dollars, makes of a price."""
_NORMAL_PER_MAD = 1.4826


@dataclass(frozen=True, slots=True)
class Question:
    """Something to confirm before an entry is kept. `field` is the column it is about."""

    field: str
    text: str


def questions(
    entry: CanvassEntry,
    last_usd_per_cwt: float | None,
    same_day: Sequence[CanvassEntry],
    method: Method,
    line_usd_per_cwt: float | None = None,
) -> list[Question]:
    """What looks wrong about an entry, against the last quotation, the day's other entries of
    the item, and the lean line at its lean. Empty where nothing does."""
    asked = [*_price_questions(entry, last_usd_per_cwt, same_day, line_usd_per_cwt, method)]
    if entry.pounds_lb is not None and entry.pounds_lb > method.question_pounds_lb:
        loads = entry.pounds_lb / LB_PER_LOAD
        asked.append(
            Question("pounds_lb", f"{entry.pounds_lb:,.0f} lb is {loads:.0f} loads. Right?")
        )
    asked += [
        Question("entry_id", f"{each.entry_id} looks like the same {entry.kind.value}. Twice?")
        for each in same_day
        if _look_alike(entry, each)
    ]
    return asked


def _price_questions(
    entry: CanvassEntry,
    last: float | None,
    same_day: Sequence[CanvassEntry],
    line: float | None,
    method: Method,
) -> Iterable[Question]:
    others = [each.usd_per_cwt for each in same_day if each.entry_id != entry.entry_id]
    references = [
        ("the last quotation", last),
        ("the day's other entries", statistics.median(others) if len(others) >= 3 else None),
        ("the lean line", line),
    ]
    for name, reference in references:
        if not reference:
            continue
        ratio = entry.usd_per_cwt / reference
        for factor, words in SLIPS:
            if abs(ratio / factor - 1) <= method.question_slip_share:
                yield Question("usd_per_cwt", f"{words} {name}, {cents(reference)}?")
                return
    for name, reference in references[:2]:
        if reference and abs(entry.usd_per_cwt / reference - 1) > method.question_share:
            gap = abs(entry.usd_per_cwt / reference - 1)
            yield Question("usd_per_cwt", f"{gap:.0%} off {name}, {cents(reference)}. Right?")
            return


def _look_alike(entry: CanvassEntry, other: CanvassEntry) -> bool:
    """The same trade reported twice, by one company or by both sides."""
    return (
        entry.entry_id != other.entry_id
        and entry.entry_id != other.corrects
        and entry.corrects != other.entry_id
        and entry.item_id == other.item_id
        and entry.kind is other.kind is EntryKind.TRADE
        and entry.usd_per_cwt == other.usd_per_cwt
        and entry.pounds_lb == other.pounds_lb
        and abs(entry.heard_at - other.heard_at) <= timedelta(hours=8)
    )


# One company's influence ------------------------------------------------------------------------

Quote = Callable[[Sequence[CanvassEntry]], float | None]
"""The quotation of a day from its entries; None where there is none."""


@dataclass(frozen=True, slots=True)
class Influence:
    """How far one company moves a quotation: with its entries less without them."""

    company: str
    """Kept, never printed."""
    company_type: str
    without_usd_per_cwt: float | None
    moves_usd_per_cwt: float | None


def influences(entries: Sequence[CanvassEntry], quote: Quote) -> list[Influence]:
    """Every company's influence, the largest first."""
    whole = quote(entries)
    found = []
    types = {each.firm: each.source_class for each in entries}
    for company in sorted(types):
        without = quote([each for each in entries if each.firm != company])
        moves = None if whole is None or without is None else whole - without
        found.append(Influence(company, types[company], without, moves))
    return sorted(found, key=lambda each: -abs(each.moves_usd_per_cwt or 0.0))


@dataclass(frozen=True, slots=True)
class Limited:
    """A quotation within every company's cap. `held` asks for a second look before publishing."""

    usd_per_cwt: float | None
    cap_usd_per_cwt: float | None
    """None where nothing is capped: the usual move is not known, or the method has no cap."""
    influences: tuple[Influence, ...] = ()
    """Every company's, the largest first; companies are kept, never printed."""
    held: str = ""
    """Why a second look is asked for; empty where none is."""

    @property
    def hangs_on_one(self) -> bool:
        """Whether there is no quotation without one of the companies."""
        return any(each.without_usd_per_cwt is None for each in self.influences)


def limit_influence(
    entries: Sequence[CanvassEntry], quote: Quote, usual_usd_per_cwt: float | None, method: Method
) -> Limited:
    """The quotation, moved so that no company moves it by more than the cap.

    The quotation is kept within the cap of what it would be without each company, and what it
    would be without a company does not depend on what that company says. So whatever one
    company says, it moves the quotation at most the cap, on any number of days. Where companies
    pull it apart further than that, the middle is taken; a second look is asked for where one
    company moves even the middle by more than the cap.
    """
    whole = quote(entries)
    if whole is None:
        return Limited(None, None)
    found = tuple(influences(entries, quote))
    few = len(found) <= method.few_companies
    moves = method.company_cap_moves_if_few if few else method.company_cap_moves
    if usual_usd_per_cwt is None or not moves:
        return Limited(whole, None, found)
    cap = moves * usual_usd_per_cwt
    without = [each.without_usd_per_cwt for each in found if each.without_usd_per_cwt is not None]
    if not without:
        return Limited(whole, cap, found)
    low, high = max(without) - cap, min(without) + cap
    if low > high:
        reach = (max(without) - min(without)) / 2
        why = "two companies differ by more than the cap" if reach > cap else ""
        return Limited((low + high) / 2, max(cap, reach), found, why)
    return Limited(min(max(whole, low), high), cap, found)


def usual_move(
    quotations: Sequence[float], method: Method, least_usd_per_cwt: float
) -> float | None:
    """The usual daily standard deviation of a quotation, from its last changes, unmoved by a few
    wild ones (1.4826 times the median change) and at least `least_usd_per_cwt`, for prices that
    move in ticks; None of too few."""
    changes = [after - before for before, after in pairwise(quotations)]
    if len(changes) < method.usual_min_changes:
        return None
    median = statistics.median(abs(change) for change in changes)
    return max(_NORMAL_PER_MAD * median, least_usd_per_cwt)


def large_move(
    moves: float | None, related: Mapping[str, float], method: Method, *, hangs_on_one: bool = False
) -> str:
    """Why a move asks for a second look, in usual daily moves: too large and without the related
    items (by item, in usual moves of their own); empty where it does not."""
    most = method.hold_moves_if_alone if hangs_on_one else method.hold_moves
    if moves is None or abs(moves) <= most:
        return ""
    along = [each for each in related.values() if each * moves > 0 and abs(each) > 1]
    if related and len(along) * 2 >= len(related):
        return ""
    others = f"; {', '.join(related)} did not move along" if related else ""
    alone = ", and there is no quotation without one company" if hangs_on_one else ""
    return f"moved {abs(moves):.1f} times its usual day{alone}{others}"
