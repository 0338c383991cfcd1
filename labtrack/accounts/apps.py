from django.apps import AppConfig


class AccountsConfig(AppConfig):
    name = "labtrack.accounts"
    label = "accounts"
    verbose_name = "People"
