"""One entry at a time: a name for a new one, and how one is withdrawn."""

from __future__ import annotations

import secrets
from dataclasses import replace
from datetime import datetime

from blend.domain.market import Additions, CanvassEntry
from blend.errors import refusal
from blend.store.store import Store


def new_entry_id() -> str:
    """Unique even where two people write in the same second."""
    return f"{datetime.now():%Y%m%d-%H%M%S}-{secrets.token_hex(3)}"


def withdraw(store: Store, entry_id: str, note: str, new_id: str = "") -> CanvassEntry:
    """Withdraw an entry and say why; it is kept but no longer counts.

    Under the name `new_id` it is done once, however often it is called. Raise InputRefused
    where there is nothing to withdraw.
    """
    chain = store.history(entry_id)
    if chain and new_id == chain[-1].entry_id:
        return chain[-1]
    if not chain or chain[-1].withdrawn:
        required = "an entry in the store, not withdrawn yet"
        raise refusal("entry", "entry_id", entry_id, required)
    last = chain[-1]
    gone = replace(
        last, entry_id=new_id or new_entry_id(), corrects=last.entry_id, withdrawn=True, note=note
    )
    store.add(Additions(entries=(gone,)))
    return gone
