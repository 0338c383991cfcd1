"""Work instructions: versions, reading, and editing into a new version."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.text import slugify
from django.views.decorators.http import require_http_methods, require_safe

from labtrack.accounts.choices import Capability
from labtrack.errors import DomainError, Refused
from labtrack.numbers import plain_number
from labtrack.web import actor_of, page, submission_key
from labtrack.whole_numbers import whole_number
from production.answer_sheet import limits_in_words
from production.choices import WORK_STEPS, AnswerKind, Step
from production.models import InstructionItem, WorkInstruction
from production.queries.instructions import instruction_in_use, instructions_in_use
from production.services.instructions import ItemDraft, publish_instruction
from production.views.shop_pages import powers

SPARE_ROWS = 4


@page(Capability.SHOP_READ)
@require_safe
def instructions(request: HttpRequest) -> HttpResponse:
    """The version in use of each step."""
    in_use = instructions_in_use([step.value for step in WORK_STEPS], timezone.now())
    rows = [{"step": step, "instruction": in_use.get(step)} for step in WORK_STEPS if step != Step.ORDER]
    return render(request, "production/instructions.html", {"rows": rows, **powers(actor_of(request))})


@page(Capability.SHOP_READ)
@require_safe
def instruction(request: HttpRequest, step: str) -> HttpResponse:
    """One step: the version in use or an older one, in full."""
    _step(step)
    versions = list(
        WorkInstruction.objects.filter(step=step).select_related("recorded_by").order_by("-version")
    )
    shown = instruction_in_use(step, timezone.now())
    asked = whole_number(request.GET.get("version", ""))
    shown = next((version for version in versions if version.version == asked), shown)
    items = list(shown.items.all()) if shown else []
    context = {
        "step": Step(step),
        "versions": versions,
        "shown": shown,
        "items": [{"item": item, "limits": limits_in_words(item)} for item in items],
        **powers(actor_of(request)),
    }
    return render(request, "production/instruction.html", context)


def _step(step: str) -> None:
    if step not in WORK_STEPS:
        raise Http404


@dataclass
class EditRow:
    """One row of the editing table: the words as typed."""

    place: int
    values: dict[str, str]


FIELDS = ("code", "text", "kind", "unit", "low", "high", "choices", "within", "limit_source")


@page(Capability.LIMITS)
@require_http_methods(["GET", "HEAD", "POST"])
def edit(request: HttpRequest, step: str) -> HttpResponse:
    """Edit the latest version into a new one; the old ones stay as they are."""
    _step(step)
    latest = WorkInstruction.objects.filter(step=step).order_by("-version").first()
    rows = _rows_posted(request) if request.method == "POST" else _rows_of(latest)
    title = request.POST.get("title", latest.title if latest else Step(step).label)
    caution = request.POST.get("caution", latest.caution if latest else "")
    refusal, status = "", 200
    if request.method == "POST":
        try:
            made = publish_instruction(
                actor=actor_of(request),
                key=submission_key(request),
                step=step,
                title=title,
                caution=caution,
                items=_drafts(rows),
                follows_version=_whole(request.POST.get("follows", "")),
            ).thing
        except DomainError as error:
            refusal, status = error.sentence, error.status
        else:
            messages.success(request, f"Version {made.version} is in use.")
            return redirect("production:instruction", step=step)
    filled = [row for row in rows if any(row.values.values())]
    places = [EditRow(place, row.values) for place, row in enumerate(filled)]
    empty = dict.fromkeys(FIELDS, "") | {"kind": AnswerKind.YES_NO.value}
    places += [EditRow(len(filled) + place, dict(empty)) for place in range(SPARE_ROWS)]
    context = {
        "step": Step(step),
        "latest": latest,
        "rows": places,
        "kinds": AnswerKind.choices,
        "title_text": title,
        "caution_text": caution,
        "refusal": refusal,
    }
    return render(request, "production/instruction_edit.html", context, status=status)


def _whole(text: str) -> int | None:
    return whole_number(text, most=99_999_999)


def _rows_of(latest: WorkInstruction | None) -> list[EditRow]:
    items = latest.items.all() if latest else []
    return [EditRow(place, _values_of(item)) for place, item in enumerate(items)]


def _values_of(item: InstructionItem) -> dict[str, str]:
    return {
        "code": item.code,
        "text": item.text,
        "kind": item.kind,
        "unit": item.unit,
        "low": _plain(item.low),
        "high": _plain(item.high),
        "choices": ", ".join(item.choices),
        "within": ", ".join(item.within),
        "limit_source": item.limit_source,
    }


def _plain(value: Decimal | None) -> str:
    return "" if value is None else f"{value.normalize():f}"


def _rows_posted(request: HttpRequest) -> list[EditRow]:
    count = min(_whole(request.POST.get("rows", "")) or 0, 100)
    rows = []
    for place in range(count):
        values = {name: request.POST.get(f"{name}-{place}", "").strip() for name in FIELDS}
        if values["text"] or values["code"]:
            rows.append(EditRow(place, values))
    return rows


def _drafts(rows: list[EditRow]) -> list[ItemDraft]:
    drafts = []
    for row in rows:
        values = row.values
        drafts.append(
            ItemDraft(
                code=(values["code"] or slugify(values["text"]))[:40],
                text=values["text"],
                kind=values["kind"],
                unit=values["unit"][:20],
                low=_limit(values["low"], values["text"]),
                high=_limit(values["high"], values["text"]),
                choices=_words(values["choices"]),
                within=_words(values["within"]),
                limit_source=values["limit_source"][:120],
            )
        )
    return drafts


def _limit(text: str, question: str) -> Decimal | None:
    if not text:
        return None
    try:
        value = Decimal(plain_number(text))
    except InvalidOperation:
        value = Decimal("NaN")
    if not value.is_finite() or abs(value) >= Decimal(10) ** 7:
        raise Refused("no-number", f"A limit of “{question}” is no number: “{text[:20]}”.")
    return value


def _words(text: str) -> tuple[str, ...]:
    return tuple(word for part in text.split(",") if (word := part.strip()))
