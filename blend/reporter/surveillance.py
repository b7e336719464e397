"""Guards on a canvass: what looks wrong at entry, and how far one company can move a quotation.

Limiting any one submitter's influence, and asking about data that do not fit, follow IOSCO,
Principles for Oil Price Reporting Agencies, FR06/12 (2012), chapter 2. The numbers are ours.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

from blend.domain.market import CanvassEntry, EntryKind

SLIPS = ((10.0, "10 times"), (0.1, "a tenth of"), (100.0, "100 times"), (0.01, "a hundredth of"))
"""Factors that a decimal point in the wrong place, or cents for dollars, makes of a price."""
NEAR_A_SLIP = 0.2
"""How near to such a factor a price must be, relative to it, to be called one."""
FAR_SHARE = 0.10
"""Of the last quotation: a price further off is questioned. Common practice, no source."""
MAX_POUNDS_LB = 10 * 40_000
"""Ten loads in one entry are questioned. House rule."""
CAP_IN_SD = 1.0
"""Usual daily standard deviations one company may move a quotation. House rule."""
CAP_IN_SD_IF_FEW = 0.5
FEW_COMPANIES = 3
_NORMAL_PER_MAD = 1.4826
MIN_CHANGES = 5
"""Changes of a quotation below which its usual move is not known."""


@dataclass(frozen=True, slots=True)
class Question:
    """Something to confirm before an entry is kept. `field` is the column it is about."""

    field: str
    text: str


def questions(
    entry: CanvassEntry,
    last_usd_per_cwt: float | None,
    same_day: Sequence[CanvassEntry],
    line_usd_per_cwt: float | None = None,
) -> list[Question]:
    """What looks wrong about an entry, against the last quotation, the day's other entries of
    the item, and the lean line at its lean. Empty where nothing does."""
    asked = [*_price_questions(entry, last_usd_per_cwt, same_day, line_usd_per_cwt)]
    if entry.pounds_lb is not None and entry.pounds_lb > MAX_POUNDS_LB:
        loads = entry.pounds_lb / 40_000
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
            if abs(ratio / factor - 1) <= NEAR_A_SLIP:
                yield Question("usd_per_cwt", f"{words} {name}, ${reference:,.2f}?")
                return
    for name, reference in references[:2]:
        if reference and abs(entry.usd_per_cwt / reference - 1) > FAR_SHARE:
            gap = abs(entry.usd_per_cwt / reference - 1)
            yield Question("usd_per_cwt", f"{gap:.0%} off {name}, ${reference:,.2f}. Right?")
            return


def _look_alike(entry: CanvassEntry, other: CanvassEntry) -> bool:
    """The same trade told twice, by one company or by both sides of it."""
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
    without_usd_per_cwt: float | None
    moves_usd_per_cwt: float | None


def influences(entries: Sequence[CanvassEntry], quote: Quote) -> list[Influence]:
    """Every company's influence, the largest first."""
    whole = quote(entries)
    found = []
    for company in sorted({each.firm for each in entries}):
        without = quote([each for each in entries if each.firm != company])
        moves = None if whole is None or without is None else whole - without
        found.append(Influence(company, without, moves))
    return sorted(found, key=lambda each: -abs(each.moves_usd_per_cwt or 0.0))


@dataclass(frozen=True, slots=True)
class Limited:
    """A quotation within every company's cap. `held` asks for a second look before publishing."""

    usd_per_cwt: float | None
    cap_usd_per_cwt: float | None
    moved_by: str = ""
    """The company whose influence was cut; kept, never printed."""
    held: str = ""
    """Why a second look is asked for; empty where none is."""


def limit_influence(
    entries: Sequence[CanvassEntry], quote: Quote, usual_usd_per_cwt: float | None
) -> Limited:
    """The quotation, moved so that no company moves it by more than the cap.

    The quotation is kept within the cap of what it would be without each company, and what it
    would be without a company does not depend on what that company says. So whatever one
    company says, it moves the quotation at most the cap, on any number of days. Where two
    companies pull it apart further than that, the middle is taken and a second look is asked for.
    """
    whole = quote(entries)
    if whole is None or usual_usd_per_cwt is None:
        return Limited(whole, None)
    found = [each for each in influences(entries, quote) if each.without_usd_per_cwt is not None]
    companies = len({each.firm for each in entries})
    sd = CAP_IN_SD if companies > FEW_COMPANIES else CAP_IN_SD_IF_FEW
    cap = sd * usual_usd_per_cwt
    if not found:
        return Limited(whole, cap)
    without = [each.without_usd_per_cwt or 0.0 for each in found]
    low, high = max(without) - cap, min(without) + cap
    if low > high:
        return Limited(
            (low + high) / 2, cap, found[0].company,
            "companies disagree by more than the cap; take a second look",
        )  # fmt: skip
    price = min(max(whole, low), high)
    return Limited(price, cap, found[0].company if price != whole else "")


def usual_move(quotations: Sequence[float]) -> float | None:
    """The usual daily standard deviation of a quotation, from its last changes, unmoved by a few
    wild ones (1.4826 times the median distance from no change); None of too few."""
    changes = [after - before for before, after in pairwise(quotations)]
    if len(changes) < MIN_CHANGES:
        return None
    return _NORMAL_PER_MAD * statistics.median(abs(change) for change in changes)


def large_move(
    price: float, last: float | None, usual: float | None, related: Mapping[str, float]
) -> str:
    """Why a move asks for a second look: beyond four usual moves and against related items'
    moves (in usual moves of their own, by item); empty where it does not."""
    if last is None or not usual:
        return ""
    moves = (price - last) / usual
    if abs(moves) <= 4:
        return ""
    alike = [each for each in related.values() if each * moves > 0 and abs(each) > 1]
    if related and len(alike) * 2 >= len(related):
        return ""
    return f"moved {moves:+.1f} times its usual daily move; related items did not"
