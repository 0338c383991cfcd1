"""The one file of the plotly wheel that pages need, served from the wheel itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import plotly
from django.contrib.staticfiles.finders import BaseFinder
from django.core.files.storage import FileSystemStorage

FOLDER = Path(plotly.__file__).parent / "package_data"
FILE = "plotly.min.js"


class PlotlyFinder(BaseFinder):
    """Finds ``plotly/plotly.min.js`` and leaves the wheel's other data alone."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.storage = FileSystemStorage(location=FOLDER)
        self.storage.prefix = "plotly"  # type: ignore[attr-defined]

    def check(self, **kwargs: Any) -> list[Any]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:  # noqa: FBT001, FBT002 - Django's
        found = [str(FOLDER / FILE)] if path == f"plotly/{FILE}" else []
        return found if find_all else (found[0] if found else [])

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterator[tuple[str, FileSystemStorage]]:
        yield FILE, self.storage
