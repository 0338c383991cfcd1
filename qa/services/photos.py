"""Photos of defects: decoded here under limits and encoded again, so that only pixels are stored."""

from __future__ import annotations

import io
import warnings
from typing import IO

from django.conf import settings
from PIL import Image, ImageOps, UnidentifiedImageError

from cases.models import Blob
from cases.services.file_store import received_bytes, store
from labtrack.errors import Refused

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_PIXELS = 60_000_000
LONGEST_SIDE_PX = 2000
JPEG_QUALITY = 85


def clean_photo(source: IO[bytes], *, size_bytes: int) -> bytes:
    """The picture as a fresh JPEG, upright, at most 2000 px long, without what the camera wrote beside it.

    Raises ``Refused`` for a file that is too large, no picture, broken, or of too many pixels.
    """
    limit = settings.PHOTO_UPLOAD_LIMIT_BYTES
    if size_bytes > limit:
        raise Refused("photo-too-large", f"The photo is larger than {limit / 1e6:.0f} MB.", field="photo")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            return _encoded(source)
    except UnidentifiedImageError:
        raise Refused(
            "photo-unknown", "That is no photo Fitledger can read. Use JPEG, PNG or WebP.", field="photo"
        ) from None
    except (Image.DecompressionBombError, Image.DecompressionBombWarning, MemoryError):
        raise _too_many_pixels() from None
    except (OSError, ValueError, SyntaxError, EOFError):
        raise Refused(
            "photo-broken", "The photo is damaged or cut off. Take it again, or send it again.", field="photo"
        ) from None


def _encoded(source: IO[bytes]) -> bytes:
    with Image.open(source, formats=FORMATS) as picture:
        if picture.width * picture.height > MOST_PIXELS:
            raise _too_many_pixels()
        picture.draft("RGB", (LONGEST_SIDE_PX * 2, LONGEST_SIDE_PX * 2))
        upright = ImageOps.exif_transpose(picture)
        plain = upright.convert("RGB")
    plain.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    target = io.BytesIO()
    plain.save(target, "JPEG", quality=JPEG_QUALITY)
    return target.getvalue()


def _too_many_pixels() -> Refused:
    return Refused(
        "photo-too-many-pixels",
        f"The photo has more than {MOST_PIXELS / 1e6:.0f} megapixels. Save it smaller and send that.",
        field="photo",
    )


def store_photo(content: bytes) -> Blob:
    """Keep a cleaned photo; call inside the transaction that uses it."""
    with received_bytes(content, limit_bytes=settings.PHOTO_UPLOAD_LIMIT_BYTES) as source:
        return store(source)
