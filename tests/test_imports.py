"""The rooms of `blend` import one way, and start-up loads nothing heavy."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import pytest

import blend

ROOT = Path(blend.__file__).parent
ANSWERS = {"model", "check", "lean"}
ALL = {
    "files",
    "domain",
    "tables",
    "store",
    "grinder",
    "trader",
    "reporter",
    "output",
} | ANSWERS
MAY_IMPORT = {
    "__main__": {"cli"},
    "errors": set(),
    "units": set(),
    "files": set(),
    "guide": set(),
    "output": {"files"},
    "domain": set(),
    "rules": {"domain", "model"},
    "constraints": {"domain", "rules", "model"},
    "tables": {"domain", "files", "output", "rules"},
    "store": {"domain", "files"},
    "model": {"domain", "rules", "constraints"},
    "check": {"domain", "rules", "constraints"},
    "lean": {"domain", "output"},
    "grinder": {"domain", "output", "phrases", "rules"} | ANSWERS,
    "trader": {"domain", "grinder", "output", "phrases"} | ANSWERS,
    "reporter": {"domain", "output", "store"} | ANSWERS,
    "phrases": {"domain", "output", "rules"},
    "reading": {"domain", "tables", "grinder"},
    "cli": ALL | {"reading", "desk", "rules", "phrases"},
    "desk": ALL - {"model"} | {"reading", "rules", "phrases"},
}
"""Rooms that each room may import, besides itself, errors and units (which import nothing)."""
WITHIN_MODEL = {"rules", "constraints"}
"""Rooms of their own within `model`: what a plan must meet, its rows and its check side by side.
They know the rest of `model` as types only."""
READS_FRAMES = ("blend.tables.frames", False)
"""`Case.from_frames` reads DataFrames as the tables do; it imports them when it is called."""
LIBRARY_ROOMS = {
    "click": {"cli", "output"},
    "pandas": {"output", "domain", "tables", "lean", "grinder", "trader", "reporter"},
    "vl_convert": {"output", "desk"},
    "jinja2": {"desk", "reporter", "output"},
    "markupsafe": {"desk", "reporter"},
    "starlette": {"desk"},
    "uvicorn": {"desk"},
    "openpyxl": {"tables", "output", "grinder"},
    "sqlalchemy": {"store"},
    "highspy": {"model"},
    "clarabel": {"model"},
    "pulp": {"model"},
    "scipy": {"model", "trader", "lean", "reporter", "grinder"},
    "numpy": {"model", "constraints", "lean", "grinder", "trader", "reporter", "check"},
    "distributed": {"trader"},
}
"""The packages that may use a library; a library not named here, none may."""
OF_OTHERS = {
    "psycopg": "sqlalchemy",
    "python-multipart": "starlette",
    "django-js-lib-tabulator": "starlette",
}
"""What no module imports, and which library needs it."""
OTHER_NAMES = {"vl-convert-python": "vl_convert"}
"""Packages whose module has another name."""
HEAVY = {*LIBRARY_ROOMS} - {"click"}
"""What no command may load before it is run."""
LATE = {"vl_convert", "pulp", "scipy", "pandas", "clarabel", "distributed"}
"""What is imported only inside the function that needs it."""


@dataclass(frozen=True)
class Import:
    file: Path
    module: str
    name: str
    """What is imported from the module; empty where the module itself is."""
    at_top: bool
    """Whether it runs when the file is imported."""

    @property
    def library(self) -> str:
        return self.module.split(".")[0]

    @property
    def room(self) -> str:
        """The room of `blend` that is imported from; empty for the package itself."""
        _, *rooms = self.module.split(".")
        return room_among([*rooms, self.name]) if rooms else ""

    def __str__(self) -> str:
        return f"{self.file.relative_to(ROOT)}: {self.module} {self.name}".rstrip()


def imports_of(file: Path) -> Iterator[Import]:
    def walk(node: ast.AST, at_top: bool) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import):
                for alias in child.names:
                    yield Import(file, alias.name, "", at_top)
            elif isinstance(child, ast.ImportFrom):
                assert not child.level, f"{file}: imports are written out from `blend`"
                for alias in child.names:
                    yield Import(file, child.module, alias.name, at_top)
            elif isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda) or (
                isinstance(child, ast.If) and ast.unparse(child.test) == "TYPE_CHECKING"
            ):
                yield from walk(child, at_top=False)
            else:
                yield from walk(child, at_top)

    return walk(ast.parse(file.read_text()), at_top=True)


def room_of(file: Path) -> str:
    return room_among(file.relative_to(ROOT).with_suffix("").parts)


def room_among(names: Sequence[str]) -> str:
    first, second, *_ = (*names, "", "")
    return second if first == "model" and second in WITHIN_MODEL else first


IMPORTS = [each for file in sorted(ROOT.rglob("*.py")) for each in imports_of(file)]
BETWEEN_ROOMS = [
    each
    for each in IMPORTS
    if each.library == "blend" and each.room and each.room != room_of(each.file)
]


def test_every_room_is_known():
    rooms = {room_of(file) for file in ROOT.rglob("*.py")} - {"__init__"}
    assert rooms == set(MAY_IMPORT)


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_a_room_imports_only_what_the_map_of_rooms_allows(room):
    allowed = MAY_IMPORT[room] | {"errors", "units"}
    wrong = [
        str(each)
        for each in BETWEEN_ROOMS
        if room_of(each.file) == room
        and each.room not in allowed
        and (each.module, each.at_top) != READS_FRAMES
    ]
    assert not wrong


def test_rules_and_constraints_know_the_model_as_types_only():
    assert not [
        str(each)
        for each in BETWEEN_ROOMS
        if room_of(each.file) in WITHIN_MODEL and each.room == "model" and each.at_top
    ]


def test_errors_and_units_import_nothing_of_blend():
    lowest = {"errors.py", "units.py"}
    assert not [
        str(each) for each in IMPORTS if each.file.name in lowest and each.library == "blend"
    ]


def test_libraries_are_used_in_their_rooms_and_in_no_other():
    used: dict[str, set[str]] = {}
    for each in IMPORTS:
        if each.library not in {"blend", *sys.stdlib_module_names}:
            used.setdefault(each.library, set()).add(room_of(each.file))
    wrong = {name: rooms - LIBRARY_ROOMS.get(name, set()) for name, rooms in used.items()}
    assert not {name: rooms for name, rooms in wrong.items() if rooms}


def test_what_is_asked_to_be_installed_is_what_is_used():
    project = tomllib.loads((ROOT.parent / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"]
    asked = {
        OTHER_NAMES.get(name := re.match(r"[\w-]+", each)[0], name)
        for each in chain(project["dependencies"], *(extras[name] for name in extras))
    }
    development = {
        re.match(r"[\w-]+", each)[0] for name in ("test", "dev") for each in extras[name]
    }
    shipped = asked - (development - {*LIBRARY_ROOMS}) - {"blend"}
    assert shipped == {*LIBRARY_ROOMS, *OF_OTHERS}


def test_nothing_shipped_imports_the_tests():
    assert not [str(each) for each in IMPORTS if each.library == "tests"]
    assert set(OF_OTHERS.values()) <= set(LIBRARY_ROOMS)


def test_there_is_one_door_to_the_solver():
    doors = {each.file.name for each in IMPORTS if each.library == "highspy"}
    assert doors == {"solver.py"}


def test_there_is_one_door_to_pulp_which_is_opened_late():
    doors = {each.file.name for each in IMPORTS if each.library == "pulp"}
    assert doors == {"pulp_model.py"}
    assert not [str(each) for each in IMPORTS if each.module.endswith("pulp_model") and each.at_top]


def test_late_libraries_are_imported_where_they_are_needed():
    late = LATE - {"pulp"}
    assert not [str(each) for each in IMPORTS if each.at_top and each.library in late]


_LOADED = """
import sys
from blend.cli import COMMANDS, main
for command in (None, *COMMANDS):
    main([command, "--help"] if command else ["--help"], standalone_mode=False)
    loaded = {name.split(".")[0] for name in sys.modules} & set(HEAVY)
    if loaded:
        sys.exit(f"blend {command or ''} --help loads {sorted(loaded)}")
"""


def test_help_of_every_command_loads_nothing_heavy():
    script = f"HEAVY = {sorted(HEAVY)!r}\n{_LOADED}"
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
