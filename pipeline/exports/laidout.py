"""One export file behind its layout: the headers that it must have, and its rows in canonical terms."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import PurePosixPath

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.csvtext import CsvSource
from pipeline.exports.gateway import Logger
from pipeline.exports.kinds import FORMS, Kind, inputs
from pipeline.exports.layoutmodel import MEASURED, Layout, Meaning
from pipeline.exports.layouts import plain_header
from pipeline.exports.localtimes import Times
from pipeline.exports.numerals import emptied
from pipeline.exports.readings import NO_UNIT
from pipeline.exports.rejects import no_faults
from pipeline.exports.sources import RawBatch, Source, TextForm
from pipeline.exports.translate import Named, Translated, fault, to_numbers, unit_name, without_emptied
from pipeline.signals import signals

_NUMBERS = (*MEASURED, "parts_cost")
_AS_WRITTEN = ("mil_on",)  # words as well as numbers, read by the cleaning
# Timed by a day, and whether a row needs it.
_DAYS = {"work_orders": ("closed_on", True), "register": ("in_service_on", False)}
_SHOWN = 12
# Columns of our own beside those of the file, whatever those are called.
_UNIT, _AT, _SIGNAL, _TEXT, _STATED, _MEANT = (
    f"\x00{name}" for name in ("unit", "at", "signal", "text", "stated", "meant")
)


class LaidOut:
    """One file behind its layout, in the form of a :class:`~pipeline.exports.sources.Source`.

    ``kind`` and ``dropped`` take the place of what is recognised by canonical names. Wide and long readings
    come out wide.
    """

    def __init__(self, opened: Source, layout: Layout, file: str) -> None:
        """Find the columns that the layout names.

        Args:
            file: path with forward slashes, whose name may say whose rows these are, or of which day.

        Raises:
            ExportError: a header is missing or doubled, or the file's name does not say what it should.
        """
        self._opened, self._layout = opened, layout
        self.path, self._file = opened.path, PurePosixPath(file)
        # Numbers of other files are written one way only: marks of text do not apply.
        self._is_text = isinstance(opened, CsvSource)
        self._form = layout.text_form if self._is_text else TextForm(absent=layout.text_form.absent)
        self._plain = [plain_header(name) for name in opened.names]
        self._unit = self._unit_of_file()
        self._unit_column = self._found(layout.unit.column) if layout.unit.column else None
        self._time_columns = [self._found(header) for header in (layout.time.columns if layout.time else [])]
        self._columns: dict[str, Named] = {}
        places = {}
        for header, meaning in layout.columns.items():
            place = self._found(header, meaning.optional)
            if place is not None:
                places[meaning.is_] = place
                self._columns[meaning.is_] = Named(header, meaning)
        self._places = places
        self._signals = {plain_header(name): Named(name, meaning) for name, meaning in layout.signals.items()}
        used = {self._unit_column, *self._time_columns, *places.values()}
        self.dropped = [name for name in dict.fromkeys(opened.names) if name not in used]
        self.kind = self._kind()
        self.names = list(self.kind.columns)
        self._unlisted: set[str] = set()
        self._logger = Logger(layout.gateway, [])
        self._times()

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Readings in canonical terms; what is wanted is what the layout names."""
        times = self._times()
        self._logger = Logger(self._layout.gateway, list(self._readable()))
        kinds = dict.fromkeys(self._headers(), pl.String)
        if not self._is_text:
            kinds |= {
                self._places[name]: pl.Float64
                for name in self._places
                if name in signals() or name == "value"
            }
        for batch in self._opened.batches(kinds):
            yield self._readings(batch, times)

    def records(self, wanted: list[str]) -> RawBatch:
        """A small table in canonical terms, every column as text."""
        batch = self._opened.records(self._headers())
        raw = self._emptied(batch.frame)
        columns, faults = [], [no_faults()]
        for name, named in self._columns.items():
            column = raw[self._places[name]]
            if name in _NUMBERS:
                numbers, bad = to_numbers(raw["line"], column, named, self._form)
                column = numbers.cast(pl.String)
                faults.append(bad)
            columns.append(column.alias(name))
        units = self._units(raw)
        timed = self._layout.time is not None
        if self._layout.content.input in _DAYS:
            name, needed = _DAYS[self._layout.content.input]
            judged = self._times().days([raw[column] for column in self._time_columns]) if timed else None
            frame = pl.DataFrame([raw["line"], units, *columns])
            if judged is None:
                return self._translated(batch, frame, no_faults(), pl.concat(faults), raw)
            frame = frame.with_columns(judged.found.dt.strftime("%Y-%m-%d").alias(name))
            bad = self._time_faults(raw["line"], judged.texts, judged.why)
            if not needed:
                return self._translated(batch, frame, no_faults(), pl.concat([*faults, bad]), raw)
            return self._translated(batch, frame, bad, pl.concat(faults), raw)
        judged = self._times().instants([raw[column] for column in self._time_columns], units)
        instants = judged.found.dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")
        frame = pl.DataFrame([raw["line"], units, instants, *columns])
        bad = self._time_faults(raw["line"], judged.texts, judged.why)
        return self._translated(batch, frame, bad, pl.concat(faults), raw)

    @property
    def notes(self) -> list[str]:
        """What is to be known of the reading; whole once the file was read."""
        found = [*self._opened.notes, f"read by layout {self._layout.name}"]
        known = {plain_header(name) for name in self._layout.content.drop}
        strange = [name for name in (*self.dropped, *self.unlisted) if plain_header(name) not in known]
        if strange:
            more = f" and {len(strange) - _SHOWN} more" if len(strange) > _SHOWN else ""
            found.append(f"the layout does not name {', '.join(map(repr, strange[:_SHOWN]))}{more}")
        return found + [
            f"{count:,} cells emptied that were not sampled ({habit})"
            for habit, count in self._logger.emptied.items()
            if count
        ]

    @property
    def unlisted(self) -> list[str]:
        """Signals of a long file that the layout does not name; known once it is read."""
        return sorted(self._unlisted)

    # -- readings --------------------------------------------------------------------------------------------

    def _readings(self, batch: RawBatch, times: Times) -> Translated:
        raw = self._emptied(batch.frame)
        units = self._units(raw)
        judged = times.instants([raw[column] for column in self._time_columns], units)
        no_unit = units.str.len_bytes().fill_null(0) == 0
        bad = pl.concat(
            [
                self._unit_faults(raw["line"].filter(no_unit)),
                self._time_faults(
                    *(part.filter(~no_unit) for part in (raw["line"], judged.texts, judged.why))
                ),
            ]
        )
        usable = ~no_unit & judged.why.is_null()
        raw = raw.with_columns(units.alias(_UNIT), judged.found.alias(_AT)).filter(usable)
        keys = raw.select("line", unit_id=pl.col(_UNIT), ts=pl.col(_AT))
        if self.kind.form == "raw":
            response = raw[self._places["response"]].alias("response")
            return self._translated(batch, keys.hstack([response]), bad, no_faults(), raw)
        quiet = 0
        if self._layout.content.form == "long":
            raw, wrong, quiet = self._listed(raw)
            keys = raw.select("line", unit_id=pl.col(_UNIT), ts=pl.col(_AT))
            bad = pl.concat([bad, wrong])
        columns, faults = [], [no_faults()]
        for name, named, cells in self._cells(raw):
            if name in _AS_WRITTEN:
                columns.append(cells.alias(name))
                continue
            numbers, unusable = to_numbers(raw["line"], cells, named, self._form)
            columns.append(numbers.alias(name))
            faults.append(unusable)
        before = keys.hstack(columns)
        after = self._logger.sampled(before)
        cells = pl.concat(faults)
        if after is not before:
            after, emptied_rows = without_emptied(before, after, cells["line"])
            quiet += emptied_rows
        return self._translated(batch, after, bad, cells, raw, quiet)

    def _cells(self, raw: pl.DataFrame) -> Iterator[tuple[str, Named, pl.Series]]:
        """Each signal and its cells, null in rows of other signals of a long file."""
        if self._layout.content.form != "long":
            for name, named in self._columns.items():
                yield name, named, raw[self._places[name]]
            return
        present = set(raw[_SIGNAL].unique())
        for name, named in self._readable().items():
            if name in present:
                value = pl.col(self._places["value"])
                yield name, named, raw.select(pl.when(pl.col(_SIGNAL) == name).then(value).alias(name))[name]

    def _listed(self, raw: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame, int]:
        """Long rows of signals that are wanted, faults of the others, and how many are known and not wanted."""
        texts = raw[self._places["signal"]].cast(pl.String).str.strip_chars().fill_null("")
        known = {named.header: name for name, named in self._readable().items()}
        meant = {text: known.get(plain_header(text)) for text in texts.unique()}
        raw = raw.with_columns(
            texts.alias(_TEXT),
            texts.replace_strict(list(meant), list(meant.values()), return_dtype=pl.String).alias(_SIGNAL),
        )
        known_rows = pl.col(_SIGNAL).is_not_null()
        others = raw.filter(~known_rows)
        if self._signals:
            named = others.filter(pl.col(_TEXT) != "")
            self._unlisted |= set(named[_TEXT].unique())
            others = others.filter(pl.col(_TEXT) == "")
            quiet = named.height
        else:
            quiet = 0
        header = self._columns["signal"].header
        wrong = [fault(others, header, pl.col(_TEXT), "not a signal of the readings; name it in [signals]")]
        raw = raw.filter(known_rows)
        if "unit" in self._places:
            stated = pl.col(self._places["unit"]).cast(pl.String).str.strip_chars().fill_null("")
            units = {name: named.meaning.source_unit.name for name, named in self._readable().items()}
            raw = raw.with_columns(
                stated.alias(_STATED),
                pl.col(_SIGNAL).replace_strict(units, return_dtype=pl.String).alias(_MEANT),
            )
            spelt = {text: unit_name(text) for text in raw[_STATED].unique()}
            other = pl.col(_STATED).replace_strict(
                list(spelt), list(spelt.values()), return_dtype=pl.String
            ) != pl.col(_MEANT)
            other = other & (pl.col(_STATED) != "")
            reason = pl.format("unit {} where the layout says that {} is in {}", _STATED, _TEXT, _MEANT)
            wrong.append(fault(raw.filter(other), self._columns["unit"].header, pl.col(_STATED), reason))
            raw = raw.filter(~other)
        return raw, pl.concat(wrong), quiet

    # -- cells -----------------------------------------------------------------------------------------------

    def _emptied(self, frame: pl.DataFrame) -> pl.DataFrame:
        return frame.with_columns(
            emptied(frame[name], self._form.absent) for name in frame.columns if name != "line"
        )

    def _units(self, raw: pl.DataFrame) -> pl.Series:
        if self._unit is not None:
            return pl.Series("unit_id", [self._unit]).new_from_index(0, raw.height)
        return raw[self._unit_column].cast(pl.String).str.strip_chars().alias("unit_id")

    def _unit_faults(self, lines: pl.Series) -> pl.DataFrame:
        return lines.to_frame().select(
            "line", column=pl.lit(self._layout.unit.column), value=pl.lit(""), reason=pl.lit(NO_UNIT)
        )

    def _time_faults(self, lines: pl.Series, texts: pl.Series, why: pl.Series) -> pl.DataFrame:
        header = " ".join(self._layout.time.columns)
        faults = pl.DataFrame({"line": lines, "value": texts, "reason": why})
        faults = faults.filter(pl.col("reason").is_not_null())
        return faults.select(
            "line", column=pl.lit(header), value=pl.col("value").fill_null(""), reason="reason"
        )

    def _translated(
        self,
        batch: RawBatch,
        frame: pl.DataFrame,
        bad: pl.DataFrame,
        faults: pl.DataFrame,
        raw: pl.DataFrame,
        quiet: int = 0,
    ) -> Translated:
        """The batch; rows at fault are taken out of ``frame`` and put with those that could not be cut."""
        if bad.height:
            frame = frame.join(bad, on="line", how="anti", maintain_order="left")
        own, named = raw, self._columns
        if self._layout.content.form == "long":
            named = self._readable()
            own = raw.select("line", *(pl.col(self._places["value"]).alias(name) for name in named))
        else:
            own = raw.select("line", *(pl.col(self._places[name]).alias(name) for name in named))
        return Translated(
            frame,
            batch.rows_in,
            pl.concat([batch.rejected, bad]),
            faults=faults,
            own=own,
            named=named,
            quiet=quiet,
        )

    # -- columns ---------------------------------------------------------------------------------------------

    def _readable(self) -> dict[str, Named]:
        """Signals by canonical name."""
        if self._layout.content.form != "long":
            return {name: named for name, named in self._columns.items() if name in signals()}
        if not self._signals:
            return {name: Named(name, Meaning(is_=name)) for name in signals()}
        return {named.meaning.is_: Named(plain, named.meaning) for plain, named in self._signals.items()}

    def _headers(self) -> list[str]:
        """Columns of the file that are read, each once."""
        first = [self._unit_column] if self._unit_column is not None else []
        return list(dict.fromkeys([*first, *self._time_columns, *self._places.values()]))

    def _times(self) -> Times | None:
        time = self._layout.time
        return Times(time, self._file, self._form.decimal) if time is not None else None

    def _kind(self) -> Kind:
        taken = self._layout.content.input
        if taken != "readings":
            return inputs()[taken]
        if self._layout.content.form == "raw":
            return FORMS["raw"]
        return Kind("readings", ("unit_id", "ts"), tuple(self._readable()), form="wide")

    def _unit_of_file(self) -> str | None:
        expression = self._layout.unit.file_name
        if not expression:
            return None
        found = re.search(expression, self._file.name)
        if found is None or not found["unit"]:
            raise ExportError(
                str(self._file),
                f"the name has no unit that {expression!r} finds; check file_name of the layout",
            )
        return found["unit"]

    def _found(self, header: str, optional: bool = False) -> str | None:
        """The file's column of that header.

        Raises:
            ExportError: there is none, or more than one.
        """
        plain = plain_header(header)
        places = [place for place, name in enumerate(self._plain) if name == plain]
        if not places and optional:
            return None
        if len(places) != 1:
            what = "is missing" if not places else "stands there more than once"
            do = (
                "correct the header in the layout, or add optional = true to the column"
                if not places
                else ("leave one of them")
            )
            shown = ", ".join(repr(name[:40]) for name in self._opened.names[:_SHOWN])
            raise ExportError(
                str(self._file),
                f"{what}, and layout {self._layout.name!r} ({self._layout.path.name}) names it; found are {shown}; {do}",
                column=header,
            )
        return self._opened.names[places[0]]
