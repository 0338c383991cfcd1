"""Who may be who, and what each may do."""

from __future__ import annotations

from django.db import models


class Role(models.TextChoices):
    CLINIC = "clinic", "Clinic staff"
    TECHNICIAN = "technician", "Technician"
    QUALITY = "quality", "Quality"
    MANAGER = "manager", "Lab manager"
    ADMINISTRATOR = "administrator", "Administrator"


LAB_ROLES = (Role.TECHNICIAN, Role.QUALITY, Role.MANAGER, Role.ADMINISTRATOR)


class Capability(models.TextChoices):
    """What a use case asks for; roles and token scopes are sets of these."""

    CASES_READ = "cases:read", "See cases"
    CASES_WRITE = "cases:write", "Log cases and attach meshes"
    CHECKS_READ = "checks:read", "See checks of meshes"
    SHOP_READ = "shop:read", "See the shop's records"
    SHOP_WRITE = "shop:write", "Record work at the bench"
    INSPECT = "inspections:write", "Record inspections"
    RELEASE = "release", "Release pieces, place and lift holds"
    LIMITS = "limits", "Change limits, work instructions and materials"
    EQUIPMENT = "equipment", "Add and retire equipment, materials and lots"
    TRENDS_READ = "trends:read", "See trends"
    IMPROVE = "improve", "Plan actions, comparisons and gauge studies"
    COSTS = "costs", "Say what things cost"
    CLINICS = "clinics", "Add and change clinics"
    PEOPLE = "people", "Add people and change roles"
    AUDIT_READ = "audit:read", "Read the record of changes"


_CLINIC = frozenset({Capability.CASES_READ, Capability.CASES_WRITE, Capability.CHECKS_READ})
_TECHNICIAN = _CLINIC | {
    Capability.SHOP_READ,
    Capability.SHOP_WRITE,
    Capability.INSPECT,
    Capability.EQUIPMENT,
}
_QUALITY = _TECHNICIAN | {
    Capability.RELEASE,
    Capability.LIMITS,
    Capability.TRENDS_READ,
    Capability.IMPROVE,
    Capability.AUDIT_READ,
}
_MANAGER = _QUALITY | {Capability.CLINICS, Capability.COSTS}
_ADMINISTRATOR = frozenset(
    {
        Capability.CASES_READ,
        Capability.CHECKS_READ,
        Capability.SHOP_READ,
        Capability.TRENDS_READ,
        Capability.CLINICS,
        Capability.PEOPLE,
        Capability.AUDIT_READ,
        Capability.EQUIPMENT,
    }
)

ROLE_CAPABILITIES: dict[str, frozenset[Capability]] = {
    Role.CLINIC: _CLINIC,
    Role.TECHNICIAN: frozenset(_TECHNICIAN),
    Role.QUALITY: frozenset(_QUALITY),
    Role.MANAGER: frozenset(_MANAGER),
    Role.ADMINISTRATOR: _ADMINISTRATOR,
}

# What a script may be given; people's own powers (release, limits, people) stay with people.
TOKEN_SCOPES = (
    Capability.CASES_READ,
    Capability.CASES_WRITE,
    Capability.CHECKS_READ,
    Capability.SHOP_READ,
    Capability.SHOP_WRITE,
    Capability.INSPECT,
    Capability.TRENDS_READ,
)
