"""The sheet of a comparison, whatever the files on it are called."""

from __future__ import annotations

import io
from types import SimpleNamespace
from typing import Any

import pytest
from django.utils import timezone
from matplotlib.figure import Figure

from qa import comparison_report
from qa.choices import Verdict


def test_a_dollar_sign_in_a_name_starts_no_formula(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(comparison_report, "headline", lambda _: r"costs $\odd$ more")
    monkeypatch.setattr(comparison_report, "identity_words", lambda _: r"$\odd$")
    named = SimpleNamespace(original_name=r"upper $\odd$ 3.stl")
    build = SimpleNamespace(label="B-1", printer="printer")
    row: Any = SimpleNamespace(
        occurred_at=timezone.now(),
        part=SimpleNamespace(mark="P-1", appliance=SimpleNamespace(label="upper 3"), build=build),
        scan=named,
        reference=named,
        verdict=Verdict.PASS,
    )
    figure = Figure()
    comparison_report._head(row, figure.subplots())
    figure.savefig(io.BytesIO(), format="png")
