"""Vehicle identification numbers at the door: kept as a keyed hash, never as themselves.

A vehicle identification number has 17 characters, letters without I, O and Q and digits (ISO 3779, clause 4). Its
last four being digits is a rule of the standard for large makers; three of them are asked for here, so that a
mistyped number is still recognised.
"""

from __future__ import annotations

import hashlib
import hmac
import re

import polars as pl

KEY_NAME = "LIGHTOFF_VIN_KEY"
MASK = "(VIN)"
HASH_DIGITS = 32  # hexadecimal digits of a keyed hash that are kept: 128 bits
UNIT_DIGITS = 16  # of a hash that stands in for a vehicle's number: 64 bits, unique in any fleet

_TOKEN = re.compile(r"(?<![A-Za-z0-9])[A-HJ-NPR-Z0-9]{17}(?![A-Za-z0-9])", re.IGNORECASE)
_PERHAPS = r"(?i)[A-HJ-NPR-Z0-9]{17}"  # cheap first look; the engine of polars cannot look around
# Answers to service $09, type $02, carry the number as characters (SAE J1979, service $09).
_ANSWER = r"(?i)49\s*02\s*0[0-9A-F]"


class Vins:
    """Hashes and masks; without a key nothing can be hashed."""

    def __init__(self, key: str | None) -> None:
        """``key`` is the secret of the fleet; None or empty means that there is none."""
        self._key = key.encode("utf-8") if key else None

    @property
    def keyed(self) -> bool:
        """Whether there is a key."""
        return self._key is not None

    def hashed(self, vin: str) -> str:
        """HMAC-SHA256 of the number in capitals, its first 32 hexadecimal digits (RFC 2104, FIPS 180-4).

        Raises:
            ValueError: there is no key.
        """
        if self._key is None:
            raise ValueError("there is no key to hash with")
        return hmac.new(self._key, vin.strip().upper().encode("utf-8"), hashlib.sha256).hexdigest()[:HASH_DIGITS]

    def replaced(self, names: pl.Series) -> tuple[pl.Series, pl.Series | None]:
        """Names with every number in them replaced by its hash, and a mask of those that had one.

        The mask is None where there is none. Without a key the names come back as they are.
        """
        found = {name for name in _suspects(names) if is_vin_in(name)}
        if not found:
            return names, None
        texts = names.cast(pl.String)
        mask = texts.is_in(list(found)).fill_null(False)
        if not self.keyed:
            return names, mask
        swaps = {name: self._swapped(name) for name in found}
        return texts.replace(swaps).alias(names.name), mask

    def hashes(self, vins: pl.Series) -> tuple[pl.Series, pl.Series]:
        """Hash of each cell, and a mask of those cells that hold something else than such a number."""
        texts = vins.cast(pl.String).str.strip_chars()
        hashes = {text: self.hashed(text) for text in texts.drop_nulls().unique() if is_vin(text)}
        kept = texts.replace_strict(hashes, default=None, return_dtype=pl.String)
        return kept, (kept.is_null() & (texts.str.len_bytes().fill_null(0) > 0)).alias("odd")

    def _swapped(self, name: str) -> str:
        return _TOKEN.sub(
            lambda token: "vin-" + self.hashed(token[0])[:UNIT_DIGITS] if is_vin(token[0]) else token[0], name
        )


def is_vin(text: str) -> bool:
    """Whether the whole text looks like a vehicle identification number."""
    return (
        _TOKEN.fullmatch(text) is not None
        and any(character.isalpha() for character in text)
        and sum(character.isdigit() for character in text[-4:]) >= 3
    )


def is_vin_in(text: str) -> bool:
    """Whether one stands in the text."""
    return any(is_vin(token) for token in _TOKEN.findall(text))


def masked(text: str) -> str:
    """The text with ``(VIN)`` in place of every such number."""
    return _TOKEN.sub(lambda token: MASK if is_vin(token[0]) else token[0], text)


def masked_texts(texts: pl.Series, answers: bool = False) -> pl.Series:
    """A whole column masked; with ``answers`` also hexadecimal answers that carry the number as bytes."""
    swaps = {text: masked(text) for text in _suspects(texts)}
    swaps = {text: swap for text, swap in swaps.items() if swap != text}
    masks = texts.replace(swaps) if swaps else texts
    if not answers:
        return masks
    coded = pl.col(masks.name).str.contains(_ANSWER).fill_null(False)
    shown = pl.when(coded).then(pl.lit(MASK)).otherwise(masks.name)
    return masks.to_frame().select(shown.alias(masks.name)).to_series()


def _suspects(texts: pl.Series) -> list[str]:
    if texts.dtype.is_numeric() or texts.dtype.is_temporal():
        return []
    column = texts.cast(pl.String)
    return column.filter(column.str.contains(_PERHAPS).fill_null(False)).unique().to_list()
