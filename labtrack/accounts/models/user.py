"""The people who use Fitledger."""

from __future__ import annotations

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.db import models
from django.db.models.functions import Lower

from labtrack.accounts.choices import LAB_ROLES, ROLE_CAPABILITIES, Capability, Role


class UserManager(BaseUserManager["User"]):
    def get_by_natural_key(self, username: str | None) -> User:
        return self.get(username__iexact=username)


class User(AbstractBaseUser):
    """One person. Clinic staff belong to a clinic through ``cases.ClinicMembership``."""

    username = models.CharField(max_length=60, unique=True, validators=[UnicodeUsernameValidator()])
    name = models.CharField("full name", max_length=120)
    email = models.EmailField(blank=True)
    role = models.CharField(max_length=20, choices=Role.choices)
    is_active = models.BooleanField(default=True)
    pin = models.CharField(max_length=128, blank=True, help_text="Hash of the bench PIN; empty when none.")
    pin_failures = models.PositiveSmallIntegerField(default=0)
    pin_locked_until = models.DateTimeField(null=True, blank=True)
    badge = models.CharField(max_length=64, blank=True, help_text="Hash of what the badge scanner types.")
    created_at = models.DateTimeField(auto_now_add=True)

    objects = UserManager()

    USERNAME_FIELD = "username"
    REQUIRED_FIELDS = ["name", "role"]

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                Lower("username"),
                name="user_username_unique",
                violation_error_message="That sign-in name is taken.",
            ),
            models.UniqueConstraint(
                fields=["badge"],
                condition=~models.Q(badge=""),
                name="user_badge_unique",
                violation_error_message="That badge belongs to somebody else.",
            ),
            models.CheckConstraint(
                condition=models.Q(role__in=Role.values),
                name="user_role_known",
                violation_error_message="Choose one of the roles.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_lab(self) -> bool:
        return self.role in LAB_ROLES

    @property
    def capabilities(self) -> frozenset[Capability]:
        return ROLE_CAPABILITIES[self.role] if self.is_active else frozenset()
