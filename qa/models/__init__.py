from qa.models.action import Action
from qa.models.analysis import CostVersion, EvidenceAnalysis, EvidenceVersion
from qa.models.check import LimitVersion, MeshCheck
from qa.models.evidence import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.models.history import HistoryImport, HistoryRows
from qa.models.inspection import Defect, DefectKind, Inspection
from qa.models.release import Concession, Release, ReleasedPiece, ReleaseWithdrawal

__all__ = [
    "Action",
    "Concession",
    "CostVersion",
    "Defect",
    "DefectKind",
    "EvidenceAnalysis",
    "EvidenceTally",
    "EvidenceVersion",
    "FormedPieceRow",
    "HistoryImport",
    "HistoryRows",
    "Inspection",
    "LimitVersion",
    "MeshCheck",
    "PrintAttempt",
    "Release",
    "ReleaseWithdrawal",
    "ReleasedPiece",
]
