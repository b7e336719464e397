"""How close a printed plan is to the cheapest, in words."""

from __future__ import annotations

from math import ceil, isfinite

from blend.output.formats import money, number

CERTIFIED, BY_SOLVER = "certified exactly", "by the solver's own bound"
_HUNDREDTH_OF_PERCENT = 0.0001
_CENT = 0.01
_TENTHS_PER_LB = 10


def gap_words(
    printed_usd: float,
    bound_usd: float,
    *,
    is_certified: bool,
    is_short_by_rounding: bool = False,
    plans: str = "plan",
    model: str = "",
) -> str:
    """By how much at most a plan can be cheaper than the printed one, and who vouches for it.

    The gap is rounded up, and never printed as none. Where rounding leaves the printed plan short
    of a limit, the words say that the floor is for plans that are not. `model` says what the
    certificate takes as given, where it is not the tables themselves.
    """
    if not isfinite(bound_usd):
        return f"No limit is known on how much cheaper a {plans} can be."
    voucher = CERTIFIED + model if is_certified else BY_SOLVER
    if is_short_by_rounding:
        plans += " that keeps every order and limit in full"
    gap_usd = printed_usd - bound_usd
    if gap_usd <= -_CENT:
        return f"No {plans} is cheaper, {voucher}."
    shown_usd, turnover_usd = max(1, ceil(gap_usd - 1e-9)), max(abs(printed_usd), 1e-9)
    percents = ceil(gap_usd / turnover_usd / _HUNDREDTH_OF_PERCENT - 1e-9) / 100
    is_tiny = shown_usd < _HUNDREDTH_OF_PERCENT * turnover_usd
    share = "less than 0.01%" if is_tiny else f"{number(max(percents, 0.01))}%"
    return f"No {plans} can be more than {money(shown_usd)} ({share}) cheaper, {voucher}."


def short_tenths(short_lb: float) -> float:
    """Rounded up to a tenth of a pound, so that nothing short prints as 0.0."""
    return ceil(short_lb * _TENTHS_PER_LB - 1e-6) / _TENTHS_PER_LB if short_lb > 0 else 0.0
