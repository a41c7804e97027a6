"""What the ledger knows of contents: which were read, and whether one that comes again has something to say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.finding import Identity, fingerprint, named_fingerprint
from pipeline.exports.items import Item
from pipeline.exports.layoutmodel import Layout
from pipeline.exports.layouts import layout_for
from pipeline.exports.reading import REFUSED, STANDING, Export

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def identity_of(item: Item, layouts: list[Layout]) -> Identity:
    """Which content an export has; its name counts where the layout reads the vehicle or the day from it.

    Raises:
        ExportError: the file cannot be read.
    """
    try:
        layout = layout_for(Path(str(item)).as_posix(), layouts)
    except ExportError:  # two layouts: reading the export refuses it and says so
        layout = None
    return named_fingerprint(item) if layout is not None and layout.names_the_file else fingerprint(item)


class ReadBefore:
    """Contents by ``export_id``; kept up while a run reads more of them.

    Of the tables in which a later row takes the place of the one that stands, a known content may come again after
    another had taken its place: a register that was changed and changed back. It is merged once more if its file was
    changed later than whatever of its kind was merged last. Files that merely lie there stay as they are.
    """

    def __init__(self, ledger: pl.DataFrame) -> None:
        """``ledger`` is table ``exports``: export_id, kind, as_of, arrived_at."""
        read = ledger.filter(pl.col("kind") != REFUSED)
        self.known = set(read["export_id"])
        self.refused = set(ledger.filter(pl.col("kind") == REFUSED)["export_id"])
        standing = read.filter(pl.col("kind").is_in(STANDING))
        self._kinds: dict[str, str] = dict(standing.select("export_id", "kind").iter_rows())
        self._arrived: dict[str, datetime] = dict(standing.select("export_id", "arrived_at").iter_rows())
        self._newest: dict[str, tuple[datetime, set[str]]] = {}
        # Ledgers of versions without as_of say when the content was read, which is later than its file was changed.
        moments = standing.select("export_id", "kind", pl.coalesce("as_of", "arrived_at"))
        for export_id, kind, as_of in moments.iter_rows():
            self._stands(export_id, kind, as_of)

    def kind(self, export_id: str) -> str | None:
        """``register`` or ``work_orders``; None of every other content."""
        return self._kinds.get(export_id)

    def speaks_again(self, export_id: str, changed_ns: int) -> bool:
        """Whether a known content, whose file was changed at ``changed_ns``, is to be merged once more.

        Times of change are compared with each other only: a clock that is wrong all the time does no harm.
        """
        as_of, ids = self._newest[self._kinds[export_id]]
        return _instant(changed_ns) > as_of and ids != {export_id}

    def note(self, export: Export, changed_ns: int, now: datetime) -> None:
        """Note a content that this run reads; its ``as_of`` and, of one read before, when that was, are set.

        One of which only what was set apart is read once more says nothing new.
        """
        if export.kind == REFUSED or export.before is not None:
            return
        self.known.add(export.export_id)
        if export.kind in STANDING:
            self._kinds[export.export_id] = export.kind
            changed = _instant(changed_ns)
            export.as_of = max(changed, self._newest.get(export.kind, (changed, set()))[0])
            self._stands(export.export_id, export.kind, export.as_of)
            export.first_read_at = self._arrived.get(export.export_id)
            self._arrived.setdefault(export.export_id, now)

    def _stands(self, export_id: str, kind: str, as_of: datetime) -> None:
        """Of contents of one moment nobody knows which was merged last: each may be."""
        newest, ids = self._newest.get(kind, (as_of, set()))
        if as_of >= newest:
            self._newest[kind] = (as_of, {export_id} if as_of > newest else ids | {export_id})


def _instant(changed_ns: int) -> datetime:
    """A time of change as the ledger keeps it; one beyond the calendar is its end."""
    try:
        return _EPOCH + timedelta(microseconds=changed_ns // 1000)
    except OverflowError:
        return datetime.max.replace(tzinfo=UTC)
