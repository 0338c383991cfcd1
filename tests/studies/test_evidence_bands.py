"""A small seeded part of the study of simulated labs; the whole is ``python -m tests.studies.evidence``."""

from __future__ import annotations

import pytest

from tests.studies.evidence import SETTINGS, run
from tests.studies.labs import Setting

SUBSET = {
    "nothing, 600 parts": 30,
    "wash skipped": 15,
    "no supports": 15,
    "tank age": 8,
    "wash tied to operator": 15,
    "wash on one printer only": 6,
}
CHOSEN = [(setting, SUBSET[setting.name]) for setting in SETTINGS if setting.name in SUBSET]


@pytest.mark.parametrize(("setting", "labs"), CHOSEN, ids=[setting.name for setting, _ in CHOSEN])
def test_simulated_labs_stay_near_their_bands(setting: Setting, labs: int) -> None:
    # So few labs cannot prove a band: each limit is what a band just met would break once in 1,000 runs.
    tally = run(setting, labs=labs, seed=20)
    misses = labs * 0.07
    slack = misses + 3.1 * (misses * 0.93) ** 0.5
    if setting.factor is None:
        assert tally.told <= slack
        return
    assert labs - tally.covered <= slack
    assert tally.wrong_alone == 0
    if setting.kind in ("level", "age"):
        assert labs - tally.first <= slack
    if setting.tied_to:
        assert labs - tally.grouped <= slack
    if setting.kind == "one printer":
        assert tally.interaction == labs
    if setting.kind == "age":
        assert labs - tally.tanks <= slack
