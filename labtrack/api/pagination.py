"""Lists come in pages."""

from __future__ import annotations

from typing import Any

from rest_framework.pagination import PageNumberPagination


class PagePagination(PageNumberPagination):
    """``?page=2&page_size=100``: count, next, previous, results; at most 200 to a page."""

    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 200
    invalid_page_message = "There is no such page."

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        described = super().get_paginated_response_schema(schema)
        described["properties"]["count"]["description"] = "How many there are on all pages."
        return described
