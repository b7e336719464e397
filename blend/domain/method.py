"""By which stated rules a canvass becomes a quotation and a move becomes a word."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import cached_property
from hashlib import sha256


@dataclass(frozen=True)  # no slots: text and digest are kept once reckoned
class Method:
    """Every number that a quotation and its tone rest on; `digest` names the whole of them."""

    version: str
    # How evidence is weighed, in the order: trades, firm bids and offers, other information.
    trade_weight: float
    bid_offer_weight: float
    other_weight: float
    affiliate_weight: float
    """Times the weight of its kind; 0 leaves trades between affiliates out."""
    # When trades alone suffice, and when what there is suffices at all.
    min_trades: int
    min_pounds_lb: float
    min_firms: int
    min_firms_if_thin: int
    min_firms_each_side: int
    """Companies bidding, and companies offering, before bids and offers set a quotation."""
    max_firm_share: float
    """Of the pounds traded; a firm at this share or above makes the canvass concentrated."""
    firm_weight_cap: float
    """No firm bears more of a quotation than this share, where enough firms are there."""
    # Robustness.
    outlier_cut: float
    min_spread_ticks: float
    """The median distance is never taken for less: prices stand on a grid of ticks."""
    huber_k: float
    lean_within_share: float
    """Lean further from the item's is another item."""
    late_days: int
    """Days after the market day at which an entry comes too late."""
    carried_days: int
    confident_firms: int
    # What may be shown without showing a firm.
    confidential_days: int
    confidential_firms: int
    confidential_time_share: float
    confidential_max_share: float
    confidential_sole_share: float
    # The words for a move, for demand, offerings and activity.
    measurable_ticks: float
    tone_level: float
    majority_share: float
    compare_within_days: int
    normal_days: int
    normal_min_days: int
    normal_min_count: float
    """With fewer a day as a rule, one more or less would change the word."""
    demand_cuts: tuple[float, ...]
    offerings_cuts: tuple[float, ...]
    activity_cuts: tuple[float, ...]

    @cached_property
    def text(self) -> str:
        """The method written out, always in the same way."""
        return json.dumps(asdict(self), sort_keys=True)

    @cached_property
    def digest(self) -> str:
        return sha256(self.text.encode()).hexdigest()


def method_of(text: str) -> Method:
    """The method that `Method.text` wrote; raise ValueError where it is of another form."""
    try:
        values = json.loads(text)
        return Method(**{name: _value(value) for name, value in values.items()})
    except TypeError as error:
        raise ValueError("a method of another form than this version of blend uses") from error


def _value(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value
