"""Linear constraints in LP-format text: read and checked, never executed.

    \\ at most 20,000 lb of imported 90s a day
    imported_90s: take[I90-1] + take[I90-2] <= 20000
    more_cow:     use[B90-1,GB80] - 0.25 finished[GB80] >= 0

The names are those of the model: use[lot,product] in pounds as weighed, take[lot],
finished[product], short[product]. Round brackets and underscores will do too, as in a model file
that blend writes. `Subject To` and `End` lines may stay.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from blend.domain.case import Case
from blend.domain.linear_constraints import LinearConstraint, Pounds, Term
from blend.errors import FileTrouble, InputRefused, Problem, did_you_mean

_MAX_CHARACTERS = 1_000_000
_SECTIONS = re.compile(r"(subject\s+to|such\s+that|st|s\.t\.|end)\s*", re.IGNORECASE)
_LABEL = re.compile(r"\s*([A-Za-z_][^\s:<>=+*]*)\s*:(.*)", re.DOTALL)
_TOKEN = re.compile(
    r"\s*(?:(?P<variable>[A-Za-z_]\w*\s*[\[(][^\])]*[\])])"
    r"|(?P<number>\d{1,3}(?:,\d{3})+(?:\.\d+)?|(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
    r"|(?P<compare><=|>=|=<|=>|=|<|>)"
    r"|(?P<sign>[+-])"
    r"|(?P<times>\*))"
)
_NEEDS_A_SIGN = {("variable", "number"), ("variable", "variable"), ("number", "number")}
"""Neighbors that have a sign between them."""
_NAMES = "Enter use[lot,product], take[lot], finished[product] or short[product]."
_LIKE = "Enter it like: imported_90s: take[I90-1] + take[I90-2] <= 20000"


class _NotRead(Exception):
    """What is wrong with one constraint, and what to enter."""


@dataclass
class _Side:
    """One side of a comparison: pounds and a number."""

    terms: dict[tuple[Pounds, str, str], float]
    number: float = 0.0


def read_constraints(path: Path, case: Case) -> tuple[LinearConstraint, ...]:
    """The constraints of a file; InputRefused lists every problem by line."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise FileTrouble(f"{path}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise FileTrouble(f"{path} is not a text file; save it as plain text (UTF-8)") from None
    if len(text) > _MAX_CHARACTERS:
        raise FileTrouble(f"{path} is too long for a file of constraints")
    return parse_constraints(text, case, path.name)


def parse_constraints(text: str, case: Case, file: str) -> tuple[LinearConstraint, ...]:
    known = _known_pounds(case)
    constraints: dict[str, LinearConstraint] = {}
    problems = []
    for line, statement in _statements(text):
        try:
            constraint = _constraint(statement, f"line_{line}", known)
            if constraint.name in constraints:
                raise _NotRead(f"the name {constraint.name} is used twice", "Give it its own name.")
        except _NotRead as wrong:
            problems.append(Problem(file, line, None, wrong.args[0], "", wrong.args[1]))
            continue
        constraints[constraint.name] = constraint
    if problems:
        raise InputRefused(problems)
    return tuple(constraints.values())


def _known_pounds(case: Case) -> dict[str, tuple[Pounds, str, str]]:
    """What each variable name means, as the screen and as a model file write it."""
    lots = [lot.lot_id for lot in case.lots]
    products = [product.product_id for product in case.products]
    known = [(Pounds.USE, lot, product) for lot in lots for product in products]
    known += [(Pounds.TAKE, lot, "") for lot in lots]
    known += [(Pounds.FINISHED, "", product) for product in products]
    known += [
        (Pounds.SHORT, "", product.product_id)
        for product in case.products
        if product.shortage_penalty_usd_per_lb is not None
    ]
    return {_plain(Term(1.0, *each).variable): each for each in reversed(known)}


def _plain(variable: str) -> str:
    """Without spaces, and with the characters that an LP file puts in place of others."""
    squeezed = re.sub(r"\s+", "", variable).replace("[", "(").replace("]", ")")
    return re.sub(r"[^A-Za-z0-9_.,()]", "_", squeezed).casefold()


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Each constraint with the line it begins on. A line that begins with a sign or comparison,
    or follows an unfinished one, goes on with the constraint before it."""
    begun, statement = 0, ""
    for number, line in enumerate(text.splitlines(), 1):
        words = line.split("\\")[0].strip()
        if not words or _SECTIONS.fullmatch(words):
            continue
        goes_on = re.match(r"[-+<>=]", words) or not re.search(r"[<>=]\s*[^<>=\s]", statement)
        if statement and (_LABEL.match(words) or not goes_on):
            yield begun, statement
            statement = ""
        if not statement:
            begun = number
        statement = f"{statement} {words}".strip()
    if statement:
        yield begun, statement


def _constraint(
    statement: str, name: str, known: dict[str, tuple[Pounds, str, str]]
) -> LinearConstraint:
    label = _LABEL.match(statement)
    if label:
        name, statement = label[1], label[2]
    sides, compares = _sides(statement, known)
    if len(compares) not in (1, 2) or (len(compares) == 2 and compares[0] != compares[1]):
        raise _NotRead("a constraint needs one <=, >= or =", _LIKE)
    if len(compares) == 2:
        return _between(name, sides, compares[0])
    terms = dict(sides[0].terms)
    for pounds, number in sides[1].terms.items():
        terms[pounds] = terms.get(pounds, 0.0) - number
    limit = sides[1].number - sides[0].number
    return LinearConstraint(
        name,
        _as_terms(terms),
        minimum=None if compares[0] == "<" else limit,
        maximum=None if compares[0] == ">" else limit,
    )


def _between(name: str, sides: list[_Side], compare: str) -> LinearConstraint:
    """minimum <= pounds <= maximum, or turned round."""
    first, middle, last = sides
    if first.terms or last.terms or compare == "=":
        raise _NotRead("two limits must be written number <= pounds <= number", _LIKE)
    minimum, maximum = (first, last) if compare == "<" else (last, first)
    return LinearConstraint(
        name,
        _as_terms(middle.terms),
        minimum=minimum.number - middle.number,
        maximum=maximum.number - middle.number,
    )


def _as_terms(terms: dict[tuple[Pounds, str, str], float]) -> tuple[Term, ...]:
    kept = tuple(Term(number, *pounds) for pounds, number in terms.items() if number)
    if not kept:
        raise _NotRead("no pounds are limited", _LIKE)
    return kept


def _sides(
    statement: str, known: dict[str, tuple[Pounds, str, str]]
) -> tuple[list[_Side], list[str]]:
    """The sides of a comparison, and "<", ">" or "=" between them."""
    sides, compares = [_Side({})], []
    sign, number = 1.0, None
    place, before = 0, "compare"

    def close() -> None:
        nonlocal sign, number
        if number is not None:
            sides[-1].number += sign * number
        sign, number = 1.0, None

    def must_be_complete() -> None:
        if before not in ("number", "variable"):
            raise _NotRead(
                f"pounds or a number are missing before {statement[place:] or 'the end'}", _LIKE
            )

    statement = statement.strip()
    while place < len(statement):
        token = _TOKEN.match(statement, place)
        if token is None:
            read = statement[place : place + 30].strip()
            raise _NotRead(f"cannot read {read!r}", _LIKE)
        kind = token.lastgroup
        if (before, kind) in _NEEDS_A_SIGN:
            raise _NotRead(f"a sign is missing before {statement[place:].strip()!r}", _LIKE)
        if kind == "compare":
            must_be_complete()
        place = token.end()
        match kind:
            case "sign":
                if before != "sign":
                    close()
                sign = -sign if token["sign"] == "-" else sign
            case "number":
                number = float(token["number"].replace(",", ""))
            case "variable":
                pounds = known.get(_plain(token["variable"]))
                if pounds is None:
                    names = [Term(1.0, *each).variable for each in known.values()]
                    hint = did_you_mean(token["variable"], names) or _NAMES
                    raise _NotRead(f"this plan has no {token['variable']}", hint)
                coefficient = sign * (1.0 if number is None else number)
                side = sides[-1].terms
                side[pounds] = side.get(pounds, 0.0) + coefficient
                sign, number = 1.0, None
            case "compare":
                close()
                compares.append(token["compare"].replace("=", "")[:1] or "=")
                sides.append(_Side({}))
        before = str(kind)
    must_be_complete()
    close()
    return sides, compares
