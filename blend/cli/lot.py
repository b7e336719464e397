"""Why a lot is used, or not."""

from __future__ import annotations

from pathlib import Path

import click

from blend.cli.common import FOLDER, read_folder
from blend.errors import InputRefused, Problem, did_you_mean


@click.command()
@FOLDER
@click.argument("lot_id", metavar="LOT")
def lot(folder: Path, lot_id: str) -> None:
    """Tell why a lot is used or not, and at which price that turns.

    FOLDER holds the case, LOT is a lot_id of it: what a pound of the lot is worth in each
    product, part by part, against what it costs, and which lots it competes with.
    """
    from blend.grinder.why_lot import why_lot_of
    from blend.show.text import tables_text
    from blend.show.why_lot import why_lot_tables, why_lot_words

    case = read_folder(folder).case
    known = [each.lot_id for each in case.lots]
    if lot_id not in known:
        hint = did_you_mean(lot_id, known)
        raise InputRefused([Problem("LOT", None, None, lot_id, "an id of lots", hint)])
    answer = why_lot_of(case, lot_id)
    click.echo(f"{why_lot_words(case, answer)}\n")
    click.echo(tables_text(why_lot_tables(case, answer)))
