"""The README names only commands and options that are there, and its Python runs."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from blend.cli import COMMANDS, main

ROOT = Path(__file__).parent.parent
README, GUIDE = ROOT / "README.md", ROOT / "DEVELOPERS.md"
FOLDERS = (".ci", "blend", "demo_data", "specs", "tests")
ON_HAND_OR_OFFERED = [
    path
    for path in (*ROOT.iterdir(), *(each for name in FOLDERS for each in (ROOT / name).rglob("*")))
    if "__pycache__" not in path.parts
]
NAMES = ["/" + path.relative_to(ROOT).as_posix() for path in ON_HAND_OR_OFFERED]
ROOMS = {path.stem for path in (ROOT / "blend").iterdir() if path.stem[0].isalpha()}
A_PATH = re.compile(r"[\w.*-]{2,}(/[\w.*-]+)*(/|\.(py|sh|js|css|html|csv|md|toml))")
IN_FOLDER = re.compile(r"[\w.*-]{2,}(/[\w*-]+)+")
DOTTED = re.compile(r"(?P<module>[a-z_]+(/[a-z_]+|(\.[a-z_]+)*))\.(?P<name>\w+)")


def quoted(text: str) -> Iterator[str]:
    """What stands in backticks outside blocks of code."""
    for block in re.split(r"^```.*?^```", text, flags=re.MULTILINE | re.DOTALL):
        yield from re.findall(r"`([^`\n]+)`", block)


def paths_in(text: str) -> list[str]:
    words = [word for each in quoted(text) for word in each.split()]
    return sorted({word for word in words if A_PATH.fullmatch(word) or IN_FOLDER.fullmatch(word)})


def names_of(path: str) -> list[str]:
    """The files and folders that a path of the guide may mean: it may begin at any folder."""
    pattern = re.escape("/" + path.rstrip("/")).replace(r"\*", "[^/]*")
    return [name for name in NAMES if re.search(pattern + "$", name)]


def called_in(text: str) -> list[tuple[str, ...]]:
    """The commands of blend in the blocks of a document, as words."""
    whole = text.replace("\\\n", " ")
    lines = [line[2:] for line in whole.splitlines() if line.startswith("$ ")]
    calls = [part.strip() for line in lines for part in line.split("&&")]
    return sorted({tuple(shlex.split(call)[1:]) for call in calls if call.startswith("blend ")})


@pytest.mark.parametrize("words", called_in(README.read_text()), ids=" ".join)
def test_a_command_of_the_readme_is_understood(words, monkeypatch):
    monkeypatch.chdir(ROOT)
    monkeypatch.setenv("BLEND_STORE", "market.sqlite")
    name, *words = words
    command = main.get_command(None, name)
    if isinstance(command, click.Group):
        name, *words = words
        command = command.commands[name]
    command.make_context(name, words)


def test_commands_named_in_passing_exist():
    named = [each.split()[1:] for each in quoted(README.read_text()) if each.startswith("blend ")]
    assert len(named) > 10
    assert {words[0] for words in named} <= set(COMMANDS)


def test_every_command_is_shown_in_the_readme():
    shown = {words[0] for words in called_in(README.read_text())}
    named = {each.split()[1] for each in quoted(README.read_text()) if each.startswith("blend ")}
    assert set(COMMANDS) <= shown | named


def test_the_python_of_the_readme_runs(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    (code,) = re.findall(r"^```python\n(.*?)^```", README.read_text(), re.MULTILINE | re.DOTALL)
    exec(code, {})
    assert len(capsys.readouterr().out.split()) == 2


def options_of(command: click.Command) -> set[str]:
    inner = command.commands.values() if isinstance(command, click.Group) else ()
    own = {opt for each in command.params for opt in (*each.opts, *each.secondary_opts)}
    return own.union(*map(options_of, inner))


def test_options_named_in_passing_exist():
    known = options_of(main).union(*(options_of(main.get_command(None, n)) for n in COMMANDS))
    named = {word for each in quoted(README.read_text()) for word in re.findall(r"--[a-z-]+", each)}
    assert len(named) > 10
    assert named <= known | {"--help"}
