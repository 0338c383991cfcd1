from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from labtrack.accounts.views import own, people, sign_in, switch, tokens

app_name = "accounts"
urlpatterns: list[URLPattern | URLResolver] = [
    path("sign-in/", sign_in.sign_in, name="sign-in"),
    path("sign-out/", sign_in.sign_out, name="sign-out"),
    path("switch/", switch.switch, name="switch"),
    path("own/", own.own, name="own"),
    path("people/", people.people, name="people"),
    path("people/add/", people.add, name="person-add"),
    path("people/<int:user_id>/", people.person, name="person"),
    path("people/<int:user_id>/active/", people.set_active, name="person-active"),
    path("people/<int:user_id>/password/", people.new_password, name="person-password"),
    path("tokens/", tokens.tokens, name="tokens"),
    path("tokens/<int:token_id>/revoke/", tokens.revoke, name="token-revoke"),
]
