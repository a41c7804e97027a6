"""Cleaned readings of a group of files, kept by bucket until the merge: in memory or, if many, on disk."""

from __future__ import annotations

import shutil
from concurrent.futures import CancelledError
from pathlib import Path
from threading import Event

import polars as pl

from pipeline.errors import LakeError

SPILL_ROWS = 500_000  # held in memory at most, about 130 bytes each; more go to disk
AHEAD_ROWS = 250_000  # of one file read before its turn; then it waits


class Stage:
    """Readings waiting for the merge; ``source`` numbers the file that a row came from."""

    def __init__(self, folder: Path) -> None:
        """Begin empty; what a stopped run left in ``folder`` is removed."""
        self._folder = folder
        self.clear()

    def clear(self) -> None:
        """Forget everything and remove the folder."""
        self._held: list[pl.DataFrame] = []
        self._held_rows, self._spilled, self.rows = 0, 0, 0
        self._files: dict[int, list[Path]] = {}
        self._counts: list[pl.DataFrame] = []
        self._refused: list[int] = []
        if self._folder.exists():
            shutil.rmtree(self._folder)

    def add(self, frame: pl.DataFrame, source: int) -> None:
        """Stage cleaned rows (with ``line``, ``day`` and ``bucket``) of one file."""
        if not frame.height:
            return
        frame = frame.with_columns(source=pl.lit(source, dtype=pl.Int32))
        self._held.append(frame)
        self._held_rows += frame.height
        self.rows += frame.height
        self._counts.append(frame.group_by("source", "day", "bucket").agg(rows=pl.len().cast(pl.Int64)))
        if self._held_rows >= SPILL_ROWS:
            self._spill()

    def discard(self, source: int) -> None:
        """Leave out what was staged of a file that turned out to be damaged."""
        self._refused.append(source)

    def partitions(self) -> pl.DataFrame:
        """Rows staged for each ``day`` and ``bucket``."""
        empty = pl.DataFrame(
            schema={"source": pl.Int32, "day": pl.Date, "bucket": pl.Int32, "rows": pl.Int64}
        )
        counts = pl.concat([empty, *self._counts]).filter(~pl.col("source").is_in(self._refused))
        return counts.group_by("day", "bucket").agg(pl.col("rows").sum()).sort("bucket", "day")

    def packages(self, standing: pl.DataFrame, most_rows: int, most_partitions: int) -> list[pl.DataFrame]:
        """Partitions with staged rows, by bucket and day, cut so that a package is bounded.

        Args:
            standing: ``day``, ``bucket`` and ``standing``, rows that the lake holds there.
        """
        wanted = self.partitions().join(standing, on=["day", "bucket"], how="left", maintain_order="left")
        total = pl.col("rows") + pl.col("standing").fill_null(0)
        by_rows = (total.cum_sum() - total) // most_rows
        by_partitions = pl.int_range(pl.len()) // most_partitions
        return wanted.with_columns(rows_cut=by_rows, partitions_cut=by_partitions).partition_by(
            "rows_cut", "partitions_cut", maintain_order=True
        )

    def read(self, partitions: pl.DataFrame) -> pl.DataFrame:
        """Staged rows of the named partitions (``day``, ``bucket``), files and lines in the order staged."""
        parts = []
        for (bucket,), days in partitions.group_by("bucket", maintain_order=True):
            wanted = (pl.col("bucket") == bucket) & pl.col("day").is_in(days["day"].implode())
            wanted &= ~pl.col("source").is_in(self._refused)
            parts += [pl.scan_ipc(path).filter(wanted).collect() for path in self._files.get(bucket, [])]
            parts += [held.filter(wanted) for held in self._held]
        return pl.concat([part for part in parts if part.height], how="diagonal")

    def _spill(self) -> None:
        together = pl.concat(self._held, how="diagonal")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            for (bucket,), rows in together.partition_by("bucket", as_dict=True, maintain_order=True).items():
                path = self._folder / f"{self._spilled:06}-{bucket}.arrow"
                rows.write_ipc(path, compression="lz4")
                self._files.setdefault(bucket, []).append(path)
        except (OSError, pl.exceptions.ComputeError) as error:
            raise LakeError(
                f"{self._folder} cannot be written: {error}; check rights and space, then run again"
            ) from error
        self._spilled += 1
        self._held, self._held_rows = [], 0


class Turn:
    """What one file stages while files before it are still being read: the stage gets files in their order."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._held: list[tuple[pl.DataFrame, int]] = []
        self._rows = 0
        self._come, self._given_up = Event(), False

    def add(self, frame: pl.DataFrame, source: int) -> None:
        """Stage rows: at once if the file's turn has come, else later; waits rather than hold many rows."""
        self._held.append((frame, source))
        self._rows += frame.height
        if self._rows >= AHEAD_ROWS:
            self._come.wait()
        if self._given_up:
            raise CancelledError
        if self._come.is_set():
            self._pass_on()

    def discard(self, source: int) -> None:
        """Leave out what was staged of a file that turned out to be damaged."""
        self._held = []
        self._stage.discard(source)

    def come(self) -> None:
        """Every file before this one has been staged."""
        self._come.set()

    def finish(self) -> None:
        """The file has been read and its turn has come: stage the rest."""
        self._pass_on()

    def give_up(self) -> None:
        """The run ends; a reader that waits stops."""
        self._given_up = True
        self._come.set()

    def _pass_on(self) -> None:
        held, self._held = self._held, []
        for frame, source in held:
            self._stage.add(frame, source)
