"""Text in other encodings than UTF-8: decoded block by block; what does not decode is refused with its byte."""

from __future__ import annotations

import codecs
import io
from typing import BinaryIO

from pipeline.errors import ExportError

BOM = b"\xef\xbb\xbf"
_UTF16 = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
# Named in a refusal where the bytes fit them; those of two bytes a letter only where letters come in pairs.
_DOUBLE, _SINGLE = ("cp949", "gb18030", "shift_jis", "big5"), ("cp1252", "cp1250", "cp1251")
_AROUND = 2_000
_MOST_NAMED = 3


def told_encoding(start: bytes, encoding: str) -> str:
    """The encoding of a file: that of its byte order mark where it has one of UTF-16, else ``encoding``."""
    return _UTF16.get(start[:2], encoding)


def is_utf8(encoding: str) -> bool:
    """Whether the bytes need no change. Unknown names are no UTF-8."""
    return encoding.lower().replace("_", "-") in ("utf-8", "utf8", "utf-8-sig", "ascii", "us-ascii")


def check_utf8(content: bytes, position: int, file: str) -> None:
    """Refuse content, beginning at byte ``position`` of the file, that is not UTF-8.

    Raises:
        ExportError: it is not.
    """
    if content.isascii():
        return
    try:
        content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ExportError(file, _refusal("UTF-8", content, error.start, position)) from error


class Recoded(io.RawIOBase):
    """A stream as UTF-8, without its byte order mark."""

    def __init__(self, stream: BinaryIO, encoding: str, file: str) -> None:
        """Take the encoding's name.

        Raises:
            ExportError: there is no such encoding.
        """
        try:
            decoder = codecs.getincrementaldecoder(encoding)("strict")
        except LookupError as error:
            raise ExportError(
                file, f"encoding {encoding!r} is not known; write one such as utf-8, cp1252 or utf-16"
            ) from error
        self._decode = decoder.decode
        self._stream, self._encoding, self._file = stream, encoding, file
        self._taken, self._ready, self._ended, self._begun = 0, b"", False, False

    def readable(self) -> bool:
        return True

    def readinto(self, room: memoryview) -> int:
        while not self._ready and not self._ended:
            self._ready = self._more(max(len(room), 1024))
        count = min(len(room), len(self._ready))
        room[:count] = self._ready[:count]
        self._ready = self._ready[count:]
        return count

    def _more(self, size: int) -> bytes:
        chunk = self._stream.read(size)
        self._ended = not chunk
        try:
            text = self._decode(chunk, self._ended)
        except UnicodeDecodeError as error:
            # The decoder joins what it held back to the chunk, and counts from there.
            reason = _refusal(
                self._encoding, error.object, error.start, self._taken + len(chunk) - len(error.object)
            )
            raise ExportError(self._file, reason) from error
        self._taken += len(chunk)
        if text and not self._begun:
            text, self._begun = text.removeprefix("\ufeff"), True
        return text.encode("utf-8")


def what_to_do(sample: bytes) -> str:
    """Advice on text in another encoding, with those that fit the sample."""
    likely = likely_encodings(sample[: 2 * _AROUND])
    hint = f", or name its encoding in a layout (the bytes fit {', '.join(likely)})" if likely else ""
    return f"save the file as UTF-8{hint}"


def _refusal(encoding: str, content: bytes, at: int, position: int) -> str:
    advice = what_to_do(content[max(at - _AROUND, 0) :][: 2 * _AROUND])
    return f"not {encoding} at byte {position + at} (0x{content[at]:02x}); {advice}"


def likely_encodings(sample: bytes) -> list[str]:
    """Encodings in which the sample is text, likeliest first."""
    if sample.count(b"\0") * 4 > len(sample):
        return ["utf-16-le"] if sample[1::2].count(b"\0") > sample[::2].count(b"\0") else ["utf-16-be"]
    if b"\0" in sample:
        return []
    # Whole cells only: a cut inside a letter would speak against every encoding of two bytes.
    inner = sample.replace(b"\r", b"\n").split(b"\n")
    text = b"\n".join(inner[1:-1] if len(inner) > 2 else inner)
    runs = "".join("x" if byte > 127 else " " for byte in text).split()
    paired = bool(runs) and all(len(run) % 2 == 0 for run in runs)
    return [name for name in ((*_DOUBLE, *_SINGLE) if paired else _SINGLE) if _fits(text, name)][:_MOST_NAMED]


def _fits(text: bytes, encoding: str) -> bool:
    try:
        return all(letter.isprintable() or letter in "\n\t" for letter in text.decode(encoding))
    except UnicodeDecodeError:
        return False
