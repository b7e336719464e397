"""Coverage-guided fuzzing of every reader, run by hand, for as long as you let it.

    python tests/attack/fuzz_readers.py -atheris_runs=100000 [-max_total_time=300] [CORPUS]

It needs `atheris`. The first byte of an input names the reader and its attacked table, the
second whether the rest stands in a CSV file, in a part of a workbook, or is a whole workbook.
Without a CORPUS folder it begins from the demo tables. An input that fails is printed as the
call that repeats it.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[2]))

import atheris

INSTRUMENTED = [
    *("blend.tables", "blend.domain", "openpyxl.reader", "openpyxl.worksheet", "openpyxl.cell"),
    *("openpyxl.utils", "openpyxl.styles.numbers", "openpyxl.packaging"),
]
with atheris.instrument_imports(include=INSTRUMENTED):
    import openpyxl.reader.excel  # noqa: F401

    import blend.tables.cells
    import blend.tables.clearing
    import blend.tables.evidence
    import blend.tables.history
    import blend.tables.imports
    import blend.tables.method
    import blend.tables.positions
    import blend.tables.quotations
    import blend.tables.read
    import blend.tables.scenarios
    import blend.tables.tables
    import blend.tables.uncertainty  # noqa: F401
    from tests.attack.mutations import (
        SHARED,
        csv_bytes,
        mutated_bytes,
        with_shared_strings,
        workbook_parts,
        write_files,
        zipped_parts,
    )
    from tests.attack.targets import Grid, Target, outcome, targets

LONGEST_INPUT = 16_384
CSV, PART, WORKBOOK = range(3)
PARTS = (
    *("xl/worksheets/sheet1.xml", SHARED, "xl/styles.xml", "xl/workbook.xml"),
    *("xl/_rels/workbook.xml.rels", "[Content_Types].xml"),
)


@cache
def choices() -> tuple[tuple[Target, str], ...]:
    # That a case is read again as written is held elsewhere, and would take most of the time.
    readers = [replace(target, is_case=False) for target in targets()]
    return tuple((target, table) for target in readers for table in target.attacked)


def few_rows(place: int) -> Grid:
    """Of the attacked table, so that inputs are small."""
    target, table = choices()[place]
    return target.tables[table][:7]


@cache
def sound_files(place: int) -> dict[str, bytes]:
    """Every table of a reader's folder as CSV, but the one attacked."""
    target, table = choices()[place]
    grids = {name: grid[:13] for name, grid in target.tables.items() if name != table}
    return {f"{name}.csv": csv_bytes(grid) for name, grid in grids.items()}


@cache
def sound_parts(place: int) -> dict[str, bytes]:
    _, table = choices()[place]
    parts = workbook_parts(Random(place), {table: few_rows(place)})
    return parts if SHARED in parts else with_shared_strings(parts)


def read_once(data: bytes) -> None:
    """Let one reader read `data`; what is no refusal in words is raised."""
    if len(data) < 3:
        return
    place, form, rest = data[0] % len(choices()), data[1] % 3, data[2:]
    target, table = choices()[place]
    files = dict(sound_files(place))
    if form == CSV or target.csv_only:
        files[f"{table}.csv"] = rest
    elif form == PART:
        name = PARTS[rest[0] % len(PARTS)]
        files[f"{table}.xlsx"] = zipped_parts(sound_parts(place) | {name: rest[1:]})
    else:
        files[f"{table}.xlsx"] = rest
    work = Path(tempfile.mkdtemp(prefix="fuzz_", dir=_MEMORY))
    try:
        outcome(target, write_files(files, work / "folder"))
    except BaseException as error:
        error.add_note(f"{target.name}, {table}: read_once({data!r})")
        raise
    finally:
        shutil.rmtree(work)


_MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None
"""A folder in memory, where there is one: a run writes many thousand files."""


def write_corpus(folder: Path) -> None:
    """Sound tables in every form, and a spoilt one of each, to begin from."""
    for place, (_, table) in enumerate(choices()):
        data = csv_bytes(few_rows(place))
        parts = sound_parts(place)
        inputs = [
            bytes((place, CSV)) + data,
            bytes((place, CSV)) + mutated_bytes(Random(place), data),
            *(bytes((place, PART, n)) + parts[name] for n, name in enumerate(PARTS)),
            bytes((place, WORKBOOK)) + zipped_parts(parts),
        ]
        for number, each in enumerate(inputs):
            (folder / f"{place:02}_{table}_{number}").write_bytes(each)


def main() -> None:
    arguments = [sys.argv[0], f"-max_len={LONGEST_INPUT}", *sys.argv[1:]]
    if not any(Path(each).is_dir() for each in arguments[1:]):
        corpus = Path(tempfile.mkdtemp(prefix="corpus_"))
        write_corpus(corpus)
        arguments.append(str(corpus))
    atheris.Setup(arguments, read_once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
