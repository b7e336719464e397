"""Limits of the book: what each allows, what is used of it, and what is over."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from blend.domain.book import Deal, Limit, LimitKind
from blend.output.formats import money, pounds
from blend.trader.book import NIL_LB
from blend.units import LB_PER_CWT

Amount = tuple[float, float]
"""Pounds and dollars at mark."""
NAMES = {
    LimitKind.COUNTERPARTY: "open with",
    LimitKind.ITEM: "position in",
    LimitKind.ORIGIN: "position from",
    LimitKind.MONTH: "position for",
    LimitKind.LEAN: "net lean",
    LimitKind.FAT: "net fat",
    LimitKind.BOOK: "all positions, long and short",
}
NOT_GIVEN = "not given"


@dataclass(frozen=True, slots=True)
class LimitUse:
    """One limit on one thing, and what is used of it."""

    limit: Limit
    limited: str
    used_lb: float
    used_usd: float

    @property
    def words(self) -> str:
        return f"{NAMES[self.limit.kind]} {self.limited}".strip()

    @property
    def used_percent(self) -> float:
        """Of the pounds or of the dollars, whichever is closer to its limit."""
        pairs = ((self.used_lb, self.limit.max_lb), (self.used_usd, self.limit.max_usd))
        return max(
            (100 * used / most if most else (math.inf if used else 0.0))
            for used, most in pairs
            if most is not None
        )

    @property
    def breach(self) -> str:
        """What is over, in words; blank where nothing is."""
        over = [
            f"{say(used)}, {say(used - most)} over its limit of {say(most)}"
            for used, most, say in (
                (self.used_lb, self.limit.max_lb, pounds),
                (self.used_usd, self.limit.max_usd, money),
            )
            if most is not None and used > most + 0.5
        ]
        return f"{self.words[:1].upper()}{self.words[1:]}: {'; '.join(over)}." if over else ""


def limit_uses(limits: Iterable[Limit], amounts: Mapping[LimitKind, Mapping[str, Amount]]) -> (
    list[LimitUse]
):  # fmt: skip
    """What is used of each limit; a limit by name replaces the one for each."""
    limits = tuple(limits)
    named = {(each.kind, each.limited) for each in limits if each.limited}
    found = []
    for limit in limits:
        of_kind = amounts[limit.kind]
        names = [limit.limited] if limit.limited or limit.kind in _WHOLE else of_kind
        for name in names:
            if limit.limited or (limit.kind, name) not in named:
                lb, usd = of_kind.get(name, (0.0, 0.0))
                found.append(LimitUse(limit, name, abs(lb), abs(usd)))
    return sorted(found, key=lambda use: -use.used_percent)


_WHOLE = (LimitKind.LEAN, LimitKind.FAT, LimitKind.BOOK)


def amounts_of(
    deals: Iterable[Deal], marks_usd_per_cwt: Mapping[str, float], lean_of: Mapping[str, float]
) -> dict[LimitKind, dict[str, Amount]]:
    """By kind of limit and by name, pounds and dollars at mark: net, but for counterparties (open
    with them, bought and sold alike) and the whole book (its items without their signs)."""
    found: dict[LimitKind, dict[str, Amount]] = {kind: {} for kind in LimitKind}
    for deal in deals:
        mark = marks_usd_per_cwt.get(deal.item_id, 0.0)
        for kind, name, lb in _shares_of(deal):
            so_far = found[kind].get(name, (0.0, 0.0))
            found[kind][name] = so_far[0] + lb, so_far[1] + lb / LB_PER_CWT * mark
    items = found[LimitKind.ITEM]
    # of an item bought and sold again the lean need not be known
    lean_lb = math.fsum(
        lb * lean_of.get(item, math.nan) for item, (lb, _) in items.items() if abs(lb) >= NIL_LB
    )
    net_lb = math.fsum(lb for lb, _ in items.values())
    found[LimitKind.LEAN][""] = lean_lb, 0.0
    found[LimitKind.FAT][""] = net_lb - lean_lb, 0.0
    found[LimitKind.BOOK][""] = (
        math.fsum(abs(lb) for lb, _ in items.values()),
        math.fsum(abs(usd) for _, usd in items.values()),
    )
    return found


def _shares_of(deal: Deal) -> Iterator[tuple[LimitKind, str, float]]:
    if deal.where != "stock":
        yield LimitKind.COUNTERPARTY, deal.counterparty or NOT_GIVEN, deal.pounds_lb
    yield LimitKind.ITEM, deal.item_id, deal.signed_lb
    yield LimitKind.ORIGIN, deal.origin or NOT_GIVEN, deal.signed_lb
    yield LimitKind.MONTH, deal.delivery_month or NOT_GIVEN, deal.signed_lb
