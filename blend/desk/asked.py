"""What an address asks for, after its `?`: read strictly, and refused in words."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date
from urllib.parse import urlencode

from starlette.requests import Request

from blend.errors import InputRefused, Problem, did_you_mean
from blend.output.formats import number, printable

ADDRESS = "address"
"""The `file` of problems with an address."""
_MAX_CHARACTERS = 60
_MAX_NAMED = 12


def refused(name: str, read: str, allowed: str, hint: str = "") -> InputRefused:
    read = printable(read)[:_MAX_CHARACTERS]
    return InputRefused([Problem(ADDRESS, None, name, read, allowed, hint)])


def asked_text(request: Request, name: str, default: str = "") -> str:
    """Blank counts as not asked."""
    return request.query_params.get(name, "").strip() or default


def asked_choice(request: Request, name: str, choices: Iterable[str], default: str) -> str:
    asked, known = asked_text(request, name, default), list(choices)
    if asked not in known:
        more = ", ..." if len(known) > _MAX_NAMED else ""
        allowed = f"one of {', '.join(known[:_MAX_NAMED])}{more}"
        raise refused(name, asked, allowed, did_you_mean(asked[:_MAX_CHARACTERS], known))
    return asked


def asked_flag(request: Request, name: str) -> bool:
    return asked_choice(request, name, ("yes", "no"), "no") == "yes"


def asked_number(
    request: Request,
    name: str,
    default: float | None,
    *,
    maximum: float,
    minimum: float = 0.0,
    above: bool = False,
) -> float | None:
    """A finite number from `least` (or `above` it) to `most`."""
    asked = asked_text(request, name)
    if not asked:
        return default
    lowest = f"{'above' if above else 'from'} {number(minimum)}"
    allowed = f"a number {lowest} to {number(maximum)}"
    try:
        read = float(asked)
    except ValueError:
        raise refused(name, asked, allowed) from None
    is_low = read <= minimum if above else read < minimum
    if not math.isfinite(read) or is_low or read > maximum:
        raise refused(name, asked, allowed)
    return read


def asked_count(request: Request, name: str, default: int, *, maximum: int) -> int:
    asked = asked_text(request, name, str(default))
    if not (asked.isascii() and asked.isdecimal() and len(asked) <= 18 and int(asked) <= maximum):
        raise refused(name, asked, f"a whole number from 0 to {maximum:,}")
    return int(asked)


def asked_day(request: Request, name: str) -> date | None:
    asked = asked_text(request, name)
    try:
        return date.fromisoformat(asked) if asked else None
    except ValueError:
        raise refused(name, asked, "a day as YYYY-MM-DD") from None


def address(path: str, request: Request, **query: str | int | None) -> str:
    """A path with the query of this page, and other values where they are given; None or blank
    leaves one out."""
    merged = dict(request.query_params) | query
    kept = {name: text for name, text in merged.items() if text not in (None, "")}
    return f"{path}?{urlencode(kept)}" if kept else path
