"""What the certificate of an answer shows, in one line."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.show.amounts import count_of
from blend.show.text import WIDTH

if TYPE_CHECKING:
    from blend.grinder.safe import SafePlan

_CERTIFIED = "Certified in exact arithmetic, without the solver"


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
