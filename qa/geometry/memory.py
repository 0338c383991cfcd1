"""Give memory back as soon as an array is gone.

The C library's allocator (glibc) moves its limit for what it maps apart up to the largest array freed so far,
to 32 MB; smaller arrays then come from one heap whose holes it keeps. A check makes and drops arrays of that
size by the dozen, and a worker would keep twice what it ever used at once. Other C libraries need no word.
"""

from __future__ import annotations

import ctypes
from functools import cache

_MAP_THRESHOLD = -3  # M_MMAP_THRESHOLD of mallopt(3)
_FROM_BYTES = 512 * 1024


@cache
def give_back_large_arrays() -> bool:
    """Map arrays of half a megabyte and more apart from now on, in this process; whether it could be set."""
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):
        return False
    return bool(mallopt(_MAP_THRESHOLD, _FROM_BYTES))
