"""The market's history: kept whole, never overwritten, read back as domain objects."""

from blend.store.store import Added, Store

__all__ = ["Added", "Store"]
