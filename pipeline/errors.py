"""Errors a person can act on: each names the file, row and column at fault and says what to do."""

from __future__ import annotations

RESTORE = "where a data file of the readings is damaged or gone, `lightoff restore` makes it again from its exports"


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


class UnfitError(LakeError):
    """The lake or the way to it does not fit this version or these settings; another try ends the same way."""


class ClusterError(LightoffError):
    """A Dask cluster cannot be reached, or lost its workers."""


class ShardsError(LightoffError):
    """Some shards could not be derived; the others are in the lake."""

    _NAMED = 5

    def __init__(self, failed: dict[str, Exception], shards: int, not_tried: int = 0) -> None:
        self.failed, self.shards, self.not_tried = failed, shards, not_tried
        named = "; ".join(f"{shard}: {error}" for shard, error in list(failed.items())[: self._NAMED])
        more = f"; and {len(failed) - self._NAMED} more" if len(failed) > self._NAMED else ""
        rest = f", and {not_tried} were not tried any more" if not_tried else ""
        super().__init__(
            f"{len(failed)} of {shards} shards are not derived{rest}: {named}{more}; the others are kept, and the next run "
            "tries what is missing again"
        )


class UnrestoredError(LightoffError):
    """Exports do not give what was lost with data files of the lake; nothing was changed."""

    _NAMED = 5

    def __init__(self, missing: list[str]) -> None:
        self.missing = missing
        more = f"; and {len(missing) - self._NAMED} more" if len(missing) > self._NAMED else ""
        super().__init__(
            f"nothing was changed, since not all that was lost can be restored: {'; '.join(missing[: self._NAMED])}{more}; "
            "name the folder that the files were moved to, as `lightoff restore FOLDER`, undo what makes a file read "
            "otherwise, or restore what there is with `lightoff restore --partly`"
        )


def can_pass(error: object) -> bool:
    """Whether an error may be gone the next time: of a store, a lock, a cluster, a file system; never of a setting."""
    if isinstance(error, ShardsError):
        return any(can_pass(each) for each in error.failed.values())
    return isinstance(error, LakeError | ClusterError | OSError) and not isinstance(error, UnfitError)
