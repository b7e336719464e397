"""`blend actuals`: yesterday's filled-in work order against the plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import FOLDER, read_folder

if TYPE_CHECKING:
    from blend.output.answer import Answer


@click.command(
    epilog="""\b
Examples:
  blend plan demo_data --work-order order.xlsx
  blend actuals demo_data order.xlsx
  blend actuals demo_data order.xlsx --json
"""
)
@FOLDER
@click.argument(
    "work_order", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="FILE"
)
@answers("lots")
def actuals(folder: Path, work_order: Path) -> Answer:
    """Plan against actual: yield, giveaway and meat cost.

    FILE is the work order (.xlsx) with actual weights, weighed-out pounds and tested fat filled in.
    FOLDER holds the tables it was planned from.
    """
    from blend.grinder.actuals import read_actuals
    from blend.tables.workbooks import must_be_harmless

    case = read_folder(folder).case
    must_be_harmless(work_order.read_bytes(), work_order.name)
    return read_actuals(case, work_order)
