"""`blend lot`: why a lot is used or not."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from blend.cli.answers import answers
from blend.cli.common import FOLDER, read_folder
from blend.errors import InputRefused, refusal

if TYPE_CHECKING:
    from blend.domain.case import Case
    from blend.domain.selectors import Selector
    from blend.output.answer import Answer


@click.command(
    epilog="""\b
Examples:
  blend lot demo_data B90-1
  blend lot demo_data --where "item=fresh 90s"
"""
)
@FOLDER
@click.argument("lot", metavar="[LOT]", required=False)
@click.option("--where", metavar="CONDITION", help='Compare lots, such as --where "lean>=0.9".')
@answers("products", "parts", "others", "barred", chart=True)
def lot(folder: Path, lot: str | None, where: str | None) -> Answer:
    """Why a lot is used or not, its break-even price, and what it would replace.

    LOT is a lot_id, or an item to compare all its lots.
    """
    from blend.grinder.lot import lots

    case = read_folder(folder).case
    return lots(case, _asked(case, lot, where))


def _asked(case: Case, name: str | None, where: str | None) -> Selector:
    from blend.domain.selectors import parse_selector
    from blend.grinder.lot import lots_named
    from blend.phrases import unknown_lot

    if (name is None) == (where is None):
        raise click.UsageError("Enter a LOT or --where, one of the two.")
    if name is not None:
        found = lots_named(case, name)
        if found is None:
            raise InputRefused([unknown_lot(name, case)])
        return found
    try:
        found = parse_selector(where or "")
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--where") from None
    if not any(map(found.holds, case.lots)):
        none = f"No lot matches {where!r}"
        raise refusal("--where", None, none, "")
    return found
