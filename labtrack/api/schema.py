"""The API described in OpenAPI: served, kept in git as docs/openapi.yaml, shown by the docs page."""

from __future__ import annotations

from typing import Any

from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.renderers import OpenApiYamlRenderer
from drf_spectacular.views import SpectacularAPIView
from rest_framework.permissions import AllowAny

PROBLEM: dict[str, Any] = {
    "type": "object",
    "description": "RFC 9457 problem details.",
    "required": ["type", "title", "status", "detail", "code"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "A sentence for a person."},
        "code": {"type": "string", "description": "Stable, for programs."},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["field", "detail", "code"],
                "properties": {
                    "field": {"type": "string"},
                    "detail": {"type": "string"},
                    "code": {"type": "string"},
                },
            },
        },
    },
}


class SchemaUnclear(Exception):
    """The schema would guess; each line names the view and what it leaves open."""


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "labtrack.accounts.api.authentication.TokenAuthentication"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "Made on the Tokens page, with scopes and expiry.",
        }


def add_problems(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Spectacular's last hook: the problem's own description, once."""
    components = result.setdefault("components", {})
    components.setdefault("schemas", {})["Problem"] = PROBLEM
    components.setdefault("responses", {})["Problem"] = {
        "description": "It was refused; see the problem.",
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }
    return result


def full_schema() -> dict[str, Any]:
    """The whole schema as plain data."""
    generator = SchemaGenerator()  # type: ignore[no-untyped-call]
    schema: dict[str, Any] = generator.get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    return schema


def schema_text() -> str:
    """The schema as YAML; raises ``SchemaUnclear`` when a view does not say what it takes or gives."""
    GENERATOR_STATS.reset()
    with GENERATOR_STATS.silence():
        schema = full_schema()
    unclear = [*GENERATOR_STATS._error_cache, *GENERATOR_STATS._warn_cache]
    if unclear:
        raise SchemaUnclear("\n".join(str(one) for one in unclear))
    rendered: bytes = OpenApiYamlRenderer().render(schema, renderer_context={})  # type: ignore[no-untyped-call]
    return rendered.decode()


class SchemaView(SpectacularAPIView):
    """OpenAPI 3 of this API. It holds no data of the lab, so it asks for no token."""

    authentication_classes = ()
    permission_classes = (AllowAny,)
    throttle_classes = ()
