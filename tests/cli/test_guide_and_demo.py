"""`blend guide` and `blend demo`."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.cli import main
from blend.cli.guide import pages
from blend.tables.starter import demo_folder


def run(*words: str):
    return CliRunner().invoke(main, [*words])


@pytest.mark.parametrize("topic", pages())
def test_a_page_is_wrapped_to_the_terminal(topic):
    shown = CliRunner(env={"COLUMNS": "60"}).invoke(main, ["guide", topic]).output
    prose = [line for line in shown.splitlines() if not line.startswith("    ")]
    assert prose and max(map(len, prose)) <= 60 and "**" not in shown


def test_the_guide_lists_its_topics_and_helps_with_a_slip():
    assert set(pages()) <= set(run("guide").stdout.split())
    result = run("guide", "term")
    assert result.exit_code == 2 and "terms" in result.stderr


def test_the_demo_is_copied_whole_and_never_over_anything(tmp_path: Path):
    folder = tmp_path / "plant"
    assert run("demo", str(folder)).exit_code == 0
    names = {path.relative_to(demo_folder()) for path in demo_folder().rglob("*.csv")}
    assert {path.relative_to(folder) for path in folder.rglob("*.csv")} == names
    result = run("demo", str(folder))
    assert result.exit_code == 1 and "already there" in result.stderr


@pytest.mark.parametrize(
    ("line", "word", "found"),
    [("blend wee", "wee", "weekly"), ("blend weekly --sto", "--sto", "--store")],
)
def test_powershell_learns_what_may_come_next(monkeypatch, capsys, line, word, found):
    monkeypatch.setenv("_BLEND_COMPLETE", "powershell_complete")
    monkeypatch.setenv("COMP_WORDS", line)
    monkeypatch.setenv("COMP_WORD", word)
    with pytest.raises(SystemExit):
        main(prog_name="blend")
    assert found in [each.split("\t")[0] for each in capsys.readouterr().out.splitlines()]
