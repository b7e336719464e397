"""Whether a price move gets a cause in a headline, and what to say where it gets none.

The command, the note and the desk all ask here. A cause is named only where the quotation moved
beyond its own error, the model explains the move, and one driver stands out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from blend.reporter.explained import Contribution, ItemMove, Observed
from blend.units import LB_PER_CWT

TOLD_APART = 1.96
"""Standard errors from zero at which an amount is measurable: 95 of 100 cases."""
MAX_UNEXPLAINED_SHARE = 0.5
"""Of the larger of the quotation's move and the model's."""
SMALL_UNEXPLAINED_SHARE = 0.1
"""Of the move: all that may stay unexplained where the quotation's error is not given."""
MIN_MOVE_USD_PER_CWT = 1.0
"""A move that may get a cause where the quotation's error is not given: four ticks of 0.25."""
_CENT_USD_PER_LB = 0.005 / LB_PER_CWT


class Gate(StrEnum):
    """What a move did not get past on its way to a headline cause; PASSED gets one."""

    NO_CHANGE_GIVEN = "no change given"
    DID_NOT_MOVE = "did not move"
    NO_ERROR_GIVEN = "no error given"
    ORDERS_ARE_GROUND = "orders are pounds ground"
    NOT_EXPLAINED = "not explained"
    NO_DRIVER = "no driver"
    """No driver pushes the price the way it moved by a measurable amount."""
    PASSED = "passed"


@dataclass(frozen=True, slots=True)
class Headline:
    """The driver to name, or None and the reason for naming none."""

    gate: Gate
    driver: Contribution | None = None


def headline_of(move: ItemMove) -> Headline:
    """The driver a headline may name for this move of a quotation."""
    gate = _gate_of(move)
    if gate is not Gate.PASSED or move.observed is None:
        return Headline(gate)
    way = 1 if move.observed.move_usd_per_lb > 0 else -1
    largest = max(move.next.contributions, key=lambda each: way * each.amount)
    if way * largest.amount < _CENT_USD_PER_LB or not is_separable(largest):
        return Headline(Gate.NO_DRIVER)
    return Headline(gate, largest)


def no_cause_words(headline: Headline, item: str) -> str:
    """What is said instead of a headline cause."""
    match headline.gate:
        case Gate.NO_CHANGE_GIVEN:
            return "Change in the quotation not given: no headline cause."
        case Gate.DID_NOT_MOVE:
            return (
                f"{item} did not move beyond the error of the quotation; "
                "there is nothing to explain."
            )
        case Gate.NO_ERROR_GIVEN:
            return "Error of the quotation not given: no headline cause."
        case Gate.ORDERS_ARE_GROUND:
            return (
                "Orders moved as pounds ground would with demand unchanged: no headline cause. "
                "Enter what buyers would have taken at the earlier prices."
            )
        case Gate.NOT_EXPLAINED:
            return "Our model does not explain this move."
        case Gate.NO_DRIVER:
            return "Our model does not explain this move: none of its drivers stands out."
    raise ValueError("a move that passed has a cause to name")


def is_separable(part: Contribution) -> bool:
    """Whether a part is measurable: 95 of 100 times no part of its split would be by chance."""
    return abs(part.amount) > part.beyond * part.standard_error


def _gate_of(move: ItemMove) -> Gate:
    if move.observed is None:
        return Gate.NO_CHANGE_GIVEN
    moved = abs(move.observed.move_usd_per_lb)
    error = move.observed.standard_error_usd_per_lb
    if moved < _CENT_USD_PER_LB or (error is not None and moved <= TOLD_APART * error):
        return Gate.DID_NOT_MOVE
    if move.orders_look_ground:
        return Gate.ORDERS_ARE_GROUND
    # Checked against the next pound, as its parts are the ones a headline would name. The model
    # explains by all of its parts, or by the measurable ones where the rest could be chance.
    whole = move.next.change
    measurable = [each.amount for each in move.next.contributions if is_separable(each)]
    if move.observed.move_usd_per_lb * whole < 0:
        return Gate.NOT_EXPLAINED
    if not any(_is_near(each, move.observed) for each in (whole, math.fsum(measurable))):
        return Gate.NOT_EXPLAINED
    unexplained_error = move.unexplained_error_usd_per_lb
    unexplained = abs(move.observed.move_usd_per_lb - whole)
    hair = 1e-9 * moved
    if unexplained_error is None:
        is_small = unexplained <= SMALL_UNEXPLAINED_SHARE * moved + hair
        is_large_move = moved * LB_PER_CWT >= MIN_MOVE_USD_PER_CWT - 1e-9
        return Gate.PASSED if is_small and is_large_move else Gate.NO_ERROR_GIVEN
    if unexplained > TOLD_APART * unexplained_error + hair:
        return Gate.NOT_EXPLAINED
    return Gate.PASSED


def _is_near(change_usd_per_lb: float, observed: Observed) -> bool:
    """Whether no more than a share of the larger of two moves stays unexplained."""
    moved = observed.move_usd_per_lb
    larger = max(abs(moved), abs(change_usd_per_lb))
    return abs(moved - change_usd_per_lb) <= (MAX_UNEXPLAINED_SHARE + 1e-9) * larger
