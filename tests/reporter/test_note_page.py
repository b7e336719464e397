"""The note's draft and page: figures are looked up, words are kept, nothing comes from outside."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from html import unescape
from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.output.formats import printable
from blend.reporter.claims import Facts, ItemFacts
from blend.reporter.marked import literal, to_html
from blend.reporter.note import (
    Figure,
    Form,
    Grid,
    Note,
    Paragraph,
    Picture,
    Section,
    Source,
    Unit,
    caution,
    sentence,
)
from blend.reporter.note_page import draft_of, page_of, sources_page, sources_text
from blend.reporter.signing import confirmed, to_confirm

DAY = date(2026, 11, 25)
CANVASS = Source("canvass", ("E-1", "E-2"), "weighted median")
PRICE = Figure("90s.price", 352.25, Unit.USD_PER_CWT, CANVASS)
MOVE = Figure("90s.on week", 3.25, Unit.USD_PER_CWT_MOVE, Source("figures", ("90s.price",), "less"))
SPARE = Figure("90s.count", 2, Unit.COUNT, CANVASS)
SVG = b'<svg xmlns="http://www.w3.org/2000/svg"/>'


def made(price=PRICE, words=" were quoted at "):
    blocks = (
        Paragraph((sentence("90s", words, price, ", ", MOVE, " on the week."),)),
        Grid(("Item", "USD per cwt"), (("90s", price), ("50s", None)), frozenset({1})),
        Picture("prices", "Prices of the year"),
    )
    return Note(DAY, "Boneless beef", (Section("Quotations", blocks),), (SPARE,))


class Tags(HTMLParser):
    """Tags, and texts by the tag that holds them."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.attributes, self.marked, self._open = [], [], [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag == "mark":
            self._open.append(tag)

    def handle_endtag(self, tag):
        if tag == "mark":
            self._open.pop()

    def handle_data(self, data):
        if self._open:
            self.marked.append(data)


# Figures -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "unit", "in_words", "as_compared", "in_a_table"),
    [
        (342.5, Unit.USD_PER_CWT, "$342.50", "$342.50", "342.50"),
        (1342.5, Unit.USD_PER_CWT, "$1,342.50", "$1,342.50", "1,342.50"),
        (3.25, Unit.USD_PER_CWT_MOVE, "up $3.25", "$3.25 higher", "+3.25"),
        (-3.25, Unit.USD_PER_CWT_MOVE, "down $3.25", "$3.25 lower", "−3.25"),
        (-0.001, Unit.USD_PER_CWT_MOVE, "unchanged", "unchanged", "0.00"),
        (0.1234, Unit.SHARE, "12.3%", "12.3%", "12.3%"),
        (-0.1, Unit.SHARE_MOVE, "down 10%", "10% lower", "−10%"),
        (0.0, Unit.SHARE_MOVE, "unchanged", "unchanged", "0%"),
        (41_999.7, Unit.POUNDS, "42,000 lb", "42,000 lb", "42,000 lb"),
        (1200, Unit.COUNT, "1,200", "1,200", "1,200"),
        (DAY, Unit.DAY, "Nov 25, 2026", "Nov 25, 2026", "Nov 25"),
        ("firm", Unit.WORD, "firm", "firm", "firm"),
    ],
)
def test_figures_as_written(value, unit, in_words, as_compared, in_a_table):
    figure = Figure("x", value, unit, CANVASS)
    assert [figure.text_as(form) for form in Form] == [in_words, as_compared, in_a_table]


# The draft and its page --------------------------------------------------------------------------


def test_a_draft_as_made_agrees_with_the_store():
    page = page_of(made(), {"prices": SVG})
    assert page.problems == ()
    assert "<td>90s</td>" in page.html
    assert "up $3.25" in page.html
    assert "$352.25" in page.html
    assert 'src="data:image/svg+xml;base64,' in page.html


def test_every_figure_printed_leads_to_its_source():
    page = page_of(made(), {"prices": SVG}, sources="note-sources.html")
    sources = sources_page(made())
    links = {value for name, value in Tags(page.html).attributes if name == "href"}
    ids = {value for name, value in Tags(sources).attributes if name == "id"}
    own = {link.partition("#")[2] for link in links} - {""}
    assert own == {"90s.price", "90s.on+week"} and own <= ids
    assert all(link.startswith("note-sources.html") for link in links)
    assert "canvass: E-1, E-2" in sources and "canvass: E-1, E-2" in sources_text(made())


def test_the_words_of_an_edited_draft_are_kept_and_changed_figures_are_marked():
    draft = draft_of(made()).replace("were quoted at", "stood, to everyone's surprise, at")
    now = made(replace(PRICE, value=352.75))
    page = page_of(now, {"prices": SVG}, draft=draft, draft_name="monday.md", signed_by="A. Writer")
    assert "stood, to everyone&#39;s surprise, at" in page.html
    # once in the sentence, once in the table
    assert Tags(page.html).marked == ["$352.25", "$352.25"]
    assert [(each.column, each.value, each.required) for each in page.problems] == [
        ("90s.price", "$352.25", "$352.75, as the store has it now")
    ] * 2
    row = page.problems[0].row
    assert "surprise" in draft.splitlines()[row - 1]
    assert str(page.problems[0]) in unescape(page.html)
    assert "A. Writer" not in page.html
    assert "A. Writer" in page_of(made(), {"prices": SVG}, draft=draft, signed_by="A. Writer").html


def test_a_move_that_changed_its_sign_alone_is_marked():
    turned = replace(MOVE, value=-MOVE.value)
    note = replace(made(), sections=(), spare=(PRICE, turned))
    page = page_of(note, {}, draft=f"[{MOVE.text}](#90s.on+week)\n")
    assert page.problems[0].required.startswith("down $3.25")


def test_a_reporter_may_put_in_what_is_listed_and_nothing_else():
    note = made()
    page = page_of(note, {}, draft="Told by [2](#90s.count).\n\nAnd [3](#90s.guess).\n")
    assert [(each.row, each.column) for each in page.problems] == [(3, "90s.guess")]


def test_a_number_in_own_words_without_a_source_is_told():
    draft = "# Title\n\nOffers near 350.50 for 40,000 lb, some 5% up, of the 90s of week 48.\n"
    page = page_of(made(), {}, draft=draft)
    assert [each.value for each in page.problems] == ["350.50", "40,000", "5%"]
    assert {each.row for each in page.problems} == {3}


def test_an_unknown_picture_is_told():
    page = page_of(made(), {}, draft="![A picture](#other)\n")
    assert page.problems[0].column == "other"
    assert "<img" not in page.html


@given(
    st.lists(
        st.sampled_from(
            ["<script>", "a", "*", "**", "[x](http://x)", "|", "\\", "![y](#", "&", "`"]
        ),
        max_size=8,
    ).map("".join)
)
def test_texts_from_the_store_come_out_as_they_are(text):
    words = f" {text} at "
    page = page_of(made(words=words), {"prices": SVG})
    expected = to_html(literal(words.strip()), pytest.fail, pytest.fail)
    assert str(expected).removeprefix("<p>").removesuffix("</p>") in page.html
    assert "script" not in Tags(page.html).tags
    assert not page.problems


@given(st.text(max_size=60))
def test_literal_text_is_read_back_and_escaped(text):
    html = str(to_html("x" + literal(printable(text)), pytest.fail, pytest.fail))
    assert set(Tags(html).tags) <= {"p"}
    read = HTMLReader(html).text
    assert read == "x" + printable(text).rstrip()


class HTMLReader(HTMLParser):
    def __init__(self, html):
        super().__init__()
        self.text = ""
        self.feed(html)

    def handle_data(self, data):
        self.text += data


@pytest.mark.parametrize(
    "hostile",
    [
        "<script>alert(1)</script>",
        '<img src="http://example.com/x.png">',
        "[click](javascript:alert(1))",
        "![x](http://example.com/x.png)",
        "[x](#90s.price\"onmouseover='alert(1))",
        "| <b>cell</b> |\n|---|\n| </table><script> |",
        "# <i>title</i>",
    ],
)
def test_a_draft_cannot_bring_anything_in(hostile):
    page = page_of(made(), {}, draft=hostile)
    seen = Tags(page.html)
    assert not {"script", "img", "b", "i"} & set(seen.tags)
    assert not [name for name, _ in seen.attributes if name.startswith("on")]
    assert all(value.startswith("#") for name, value in seen.attributes if name in ("href", "src"))


def test_the_little_markdown():
    def put(figure_id, text, line):
        return literal(f"<{figure_id}|{text}|{line}>")

    def html(text):
        return str(to_html(text, lambda i, t, n: _marked(f"{i}|{t}|{n}"), put))

    assert html("# A *b*") == "<h1>A <em>b</em></h1>"
    assert html("a\nb\n\nc") == "<p>a\nb</p>\n<p>c</p>"
    assert html("a\n- b\n  c\n- **d**") == (
        "<p>a</p>\n<ul>\n<li>b\nc</li>\n<li><strong>d</strong></li>\n</ul>"
    )
    assert html("x\n\n- [1](#a+b)") == "<p>x</p>\n<ul>\n<li>{a b|1|3}</li>\n</ul>"
    assert html("| a | b |\n|:--|--:|\n| c \\| d | **[1](#e)** |") == (
        '<table>\n<thead><tr><th>a</th><th class="number">b</th></tr></thead>\n'
        '<tbody><tr><td>c | d</td><td class="number"><strong>{e|1|3}</strong></td></tr></tbody>\n'
        "</table>"
    )


def _marked(text):
    from markupsafe import Markup

    return Markup("{%s}") % text


def test_own_claims_and_cautions_taken_out_are_listed_for_the_signer():
    warned = Paragraph((sentence("Trade was quiet."), caution("Not explained: most of it.")))
    note = Note(DAY, "Beef", (Section("", (warned,)),))
    facts = Facts([ItemFacts("90s", (), 342.5, changes_usd_per_cwt=(1.25,))])
    draft = draft_of(note)
    assert to_confirm(note, facts, draft) == []
    edited = draft.replace(
        "Not explained: most of it.", "90s rose $1.25. 90s fell on tight supply."
    )
    listed = to_confirm(note, facts, edited)
    assert [each.number for each in listed] == [1, 2]
    assert "90s went up" in listed[0].why and "cause" in listed[0].why
    assert listed[1].sentence == "Not explained: most of it."
    assert confirmed(listed, ["all"]) == (listed, [])
    assert confirmed(listed, ["2"]) == (listed[1:], listed[:1])
    with pytest.raises(ValueError, match="1 to 2"):
        confirmed(listed, ["3"])
