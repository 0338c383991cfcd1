"""A range of days that trends are asked for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from django.utils import timezone


@dataclass(frozen=True)
class Range:
    """Days from ``start`` to ``end``, both counted."""

    start: date
    end: date

    @staticmethod
    def last(days: int, *, today: date | None = None) -> Range:
        end = today or timezone.localdate()
        return Range(end - timedelta(days=days - 1), end)

    @property
    def before(self) -> Range:
        """As many days, right before these."""
        length = self.end - self.start + timedelta(days=1)
        return Range(self.start - length, self.start - timedelta(days=1))

    @property
    def query(self) -> str:
        """For a link."""
        return f"from={self.start:%Y-%m-%d}&to={self.end:%Y-%m-%d}"
