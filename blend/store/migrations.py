"""How a store came to have its tables: one step a version, each written once and never changed.

Steps are plain SQL that both engines read; what they do not share is told apart by the name of
the engine. A step is applied whole, with the row that tells of it, or not at all.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

Statements = Sequence[str]

_FIRST_TABLES: Mapping[str, str] = {
    "schema_versions": """
        version INTEGER PRIMARY KEY,
        applied_at TIMESTAMP NOT NULL""",
    "appends": """
        append_number INTEGER PRIMARY KEY,
        recorded_at TIMESTAMP NOT NULL""",
    "entries": """
        append_number INTEGER NOT NULL REFERENCES appends (append_number),
        place INTEGER NOT NULL,
        entry_id TEXT PRIMARY KEY,
        heard_at TIMESTAMP NOT NULL,
        market_day DATE NOT NULL,
        kind TEXT NOT NULL,
        item_id TEXT NOT NULL,
        usd_per_cwt DOUBLE PRECISION NOT NULL,
        pounds_lb DOUBLE PRECISION,
        source TEXT NOT NULL,
        source_class TEXT NOT NULL,
        lean DOUBLE PRECISION,
        basis TEXT NOT NULL,
        freight_usd_per_cwt DOUBLE PRECISION,
        delivered_within_days INTEGER,
        is_firm BOOLEAN NOT NULL,
        between_affiliates BOOLEAN NOT NULL,
        note TEXT NOT NULL,
        corrects TEXT UNIQUE REFERENCES entries (entry_id),
        withdrawn BOOLEAN NOT NULL,
        CHECK (corrects <> entry_id)""",
    "items": """
        append_number INTEGER NOT NULL REFERENCES appends (append_number),
        place INTEGER NOT NULL,
        item_id TEXT NOT NULL,
        name TEXT NOT NULL,
        species TEXT NOT NULL,
        lean DOUBLE PRECISION NOT NULL,
        fresh_or_frozen TEXT NOT NULL,
        origin TEXT NOT NULL,
        basis TEXT NOT NULL,
        delivered_within_days INTEGER NOT NULL,
        tick_usd_per_cwt DOUBLE PRECISION NOT NULL,
        point_usd_per_cwt DOUBLE PRECISION,
        PRIMARY KEY (append_number, item_id)""",
    "volumes": """
        append_number INTEGER NOT NULL REFERENCES appends (append_number),
        place INTEGER NOT NULL,
        series_id TEXT NOT NULL,
        period_end DATE NOT NULL,
        value DOUBLE PRECISION NOT NULL,
        unit TEXT NOT NULL,
        item_id TEXT NOT NULL,
        origin TEXT NOT NULL,
        corrects DATE,
        PRIMARY KEY (append_number, place)""",
    "methods": """
        append_number INTEGER NOT NULL REFERENCES appends (append_number),
        digest TEXT PRIMARY KEY,
        text TEXT NOT NULL""",
    "published": """
        append_number INTEGER NOT NULL REFERENCES appends (append_number),
        place INTEGER NOT NULL,
        item_id TEXT NOT NULL,
        market_day DATE NOT NULL,
        usd_per_cwt DOUBLE PRECISION NOT NULL,
        low_usd_per_cwt DOUBLE PRECISION NOT NULL,
        high_usd_per_cwt DOUBLE PRECISION NOT NULL,
        tone TEXT NOT NULL,
        evidence TEXT NOT NULL,
        method_digest TEXT NOT NULL REFERENCES methods (digest),
        published_at TIMESTAMP NOT NULL,
        assessor TEXT NOT NULL,
        override_reason TEXT NOT NULL,
        assessed_usd_per_cwt DOUBLE PRECISION,
        confidence TEXT NOT NULL,
        rationale TEXT NOT NULL,
        store_position INTEGER,
        PRIMARY KEY (append_number, item_id, market_day)""",
}

_UNIQUE_KEYS: Mapping[str, Sequence[Sequence[str]]] = {
    "schema_versions": [["version"]],
    "appends": [["append_number"]],
    "entries": [["entry_id"], ["corrects"]],
    "items": [["append_number", "item_id"]],
    "volumes": [["append_number", "place"]],
    "methods": [["digest"]],
    "published": [["append_number", "item_id", "market_day"]],
}


def _first(engine: str) -> Statements:
    yield from (f"CREATE TABLE {name} ({columns})" for name, columns in _FIRST_TABLES.items())
    yield "CREATE INDEX entries_by_item ON entries (item_id, market_day)"
    yield "CREATE INDEX entries_by_day ON entries (market_day)"
    yield "CREATE INDEX volumes_by_series ON volumes (series_id, period_end)"
    yield "CREATE INDEX published_by_item ON published (item_id, market_day)"
    guard = _guard_sqlite if engine == "sqlite" else _guard_postgresql
    yield from guard(_UNIQUE_KEYS)


def _guard_sqlite(unique_keys: Mapping[str, Sequence[Sequence[str]]]) -> Statements:
    for table, keys in unique_keys.items():
        for deed in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER {table}_no_{deed.lower()} BEFORE {deed} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )
        # INSERT OR REPLACE takes the old row out without asking the trigger above.
        same = " OR ".join(
            "(" + " AND ".join(f"{column} = NEW.{column}" for column in key) + ")" for key in keys
        )
        yield (
            f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
            f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
        )


def _guard_postgresql(unique_keys: Mapping[str, Sequence[Sequence[str]]]) -> Statements:
    yield (
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
    )
    for table in unique_keys:
        yield (
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


MIGRATIONS: Mapping[int, Callable[[str], Statements]] = {1: _first}
"""By version, what brings a store from the version before to it, for an engine."""
