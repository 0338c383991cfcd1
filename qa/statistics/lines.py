"""The lines of a text file that a person made: its encoding recognised, its bytes hashed on the way."""

from __future__ import annotations

import codecs
import hashlib
import io
import re
import tempfile
from collections import deque
from collections.abc import Callable, Iterator
from typing import IO, Any

import numpy as np

from qa.statistics.results import StatisticsError

_BLOCK = 1 << 18


class Hashed(io.RawIOBase):
    """Passes a binary stream through while hashing it."""

    def __init__(self, stream: IO[bytes]) -> None:
        super().__init__()
        self._stream = stream
        self.digest = hashlib.sha256()

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        data = self._stream.read(size)
        self.digest.update(data)
        return data

    def readinto(self, buffer: Any) -> int:
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


class Lines:
    """Lines of UTF-8 text from ``read``, some of which can be given back.

    Raises ``UnicodeDecodeError`` where the next line is no text; the lines before it are given first.
    """

    def __init__(self, read: Callable[[int], bytes]) -> None:
        self._read, self._bytes, self._ended = read, b"", False
        self._back = deque[str]()

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if not self._back:
            self.give_back(self.take(1))
        if not self._back:
            raise StopIteration
        return self._back.popleft()

    def take(self, size: int) -> bytes:
        """The next ``size`` lines, fewer at the end or where lines had been given back."""
        if self._back:
            return "".join(self._back.popleft() for _ in range(min(size, len(self._back)))).encode()
        blocks, ends = [self._bytes], self._bytes.count(b"\n")
        while not self._ended and ends < size:
            blocks.append(self._read(_BLOCK))
            ends += blocks[-1].count(b"\n")
            self._ended = not blocks[-1]
        self._bytes = b"".join(blocks)
        found = self._bytes[: self._end_of(size)]
        if not found.isascii():
            try:
                found.decode()
            except UnicodeDecodeError as error:
                found = found[: found.rfind(b"\n", 0, error.start) + 1]
                if not found:
                    raise
        self._bytes = self._bytes[len(found) :]
        return found

    def give_back(self, lines: bytes) -> None:
        # A carriage return alone ends a line as well.
        self._back.extendleft(reversed(list(io.StringIO(lines.decode(), newline=""))))

    def _end_of(self, size: int) -> int:
        if size == 1:
            return self._bytes.find(b"\n") + 1 or len(self._bytes)
        ends = np.flatnonzero(np.frombuffer(self._bytes, dtype=np.uint8) == ord("\n"))
        return int(ends[size - 1]) + 1 if len(ends) >= size else len(self._bytes)


def seekable(stream: IO[bytes]) -> IO[bytes]:
    """``stream`` itself, or what it holds in a temporary file."""
    if not hasattr(stream, "read") or isinstance(stream, io.TextIOBase):
        raise StatisticsError("not_binary", "Open the import file in binary mode.")
    if stream.seekable():
        return stream
    copy = tempfile.TemporaryFile()  # noqa: SIM115  # lives as long as the reader
    while block := stream.read(1 << 20):
        copy.write(block)
    copy.seek(0)
    return copy


def encoding_of(stream: IO[bytes]) -> tuple[str, str | None]:
    """The encoding of the text that ``stream`` stands before, and the ``newline`` to open it with."""
    start = stream.tell()
    head = stream.read(1 << 16)
    stream.seek(start)
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16", None
    # Lines that end in carriage returns alone.
    return "utf-8-sig", None if re.search(rb"\r[^\n]", head) else ""


def utf_8(stream: Hashed, encoding: str, newline: str | None) -> Callable[[int], bytes]:
    """What reads the text as UTF-8, without a byte-order mark, its lines ending in line feeds."""
    if encoding == "utf-8-sig" and newline == "":
        start = [stream.read(len(codecs.BOM_UTF8)).removeprefix(codecs.BOM_UTF8)]
        return lambda size: start.pop() + stream.read(size) if start else stream.read(size)
    text = io.TextIOWrapper(io.BufferedReader(stream, 1 << 16), encoding=encoding, newline=newline)
    return lambda size: text.read(size).encode()
