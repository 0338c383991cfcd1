"""Files by their content: received into ``incoming``, checked, and renamed into place last.

A file below ``blobs`` is always whole: it is written and synced elsewhere on the same file system and
appears by one atomic rename. A process that dies leaves at most a file in ``incoming`` or a blob that
no row names; the sweep removes both once they are old.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from django.conf import settings

from cases.models import Blob
from labtrack.errors import DomainError, Refused

CHUNK_BYTES = 1024 * 1024
# An upload that is still running changes its file all the time.
STALE_INCOMING = timedelta(hours=6)
STALE_BLOB = timedelta(days=1)


class TooLarge(DomainError):
    """More bytes than may be stored."""

    status = 413

    def __init__(self, limit_bytes: int) -> None:
        super().__init__(
            "too-large",
            f"The file is larger than {limit_bytes:,} bytes ({limit_bytes / 1e6:,.0f} MB). "
            "Reduce the mesh, or save it in a binary format, and send it again.",
            field="file",
        )


class CutOff(DomainError):
    """Fewer bytes arrived than were announced."""

    status = 400

    def __init__(self, arrived: int, stated: int) -> None:
        super().__init__(
            "cut-off",
            f"Only {arrived:,} of {stated:,} bytes arrived, so nothing was stored. Send the file again.",
            field="file",
        )


@dataclass(frozen=True)
class Received:
    """A file in ``incoming`` that is whole, with its digest."""

    path: Path
    sha256: str
    size_bytes: int


def blob_path(blob: Blob) -> Path:
    """Where the bytes of ``blob`` lie."""
    return Path(settings.FILE_STORE) / blob.path


def incoming_folder() -> Path:
    folder = Path(settings.FILE_STORE) / "incoming"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return folder


@contextmanager
def received(
    read: Callable[[int], bytes], *, limit_bytes: int, stated_bytes: int | None = None
) -> Iterator[Received]:
    """Stream ``read`` into a file of ``incoming`` that is gone afterwards unless it was stored.

    Raises ``TooLarge`` at the first byte past the limit, ``CutOff`` when fewer than ``stated_bytes``
    arrive, ``Refused`` when there are none.
    """
    if stated_bytes is not None and stated_bytes > limit_bytes:
        raise TooLarge(limit_bytes)
    descriptor, name = tempfile.mkstemp(dir=incoming_folder(), suffix=".part")
    path = Path(name)
    try:
        digest, size = _copy(read, descriptor, limit_bytes)
        if stated_bytes is not None and size != stated_bytes:
            raise CutOff(size, stated_bytes)
        require_content(size)
        yield Received(path, digest, size)
    finally:
        path.unlink(missing_ok=True)


@contextmanager
def received_bytes(content: bytes, *, limit_bytes: int) -> Iterator[Received]:
    """``received`` for content that is at hand, such as a generated preview."""
    offset = 0

    def read(count: int) -> bytes:
        nonlocal offset
        chunk = content[offset : offset + count]
        offset += len(chunk)
        return chunk

    with received(read, limit_bytes=limit_bytes) as source:
        yield source


def require_content(size_bytes: int) -> None:
    if size_bytes == 0:
        raise Refused("empty", "The file is empty. Export it again and send that.", field="file")


def _copy(read: Callable[[int], bytes], descriptor: int, limit_bytes: int) -> tuple[str, int]:
    digest = hashlib.sha256()
    size = 0
    with os.fdopen(descriptor, "wb") as target:
        while chunk := read(CHUNK_BYTES):
            size += len(chunk)
            if size > limit_bytes:
                raise TooLarge(limit_bytes)
            digest.update(chunk)
            target.write(chunk)
    return digest.hexdigest(), size


def blob_row(source: Received) -> tuple[Blob, bool]:
    """The row of these bytes, made if need be, and whether it is new."""
    return Blob.objects.get_or_create(sha256=source.sha256, defaults={"size_bytes": source.size_bytes})


def land(blob: Blob, source: Received) -> None:
    """Put the received file where ``blob`` says, unless whole bytes already lie there.

    The last act of a transaction. When the commit fails after it, the file is an orphan for the sweep.
    """
    target = blob_path(blob)
    with suppress(FileNotFoundError):
        if target.stat().st_size == source.size_bytes:
            # Young again, so that a sweep in this very moment lets it be.
            os.utime(target)
            return
    _sync_file(source.path)
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    source.path.replace(target)
    _sync_folder(target.parent)


def store(source: Received) -> Blob:
    """Row and file of ``source``, in the running transaction."""
    blob, _ = blob_row(source)
    land(blob, source)
    return blob


def _sync_file(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sync_folder(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@dataclass(frozen=True)
class SweptFiles:
    incoming: int
    orphans: int


def sweep_files(*, now_s: float | None = None) -> SweptFiles:
    """Remove what interrupted uploads left: old incoming files, and old blobs without a row."""
    now_s = time.time() if now_s is None else now_s
    incoming = 0
    for path in incoming_folder().iterdir():
        if _older(path, now_s, STALE_INCOMING):
            path.unlink(missing_ok=True)
            incoming += 1
    orphans = sum(_remove_orphan(path, now_s) for path in _old_blobs(now_s))
    return SweptFiles(incoming=incoming, orphans=orphans)


def _old_blobs(now_s: float) -> Iterator[Path]:
    folder = Path(settings.FILE_STORE) / "blobs"
    if not folder.is_dir():
        return
    for shelf in sorted(folder.iterdir()):
        old = [path for path in shelf.iterdir() if _older(path, now_s, STALE_BLOB)]
        names = [path.name for path in old]
        known = set(Blob.objects.filter(sha256__in=names).values_list("sha256", flat=True))
        yield from (path for path in old if path.name not in known)


def _remove_orphan(path: Path, now_s: float) -> bool:
    """Take the file aside first: one that an upload made young in the same moment is put back."""
    aside = incoming_folder() / f"orphan-{path.name}"
    try:
        path.replace(aside)
    except FileNotFoundError:
        return False
    if not _older(aside, now_s, STALE_BLOB):
        with suppress(FileExistsError):
            os.link(aside, path)
        aside.unlink()
        return False
    aside.unlink()
    return True


def _older(path: Path, now_s: float, age: timedelta) -> bool:
    try:
        return now_s - path.stat().st_mtime > age.total_seconds()
    except FileNotFoundError:
        return False
