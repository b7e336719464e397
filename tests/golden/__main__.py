"""Remake every golden screen."""

from tests.golden.runner import HERE, cases, screen


def remake() -> None:
    for old in HERE.glob("*.txt"):
        old.unlink()
    for name, argv in cases().items():
        (HERE / f"{name}.txt").write_text(screen(argv))


if __name__ == "__main__":
    remake()
