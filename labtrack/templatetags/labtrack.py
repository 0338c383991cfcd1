"""The tags every page is made of: ``{% load labtrack %}``."""

from __future__ import annotations

import uuid
from datetime import date, datetime
from typing import Any

from django import template
from django.core.paginator import Page
from django.forms import BoundField, CheckboxInput, CheckboxSelectMultiple, Form, RadioSelect
from django.template.loader_tags import BLOCK_CONTEXT_KEY
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.html import format_html, strip_tags
from django.utils.safestring import SafeString

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.queries import history_of
from labtrack.cautions import CAUTIONS, DEFER
from labtrack.charts import Chart

register = template.Library()

VERDICT_WORDS = {"pass": "Pass", "review": "Review", "fail": "Fail", "unknown": "Cannot tell"}
OUTCOME_WORDS = {"good": "Good", "rework": "Rework", "scrapped": "Scrapped", "": "Not yet"}
OUTCOME_SHAPES = {"good": "pass", "rework": "review", "scrapped": "fail"}


def _mark(shape: str, word: object) -> SafeString:
    return format_html(
        '<span class="verdict verdict-{0}"><svg class="shape" aria-hidden="true" focusable="false">'
        '<use href="#shape-{0}"/></svg>{1}</span>',
        shape,
        word,
    )


@register.simple_tag
def verdict(value: str | None, label: object = "") -> SafeString:
    """A verdict as a shape and a word: pass, review, fail; anything else cannot tell."""
    shape = value if value in VERDICT_WORDS else "unknown"
    return _mark(str(shape), label or VERDICT_WORDS[str(shape)])


@register.simple_tag
def outcome(value: str | None, label: object = "") -> SafeString:
    """An outcome as a shape and a word; empty is *Not yet*."""
    return _mark(
        OUTCOME_SHAPES.get(value or "", "open"), label or OUTCOME_WORDS.get(value or "", value or "")
    )


@register.inclusion_tag("labtrack/tags/field.html")
def field(bound: BoundField, unit: str = "") -> dict[str, Any]:
    """Label, input, help and errors of one form field; ``unit`` is shown behind the input."""
    widget = bound.field.widget
    return {
        "bound": bound,
        "unit": unit,
        "single_box": isinstance(widget, CheckboxInput),
        "many": isinstance(widget, RadioSelect | CheckboxSelectMultiple),
        "hidden": bound.is_hidden,
    }


@register.inclusion_tag("labtrack/tags/form_errors.html")
def form_errors(form: Form) -> dict[str, Any]:
    """What is wrong with the form as a whole, at its top, where a reader starts."""
    return {"form": form, "count": len(form.errors)}


@register.simple_tag
def submission_key() -> SafeString:
    """The hidden key that makes a doubled tap change nothing."""
    return format_html('<input type="hidden" name="submission_key" value="{}">', uuid.uuid4())


@register.inclusion_tag("labtrack/tags/chart.html")
def chart(drawn: Chart) -> dict[str, Any]:
    """The figure, its numbers as a table, and the way to its CSV."""
    return {"chart": drawn, "figure_id": f"figure-{drawn.name}"}


@register.inclusion_tag("labtrack/tags/caution.html")
def caution(kind: str) -> dict[str, Any]:
    """The usual cautions of one kind of work."""
    return {"caution": CAUTIONS[kind], "defer": DEFER}


@register.inclusion_tag("labtrack/tags/pager.html", takes_context=True)
def pager(context: template.Context, page_obj: Page[Any]) -> dict[str, Any]:
    """Earlier and later pages of a list, keeping its filters."""
    return {"page": page_obj, "request": context.get("request")}


@register.simple_tag
def moment(value: datetime | None) -> SafeString | str:
    """Date and time in the lab's time zone."""
    if value is None:
        return "–"
    local = timezone.localtime(value)
    return format_html(
        '<time datetime="{}">{}</time>', local.isoformat(timespec="seconds"), date_format(local, "j M Y, H:i")
    )


@register.simple_tag
def day(value: date | str | None) -> SafeString | str:
    """A day, also one kept as ISO 8601 text."""
    if value is None:
        return "–"
    shown = date.fromisoformat(value) if isinstance(value, str) else value
    return format_html('<time datetime="{}">{}</time>', shown.isoformat(), date_format(shown, "j M Y"))


@register.simple_tag
def number(value: Any, digits: int = 0, unit: str = "") -> SafeString | str:
    """A figure with thin spaces between thousands and its unit; a dash when there is none."""
    if value is None or value == "":
        return "–"
    text = f"{float(value):,.{int(digits)}f}".replace(",", "\u202f").replace("-", "\u2212")
    if not unit:
        return format_html('<span class="figure">{}</span>', text)
    return format_html('<span class="figure">{}</span>&nbsp;<span class="unit">{}</span>', text, unit)


@register.inclusion_tag("labtrack/tags/history.html", takes_context=True)
def history(context: template.Context, thing: Any) -> dict[str, Any]:
    """What was changed on ``thing``, for who may read the record."""
    user = getattr(context.get("request"), "user", None)
    allowed = user is not None and user.is_authenticated and Actor(user).may(Capability.AUDIT_READ)
    return {"changes": history_of(thing) if allowed else [], "allowed": allowed, "thing": thing}


@register.simple_tag(takes_context=True)
def block_text(context: template.Context, name: str) -> str:
    """The text of a block a second time: the page's heading as the document's title."""
    block = context.render_context[BLOCK_CONTEXT_KEY].get_block(name)
    return strip_tags(block.render(context)).strip()
