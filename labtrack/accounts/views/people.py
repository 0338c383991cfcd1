"""The people of the installation, for administrators."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from labtrack.accounts.choices import Capability
from labtrack.accounts.forms import PersonForm
from labtrack.accounts.hooks import person_fields
from labtrack.accounts.models import User
from labtrack.accounts.services.people import (
    PersonWithPassword,
    add_person,
    change_person,
    deactivate_person,
    reactivate_person,
    reset_password,
)
from labtrack.errors import DomainError, Refused
from labtrack.web import actor_of, add_refusal, page, posted, submission_key


@require_http_methods(["GET", "HEAD"])
@page(Capability.PEOPLE)
def people(request: HttpRequest) -> HttpResponse:
    rows = [
        {"user": user, "extra": [field.text(user) for field in person_fields]}
        for user in User.objects.order_by("-is_active", "name")
    ]
    return render(
        request,
        "accounts/people.html",
        {"rows": rows, "extra_heads": [field.title for field in person_fields]},
    )


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.PEOPLE)
def add(request: HttpRequest) -> HttpResponse:
    actor = actor_of(request)
    actor.require_password("managing people")
    form = PersonForm(posted(request))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = add_person(
                    actor=actor,
                    key=submission_key(request),
                    username=form.cleaned_data["username"],
                    name=form.cleaned_data["name"],
                    role=form.cleaned_data["role"],
                    email=form.cleaned_data["email"],
                    extra=form.extra(),
                )
            except DomainError as error:
                add_refusal(form, error)
                status = error.status
            else:
                return _show_password(request, made)
    return render(request, "accounts/person_add.html", {"form": form}, status=status)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Capability.PEOPLE)
def person(request: HttpRequest, user_id: int) -> HttpResponse:
    user = get_object_or_404(User, pk=user_id)
    form = PersonForm(posted(request), user=user)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                change_person(
                    actor=actor_of(request),
                    user_id=user_id,
                    name=form.cleaned_data["name"],
                    role=form.cleaned_data["role"],
                    email=form.cleaned_data["email"],
                    extra=form.extra(),
                )
            except DomainError as error:
                add_refusal(form, error)
                status = error.status
            else:
                messages.success(request, f"{form.cleaned_data['name']} is changed.")
                return redirect("accounts:people")
    return render(request, "accounts/person.html", {"form": form, "person": user}, status=status)


@require_POST
@page(Capability.PEOPLE)
def set_active(request: HttpRequest, user_id: int) -> HttpResponse:
    change = {"yes": reactivate_person, "no": deactivate_person}.get(request.POST.get("active", ""))
    if change is None:
        raise Refused("what-unknown", "Choose whether this person may sign in.")
    user = change(actor=actor_of(request), user_id=user_id)
    messages.success(
        request, f"{user.name} may sign in." if user.is_active else f"{user.name} can no longer sign in."
    )
    return redirect("accounts:person", user_id=user_id)


@never_cache
@require_POST
@page(Capability.PEOPLE)
def new_password(request: HttpRequest, user_id: int) -> HttpResponse:
    made = reset_password(actor=actor_of(request), key=submission_key(request), user_id=user_id)
    return _show_password(request, made)


def _show_password(request: HttpRequest, made: PersonWithPassword) -> HttpResponse:
    """In the answer to the submission itself, so that the password is stored nowhere to be shown later."""
    return render(request, "accounts/password_once.html", {"person": made.user, "password": made.password})
