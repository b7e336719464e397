"""The pages of `blend guide`: text files of the package, and two made from its tables."""

from __future__ import annotations

import re
import textwrap
from importlib.resources import files

import click

from blend.cli.answers import examples
from blend.errors import did_you_mean

COMPUTED = {
    "columns": "What each column of each table holds",
    "standards": "Label standards, and when each was last read",
}


def pages() -> dict[str, str]:
    """Every topic with its title, in reading order."""
    texts = {
        each.name.removesuffix(".md"): each.read_text("utf-8").splitlines()[0].removeprefix("# ")
        for each in files("blend.guide").iterdir()
        if each.name.endswith(".md")
    }
    return dict(sorted((texts | COMPUTED).items()))


def page(topic: str, table: str | None = None) -> str:
    """The text of a topic; `table` narrows `columns` to one table."""
    if topic == "columns":
        from blend.tables.guide import columns_text

        return columns_text(table)
    if topic == "standards":
        from blend.tables.guide import standards_text

        return standards_text()
    return files("blend.guide").joinpath(f"{topic}.md").read_text("utf-8")


@click.command(epilog=examples("blend guide terms", "blend guide columns lots"))
@click.argument("topic", required=False)
@click.argument("table", required=False)
def guide(topic: str | None, table: str | None) -> None:
    """Read the guide: terms, columns, method, certificate, cautions, one page per job.

    Without a topic, lists them.
    """
    topics = pages()
    if topic is None:
        width = max(map(len, topics))
        lines = [f"  {name:<{width}}  {title}" for name, title in topics.items()]
        click.echo("\n".join(["blend guide TOPIC", "", *lines]))
        return
    if topic not in topics:
        hint = did_you_mean(topic, topics) or f"Topics: {', '.join(topics)}."
        raise click.BadParameter(f"no topic {topic!r}. {hint}", param_hint="TOPIC")
    text = page(topic, table)
    click.echo_via_pager(text if topic in COMPUTED else _for_terminal(text))


def _for_terminal(markdown: str) -> str:
    """A page of the guide wrapped to the terminal, its headings bold, its examples indented."""
    from blend.output.screen import strong, wrapped

    lines: list[str] = []
    for place, part in enumerate(re.split(r"^```.*\n", markdown, flags=re.MULTILINE)):
        if place % 2:  # between fences
            lines += [textwrap.indent(part.rstrip(), "    "), ""]
            continue
        for block in filter(str.strip, part.split("\n\n")):
            block = block.strip("\n")
            if block.startswith("    "):
                text = block
            elif block.startswith("#"):
                text = strong(block.lstrip("# "))
            elif block.startswith("- "):
                items = re.split(r"\n(?=- )", block)
                text = "\n".join(wrapped(" ".join(each.split()), "  ") for each in items)
            else:
                text = wrapped(" ".join(block.split()))
            lines += [
                re.sub(r"\*\*(.+?)\*\*", lambda found: strong(found[1]), text, flags=re.S),
                "",
            ]
    return "\n".join(lines)
