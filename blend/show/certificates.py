"""What the certificate of an answer shows, in one line."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from blend.domain.certificates import Certified
from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.show.amounts import count_of, usd
from blend.show.text import WIDTH

if TYPE_CHECKING:
    from blend.grinder.safe import SafePlan

_CERTIFIED = "Certified in exact arithmetic, without the solver"
_MIN_USD = 1e-6


def why_certificate_line(certified: Certified) -> str:
    return (
        f"{_CERTIFIED}: each of {count_of(certified.count, 'case')} between the two costs the"
        f" least there is, within {_small_usd(certified)}, the shadow prices are those of the"
        " pounds in question, and every part is the mean over all orders."
    )


def market_why_certificate_line(certified: Certified) -> str:
    return (
        f"{_CERTIFIED}: the prices are an equilibrium of each of"
        f" {count_of(certified.count, 'market')} between the two, where no amounts gain"
        f" {usd(max(1.0, certified.gap_usd))} more, and every part is the mean over all orders."
    )


def market_certificate_line(certified: Certified) -> str:
    return (
        f"{_CERTIFIED}: no amounts gain {usd(max(1.0, certified.gap_usd))} more, and every price"
        " is that of the equilibrium within 0.002 $/cwt."
    )


def safe_certificate_line(safe: SafePlan) -> str:
    checks = count_of(len(safe.plan.certificate.checks), "check")
    return _filled(
        f"{_CERTIFIED}: {checks} of the plan in whole pounds, and"
        f" {count_of(len(safe.chance_constraints), 'chance constraint')} met"
        f" ({ASSUMES_INDEPENDENT}); no plan that meets them costs less than"
        f" {safe.any_plan_usd:,.2f} USD."
    )


def _filled(text: str) -> str:
    return textwrap.fill(text, WIDTH)


def _small_usd(certified: Certified) -> str:
    """The gap, never shown smaller than it is."""
    gap = max(1, math.ceil(certified.gap_usd / _MIN_USD)) * _MIN_USD
    return f"{gap:.6f} USD"
