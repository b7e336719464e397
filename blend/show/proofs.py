"""The proof of an answer as one line, and what is told where it fails."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

from blend.domain.uncertainty import ASSUMES_INDEPENDENT
from blend.errors import SolverTrouble
from blend.show.amounts import count_of, usd
from blend.show.text import WIDTH
from blend.units import LB_PER_CWT

if TYPE_CHECKING:
    from blend.check.curves import CurveProof
    from blend.check.landed import LandedProof
    from blend.check.regions import MapProof
    from blend.check.replacement import ReplacementProof
    from blend.check.safe import SafeProof
    from blend.check.why import AttributionProof
    from blend.grinder.safe import SafePlan

_MAX_FAULTS = 8
_MIN_USD = 1e-6


def curve_proof_line(proof: CurveProof, at_any: str) -> str:
    """What exact arithmetic says of a demand or supply curve."""
    verdict = (
        f"Proved in exact arithmetic, without the solver: {count_of(proof.steps, 'step')}, and at"
        f" no {at_any} does the least cost of a plan differ from them by more than"
        f" {_small_usd(proof.gap_usd)} USD."
    )
    return textwrap.fill(verdict, WIDTH)


def map_proof_line(proof: MapProof) -> str:
    """What exact arithmetic says of a map of two prices."""
    verdict = (
        f"Proved in exact arithmetic, without the solver: {count_of(proof.regions, 'region')} that"
        " leave nothing of the window, and at no prices in them does the least cost of a plan"
        f" differ from theirs by more than {_small_usd(proof.gap_usd)} USD."
    )
    return textwrap.fill(verdict, WIDTH)


def replacements_proof_line(proof: ReplacementProof) -> str:
    """What exact arithmetic says of what items are replaced for."""
    verdict = (
        f"Proved in exact arithmetic, without the solver, of {count_of(proof.items, 'item')}: each"
        " mix has the lean and the weight of the item, no mix is cheaper by more than"
        f" {_small_usd(proof.gap_usd_per_lb * LB_PER_CWT)} USD/cwt, and there is none where none"
        " is told."
    )
    return textwrap.fill(verdict, WIDTH)


def landed_proof_line(proof: LandedProof) -> str:
    """What exact arithmetic says of foreign offers landed."""
    verdict = (
        f"Reckoned again in exact arithmetic, of {count_of(proof.offers, 'offer')}: every line, its"
        " sums, the rates as the closest that there are; and at the indifferent price and exchange"
        " rate, put back in, both meats cost the same."
    )
    return textwrap.fill(verdict, WIDTH)


def why_proof_line(proof: AttributionProof) -> str:
    """What exact arithmetic says of the split of a plan's cost and of an item's worth."""
    return (
        "Proved in exact arithmetic, without the solver: the cost of each of"
        f" {count_of(proof.cases, 'case')} between the two is the least there is, within"
        f" {_small_usd(proof.gap_usd)} USD, its prices are those of the pounds asked about, and"
        " every part is the mean over all orders."
    )


def market_why_proof_line(proof: AttributionProof) -> str:
    """What exact arithmetic says of the split of a clearing price."""
    return (
        "Proved in exact arithmetic, without the solver: the prices told clear each of"
        f" {count_of(proof.cases, 'market')} between the two, where no amounts gain"
        f" {usd(max(1.0, proof.gap_usd))} more, and every part is the mean over all orders."
    )


def safe_proof_line(safe: SafePlan, proof: SafeProof) -> str:
    """What exact arithmetic says of a plan with promises."""
    checks = count_of(len(safe.plan.proof.checks), "check")
    text = (
        f"Proved in exact arithmetic, without the solver: {checks} of the plan as weighed, and"
        f" {count_of(len(safe.chance_constraints), 'promise')} kept ({ASSUMES_INDEPENDENT});"
        " no plan that keeps the promises costs"
        f" less than {proof.bound_usd:,.2f} USD."
    )
    return textwrap.fill(text, WIDTH)


class Proof(Protocol):
    """What every proof tells: faults in words of the tables, none when the answer is right."""

    @property
    def faults(self) -> Sequence[str]: ...


def must_be_proved(proof: Proof, answer: str) -> None:
    """Raise SolverTrouble, with the faults, for an answer that its own proof does not bear out."""
    if proof.faults:
        raise SolverTrouble("\n".join(_fault_lines(answer, proof.faults)))


def _fault_lines(answer: str, faults: Sequence[str]) -> list[str]:
    hidden = len(faults) - _MAX_FAULTS
    return [
        f"The proof does not bear out the {answer}; nothing is shown:",
        *(f"  - {fault}" for fault in faults[:_MAX_FAULTS]),
        *([f"  and {count_of(hidden, 'fault')} more"] if hidden > 0 else []),
        "This is a defect of the program or of its solver: please report it with the tables.",
    ]


def _small_usd(amount: float) -> str:
    """Never told smaller than it is."""
    return f"{max(1, math.ceil(amount / _MIN_USD)) * _MIN_USD:.6f}"
