"""Taking mesh files out of a request: streamed to disk, counted, hashed on the way, never held in memory."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, cast

from django.conf import settings
from django.core.files.uploadedfile import TemporaryUploadedFile, UploadedFile
from django.core.files.uploadhandler import TemporaryFileUploadHandler
from django.http import HttpRequest, UnreadablePostError

from cases.services.file_store import CHUNK_BYTES, CutOff, Received, TooLarge, require_content
from labtrack.errors import DomainError, Refused
from labtrack.whole_numbers import whole_number

# What a multipart body holds besides its file: boundaries and a handful of short fields.
FORM_OVERHEAD_BYTES = 100_000
# A form without scripts sends all its files in one body.
MOST_FILES = 20
MOST_FORM_BYTES = 1_000_000_000


class LengthMissing(DomainError):
    status = 411

    def __init__(self) -> None:
        super().__init__("length-missing", "Send the file with its length (Content-Length), not in chunks.")


class MeshUploadHandler(TemporaryFileUploadHandler):
    """Writes each file of a form into the file store's incoming folder, with its SHA-256.

    Stops at the first byte past the limit. The digest is the ``sha256`` attribute of the uploaded file.
    """

    chunk_size = CHUNK_BYTES

    def __init__(self, request: HttpRequest, *, limit_bytes: int) -> None:
        super().__init__(request)
        self.limit_bytes = limit_bytes
        self.opened = 0

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        self.opened += 1
        if self.opened > MOST_FILES:
            raise Refused("too-many-files", f"Send up to {MOST_FILES} files at once.", field="files")
        super().new_file(*args, **kwargs)
        self._digest = hashlib.sha256()
        self._size = 0

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes | None:
        self._size += len(raw_data)
        if self._size > self.limit_bytes:
            self.file.close()
            raise TooLarge(self.limit_bytes)
        self._digest.update(raw_data)
        return super().receive_data_chunk(raw_data, start)

    def file_complete(self, file_size: int) -> UploadedFile[Any] | None:
        done = super().file_complete(file_size)
        if done is not None:
            done.sha256 = self._digest.hexdigest()  # type: ignore[attr-defined]
        return done


class ArrivedBytes:
    """Counts what is read of a request's body, to tell a whole form from one that was cut off.

    The parser of forms takes the end of the connection for the end of the last file.
    """

    def __init__(self, request: HttpRequest) -> None:
        self.stated = stated_length(request)
        self.arrived = 0
        self._read = request.read
        request.read = self.read  # type: ignore[method-assign]

    def read(self, *args: Any, **kwargs: Any) -> bytes:
        chunk = self._read(*args, **kwargs)
        self.arrived += len(chunk)
        return chunk

    def require_all(self) -> None:
        """Raise ``CutOff`` when the body ended before its stated length."""
        if self.arrived < self.stated:
            raise CutOff(self.arrived, self.stated)


def stated_length(request: HttpRequest) -> int:
    """The body's length as its header states it. Raises ``LengthMissing`` when it does not."""
    length = whole_number(request.META.get("CONTENT_LENGTH") or "")
    if length is None or request.META.get("HTTP_TRANSFER_ENCODING"):
        raise LengthMissing
    return length


def refuse_large_body(request: HttpRequest, *, limit_bytes: int, allowance_bytes: int = 0) -> None:
    """Raise ``TooLarge`` for a body that states more than the limit, before it is taken in."""
    if stated_length(request) > limit_bytes + allowance_bytes:
        raise TooLarge(limit_bytes)


def drain(request: HttpRequest) -> None:
    """Read and throw away what is left of a refused body, unless it is far too large.

    A client that is still sending would otherwise see a broken connection and never the sentence.
    """
    left = 2 * mesh_limit()
    with suppress(UnreadablePostError):
        while left > 0 and (chunk := request.read(CHUNK_BYTES)):
            left -= len(chunk)


def mesh_limit() -> int:
    return int(settings.MESH_UPLOAD_LIMIT_BYTES)


def prepare_form_upload(request: HttpRequest, *, limit_bytes: int) -> ArrivedBytes:
    """Set up the streaming of a form's files; call before anything looks at the form."""
    counted = ArrivedBytes(request)
    request.upload_handlers = [MeshUploadHandler(request, limit_bytes=limit_bytes)]
    return counted


@contextmanager
def received_from_form(uploaded: UploadedFile[Any]) -> Iterator[Received]:
    """An uploaded file as the services take it; its temporary file is gone afterwards unless stored."""
    file = cast(TemporaryUploadedFile, uploaded)
    try:
        size = file.size or 0
        require_content(size)
        yield Received(Path(file.temporary_file_path()), file.sha256, size)  # type: ignore[attr-defined]
    finally:
        file.close()
