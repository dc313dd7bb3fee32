"""Moonshine's tokenizer, read from the file beside the model."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

BEGIN, END = 1, 2
"""The pieces that begin and end a text."""

_BYTES = range(3, 259)
"""Ids of the pieces for single bytes."""

_SPACE = "\N{LOWER ONE EIGHTH BLOCK}"
"""A space, as SentencePiece writes it."""


class Pieces:
    """Converts texts to ids and back.

    data: length and bytes of each piece, in the order of their ids; a length of 128 or more takes two bytes, the low
    seven bits first. Of two pieces with the same text the last counts: the first is the bare byte, which the model
    never writes.

    Raises:
        ValueError: the data is truncated.
    """

    def __init__(self, data: bytes) -> None:
        self.texts: list[bytes] = []
        place = 0
        while place < len(data):
            size = data[place]
            place += 1
            if size >= 128 and place < len(data):
                size += (data[place] - 1) * 128
                place += 1
            self.texts.append(data[place : place + size])
            place += size
        if place != len(data):
            raise ValueError("its tokenizer is truncated")
        self._ids = {text: number for number, text in enumerate(self.texts)}

    @classmethod
    def read(cls, file: Path) -> Pieces:
        """Read the file `tokenizer.bin`.

        Raises:
            OSError, ValueError: it cannot be read, or is truncated.
        """
        return cls(file.read_bytes())

    def encode(self, text: str) -> tuple[int, ...]:
        """Ids of `text`, as the model writes it after a space: byte-pair merges, the lowest id first."""
        parts = [letter.encode() for letter in (_SPACE + text.replace(" ", _SPACE))]
        while True:
            merges = [
                (number, place)
                for place in range(len(parts) - 1)
                if (number := self._ids.get(parts[place] + parts[place + 1])) is not None
            ]
            if not merges:
                break
            _, place = min(merges)
            parts[place : place + 2] = [parts[place] + parts[place + 1]]
        ids: list[int] = []
        for part in parts:
            known = self._ids.get(part)
            ids.extend([known] if known is not None else [_BYTES[byte] for byte in part])
        return tuple(ids)

    def decode(self, ids: Iterable[int]) -> str:
        """The text of `ids`, without spaces around it."""
        pieces = (bytes([number - _BYTES.start]) if number in _BYTES else self.texts[number] for number in ids)
        return b"".join(pieces).decode("utf-8", "replace").replace(_SPACE, " ").strip()

    def one(self, text: str) -> int:
        """The id of a mark such as '.', as the model writes it.

        Raises:
            KeyError: there is none.
        """
        return self._ids[text.encode()]
