"""Which reader an export needs, told from its name."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import ExportError
from pipeline.exports.csvtext import CsvSource
from pipeline.exports.items import Item, members
from pipeline.exports.ndjson import NdjsonSource
from pipeline.exports.parquet import ParquetSource
from pipeline.exports.sources import Source, TextForm


def source_of(item: Item | Path, form: TextForm | None = None) -> Source:
    """The opened export; ``form`` says how a CSV or TSV file is written where that is not the usual way.

    Raises:
        ExportError: the file is damaged, no table, or an archive within an archive.
    """
    item = item if isinstance(item, Item) else Item(item)
    if item.format == "parquet":
        return ParquetSource(item)
    if item.format == "ndjson":
        return NdjsonSource(item)
    if item.format == "zip":
        if not item.member:
            members(item.path)  # tells what is wrong with an archive that could not be searched
            raise ExportError(str(item), "an archive without a file that could be an export")
        raise ExportError(str(item), "an archive within an archive; unpack the outer one")
    return CsvSource(item, form)
