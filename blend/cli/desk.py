"""`blend desk`: the page, served to a browser on this machine."""

from __future__ import annotations

import os
from pathlib import Path

import click

from blend.cli.answers import examples
from blend.cli.common import FOLDER
from blend.cli.reporter import STORE_VARIABLE, with_method, with_store


@click.command(epilog=examples("blend desk demo_data", "blend desk my_sheet --port 0 --no-browser"))
@FOLDER
@with_store
@click.option(
    "--market",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Blends, rules and elasticities (as for blend why --market), to explain moves with.",
)
@click.option(
    "--before",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="An earlier folder, such as last week's, to explain what moved since.",
)
@with_method
@click.option(
    "--work",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Where to keep unsaved edits. Default: .blend_desk in FOLDER.",
)
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    type=click.IntRange(0, 65_535),
    default=8723,
    show_default=True,
    help="Port; 0 picks a free one.",
)
@click.option("--no-browser", is_flag=True, help="Print the address and open no browser.")
def desk(
    folder: Path,
    where: str | None,
    market: Path | None,
    before: Path | None,
    method_path: Path | None,
    work: Path | None,
    host: str,
    port: int,
    no_browser: bool,
) -> None:
    """Open the desk in the browser: plan, trade and report on one page.

    FOLDER holds your sheet, as for `blend plan`. Edits are kept as you type and go to the
    folder when you press Save. Only this computer can open the page; each address printed lets
    one browser in.
    """
    from blend.desk.app import LOOPBACK, bracketed, serve
    from blend.desk.desk import Desk

    opened = Desk(
        folder,
        work=work,
        store=where or os.environ.get(STORE_VARIABLE),
        market=market,
        before=before,
        method=method_path,
    )
    if bracketed(host) not in LOOPBACK:
        click.echo(
            f"warning: other machines can reach {host}, without encryption; anyone with the "
            "address can read and edit.",
            err=True,
        )

    from blend.desk.opening import open_in_browser

    is_first = True

    def ready(address: str) -> None:
        nonlocal is_first
        if not is_first:
            click.echo(f"In another browser: {address}")
            return
        is_first = False
        click.echo(f"Desk: {address}\nThe address works once. Stop with Ctrl-C; edits are kept.")
        if not no_browser:
            open_in_browser(address, opened.journal.folder / "open.html")

    serve(opened, host=host, port=port, ready=ready)
