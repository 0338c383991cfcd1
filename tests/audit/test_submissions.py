"""A doubled tap, a retry, a reload: done once."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from django.db import connection

from cases.models import Clinic
from labtrack.audit.models import Submission
from labtrack.audit.services.submissions import KEY_LENGTH, once, part_key
from labtrack.errors import Conflict, Refused


def submit(actor: Any, *, key: str = "k1", code: str = "north", use_case: str = "add-clinic") -> Any:
    return once(
        actor=actor,
        key=key,
        use_case=use_case,
        payload={"code": code},
        model=Clinic,
        make=lambda: Clinic.objects.create(code=code, name=code.title()),
    )


@pytest.mark.django_db
def test_the_same_submission_twice_makes_one_thing(actors: Any) -> None:
    first, second = submit(actors.manager), submit(actors.manager)
    assert (first.repeated, second.repeated) == (False, True)
    assert first.thing == second.thing


@pytest.mark.django_db
def test_the_same_key_with_other_content_is_refused(actors: Any) -> None:
    submit(actors.manager)
    for changes in ({"code": "south"}, {"use_case": "other"}):
        with pytest.raises(Conflict) as refusal:
            submit(actors.manager, **changes)
        assert refusal.value.code == "key-reused"
    assert not Clinic.objects.filter(code="south").exists()


@pytest.mark.django_db
def test_a_key_belongs_to_one_person(actors: Any) -> None:
    submit(actors.manager)
    assert not submit(actors.administrator, code="south").repeated


@pytest.mark.django_db
def test_an_empty_key_is_not_remembered(actors: Any) -> None:
    submit(actors.manager, key="")
    submit(actors.manager, key="", code="south")
    assert not Submission.objects.exists()


def test_keys_of_the_parts_of_a_submission_stay_apart_however_long_the_key() -> None:
    longest = "k" * KEY_LENGTH
    keys = {part_key(key, part) for key in (longest, longest[:-1] + "l", "k") for part in ("plan", "start")}
    assert len(keys) == 6 and max(map(len, keys)) <= KEY_LENGTH
    assert part_key("", "plan") == ""


@pytest.mark.django_db
def test_a_key_too_long_is_refused_and_nothing_made(actors: Any) -> None:
    with pytest.raises(Conflict):
        submit(actors.manager, key="k" * (KEY_LENGTH + 1))
    assert not Clinic.objects.filter(code="north").exists()


@pytest.mark.django_db(transaction=True)
def test_a_refused_submission_frees_its_key(actors: Any) -> None:
    def refuse() -> Clinic:
        Clinic.objects.create(code="half", name="Half")
        raise Refused("no", "No.")

    with pytest.raises(Refused):
        once(actor=actors.manager, key="k1", use_case="add-clinic", payload={}, model=Clinic, make=refuse)
    assert not Clinic.objects.filter(code="half").exists()
    assert not submit(actors.manager).repeated


@pytest.mark.django_db(transaction=True)
def test_two_at_once_make_one_thing(actors: Any) -> None:
    outcomes: list[Any] = []
    start = threading.Barrier(2)

    def run() -> None:
        try:
            start.wait()
            outcomes.append(submit(actors.manager))
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcome.repeated for outcome in outcomes) == [False, True]
    assert Clinic.objects.filter(code="north").count() == 1
