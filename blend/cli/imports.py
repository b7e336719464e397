"""What an importer asks for: a foreign offer landed, next to fresh."""

from __future__ import annotations

from pathlib import Path

import click

from blend.cli.common import FOLDER, check_picture, draw, picture_option


@click.command()
@FOLDER
@click.option("--offer", "offer_id", help="Only this offer.")
@picture_option("Draw the build-up of one offer")
def landed(folder: Path, offer_id: str | None, picture: Path | None) -> None:
    """Tell what foreign offers cost landed, thawed and at the lean of fresh meat.

    FOLDER holds foreign_offers (see `blend columns foreign_offers`), and import_rates with
    rates newer than those that come with blend, or that it does not know. Prints each build-up
    and the price and exchange rate at which buyers are indifferent.
    """
    check_picture(picture)

    from blend.show.amounts import printable
    from blend.show.imports import landed_tables
    from blend.show.text import tables_text
    from blend.tables.imports import read_imports
    from blend.trader.import_parity import cautions, land_all

    read = read_imports(folder)
    known = [offer.offer_id for offer in read.offers]
    if offer_id is not None and offer_id not in known:
        raise click.UsageError(f"--offer: there is no {offer_id}; there are {', '.join(known)}.")
    if picture is not None and offer_id is None and len(known) > 1:
        raise click.UsageError(f"name one --offer to draw: {', '.join(known)}.")
    wanted = [offer for offer in read.offers if offer_id in (None, offer.offer_id)]
    built = land_all(wanted, read.rates)
    for warning in (*read.warnings, *cautions(built)):
        click.echo(f"warning: {printable(str(warning))}", err=True)
    click.echo(tables_text(landed_tables(built)))
    if picture is not None:
        from blend.show.imports_picture import waterfall_picture

        draw(waterfall_picture(built[0]), picture)
