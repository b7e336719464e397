"""A published call: which way an item goes, by when, and with what chance."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

HORIZON_DAYS = 7


class Way(StrEnum):
    UP = "up"
    DOWN = "down"
    STEADY = "steady"


@dataclass(frozen=True, slots=True)
class Call:
    """One published statement of where an item goes. `chance` is the stated one, if any."""

    made_on: date
    item_id: str
    way: Way
    horizon_days: int = HORIZON_DAYS
    chance: float | None = None
    source: str = ""
    """The note or report it was published in, and who signed it."""

    @property
    def due_on(self) -> date:
        return self.made_on + timedelta(days=self.horizon_days)
