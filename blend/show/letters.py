"""How wide texts are in Arial, so that rows are as high as their text needs and no higher.

Advance widths in thousandths of the size, of Liberation Sans, whose letters are as wide as
Arial's (metric-compatible by design; read from its hmtx tables).
"""

from __future__ import annotations

from unicodedata import east_asian_width

_REGULAR = {
    191: "'",
    222: "ijl",
    260: "|",
    278: " !,./:;I[\\]ft",
    333: "()-`r",
    334: "{}",
    355: '"',
    389: "*",
    400: "°",
    469: "^",
    500: "Jcksvxyz",
    556: "#$0123456789?L_abdeghnopqu",
    584: "+<=>~",
    611: "FTZ",
    667: "&ABEKPSVXY",
    722: "CDHNRUw",
    778: "GOQ",
    833: "Mm",
    889: "%",
    944: "W",
    1015: "@",
}
_BOLD = {
    238: "'",
    278: " ,./I\\ijl",
    280: "|",
    333: "!()-:;[]`ft",
    389: "*r{}",
    400: "°",
    474: '"',
    500: "z",
    556: "#$0123456789J_aceksvxy",
    584: "+<=>^~",
    611: "?FLTZbdghnopqu",
    667: "EPSVXY",
    722: "&ABCDHKNRU",
    778: "GOQw",
    833: "M",
    889: "%m",
    944: "W",
    975: "@",
}
_WIDTH_OF = {
    is_bold: {letter: width for width, letters in table.items() for letter in letters}
    for is_bold, table in ((False, _REGULAR), (True, _BOLD))
}
_OTHER, _OTHER_WIDE = 667, 1000
"""Of letters not listed: those of East Asian scripts fill a square."""


def width_pt(text: str, size_pt: float, *, is_bold: bool = False) -> float:
    """Width of a text on one line, in points."""
    widths = _WIDTH_OF[is_bold]
    thousandths = sum(widths.get(letter) or _other(letter) for letter in text)
    return thousandths * size_pt / 1000


def line_count(text: str, room_pt: float, size_pt: float, *, is_bold: bool = False) -> int:
    """Lines that a text takes when it is wrapped between words into `room_pt` points.

    A word that is wider than the room goes on a line of its own and is cut as often as needed.
    """
    space_pt = width_pt(" ", size_pt, is_bold=is_bold)
    lines, used_pt = 1, 0.0
    for word in text.split():
        word_pt = width_pt(word, size_pt, is_bold=is_bold)
        before_pt = space_pt if used_pt else 0.0
        if used_pt + before_pt + word_pt <= room_pt:
            used_pt += before_pt + word_pt
            continue
        cuts, last_pt = divmod(word_pt, room_pt)
        lines += int(cuts) + (used_pt > 0)
        used_pt = last_pt
    return lines


def _other(letter: str) -> int:
    return _OTHER_WIDE if east_asian_width(letter) in "WF" else _OTHER
