"""The API's page for people: the schema, written out plainly."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_http_methods

from labtrack.api.schema import full_schema
from labtrack.web import page

_METHODS = ("get", "post", "put", "patch", "delete")


@dataclass(frozen=True)
class Member:
    """A parameter or a member of a body."""

    name: str
    kind: str
    required: bool
    text: str
    place: str = ""


@dataclass(frozen=True)
class Operation:
    method: str
    path: str
    summary: str
    text: str
    scope: str
    anchor: str
    parameters: list[Member] = field(default_factory=list)
    body_type: str = ""
    body: list[Member] = field(default_factory=list)
    answers: list[tuple[str, str, list[Member]]] = field(default_factory=list)


@require_http_methods(["GET", "HEAD"])
@page()
def docs(request: HttpRequest) -> HttpResponse:
    return render(request, "labtrack/api_docs.html", {"groups": groups()})


@cache
def groups() -> tuple[tuple[str, list[Operation]], ...]:
    """Operations by their tag; made once, since the schema does not change while running."""
    schema = full_schema()
    found: dict[str, list[Operation]] = {}
    for path, item in schema.get("paths", {}).items():
        for method in _METHODS:
            if method in item:
                operation = _operation(schema, path, method, item[method])
                tag = (item[method].get("tags") or ["api"])[0]
                found.setdefault(tag, []).append(operation)
    return tuple(sorted(found.items()))


def _operation(schema: dict[str, Any], path: str, method: str, raw: dict[str, Any]) -> Operation:
    content: dict[str, Any] = _resolve(schema, raw.get("requestBody", {})).get("content", {})
    body_type = next(iter(content), "")
    answers = []
    for status, answer in raw.get("responses", {}).items():
        if "$ref" in answer:
            continue
        contents: list[dict[str, Any]] = list(answer.get("content", {}).values())
        inner = contents[0].get("schema", {}) if contents else {}
        answers.append((str(status), answer.get("description", ""), _members(schema, inner)))
    first, _, rest = raw.get("description", "").partition("\n")
    return Operation(
        method=method.upper(),
        path=path,
        summary=raw.get("summary") or first or raw.get("operationId", "").replace("_", " "),
        text=raw.get("description", "") if raw.get("summary") else rest.strip(),
        scope=raw.get("x-scope", ""),
        anchor=raw.get("operationId", f"{method}{path}"),
        parameters=[_parameter(schema, one) for one in raw.get("parameters", [])],
        body_type=body_type,
        body=_members(schema, content.get(body_type, {}).get("schema", {})),
        answers=answers,
    )


def _parameter(schema: dict[str, Any], raw: dict[str, Any]) -> Member:
    raw = _resolve(schema, raw)
    kind = _kind(schema, raw.get("schema", {}))
    return Member(raw["name"], kind, bool(raw.get("required")), raw.get("description", ""), raw.get("in", ""))


def _members(schema: dict[str, Any], raw: dict[str, Any]) -> list[Member]:
    """The members of an object, or of the objects of a list or of a page's ``results``."""
    raw = _resolve(schema, raw)
    if raw.get("type") == "array":
        return _members(schema, raw.get("items", {}))
    properties = raw.get("properties", {})
    required = set(raw.get("required", []))
    return [
        Member(
            name,
            _kind(schema, one),
            name in required,
            one.get("description") or _resolve(schema, one).get("description", ""),
        )
        for name, one in properties.items()
    ]


def _kind(schema: dict[str, Any], raw: dict[str, Any]) -> str:
    name = raw.get("$ref", "").rpartition("/")[2]
    raw = _resolve(schema, raw)
    if raw.get("enum"):
        return "one of " + ", ".join(str(value) for value in raw["enum"] if value is not None)
    if raw.get("type") == "array":
        return f"list of {_kind(schema, raw.get('items', {}))}"
    for word in ("oneOf", "anyOf", "allOf"):
        if word in raw:
            return " or ".join(filter(None, (_kind(schema, one) for one in raw[word])))
    kind = name if raw.get("type") == "object" and name else raw.get("format") or raw.get("type") or name
    kind = " or ".join(kind) if isinstance(kind, list) else str(kind)
    return f"{kind} or null" if raw.get("nullable") else kind


def _resolve(schema: dict[str, Any], raw: dict[str, Any]) -> dict[str, Any]:
    seen = 0
    while "$ref" in raw and seen < 10:
        place: Any = schema
        for part in raw["$ref"].removeprefix("#/").split("/"):
            place = place.get(part, {})
        raw, seen = place, seen + 1
    return raw
