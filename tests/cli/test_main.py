import importlib
import os
import re
import subprocess
import sys
import types
from dataclasses import replace

import click
import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

from blend.cli import COMMANDS, common, main
from blend.domain.plan import Verdict
from blend.domain.rules import WholeContainers
from blend.errors import Caution, InputRefused, Problem, SolverTrouble
from blend.tables import read, uncertainty
from blend.tables.read import CaseRead
from blend.tables.write import write_case
from tests.grinder.example_plan import example_case, example_plan

HEAVY = ("numpy", "openpyxl", "highspy")


@pytest.fixture
def runner(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return CliRunner()


@pytest.fixture
def asked(monkeypatch):
    """A reader and a planner that answer with the example; what the planner was asked for."""
    asked = {}

    def make_plan(case, *, shadow_prices=True, progress=None):
        asked.update(case=case, shadow_prices=shadow_prices, progress=progress)
        if "raises" in asked:
            raise asked["raises"]
        return asked.get("plan") or example_plan(case, shadow_prices=shadow_prices)

    warning = Caution("lots.csv", 3, "use_by", "it is today", "Use it first.")
    monkeypatch.setattr(read, "read_case", lambda folder: CaseRead(example_case(), (warning,)))
    planner = types.ModuleType("blend.grinder.plan")
    planner.make_plan = make_plan
    monkeypatch.setitem(sys.modules, "blend.grinder.plan", planner)
    monkeypatch.setattr(uncertainty, "read_spread", lambda folder, case: {})
    monkeypatch.setattr(uncertainty, "read_chance_constraints", lambda folder, case: ())
    return asked


def python(code: str) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


# Commands and their help -----------------------------------------------------------------------


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_has_help(name):
    command = main.get_command(click.Context(main), name)
    assert command.name == name
    assert command.callback.__doc__
    assert all(each.help for each in command.params if isinstance(each, click.Option))
    shown = CliRunner().invoke(main, [name, "--help"])
    assert shown.exit_code == 0


def test_help_lists_every_command(runner):
    shown = runner.invoke(main, ["--help"])
    assert shown.exit_code == 0
    for name, place in COMMANDS.items():
        assert f" {name} {place.summary}" in " ".join(shown.output.split())


def test_help_imports_no_command_and_nothing_heavy():
    code = (
        "import sys\n"
        "from blend.cli import main\n"
        "main(['--help'], standalone_mode=False)\n"
        f"loaded = [name for name in {HEAVY!r} if name in sys.modules]\n"
        "loaded += [name for name in sys.modules if name.startswith('blend.cli.')]\n"
        "sys.exit(f'loaded {loaded}' if loaded else 0)\n"
    )
    done = python(code)
    assert done.returncode == 0, done.stderr
    assert "PLANT:" in done.stdout


def test_help_of_a_command_imports_nothing_heavy():
    code = (
        "import sys\n"
        "from blend.cli import main\n"
        f"for name in {[*COMMANDS]!r}:\n"
        "    main([name, '--help'], standalone_mode=False)\n"
        f"    loaded = [each for each in {HEAVY!r} if each in sys.modules]\n"
        "    assert not loaded, (name, loaded)\n"
    )
    done = python(code)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("typed", "meant"), [("pln", "plan"), ("chek", "check"), ("plan ", "plan")]
)
def test_a_mistyped_command_is_answered_with_the_one_meant(runner, typed, meant):
    answer = runner.invoke(main, [typed])
    assert answer.exit_code == 2
    assert f"Did you mean {meant}?" in answer.stderr


def test_a_command_like_no_other_is_answered_with_those_there_are(runner):
    answer = runner.invoke(main, ["xyz"])
    assert answer.exit_code == 2
    assert all(name in answer.stderr for name in COMMANDS)


# Plan ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["blends.txt", "nowhere/blends.png"])
def test_a_picture_that_cannot_be_written_is_refused_before_planning(runner, asked, name):
    answer = runner.invoke(main, ["plan", "case", "--no-workbook", "--chart", name])
    assert answer.exit_code == 1
    assert name in answer.stderr
    assert not asked


def test_plan_without_workbook_writes_nothing(runner, asked, tmp_path):
    answer = runner.invoke(main, ["plan", "case", "--no-workbook"])
    assert answer.exit_code == 0
    assert "Saved" not in answer.stdout
    assert list(tmp_path.iterdir()) == []


def test_options_go_before_settings(runner, asked):
    options = [
        "--containers",
        "per_batch",
        "--within",
        "0.02",
        "--time-limit",
        "7.5",
        "--no-break-even",
    ]
    answer = runner.invoke(main, ["plan", "case", "--no-workbook", *options])
    assert answer.exit_code == 0
    settings = asked["case"].settings
    assert settings.whole_containers is WholeContainers.PER_BATCH
    assert (settings.gap_share, settings.time_limit_s) == (0.02, 7.5)
    assert asked["shadow_prices"] is False


@pytest.mark.parametrize(
    "options",
    [
        ["--within", "-0.1"],
        ["--within", "200%"],
        ["--within", "nan"],
        ["--time-limit", "0"],
        ["--time-limit", "inf"],
        ["--containers", "half"],
    ],
)
def test_senseless_options_are_refused_before_anything_is_read(runner, asked, options):
    answer = runner.invoke(main, ["plan", "case", *options])
    assert answer.exit_code == 2
    assert options[0] in answer.stderr
    assert not asked


def test_progress_is_told_only_to_a_terminal(runner, asked, monkeypatch):
    runner.invoke(main, ["plan", "case", "--no-workbook"])
    assert asked["progress"] is None
    terminal = types.SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr(common, "sys", types.SimpleNamespace(stderr=terminal))
    runner.invoke(main, ["plan", "case", "--no-workbook"])
    assert callable(asked["progress"])


def test_a_case_on_disk_is_planned_printed_and_written(runner, tmp_path):
    write_case(example_case(), tmp_path / "case")
    answer = runner.invoke(main, ["plan", "case", "--workbook", "today.xlsx"])
    assert answer.exit_code == 0, answer.stderr
    assert "Saved today.xlsx" in answer.stdout
    assert load_workbook(tmp_path / "today.xlsx")["Purchases"]["A2"].value


def test_a_case_on_disk_that_infeasible_ends_with_the_exit_code_of_no_plan(runner, tmp_path):
    case = example_case()
    leaner = replace(case.product("GB80"), target_lean=0.98)
    write_case(replace(case, products=(leaner,), rules=()), tmp_path / "case")
    answer = runner.invoke(main, ["plan", "case"])
    assert answer.exit_code == 3
    assert "lean of House Patty 80 at least 97.5%" in answer.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["case"]


# Errors ----------------------------------------------------------------------------------------


def test_refused_input_tells_every_problem(runner, monkeypatch, tmp_path):
    lean = Problem("lots.csv", 14, "lean", "905", "0% to 100%", "Enter 90.5.")
    price = Problem("lots.csv", 3, "price", "blank", "", "Enter a price.")
    problems = [*(replace(price, row=row) for row in (3, 4, 5)), lean, replace(lean, row=16)]

    def refuse(folder):
        raise InputRefused(problems)

    monkeypatch.setattr(read, "read_case", refuse)
    answer = runner.invoke(main, ["plan", "case"])
    assert answer.exit_code == 2
    assert answer.stdout == ""
    assert answer.stderr.splitlines() == [
        "lots.csv rows 3 to 5, price: blank. Enter a price.",
        'lots.csv rows 14 and 16, lean: "905": must be 0% to 100%. Enter 90.5.',
        "2 things to fix.",
    ]
    assert list(tmp_path.iterdir()) == []


def test_solver_trouble_is_one_line(runner, asked, tmp_path):
    asked["raises"] = SolverTrouble("the solver stopped without an answer")
    answer = runner.invoke(main, ["plan", "case"])
    assert answer.exit_code == 1
    assert answer.stderr.endswith("the solver stopped without an answer\n")
    assert list(tmp_path.iterdir()) == []


def test_a_plan_that_fails_its_checks_is_neither_shown_nor_written(runner, asked, tmp_path):
    plan = example_plan(example_case())
    object.__setattr__(plan.certificate.checks[0], "verdict", Verdict.BROKEN)
    asked["plan"] = plan
    answer = runner.invoke(main, ["plan", "case"])
    assert answer.exit_code == 1
    assert answer.stdout == ""
    assert "  - lean of House Patty 80 at least 79.5%: 79.496%\n" in answer.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_workbook_without_a_folder_is_refused_before_planning(runner, asked):
    answer = runner.invoke(main, ["plan", "case", "--workbook", "nowhere/plan.xlsx"])
    assert answer.exit_code == 1
    assert "there is no folder nowhere" in answer.stderr
    assert not asked


def test_an_interrupt_is_one_short_line(runner, asked, tmp_path):
    asked["raises"] = KeyboardInterrupt()
    answer = runner.invoke(main, ["plan", "case"])
    assert answer.exit_code == 130
    assert answer.stderr.endswith("\nStopped.\n")
    assert list(tmp_path.iterdir()) == []


def test_control_characters_of_the_input_never_reach_the_terminal(runner, monkeypatch):
    def refuse(folder):
        raise InputRefused([Problem("lots.csv", 2, "item", "\x1b[2J", "a text")])

    monkeypatch.setattr(read, "read_case", refuse)
    assert "\x1b" not in runner.invoke(main, ["check", "case"]).stderr


def test_a_name_that_the_terminal_cannot_show_stops_nothing(tmp_path):
    case = example_case()
    lots = tuple(replace(lot, item="Rind 牛") for lot in case.lots)
    write_case(replace(case, lots=lots), tmp_path)
    code = f"from blend.cli import main; main(['check', {str(tmp_path)!r}])"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        env=os.environ | {"PYTHONIOENCODING": "cp1252"},
        check=False,
    )
    assert done.returncode == 0
    assert b"Rind ?" in done.stdout


# Tables ----------------------------------------------------------------------------------------


def test_warnings_come_once_and_after_the_answer(runner, tmp_path):
    write_case(example_case(), tmp_path / "folder")
    answer = runner.invoke(main, ["check", "folder"])
    warnings = answer.stderr.splitlines()
    assert any("use_by: blank" in line for line in warnings)
    assert len(set(warnings)) == len(warnings)
    assert answer.output.endswith(answer.stderr)


def test_the_guide_explains_every_column_of_every_table(runner):
    columns = importlib.import_module("blend.tables.columns")
    printed = runner.invoke(main, ["guide", "columns"])
    assert printed.exit_code == 0
    for table in columns.TABLES.values():
        alone = runner.invoke(main, ["guide", "columns", table.name]).stdout
        for name in table.column_names:
            assert re.search(rf"^  {name}\b", alone, re.MULTILINE)
        assert alone.rstrip() in printed.stdout
    for name in columns.SETTING_COLUMNS:
        assert re.search(rf"^  {name}\b", printed.stdout, re.MULTILINE)


def test_a_table_that_does_not_exist_is_answered_with_those_that_do(runner):
    answer = runner.invoke(main, ["guide", "columns", "lot"])
    assert answer.exit_code == 2
    assert "lots" in answer.stderr


def test_new_writes_tables_that_are_never_overwritten(runner, tmp_path):
    answer = runner.invoke(main, ["new", "today", "--csv"])
    assert answer.exit_code == 0
    written = sorted(path.name for path in (tmp_path / "today").iterdir())
    assert "lots.csv" in written
    assert all(name in answer.stdout for name in written)
    (tmp_path / "today" / "lots.csv").write_text("mine")
    again = runner.invoke(main, ["new", "today", "--csv"])
    assert again.exit_code == 1
    assert "lots.csv" in again.stderr
    assert (tmp_path / "today" / "lots.csv").read_text() == "mine"
