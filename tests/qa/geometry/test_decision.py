"""The guard band of ISO 14253-1: where it decides, where it does not, and what that risks."""

from __future__ import annotations

import numpy as np
import pytest

from qa.geometry.decision import decide, worst


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (0.0, "pass"), (0.229, "pass"), (-0.229, "pass"), (0.231, "unknown"), (0.25, "unknown"),
        (0.269, "unknown"), (0.271, "fail"), (-0.271, "fail"), (float("nan"), "unknown"),
    ],
)  # fmt: skip
def test_the_limit_is_guarded_on_both_sides(value: float, verdict: str) -> None:
    assert decide("The error", value, 0.25, 0.02).verdict == verdict


def test_a_device_too_coarse_for_the_limit_passes_nothing_but_a_perfect_part() -> None:
    assert decide("The error", 0.01, 0.1, 0.12).verdict == "unknown"
    assert "too coarse" in decide("The error", 0.01, 0.1, 0.12).sentence


def test_limits_that_mean_nothing_are_refused() -> None:
    for limit, uncertainty in ((0.0, 0.1), (-1.0, 0.1), (1.0, -0.1), (float("nan"), 0.1)):
        with pytest.raises(ValueError, match="limit"):
            decide("The error", 0.1, limit, uncertainty)


def test_simulated_devices_accept_wrongly_no_more_than_the_stated_risk() -> None:
    # Expanded uncertainty at k = 2 (95 % two-sided): a part exactly at the limit passes in 2.3 % of cases,
    # one beyond it less often (ISO 14253-1; JCGM 106 calls it the consumer's risk; both from memory).
    random = np.random.default_rng(11)
    limit, uncertainty, trials = 0.25, 0.02, 20_000
    for truth in (limit, limit + 0.005, limit + 0.02):
        measured = truth + random.normal(0.0, uncertainty / 2, trials)
        accepted = np.mean([decide("", value, limit, uncertainty).verdict == "pass" for value in measured])
        assert accepted <= 0.025


def test_one_verdict_stands_for_several() -> None:
    assert worst(["pass", "unknown", "fail"]) == "fail"
    assert worst(["pass", "unknown"]) == "unknown"
    assert worst(["pass", "pass"]) == "pass"
    assert worst([]) == "unknown"
