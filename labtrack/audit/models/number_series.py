"""Counters of case, build and other numbers: without gaps, never reused."""

from __future__ import annotations

from django.db import models


class NumberSeries(models.Model):
    """One counter row per kind of number; taken inside the transaction that uses the number."""

    name = models.CharField(max_length=40, unique=True)
    last = models.PositiveBigIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.name}: {self.last}"
