"""What every address of the API does: tokens, scopes, problems, pages, limits."""

from __future__ import annotations

import json
from typing import Any, ClassVar

import pytest
from django.test import Client, override_settings
from django.urls import include, path
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from labtrack.accounts.choices import Capability
from labtrack.accounts.models import User
from labtrack.api.actor import idempotency_key
from labtrack.api.throttling import TokenRateThrottle
from labtrack.api.views import ApiView
from labtrack.errors import Conflict, Refused

pytestmark = pytest.mark.django_db


class Step(serializers.Serializer[Any]):
    value = serializers.IntegerField(min_value=1)


class Body(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=5)
    steps = Step(many=True, required=False)


class Things(ApiView):
    required_scope = Capability.CASES_READ
    method_scopes: ClassVar[dict[str, Capability]] = {"POST": Capability.CASES_WRITE}
    queryset = User.objects.order_by("pk")
    serializer_class = Body

    def get(self, request: Request) -> Response:
        page = self.paginate_queryset(self.get_queryset())
        assert page is not None
        return self.get_paginated_response([user.username for user in page])

    def post(self, request: Request) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        name = serializer.validated_data["name"]
        if name == "clash":
            raise Conflict("name-taken", "That name is taken.", field="name")
        if name == "refus":
            raise Refused("too-late", "It is too late for that.")
        if name == "break":
            raise ZeroDivisionError
        return Response(
            {"actor": self.actor.user.username, "via": self.actor.via, "key": self.key}, status=201
        )


class Closed(ApiView):
    """Names no scope."""

    def get(self, request: Request) -> Response:
        return Response({})


urlpatterns = [
    path("api/v1/things/", Things.as_view()),
    path("api/v1/closed/", Closed.as_view()),
    path("", include("labtrack.urls")),
]
handler404 = "labtrack.problem_pages.not_found"
handler500 = "labtrack.problem_pages.server_error"
THINGS = "/api/v1/things/"


@pytest.fixture(autouse=True)
def _routes() -> Any:
    from django.core.cache import cache

    cache.clear()
    with override_settings(ROOT_URLCONF=__name__):
        yield


@pytest.fixture
def client(people: Any, api_client: Any) -> Any:
    return api_client(people.technician)


def problem_of(answer: Any, status: int, code: str) -> dict[str, Any]:
    """The members that RFC 9457 section 3.1 names, as it types them, and ours beside them."""
    assert answer.status_code == status
    assert answer["Content-Type"] == "application/problem+json"
    problem: dict[str, Any] = json.loads(answer.content)
    assert problem["type"] == "about:blank"
    assert isinstance(problem["title"], str)
    assert problem["status"] == status
    assert problem["detail"].strip()
    assert problem["code"] == code
    return problem


def test_it_asks_for_a_token(client: Any) -> None:
    answer = Client().get(THINGS)
    problem_of(answer, 401, "token-missing")
    assert answer["WWW-Authenticate"] == 'Bearer realm="Fitledger"'


@pytest.mark.parametrize("header", ["Bearer", "Bearer two words", "Bearer fl_unknown", "Bearer \u00e9"])
def test_it_says_what_is_wrong_with_a_token(client: Any, header: str) -> None:
    answer = Client(headers={"Authorization": header}).get(THINGS)
    problem_of(answer, 401, "token-unknown")


def test_a_session_is_no_token(people: Any, client_of: Any) -> None:
    problem_of(client_of(people.technician).get(THINGS), 401, "token-missing")


def test_it_acts_as_the_owner(client: Any) -> None:
    answer = client.post_json(THINGS, {"name": "ok"}, key="k-1")
    assert answer.status_code == 201
    assert answer.json() == {"actor": "tessa", "via": "api", "key": "k-1"}


def test_a_scope_that_the_token_lacks(people: Any, api_client: Any) -> None:
    narrow = api_client(people.technician, ["cases:read"])
    assert narrow.get(THINGS).status_code == 200
    problem = problem_of(narrow.post_json(THINGS, {"name": "ok"}), 403, "scope-missing")
    assert "'cases:write'" in problem["detail"]


def test_a_role_that_lost_what_the_token_has(people: Any, api_client: Any) -> None:
    client = api_client(people.technician)
    User.objects.filter(pk=people.technician.pk).update(role="administrator")
    problem_of(client.post_json(THINGS, {"name": "ok"}), 403, "not-allowed")


def test_a_view_that_names_no_scope_is_closed(client: Any) -> None:
    problem_of(client.get("/api/v1/closed/"), 403, "not-allowed")


def test_bad_fields_are_named_by_their_path(client: Any) -> None:
    answer = client.post_json(THINGS, {"name": "far too long", "steps": [{"value": 3}, {"value": 0}]})
    problem = problem_of(answer, 422, "invalid")
    assert {error["field"] for error in problem["errors"]} == {"name", "steps.1.value"}
    assert problem["detail"] == "2 fields cannot be used as sent; each is named in errors."


def test_one_bad_field_is_said_in_the_sentence(client: Any) -> None:
    problem = problem_of(client.post_json(THINGS, {}), 422, "invalid")
    assert problem["detail"] == "name: This field is required."


@pytest.mark.parametrize(
    ("name", "status", "code"), [("clash", 409, "name-taken"), ("refus", 422, "too-late")]
)
def test_refusals_of_use_cases_keep_code_and_status(client: Any, name: str, status: int, code: str) -> None:
    problem = problem_of(client.post_json(THINGS, {"name": name}), status, code)
    assert ("errors" in problem) == (name == "clash")


@pytest.mark.parametrize(
    "body",
    [b"{", b"\xff\xfe", b"[" * 100_000, b'{"name": "\\ud800"}', b'{"name": "a\\u0000b"}', b"NaN", b'"text"'],
)
def test_an_unreadable_body_is_no_crash(client: Any, body: bytes) -> None:
    answer = client.post(THINGS, body, content_type="application/json")
    assert answer.status_code in (400, 422)
    assert answer["Content-Type"] == "application/problem+json"


def test_a_body_too_large(client: Any, settings: Any) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
    answer = client.post_json(THINGS, {"name": "x" * 200})
    problem_of(answer, 413, "too-large")


def test_another_media_type(client: Any) -> None:
    answer = client.post(THINGS, "<a/>", content_type="application/xml")
    problem_of(answer, 415, "unsupported-media-type")


def test_a_method_that_is_not_there(client: Any) -> None:
    answer = client.delete(THINGS)
    problem_of(answer, 405, "method-not-allowed")
    assert "GET" in answer["Allow"]


def test_an_unknown_address(client: Any) -> None:
    problem_of(client.get("/api/v1/nothing/"), 404, "not-found")


def test_a_break_says_nothing_of_its_cause(client: Any, caplog: pytest.LogCaptureFixture) -> None:
    problem = problem_of(client.post_json(THINGS, {"name": "break"}), 500, "broken")
    assert "ZeroDivision" not in str(problem)
    assert "ZeroDivisionError" in caplog.text


def test_lists_come_in_pages(client: Any) -> None:
    first = client.get(THINGS, {"page_size": 3}).json()
    assert (first["count"], len(first["results"]), first["previous"]) == (User.objects.count(), 3, None)
    assert first["next"].endswith("page=2&page_size=3")
    second = client.get(first["next"]).json()
    assert set(first["results"]).isdisjoint(second["results"])


@pytest.mark.parametrize("page", ["0", "-1", "999", "x", "9" * 400])
def test_a_page_that_is_not_there(client: Any, page: str) -> None:
    problem_of(client.get(THINGS, {"page": page}), 404, "not-found")


def test_a_page_holds_at_most_200(client: Any) -> None:
    User.objects.bulk_create(User(username=f"u{n}", name=f"U {n}", role="clinic") for n in range(210))
    assert len(client.get(THINGS, {"page_size": 1000}).json()["results"]) == 200


def test_too_many_requests_say_when_to_come_back(
    client: Any, people: Any, api_client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(TokenRateThrottle, "THROTTLE_RATES", {"token": "2/min"})
    assert [client.get(THINGS).status_code for _ in range(2)] == [200, 200]
    answer = client.get(THINGS)
    problem_of(answer, 429, "too-many-requests")
    assert 1 <= int(answer["Retry-After"]) <= 60
    assert api_client(people.quality).get(THINGS).status_code == 200


@pytest.mark.parametrize("key", ["k" * 101, "tab\there", "\u00fc"])
def test_an_unusable_idempotency_key(client: Any, key: str) -> None:
    answer = client.post_json(THINGS, {"name": "ok"}, key=key)
    problem_of(answer, 422, "idempotency-key-unusable")


def test_no_key_is_an_empty_one(rf: Any) -> None:
    assert idempotency_key(rf.get("/")) == ""
