"""How each view is described. Apart from ``schema`` because the framework loads it before its views."""

from __future__ import annotations

from typing import Any

from drf_spectacular.openapi import AutoSchema as SpectacularSchema

from labtrack.accounts.api.permissions import required_scope

_WRITES = frozenset({"POST", "PUT", "PATCH"})


class AutoSchema(SpectacularSchema):
    """Adds what every operation shares: the scope it asks for, and the problems it may answer."""

    def get_operation(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        operation: dict[str, Any] | None = super().get_operation(*args, **kwargs)
        if operation is None:
            return None
        scope = required_scope(self.view, self.method)
        codes = ["401", "403", "429"] if scope is not None else []
        if "{" in self.path:
            codes.append("404")
        if self.method in _WRITES:
            codes += ["400", "409", "415", "422"]
        for code in sorted(codes):
            operation["responses"].setdefault(code, {"$ref": "#/components/responses/Problem"})
        if scope is not None:
            operation["security"] = [{"token": []}]
            operation["x-scope"] = scope.value
        return operation
