"""`blend lean` and `blend control`: what tests say of lots, suppliers and batches."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import FOLDER, note_at_end, read_folder
from blend.cli.params import USD_PER_LB, Whole
from blend.domain.case import Case

if TYPE_CHECKING:
    from blend.lean.lots import LeanAnswer
    from blend.output.answer import Answer


_LEAN_VALUE = click.option(
    "--lean-value",
    type=USD_PER_LB,
    metavar="$/LB",
    help="What a pound of lean is worth. Default: the slope of today's prices.",
)


@click.command(
    epilog="""\b
Examples:
  blend lean demo_data
  blend lean demo_data --lots --csv lean.csv
"""
)
@FOLDER
@_LEAN_VALUE
@answers("lots", "methods", chart=True)
def lean(folder: Path, lean_value: float | None) -> Answer:
    """What lots really test, and which suppliers overstate their lean.

    FOLDER holds tests.csv, and lean_test_methods.csv for your own methods' errors. `blend plan
    FOLDER --lean estimated` plans with the estimates.
    """
    return estimated(folder, read_folder(folder).case, lean_value)


@click.command(
    epilog="""\b
Examples:
  blend control demo_data
  blend control demo_data --product GB80 --chart gb80.png
"""
)
@FOLDER
@click.option("--product", metavar="ID", help="Only this product; a chart needs one.")
@click.option(
    "--baseline",
    type=Whole(2),
    default=20,
    show_default=True,
    metavar="BATCHES",
    help="How many of the first batches set the limits.",
)
@click.option(
    "--limits-from",
    type=click.Choice(["between", "within"]),
    default="between",
    show_default=True,
    help="From the variation between batches, or between tests of a batch.",
)
@_LEAN_VALUE
@answers("signals", "limits", chart=True)
def control(
    folder: Path, product: str | None, baseline: int, limits_from: str, lean_value: float | None
) -> Answer:
    """Tested batches against target over time: lean given away, and batches that stand out.

    FOLDER holds batch_tests.csv.
    """
    from blend.lean import batches as question
    from blend.lean.control import LimitsFrom
    from blend.tables.columns import EVIDENCE_TABLES
    from blend.tables.evidence import read_batch_tests
    from blend.tables.tables import refuse_empty

    case = read_folder(folder).case
    batches = read_batch_tests(folder, case)
    if not batches:
        refuse_empty(EVIDENCE_TABLES["batch_tests"])
    known = sorted({batch.product_id for batch in batches})
    if product is not None and product not in known:
        raise click.BadParameter(
            f"{product!r} has no batch test; there are {', '.join(known)}.", param_hint="--product"
        )
    asked = [batch for batch in batches if product in (None, batch.product_id)]
    return question.control(
        case,
        asked,
        baseline=baseline,
        limits_from=LimitsFrom(limits_from),
        usd_per_lean_lb=lean_value,
    )


def case_with_lean(folder: Path, case: Case, lean: str) -> Case:
    """The case with lean "stated" or "estimated"; a closing note on stderr says which."""
    from blend.tables.evidence import holds_tests

    if lean == "estimated":
        from blend.lean.estimate import case_with_estimates
        from blend.reading import with_temperature

        estimates = estimated(folder, case).estimates
        note_at_end("Lean is as estimated from tests: blend lean FOLDER.")
        return with_temperature(folder, case_with_estimates(case, estimates))
    if holds_tests(folder):
        note_at_end("Lean is as stated; --lean estimated plans with your tests.")
    return case


def estimated(folder: Path, case: Case, usd_per_lean_lb: float | None = None) -> LeanAnswer:
    """The estimates from the folder's tests; its warnings come after the answer."""
    from blend.cli.common import warn_at_end
    from blend.lean import lots
    from blend.tables.columns import EVIDENCE_TABLES
    from blend.tables.evidence import read_tests
    from blend.tables.tables import refuse_empty

    read = read_tests(folder, case)
    warn_at_end(read.warnings)
    if not read.tests:
        refuse_empty(EVIDENCE_TABLES["tests"])
    return lots.lean(case, read.tests, read.methods, usd_per_lean_lb)
