"""By which stated rules a canvass becomes a quotation and a move becomes a word."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from functools import cached_property
from hashlib import sha256
from typing import Any

from blend.domain import columns as col
from blend.domain.columns import Kind, record


def _cuts(about: str) -> Any:
    return col.column(Kind.NUMBERS, about, unit="ratio to normal", minimum=0, maximum=100)


@record(
    "quotation_method",
    "The numbers that turn a canvass into a quote and a move into a word, one a row.",
    key="setting",
    required=True,
)
@dataclass(frozen=True)  # no slots: text and digest are kept once computed
class Method:
    """Every number that a quotation and its tone rest on; `digest` names the whole of them."""

    version: str = col.text("your own name for the method")
    # weights of evidence, in order: trades, firm bids and offers, other information
    trade_weight: float = col.number("of a trade", between=(0, 1))
    bid_offer_weight: float = col.number("of a firm bid and a firm offer together", between=(0, 1))
    other_weight: float = col.number("of other information", between=(0, 1))
    affiliate_weight: float = col.number(
        "times the weight of its kind; 0 leaves affiliates out", between=(0, 1)
    )
    # how much is enough: of trades alone, and of all evidence
    min_trades: int = col.count("trades that are enough", minimum=1)
    min_pounds_lb: float = col.pounds("pounds traded that are enough")
    min_firms: int = col.count("companies whose trades are enough", minimum=1)
    min_firms_if_thin: int = col.count("companies below which nothing is quoted", minimum=1)
    min_firms_each_side: int = col.count(
        "companies bidding, and companies offering, to quote without trades", minimum=2
    )
    max_firm_share: float = col.share("share of pounds traded at which one company dominates")
    firm_weight_cap: float = col.share(
        "most weight one company has in a quote, where there are enough", minimum=0.01
    )
    # outliers
    outlier_cut: float = col.number(
        "robust distance beyond which an entry is left out", between=(0, 100)
    )
    min_spread_ticks: float = col.number(
        "smallest median distance, as prices move in ticks", unit="ticks", between=(0.1, 100)
    )
    huber_k: float = col.number(
        "robust distance beyond which entries pull no harder", between=(0.1, 10)
    )
    lean_within_share: float = col.points("lean further from the item's is another item")
    late_days: int = col.count("days after the market day that still count", unit="days")
    carried_days: int = col.count("days a quote is carried", unit="days")
    confident_firms: int = col.count("companies for high confidence", minimum=1)
    # surveillance: how far one company may move a quotation, what is held, what is questioned
    company_cap_moves: float = col.number(
        "most one company moves a quotation; 0 sets no cap",
        unit="usual daily moves",
        between=(0, 100),
    )
    company_cap_moves_if_few: float = col.number(
        "the same, of few companies; 0 sets no cap", unit="usual daily moves", between=(0, 100)
    )
    few_companies: int = col.count("companies that are few", minimum=1)
    usual_min_changes: int = col.count("changes needed to know the usual daily move", minimum=1)
    hold_moves: float = col.number(
        "a larger move than this is held, unless related items moved too",
        unit="usual daily moves",
        between=(0, 1000),
    )
    hold_moves_if_alone: float = col.number(
        "the same, of a quotation that hangs on one company",
        unit="usual daily moves",
        between=(0, 1000),
    )
    second_name_moves: float = col.number(
        "distance of a reporter's price from the method's that asks for a second name, as every "
        "held quotation then does; 0 asks for none",
        unit="usual daily moves",
        between=(0, 1000),
    )
    question_share: float = col.share("distance from the last quotation that is questioned")
    question_slip_share: float = col.share("distance from a slip of the decimal point")
    question_pounds_lb: float = col.pounds("weight of one entry that is questioned")
    # confidentiality: what can be shown without showing a company
    confidential_days: int = col.count("days looked back", unit="days", minimum=1)
    confidential_firms: int = col.count("companies that must report often", minimum=1)
    confidential_time_share: float = col.share("share of the time that is often")
    confidential_max_share: float = col.share("share of one company that is too much")
    confidential_sole_share: float = col.share("share of days with one company that is too much")
    # the words for a move, for demand, offerings and activity
    measurable_ticks: float = col.number(
        "move that counts as measurable", unit="ticks", between=(0, 10000)
    )
    tone_level: float = col.number("level of the tests of a move", between=(0.001, 0.5))
    trend_days: int = col.count("market days a trend is made of", unit="days", minimum=2)
    trend_usual_ticks: float = col.number(
        "least that prices are taken to move in a day", unit="ticks", between=(0.1, 100)
    )
    # how far what a split of a move rests on may be off: standard errors
    elasticity_error_share: float = col.share("of all elasticities together")
    own_elasticity_error_share: float = col.share("of each elasticity, apart from the others")
    volume_error_share: float = col.share("of pounds that come to market, and of orders")
    compare_within_days: int = col.count("how far back a day to compare may be", unit="days")
    normal_days: int = col.count("days that show what is normal", unit="days", minimum=1)
    normal_min_days: int = col.count("days needed to say what is normal", minimum=1)
    normal_min_count: float = col.number(
        "entries a day needed to say what is normal", between=(0, 1000)
    )
    demand_cuts: tuple[float, ...] = _cuts(
        "between very light, light, moderate, good and very good"
    )
    offerings_cuts: tuple[float, ...] = _cuts("between light, moderate and heavy")
    activity_cuts: tuple[float, ...] = _cuts("between inactive, slow, moderate and active")

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
        values: dict[str, Any] = _SINCE | json.loads(text)
        values.pop("majority_share", None)  # of trends before they were pooled over days
        return Method(**{name: _value(value) for name, value in values.items()})
    except TypeError as error:
        raise ValueError("a method of another form than this version of blend uses") from error


_SINCE: dict[str, Any] = {
    "trend_days": 15,
    "trend_usual_ticks": 2.0,
    "elasticity_error_share": 0.25,
    "own_elasticity_error_share": 0.15,
    "volume_error_share": 0.01,
    "company_cap_moves": 0.0,
    "company_cap_moves_if_few": 0.0,
    "few_companies": 3,
    "usual_min_changes": 5,
    "hold_moves": 1000.0,
    "hold_moves_if_alone": 1000.0,
    "second_name_moves": 0.0,
    "question_share": 0.1,
    "question_slip_share": 0.2,
    "question_pounds_lb": 400_000.0,
}
"""What a method written before there were these settings does: it caps and holds nothing."""


def _value(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value
