"""`blend demo`: the invented plant, copied out of the package."""

from __future__ import annotations

import shutil
from pathlib import Path

import click

import blend
from blend.errors import FileTrouble


def demo_folder() -> Path:
    """Where the demo data lies: inside an installed package, next to it in a checkout."""
    package = Path(blend.__file__).parent
    for place in (package / "demo_data", package.parent / "demo_data"):
        if place.is_dir():
            return place
    raise FileTrouble("The demo data is missing from this installation. Install blend again.")


@click.command(epilog="Examples:  blend demo   blend demo my_plant")
@click.argument("folder", type=click.Path(path_type=Path), default="demo_data")
def demo(folder: Path) -> None:
    """Copy the invented plant into FOLDER, to try every command on.

    FOLDER is demo_data if you name none. It must not exist yet.
    """
    from blend.files import filling

    if folder.exists():
        raise FileTrouble(f"{folder} is already there. Name another folder: blend demo FOLDER")
    with filling(folder) as unfinished:
        shutil.copytree(demo_folder(), unfinished, dirs_exist_ok=True)
    click.echo(f"Copied the invented plant to {folder}.\nNext: blend plan {folder}")
