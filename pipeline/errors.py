"""Errors a person can act on: each names the file, row and column at fault and says what to do."""

from __future__ import annotations


class LightoffError(Exception):
    """Base of every error the project raises on purpose; the command line prints it without a traceback."""

    exit_code = 1


class ConfigError(LightoffError):
    """A setting, limit, layout or declaration is wrong."""

    exit_code = 2


class ExportError(LightoffError):
    """An export file cannot be used as a whole."""

    def __init__(self, file: str, reason: str, line: int | None = None, column: str | None = None) -> None:
        self.file, self.reason, self.line, self.column = str(file), reason, line, column
        where = self.file
        if line is not None:
            where += f", line {line}"
        if column is not None:
            where += f", column {column!r}"
        super().__init__(f"{where}: {reason}")


class SchemaError(LightoffError):
    """A table does not have the columns, types or keys that tables.toml declares."""

    def __init__(self, table: str, problems: list[str]) -> None:
        self.table, self.problems = table, problems
        super().__init__(f"table {table!r}: " + "; ".join(problems))


class QueryError(LightoffError):
    """A SQL step failed; the message carries the SQL file and the engine's own words."""


class LakeError(LightoffError):
    """The lake cannot be read or written, or another run holds it."""
