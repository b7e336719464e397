"""A canvass in a few words: `trade("Ash", 350)`, `bid("Birch", 349)`."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date, datetime, time, timedelta

from blend.domain.market import CanvassEntry, EntryKind, Item
from blend.tables.method import read_method

METHOD = read_method().method
MONDAY = date(2026, 3, 2)
ITEM = Item("F90", "Fresh 90s", "beef", 0.90, "fresh", "domestic")
_ids = (f"E{number:06}" for number in itertools.count())


def method(**more):
    return replace(METHOD, **more)


def heard(kind: EntryKind, firm: str, usd_per_cwt: float, after: int = 0, **more) -> CanvassEntry:
    day = MONDAY + timedelta(days=after)
    values = {
        "entry_id": next(_ids),
        "heard_at": datetime.combine(day, time(14)),
        "market_day": day,
        "kind": kind,
        "item_id": ITEM.item_id,
        "usd_per_cwt": usd_per_cwt,
        "pounds_lb": 40_000.0 if kind is EntryKind.TRADE else None,
        "source": firm,
        "source_class": "packer",
    }
    return CanvassEntry(**values | more)


def trade(firm: str, usd_per_cwt: float, after: int = 0, **more) -> CanvassEntry:
    return heard(EntryKind.TRADE, firm, usd_per_cwt, after, **more)


def bid(firm: str, usd_per_cwt: float, after: int = 0, **more) -> CanvassEntry:
    return heard(EntryKind.BID, firm, usd_per_cwt, after, **more)


def offer(firm: str, usd_per_cwt: float, after: int = 0, **more) -> CanvassEntry:
    return heard(EntryKind.OFFER, firm, usd_per_cwt, after, **more)


def talk(firm: str, usd_per_cwt: float, after: int = 0, **more) -> CanvassEntry:
    return heard(EntryKind.OTHER, firm, usd_per_cwt, after, **more)
