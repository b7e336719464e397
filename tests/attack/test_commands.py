"""Commands given odd or malformed tables: an answer or words, no traceback, nothing left behind."""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

import pytest
from click.testing import CliRunner, Result

from blend.cli import main
from tests.attack.mutations import GENTLE, malformed, mutated_grid, write_csvs, write_files
from tests.attack.small import beside_grids, history_grids, market_grids, small_grids
from tests.attack.targets import Grid, Target, files_of, within

QUICK, EVERY, BLOCK = 40, 640, 80
LONGEST_S = 60.0
EXIT_CODES = {0, 1, 2, 3}
"""As in `blend --help`."""

CASE = ("lots", "products", "rules", "losses", "settings")


@dataclass(frozen=True)
class Asked:
    """A command line, and the tables that matter to it. `{in}` is the folder that is read,
    `{out}` one to write into, `{sound}` a sound folder of the same tables."""

    words: str
    attacked: tuple[str, ...]
    grids: Callable[[], Mapping[str, Grid]] = small_grids
    before: str = ""
    """A command on sound tables that must have run."""


def market_with_moves() -> dict[str, Grid]:
    return market_grids() | {"market_moves": beside_grids()["market_moves"]}


def history_with_method() -> dict[str, Grid]:
    return history_grids() | {"quotation_method": beside_grids()["quotation_method"]}


_MARKET = cache(market_with_moves)
_HISTORY = cache(history_with_method)
_STORE = "--store {out}/market.db"
_FILLED = f"canvass import {{sound}} {_STORE}"
_DAY = "--day 2025-09-29"

ASKED = (
    Asked("check {in}", CASE),
    Asked("plan {in} --no-break-even --workbook {out}/plan.xlsx", CASE),
    Asked("plan {in} --no-workbook --containers no", CASE),
    Asked(
        "plan {in} --no-workbook --no-break-even --lean estimated --containers no",
        ("tests", "lots"),
    ),
    Asked("lean {in} --csv {out}/lean.csv", ("tests", "lots")),
    Asked("control {in}", ("batch_tests", "products")),
    Asked("plan {in} --temps --no-workbook", ("temperatures", "lots")),
    Asked(
        "plan {in} --no-workbook --confidence table --containers no --time-limit 2",
        ("confidence", "lean_spread", "lots"),
    ),
    Asked(
        "simulate {in} --draws 100 --containers no --time-limit 2", ("confidence", "lean_spread")
    ),
    Asked(
        "adjust {in} --product GB80 --pounds 3000 --fat 22 --lot B90-1 --lot B50-1",
        ("lots", "products", "lean_spread", "confidence", "losses"),
    ),
    Asked("value {in}", ("quotations",)),
    Asked("substitute {in}", ("lots", "losses")),
    Asked("substitute {in} --quotations", ("quotations",)),
    Asked("breakeven {in} B90-1", CASE),
    Asked("breakeven {in} B90-1 --by-pounds", CASE),
    Asked("breakeven {in} B90-1 --second B50-2", CASE),
    Asked(
        "plan {in} --days --containers no --csv {out}/ledger.csv --table ledger",
        ("orders", "forward_offers", "coolers", "lots", "settings"),
    ),
    Asked("landed {in}", ("foreign_offers",)),
    Asked("scenarios {in} --draws 3 --csv {out}/draws.csv", ("scenarios", "foreign_offers", *CASE)),
    Asked("why {sound} {in} --where lot=B90-1", CASE),
    Asked("why {in} --market", (*CASE, "product_demand"), _MARKET),
    Asked("why {in} --market --move {in}/market_moves.csv", ("market_moves",), _MARKET),
    Asked("why {sound} {in} --where lot=90s", ("lots", "product_demand"), _MARKET),
    Asked(f"canvass import {{in}} {_STORE}", ("items", "canvass", "volumes"), _HISTORY),
    Asked(
        f"quote {_DAY} --all --evidence --method-file {{in}}/quotation_method.csv {_STORE}",
        ("quotation_method",),
        _HISTORY,
        _FILLED,
    ),
    Asked(
        f"quote {_DAY} --trend --method-file {{in}}/quotation_method.csv {_STORE}",
        ("quotation_method",),
        _HISTORY,
        _FILLED,
    ),
)


def run(words: str, folder: Path) -> Result:
    places = {name: folder / name for name in ("in", "out", "sound")}
    return CliRunner().invoke(main, words.format(**places).split())


def _prepared(asked: Asked, random: Random, folder: Path) -> None:
    grids = dict(asked.grids())
    write_csvs(grids, folder / "sound")
    (folder / "out").mkdir()
    if random.random() < 0.75:
        # Changes so small that many are read, and go on into the work itself.
        table = random.choice(asked.attacked)
        grids[table] = mutated_grid(random, grids[table], 2, GENTLE)
        write_csvs(grids, folder / "in")
    else:
        target = Target(asked.words, grids, asked.attacked, read=run, csv_only=True)
        write_files(malformed(random, target), folder / "in")
    if asked.before:
        made = run(asked.before, folder)
        assert made.exit_code == 0, made.output


def code_of(seed: int) -> int:
    random = Random(seed)
    asked = ASKED[seed % len(ASKED)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _prepared(asked, random, folder)
        before = files_of(folder)
        try:
            with within(LONGEST_S):
                result = run(asked.words, folder)
            _check(result, before, files_of(folder))
        except BaseException as error:
            error.add_note(f"command {seed}, {asked.words}: code_of({seed})")
            raise
    return result.exit_code


def _check(result: Result, before: Mapping[str, bytes], after: Mapping[str, bytes]) -> None:
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code in EXIT_CODES
    assert "Traceback" not in result.output
    if result.exit_code:
        assert result.stderr.strip(), "refused without a message"
        assert _but_store(after) == _but_store(before), "something was written"
        return
    new = after.keys() - before.keys()
    assert not [name for name in new if name.split("/")[-1].startswith(".")], new
    assert {name: after[name] for name in _but_store(before)} == _but_store(before)


def _but_store(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Without the store, whose file a refused import may touch and not change in content."""
    return {name: data for name, data in files.items() if not name.startswith("out/market.db")}


@pytest.mark.slow
@pytest.mark.parametrize("asked", ASKED, ids=lambda asked: asked.words)
def test_sound_tables_are_answered(asked: Asked, tmp_path: Path):
    _prepared(asked, Random(0), tmp_path)
    for path in (tmp_path / "in").iterdir():
        path.unlink()
    for path in (tmp_path / "sound").iterdir():
        (tmp_path / "in" / path.name).write_bytes(path.read_bytes())
    result = run(asked.words, tmp_path)
    assert result.exit_code == 0, result.output


@pytest.mark.slow
def test_commands_answer_or_say_why_not():
    codes = Counter(code_of(seed) for seed in range(QUICK))
    assert codes[0] > QUICK / 10 and codes[2] > QUICK / 10, codes


def test_a_market_without_the_item_is_refused(tmp_path: Path):
    grids = market_grids()
    write_csvs(grids, tmp_path / "sound")
    place = grids["lots"][0].index("lot_id")
    lots = [row for row in grids["lots"] if row[place] != "90s"]
    write_csvs(grids | {"lots": lots}, tmp_path / "in")
    result = run("why {sound} {in} --where lot=90s", tmp_path)
    assert result.exit_code == 2
    assert "no lot 90s in the market after" in result.stderr


@pytest.mark.long
@pytest.mark.parametrize("first", range(QUICK, EVERY, BLOCK))
def test_hundreds_of_commands_answer_or_say_why_not(first: int):
    for seed in range(first, min(first + BLOCK, EVERY)):
        code_of(seed)
