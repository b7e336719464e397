"""Remake every golden screen."""

from tests.golden.runner import HERE, cases, screen
from tests.tools.kept import searches_kept


def remake() -> None:
    with searches_kept():
        made = {name: screen(argv) for name, argv in cases().items()}
    for old in HERE.glob("*.txt"):
        old.unlink()
    for name, text in made.items():
        (HERE / f"{name}.txt").write_text(text)


if __name__ == "__main__":
    remake()
