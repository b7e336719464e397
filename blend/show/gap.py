"""How close the printed plan is to the cheapest, and what rounding leaves short, in words."""

from __future__ import annotations

from math import ceil, isfinite

from blend.domain.plan import Plan
from blend.show.amounts import dollars, number_words

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
) -> str:
    """By how much at most a plan can be cheaper than the printed one, and who vouches for it.

    The gap is rounded up, and never printed as none. Where rounding leaves the printed plan short
    of a limit, the words say that the floor is for plans that are not.
    """
    if not isfinite(bound_usd):
        return f"No limit is known on how much cheaper a {plans} can be."
    voucher = CERTIFIED if is_certified else BY_SOLVER
    if is_short_by_rounding:
        plans += " that keeps every order and limit in full"
    gap_usd = printed_usd - bound_usd
    if gap_usd <= -_CENT:
        return f"No {plans} is cheaper, {voucher}."
    share = gap_usd / max(abs(printed_usd), 1e-9)
    percents = max(1, ceil(share / _HUNDREDTH_OF_PERCENT - 1e-9)) * _HUNDREDTH_OF_PERCENT * 100
    return (
        f"No {plans} can be more than {dollars(max(1, ceil(gap_usd - 1e-9)))}"
        f" ({number_words(percents)}%) cheaper, {voucher}."
    )


def plan_gap_words(plan: Plan) -> str:
    """The cost of the printed plan, and by how much at most a plan can be cheaper."""
    bound = plan.certificate.bound
    gap = gap_words(
        bound.printed_usd,
        bound.bound_usd,
        is_certified=bound.is_certified,
        is_short_by_rounding=plan.is_short_by_rounding,
    )
    return f"Day's cost {dollars(bound.printed_usd)}. {gap}"


def rounding_short_words(plan: Plan) -> str:
    """What rounding leaves orders short, empty where it leaves none short."""
    short_lb = plan.rounding_short_lb.values()
    if not short_lb:
        return ""
    maximum = number_words(short_tenths(max(short_lb)), max_decimals=1)
    return f"Orders are short by up to {maximum} lb from rounding."


def short_tenths(short_lb: float) -> float:
    """Rounded up to a tenth of a pound, so that nothing short prints as 0.0."""
    return ceil(short_lb * _TENTHS_PER_LB - 1e-6) / _TENTHS_PER_LB if short_lb > 0 else 0.0
