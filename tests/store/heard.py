"""Things heard, briefly made."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from blend.domain.market import CanvassEntry, EntryKind, Item

MONDAY = date(2026, 3, 2)
NINETIES = Item("F90", "Fresh 90s", "beef", 0.90, "fresh", "domestic")


def day(after: int = 0) -> date:
    return MONDAY + timedelta(days=after)


def entry(entry_id: str, usd_per_cwt: float = 350.0, **more) -> CanvassEntry:
    kind = more.pop("kind", EntryKind.TRADE)
    market_day = more.pop("market_day", MONDAY)
    values = {
        "entry_id": entry_id,
        "heard_at": datetime.combine(market_day, time(14, 5)),
        "market_day": market_day,
        "kind": kind,
        "item_id": "F90",
        "usd_per_cwt": usd_per_cwt,
        "pounds_lb": 40_000.0 if kind == EntryKind.TRADE else None,
        "source": f"firm of {entry_id}",
        "source_class": "packer",
    }
    return CanvassEntry(**values | more)
