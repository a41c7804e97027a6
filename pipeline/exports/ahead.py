"""Files read two at a time, handed out in the order in which they were given."""

from __future__ import annotations

from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

from pipeline.exports.finding import Identity
from pipeline.exports.items import Item
from pipeline.exports.reading import Door, Export, read_export
from pipeline.exports.staging import Turn

# Parsing and cleaning run outside the interpreter's lock: two files at once take about 0.7 of the time (measured).
AT_ONCE = 2


class Ahead:
    """Files being read; the next ones are read while the caller deals with the first."""

    def __init__(self, door: Door) -> None:
        self._door = door
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE)
        self._reading: deque[tuple[str, Turn, Future[Export]]] = deque()

    def __len__(self) -> int:
        return len(self._reading)

    def __contains__(self, export_id: str) -> bool:
        return any(export_id == known for known, _, _ in self._reading)

    def submit(self, item: Item, source: int, identity: Identity) -> None:
        """Begin to read a file; see :func:`~pipeline.exports.reading.read_export`."""
        turn = Turn(self._door.stage)
        if not self._reading:
            turn.come()
        reading = self._pool.submit(read_export, item, source, identity, replace(self._door, stage=turn))
        self._reading.append((identity[0], turn, reading))

    def take(self) -> Export:
        """The file that was given first, read to its end and staged."""
        _, turn, reading = self._reading[0]
        export = reading.result()
        turn.finish()
        self._reading.popleft()
        if self._reading:
            self._reading[0][1].come()
        return export

    def close(self) -> None:
        """Stop; what is still being read is given up."""
        for _, turn, _ in self._reading:
            turn.give_up()
        self._pool.shutdown(cancel_futures=True)
        self._reading.clear()
