"""`blend demo`: the invented plant, copied out of the package."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

from blend.errors import FileTrouble


@click.command(
    epilog="""\b
Examples:
  blend demo
  blend demo my_plant"""
)
@click.argument("folder", type=click.Path(path_type=Path), default="demo_data")
def demo(folder: Path) -> None:
    """Copy the invented plant into FOLDER, to try every command on.

    FOLDER is demo_data if you name none. It must not exist yet.
    """
    from blend.files import filling
    from blend.tables.starter import demo_folder

    if folder.exists():
        raise FileTrouble(f"{folder} is already there. Name another folder: blend demo FOLDER")
    with filling(folder) as unfinished:
        shutil.copytree(demo_folder(), unfinished, dirs_exist_ok=True)
    click.echo(f"Copied the invented plant to {folder}.\nNext: blend plan {folder}")
