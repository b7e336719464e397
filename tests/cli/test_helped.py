"""What is missing or mistyped is answered with what there is, and nothing is written."""

from __future__ import annotations

from contextlib import chdir

import pytest
from click.testing import CliRunner

from blend.cli import main
from tests.golden.runner import ROOT, filled_store

DEMO = str(ROOT / "demo_data")


@pytest.mark.parametrize(
    ("argv", "named"),
    [
        (["adjust", DEMO, "--fat", "22"], ["--product", "--pounds", "GB80", "SAUS", "--fat 22"]),
        (["adjust", "--fat", "22"], ["FOLDER", "blend adjust demo_data"]),
        (["lot", DEMO, "B90"], ["B90-1", "B90-4"]),
        (["breakeven", DEMO, "90s"], ["B90-1", "B90-3"]),
        (["breakeven", DEMO, "fresh 90s"], ["B90-1", "B90-3"]),
        (["customers", f"{DEMO}/market", "X", "--loads", "1", "--cost", "300"], ["customers.csv"]),
        (["quote", "--day", "1/1/2020"], ["2020"]),
        (["quote", "--day", "11/28/2026"], ["Nov 20"]),
        (["note", "--day", "11/21/2026", "--out", "n.html"], ["Saturday", "Nov 20"]),
        (["weekly", "--week", "12/5/2026", "--out", "w.html"], ["Nov 20"]),
        (["canvass", "import", "."], ["blend new"]),
        (["plan", "."], ["blend new", "blend demo"]),
        (["plan", DEMO, "--workbook", "plan.csv"], ["plan.csv", ".xlsx"]),
        (["plan", DEMO, "--days", "--confidence", "95"], ["--confidence", "--days"]),
    ],
)
def test_what_is_missing_is_named_with_what_there_is(argv, named, tmp_path):
    with chdir(tmp_path):
        result = CliRunner(env={"BLEND_STORE": filled_store()}).invoke(main, argv)
    assert result.exit_code in (1, 2) and "Traceback" not in result.stderr
    said = " ".join(result.stderr.split())  # wherever the lines break
    assert [each for each in named if each not in said] == []
    assert not any(tmp_path.iterdir())
