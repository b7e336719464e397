"""Full disks, forbidden places, impossible names: one line says so, and nothing is left behind.

Every command that writes is run as a program of its own.
"""

from __future__ import annotations

import os
import resource
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from blend.domain.market import Additions
from blend.errors import FileTrouble
from blend.files import check_place, filling
from blend.store import Store
from blend.tables.write import write_csv, write_plain_workbook, write_text
from tests.attack import killing
from tests.attack.killing import ADDING, REPLACING
from tests.store.heard import MONDAY, NINETIES, entry
from tests.tables.plain_tables import sound, write_folder

ROOT = Path(__file__).parents[2]
IS_ROOT = hasattr(os, "getuid") and os.getuid() == 0
NOBODY = 65534
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="limits and rights are those of POSIX"),
]
BLEND = "import sys; sys.argv[0] = 'blend'; from blend.cli import main; main()"


@dataclass(frozen=True)
class Writer:
    """A command that writes; {out} is what it writes, the others are what it reads."""

    arguments: str
    out: str
    replaces: bool = True
    """Whether it writes over what is there."""
    also: str = ""
    """A second file written next to it."""

    def run(
        self, plant: Path, out: Path, *, through: Sequence[str] = (), **more
    ) -> subprocess.CompletedProcess[str]:
        """Run it, as an argument of the command `through` where one is given."""
        names = {"out": out, "case": plant / "case", "higher": plant / "higher"}
        names |= {"store": plant / "market.db", "heard": plant / "heard"}
        names |= {"demo": ROOT / "demo_data"}
        arguments = [part.format(**names) for part in self.arguments.split()]
        return subprocess.run(
            [*through, sys.executable, "-c", BLEND, *arguments],
            cwd=plant,
            env={**os.environ, "PYTHONPATH": str(ROOT), "MPLCONFIGDIR": str(plant / "mpl")},
            capture_output=True,
            text=True,
            check=False,
            **more,
        )


FILES = {
    "workbook": Writer("plan {case} --no-break-even --workbook {out}", "plan.xlsx"),
    "picture": Writer("plan {case} --no-break-even --no-workbook --chart {out}", "plan.png"),
    "table": Writer("scenarios {demo} --csv {out}", "table.csv"),
    "draft": Writer(
        f"note --day {MONDAY} --out {{out}} --store {{store}}", "note.md", also="note-sources.md"
    ),
    "page": Writer(
        f"note --day {MONDAY} --out {{out}} --store {{store}}",
        "note.html",
        also="note-sources.html",
    ),
    "export workbook": Writer("canvass export {out} --store {store}", "plant.xlsx", replaces=False),
}
FOLDERS = {
    "new": Writer("new {out} --csv", "new", replaces=False),
    "export": Writer("canvass export {out} --store {store}", "plant", replaces=False),
    "counterfactual": Writer(
        "why {case} {higher} --where lot=cow90 --undo own-price --write {out}",
        "other",
        replaces=False,
    ),
}
STORES = {
    "import": Writer("canvass import {heard} --store {out}", "market.db"),
    "canvass": Writer(
        "canvass add --item F90 --kind bid --yes --price 300 --source x --company-type packer "
        f"--day {MONDAY} --store {{out}}",
        "market.db",
    ),
    "publish": Writer(
        f"quote --day {MONDAY} --all --publish --assessor me --store {{out}}", "market.db"
    ),
}


WRITERS = FILES | FOLDERS
every_writer = pytest.mark.parametrize("writer", WRITERS.values(), ids=WRITERS)
every_store = pytest.mark.parametrize("writer", STORES.values(), ids=STORES)


@pytest.fixture(scope="module")
def plant() -> Iterator[Path]:
    """Cases and a store that any user may read."""
    folder = Path(tempfile.mkdtemp(prefix="blend-", dir="/tmp"))
    tables = sound()
    write_folder(folder / "case", tables)
    tables["lots"][0]["price"] = "2.75"
    write_folder(folder / "higher", tables)
    with Store.create(folder / "market.db") as store:
        entries = [entry(f"E{each}", 350 + each, source=f"firm {each}") for each in range(8)]
        store.add(Additions((NINETIES,), tuple(entries)))
    killing.export_folder(folder, 1)
    (folder / "heard-1").rename(folder / "heard")
    (folder / "heard" / "published.csv").unlink()
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o777)
    yield folder
    shutil.rmtree(folder)


@pytest.fixture
def place(plant) -> Iterator[Path]:
    """A folder of its own for what is written, for any user."""
    folder = Path(tempfile.mkdtemp(prefix="out", dir=plant))
    folder.chmod(0o777)
    yield folder
    folder.chmod(0o777)


@pytest.fixture
def full_disk() -> Iterator[Path]:
    """A small file system of its own."""
    folder = Path(tempfile.mkdtemp(prefix="blend-full-", dir="/tmp"))
    mount = ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", folder]
    if not IS_ROOT or shutil.which("mount") is None:
        pytest.skip("only root may make a disk to fill")
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("no disk can be made here")
    yield folder
    subprocess.run(["umount", folder], check=True)
    folder.rmdir()


def fill(disk: Path) -> None:
    with (disk / "ballast").open("wb", buffering=0) as ballast:
        try:
            while True:
                ballast.write(b"\0" * 4096)
        except OSError:
            return


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else b"folder"
        for path in folder.rglob("*")
        if path.name != "ballast"
    }


def check_reported(done: subprocess.CompletedProcess[str], out: Path, *reasons: str) -> None:
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr, done.stderr
    last = [line for line in done.stderr.splitlines() if not line.startswith("warning")][-1]
    assert last.startswith(f"{out}"), done.stderr
    assert any(reason in last for reason in reasons), last


def put_old(writer: Writer, out: Path, plant: Path) -> None:
    if writer.out.endswith(".db"):
        shutil.copy(plant / "market.db", out)
    elif writer.replaces:
        out.write_text("old")


@every_writer
def test_every_writer_writes_where_it_may(writer, plant, place):
    """Else the tests below would show nothing."""
    out = place / writer.out
    put_old(writer, out, plant)
    done = writer.run(plant, out)
    assert done.returncode == 0, done.stderr
    assert out.exists() and (out.is_dir() or out.read_bytes() != b"old")
    assert {path.name for path in place.iterdir()} == {writer.out, writer.also} - {""}


# Full disks --------------------------------------------------------------------------------------


@every_writer
def test_a_full_disk_is_reported_and_leaves_all_as_it_was(writer, plant, full_disk):
    out = full_disk / writer.out
    put_old(writer, out, plant)
    fill(full_disk)
    before = contents(full_disk)
    check_reported(writer.run(plant, out), out, "No space left on device")
    assert contents(full_disk) == before


@every_store
def test_a_full_disk_leaves_the_store_as_it_was(writer, plant, full_disk):
    out = full_disk / writer.out
    put_old(writer, out, plant)
    with Store.open(out) as store:
        before = store.counts()
    fill(full_disk)
    check_reported(writer.run(plant, out), out, "is full")
    (full_disk / "ballast").unlink()
    with Store.open(out) as store:
        assert store.counts() == before
    assert writer.run(plant, out).returncode == 0


def test_a_store_begun_on_a_full_disk_is_made_later(plant, full_disk):
    out = full_disk / "new.db"
    fill(full_disk)
    make = Writer("canvass import {heard} --store {out}", "new.db")
    check_reported(make.run(plant, out), out, "is full", "unable to open")
    (full_disk / "ballast").unlink()
    show = Writer("canvass show --store {out}", "new.db")
    check_reported(show.run(plant, out), out, "blend canvass import makes one")
    assert make.run(plant, out).returncode == 0


LIMITED = {name: FILES[name] for name in ("workbook", "picture", "table")} | {
    name: FOLDERS[name] for name in ("new", "counterfactual")
}


@pytest.mark.parametrize("writer", LIMITED.values(), ids=LIMITED)
def test_a_size_limit_is_reported_and_leaves_all_as_it_was(writer, plant, place):
    out = place / writer.out
    put_old(writer, out, plant)
    before = contents(place)

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))

    check_reported(writer.run(plant, out, preexec_fn=limit), out, "File too large")
    assert contents(place) == before


@pytest.mark.parametrize("deed", [*REPLACING, *ADDING], ids=lambda deed: deed.__name__)
def test_a_disk_that_fills_at_any_byte_leaves_all_as_it_was(deed, tmp_path):
    """Files are written in this process; the limit is taken back."""
    whole, tmp_path = tmp_path / "whole", tmp_path / "tried"
    for folder in (whole, tmp_path):
        folder.mkdir()
    deed(whole, 3)
    largest = max(path.stat().st_size for path in whole.rglob("*") if path.is_file())
    deed(tmp_path, 2)
    before = contents(tmp_path)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    failed = 0
    for part in (0, 0.01, 0.3, 0.7, 0.99):
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(part * largest), hard))
        try:
            deed(tmp_path, 3)
        except FileTrouble as trouble:
            failed += 1
            assert str(trouble).startswith(str(tmp_path)) and "unfinished" not in str(trouble)
            assert "File too large" in str(trouble)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert contents(tmp_path) == before
    assert failed == 5


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="there is no /dev/full")
@pytest.mark.parametrize("streams", ["stdout", "stderr", "both"])
def test_a_stream_that_takes_nothing_ends_the_command_in_one_line(plant, streams):
    with open("/dev/full", "w") as full:
        out = {"stdout": full} if streams != "stderr" else {"stdout": subprocess.PIPE}
        err = {"stderr": full} if streams != "stdout" else {"stderr": subprocess.PIPE}
        done = subprocess.run(
            [sys.executable, "-c", BLEND, "check", ROOT / "demo_data"],
            cwd=ROOT, text=True, check=False, **out, **err)  # fmt: skip
    assert done.returncode == 1
    if streams == "stdout":
        assert done.stderr.splitlines()[-1] == "standard output: No space left on device"
        assert "Traceback" not in done.stderr


def shell(script: str, plant: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """A script run in the plant's folder, where `$BLEND` is the command."""
    blend = f"{sys.executable} -c '{BLEND.replace(chr(39), chr(34))}'"
    return subprocess.run(
        ["sh", "-c", script.replace("$BLEND", blend), "sh", *arguments],
        cwd=plant,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("closing", ["<&-", ">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_closed_streams_stop_no_work(plant, place, closing):
    out = place / "plan.xlsx"
    done = shell(f'$BLEND plan case --no-break-even --workbook "$1" {closing}', plant, out)
    assert done.returncode == 0 and "Traceback" not in done.stderr
    assert out.read_bytes()[:2] == b"PK"


def test_a_reader_that_goes_away_gets_no_traceback(plant):
    done = shell("$BLEND plan case --no-workbook | head -1", plant)
    assert len(done.stdout.splitlines()) == 1
    assert "Traceback" not in done.stderr and "Broken pipe" not in done.stderr


# Rights ------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def as_another() -> Sequence[str]:
    """Root may write anywhere, so another user tries."""
    if not IS_ROOT:
        return ()
    through = ("setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups")
    probe = [*through, sys.executable, "-c", "import blend.cli, highspy"]
    if shutil.which("setpriv") is None or subprocess.run(probe, cwd=ROOT, check=False).returncode:
        pytest.skip("no other user may run Python here")
    return through


@every_writer
def test_a_read_only_folder_is_reported(writer, plant, place, as_another):
    out = place / writer.out
    put_old(writer, out, plant)
    place.chmod(0o555)
    before = contents(place)
    done = writer.run(plant, out, through=as_another)
    check_reported(done, out, "may not be written to", "Permission denied", "read-only")
    assert contents(place) == before


@pytest.mark.parametrize("writer", [w for w in FILES.values() if w.replaces],
                         ids=[name for name, w in FILES.items() if w.replaces])  # fmt: skip
def test_a_read_only_file_is_not_replaced(writer, plant, place, as_another):
    out = place / writer.out
    put_old(writer, out, plant)
    out.chmod(0o444)
    check_reported(writer.run(plant, out, through=as_another), out, "is read-only")
    assert out.read_text() == "old"
    assert [path.name for path in place.iterdir()] == [writer.out]


@every_store
def test_a_read_only_store_is_reported(writer, plant, place, as_another):
    out = place / writer.out
    put_old(writer, out, plant)
    out.chmod(0o444)
    place.chmod(0o555)
    reasons = "you may not write there", "is read-only"
    check_reported(writer.run(plant, out, through=as_another), out, *reasons)
    check_reported(
        Writer("canvass import {heard} --store {out}", "x.db").run(
            plant, place / "x.db", through=as_another
        ),
        place / "x.db",
        "may not be written to",
    )
    assert [path.name for path in place.iterdir()] == ["market.db"]


def test_rights_of_a_file_stay_as_they_were(tmp_path):
    path = tmp_path / "plan.csv"
    write_csv(path, ["a"], [])
    path.chmod(0o640)
    write_csv(path, ["a"], [[1]])
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    with filling(tmp_path) as place:
        write_csv(place / "plan.csv", ["a"], [[2]])
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


# Places and names --------------------------------------------------------------------------------


@pytest.mark.parametrize("writer", FILES.values(), ids=FILES)
def test_an_impossible_path_is_reported_before_any_work(writer, plant, place):
    ending = Path(writer.out).suffix
    (place / f"folder{ending}").mkdir()
    (place / f"device{ending}").symlink_to("/dev/null")
    wrong = {
        f"folder{ending}": ("is a folder, where a file is wanted", "is a directory"),
        f"nowhere/out{ending}": ("there is no folder",),
        f"device{ending}": ("is no plain file",),
        "x" * 256 + ending: ("File name too long",),
    }
    before = contents(place)
    for name, reasons in wrong.items():
        done = writer.run(plant, place / name)
        assert done.returncode in (1, 2) and "Traceback" not in done.stderr
        assert name in done.stderr and any(reason in done.stderr for reason in reasons)
    assert contents(place) == before
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_a_link_stays_and_what_it_leads_to_is_replaced(tmp_path):
    (tmp_path / "shared").mkdir()
    real, link = tmp_path / "shared" / "plan.csv", tmp_path / "plan.csv"
    real.write_text("old")
    link.symlink_to(real)
    write_csv(link, ["a"], [])
    assert link.is_symlink() and real.read_text("utf-8-sig").strip() == "a"
    assert {path.name for path in tmp_path.rglob("*")} == {"shared", "plan.csv"}


@pytest.mark.parametrize("length", [230, 240, 250, 255])
def test_the_longest_names_are_written(tmp_path, length):
    for letter in ("a", "é"):
        name = (letter * 255).encode()[: length - 4].decode("utf-8", "ignore") + ".csv"
        write_csv(tmp_path / name, ["a"], [])
        assert [path.name for path in tmp_path.iterdir()] == [name]
        (tmp_path / name).unlink()


def test_a_name_with_a_nul_is_reported(tmp_path):
    bad = tmp_path / "a\0b.csv"
    attempts = [
        lambda: write_csv(bad, ["a"], []),
        lambda: write_text(bad, "x"),
        lambda: write_plain_workbook(bad, {"a": (["a"], [])}),
        lambda: check_place(bad),
        lambda: killing.write_tables_over(bad, 1),
        lambda: killing.export_folder(bad, 1),
        lambda: Store.create(bad),
        lambda: Store.create(str(bad)),
        lambda: Store.open(bad),
    ]
    for attempt in attempts:
        with pytest.raises(FileTrouble, match=r"a\0b"):
            attempt()
    assert list(tmp_path.iterdir()) == []


def test_a_file_where_a_folder_should_be_is_reported(tmp_path):
    (tmp_path / "case").write_text("mine")
    for folder in (tmp_path / "case", tmp_path / "case" / "within"):
        with pytest.raises(FileTrouble, match="case"), filling(folder):
            pass
    assert contents(tmp_path) == {"case": b"mine"}


def test_folders_made_on_the_way_go_again_when_writing_fails(tmp_path):
    with pytest.raises(RuntimeError), filling(tmp_path / "a" / "b" / "c") as place:
        write_csv(place / "lots.csv", ["a"], [])
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []
    with filling(tmp_path / "a" / "b" / "c") as place:
        write_csv(place / "lots.csv", ["a"], [])
    assert list(contents(tmp_path)) == ["a", "a/b", "a/b/c", "a/b/c/lots.csv"]
