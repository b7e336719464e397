"""The version of a database's tables, and how an older database is brought up to date."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Column, Connection, Integer, MetaData, Table, func, insert, inspect, select

from blend.errors import FileTrouble
from blend.store.tables import UtcDateTime, add_guards, add_missing_columns


def versions_table(name: str, metadata: MetaData) -> Table:
    """The versions that a database went through, and when."""
    return Table(
        name,
        metadata,
        Column("version", Integer, primary_key=True),
        Column("applied_at", UtcDateTime, nullable=False),
    )


@dataclass(frozen=True)
class Versioned:
    """The tables of a store or a book, and what changed in them from version to version."""

    kind: str
    """What messages call such a database."""
    versions: Table
    version: int
    oldest: int
    """The first that can be brought up to date."""
    records: Mapping[Table, type]
    """Tables that gained columns or were added since, each with the record it keeps."""
    first_table: Table | None = None
    """A database that has this table but no versions is of version 1."""

    def version_in(self, connection: Connection) -> int | None:
        """None where these tables are not there."""
        there = inspect(connection)
        if there.has_table(self.versions.name):
            newest = select(func.max(self.versions.c.version))
            return connection.execute(newest).scalar_one()
        if self.first_table is not None and there.has_table(self.first_table.name):
            return 1
        return None

    def make_or_update(self, connection: Connection, name: str) -> None:
        """Make the tables, or add what an older version does not have.

        Raise FileTrouble for a database with other tables, and for a version that is too old or
        too new.
        """
        version = self.version_in(connection)
        if version == self.version:
            return
        there = inspect(connection).get_table_names()
        if version is None:
            self._refuse_other_tables(connection, there, name)
        else:
            self._refuse_version(version, name)
            for table, record in self.records.items():
                if table.name in there:
                    add_missing_columns(connection, table, record)
        metadata = self.versions.metadata
        metadata.create_all(connection)
        add_guards(connection, [each for each in metadata.sorted_tables if each.name not in there])
        row = {"version": self.version, "applied_at": datetime.now(UTC)}
        connection.execute(insert(self.versions), row)

    def _refuse_other_tables(self, connection: Connection, there: list[str], name: str) -> None:
        taken = [each for each in there if each in self.versions.metadata.tables]
        if taken or (there and connection.dialect.name == "sqlite"):
            names = ", ".join((taken or there)[:5])
            raise FileTrouble(f"{name}: has other tables ({names}). Choose another name.")

    def _refuse_version(self, version: int, name: str) -> None:
        if self.oldest <= version < self.version:
            return
        fix = (
            "A later blend made it. Install that one."
            if version > self.version
            else f"Export it with the blend that made it, then import that into a new {self.kind}."
        )
        raise FileTrouble(
            f"{name}: a {self.kind} of version {version}, but this blend uses version "
            f"{self.version}. {fix}"
        )
