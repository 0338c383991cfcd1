from qa.models.check import LimitVersion, MeshCheck
from qa.models.evidence import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.models.inspection import Defect, DefectKind, Inspection
from qa.models.release import Concession, Release, ReleasedPiece, ReleaseWithdrawal

__all__ = [
    "Concession",
    "Defect",
    "DefectKind",
    "EvidenceTally",
    "FormedPieceRow",
    "Inspection",
    "LimitVersion",
    "MeshCheck",
    "PrintAttempt",
    "Release",
    "ReleaseWithdrawal",
    "ReleasedPiece",
]
