"""No answer is shown that its own proof does not bear out."""

from __future__ import annotations

from typing import Protocol

from blend.errors import SolverTrouble


class Proved(Protocol):
    """What every proof tells: faults in words of the tables, none when the answer is right."""

    faults: tuple[str, ...]


def must_be_proved(proof: Proved, answer: str) -> None:
    """Raise SolverTrouble with the faults that a proof found."""
    if proof.faults:
        from blend.show.proofs import fault_lines

        raise SolverTrouble("\n".join(fault_lines(answer, proof.faults)))
