"""Frames as a web page to print, one sheet of paper or more for each of them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

from blend.files import write_bytes
from blend.output.formats import format_of
from blend.output.frames import DataFrame

TICK = "\N{BALLOT BOX}"


@dataclass(frozen=True)
class Page:
    """One sheet. `notes` are above its tables, `confirm` points to tick off below."""

    name: str
    title: str
    notes: tuple[str, ...]
    tables: tuple[tuple[str, DataFrame], ...]
    """Title and frame."""
    confirm: tuple[str, ...] = ()


def write_pages(
    pages: Sequence[Page], stamp: str, path: Path, *, title: str, to_fill_in: Collection[str] = ()
) -> None:
    """Write the page, whole or not at all. Columns of `to_fill_in` are boxes to write in."""
    from jinja2 import Environment

    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    page = environment.from_string(_TEMPLATE).render(
        pages=pages, stamp=stamp, title=title, format_of=format_of, blanks=to_fill_in, tick=TICK
    )
    write_bytes(path, page.encode())


_TEMPLATE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>{{ title }}</title>
<style>
@page { size: letter landscape; margin: 0.5in; }
body { font: 10pt Arial, sans-serif; margin: 0.5in; }
@media print { body { margin: 0; } }
section + section { break-before: page; margin-top: 2em; }
h1 { font-size: 16pt; margin: 0; }
h2 { font-size: 11pt; margin: 1em 0 0.3em; }
.stamp { color: #555; font-size: 8pt; margin: 0.2em 0 0.8em; }
table { border-collapse: collapse; width: 100%; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th { background: #e9edf1; text-align: left; vertical-align: top; }
th, td { border-bottom: 1px solid #8a949e; padding: 3px 5px; }
td.lot_id, td.use_by { white-space: nowrap; }
td.right, th.right { text-align: right; }
td.blank { border: 1px solid #8a949e; height: 22px; min-width: 48px; }
td.supplier_lot { min-width: 110px; }
</style>
</head>
<body>
{% for page in pages %}
<section>
<h1>{{ page.title }}</h1>
<p class="stamp">{{ stamp }}</p>
{% for note in page.notes %}
<p><b>{{ note }}</b></p>
{% endfor %}
{% for heading, frame in page.tables %}
{% if heading %}<h2>{{ heading }}</h2>{% endif %}

<table>
<thead><tr>
{% for name in frame.columns %}
<th class="{{ format_of(name).align if name not in blanks }}">{{ format_of(name).title }}</th>
{% endfor %}
</tr></thead>
{% for row in frame.itertuples(index=False, name=None) %}
<tr>
{% for name in frame.columns %}
{% set blank = name in blanks %}
<td class="{{ name }} {{ 'blank' if blank else format_of(name).align }}">
{{- format_of(name).text(row[loop.index0]) }}</td>
{% endfor %}
</tr>
{% endfor %}
</table>
{% endfor %}
{% for text in page.confirm %}
<p>{{ tick }} {{ text }}</p>
{% endfor %}
</section>
{% endfor %}
</body>
</html>
"""
