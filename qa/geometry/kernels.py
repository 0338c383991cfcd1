"""The one door to the compiler: everything compiled in the engine goes through ``compiled``.

The compiled code is cached in a folder named after the engine's own source and the processor, so a
changed engine never runs an old kernel and a shared home folder never mixes two machines. The folder
is ``LABTRACK_KERNEL_CACHE`` or, when unset, the user's cache folder. ``LABTRACK_COMPILE=0`` runs the
same functions as plain Python, which the tests do once. ``LABTRACK_KERNEL_KEY`` names the folder
outright, for those who edit the engine: the compiler's own stamp per file then decides what is stale,
which misses a changed kernel called from another file.
"""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba

Function = TypeVar("Function", bound=Callable[..., Any])

COMPILING = os.environ.get("LABTRACK_COMPILE", "1") != "0"


def cache_folder() -> Path:
    """Folder of compiled kernels for this engine source and this processor."""
    base = os.environ.get("LABTRACK_KERNEL_CACHE")
    root = Path(base) if base else Path.home() / ".cache" / "fitledger" / "kernels"
    key = os.environ.get("LABTRACK_KERNEL_KEY")
    return root / (key or _source_digest())


def _source_digest() -> str:
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    digest.update(numba.__version__.encode())
    digest.update(f"{platform.machine()} {platform.processor()} {platform.python_version()}".encode())
    return digest.hexdigest()[:16]


def _prepare_cache() -> None:
    folder = cache_folder()
    folder.mkdir(parents=True, exist_ok=True)
    numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]  # made at run time


if COMPILING:
    _prepare_cache()


def compiled(*, parallel: bool = False, fastmath: bool = False) -> Callable[[Function], Function]:
    """Compile a numeric function, releasing the interpreter lock; a typed face for the compiler.

    ``parallel`` spreads ``numba.prange`` loops over the cores. ``fastmath`` allows re-association:
    never for figures compared with other libraries to the last digits.
    """

    def decorate(function: Function) -> Function:
        if not COMPILING:
            return function
        return cast(
            Function,
            numba.njit(cache=True, nogil=True, parallel=parallel, fastmath=fastmath)(function),
        )

    return decorate
