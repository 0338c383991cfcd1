from cases.models.appliance import Appliance, OrderLine
from cases.models.case import Case, ClinicWait
from cases.models.clinic import Clinic, ClinicMembership
from cases.models.mesh import IN_USE, Blob, MeshUse

__all__ = [
    "IN_USE",
    "Appliance",
    "Blob",
    "Case",
    "Clinic",
    "ClinicMembership",
    "ClinicWait",
    "MeshUse",
    "OrderLine",
]
