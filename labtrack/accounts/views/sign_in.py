"""Signing in and out."""

from __future__ import annotations

from django.conf import settings
from django.contrib.auth import login, logout
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from labtrack.accounts.forms import SignInForm
from labtrack.accounts.services.sign_in import check_password_sign_in
from labtrack.errors import DomainError
from labtrack.web import client_address, posted

BACKEND = "django.contrib.auth.backends.ModelBackend"


def safe_next(request: HttpRequest) -> str:
    """Where to go afterwards: only within this installation."""
    target = request.POST.get("next") or request.GET.get("next") or ""
    if url_has_allowed_host_and_scheme(target, {request.get_host()}, require_https=request.is_secure()):
        return target
    return reverse(settings.LOGIN_REDIRECT_URL)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    if request.user.is_authenticated and request.method != "POST":
        return HttpResponseRedirect(safe_next(request))
    form = SignInForm(posted(request))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                user = check_password_sign_in(
                    username=form.cleaned_data["username"],
                    password=form.cleaned_data["password"],
                    address=client_address(request),
                )
            except DomainError as error:
                form.add_error(None, error.sentence)
                status = error.status
            else:
                login(request, user, backend=BACKEND)
                return HttpResponseRedirect(safe_next(request))
    return render(
        request,
        "accounts/sign_in.html",
        {"form": form, "next": request.POST.get("next") or request.GET.get("next", "")},
        status=status,
    )


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect(settings.LOGOUT_REDIRECT_URL)
