"""The digest a client states of its file, in a header of RFC 9530."""

from __future__ import annotations

import base64
import binascii
import re

from rest_framework.request import Request

from labtrack.errors import Refused

_SHA256 = re.compile(r"(?:^|,)\s*sha-256\s*=\s*:([A-Za-z0-9+/=]*):\s*(?:;[^,]*)?(?=,|$)")
_HEADERS = ("Content-Digest", "Repr-Digest")


def stated_digest(request: Request) -> str:
    """SHA-256 in hexadecimal from ``Content-Digest`` or ``Repr-Digest``; empty when none is stated.

    Raises ``Refused`` when a header is there and holds no SHA-256, or when two differ: a client that
    asks for a check must not believe that one was made.
    """
    found = {_read(name, request.headers[name]) for name in _HEADERS if name in request.headers}
    if len(found) > 1:
        raise Refused("digest-ambiguous", "The two digest headers state different digests.")
    return found.pop() if found else ""


def _read(name: str, value: str) -> str:
    stated = _SHA256.search(value)
    try:
        digest = base64.b64decode(stated.group(1), validate=True) if stated else b""
    except binascii.Error:
        digest = b""
    if len(digest) != 32:
        raise Refused(
            "digest-unreadable",
            f"{name} holds no SHA-256 that can be read. Write it as sha-256=:base64 of the 32 bytes:.",
            field=name,
        )
    return digest.hex()
