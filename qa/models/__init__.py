from qa.models.action import Action
from qa.models.analysis import CostVersion, EvidenceAnalysis, EvidenceVersion, NarrowedTrends
from qa.models.baseline import FrozenBaseline
from qa.models.check import InsertionAxis, LimitVersion, MeshCheck
from qa.models.evidence import EvidenceTally, FormedPieceRow, PrintAttempt
from qa.models.history import HistoryImport, HistoryRows
from qa.models.inspection import Defect, DefectKind, Inspection
from qa.models.measuring import (
    CaliperMeasurement,
    CaliperValue,
    LandmarkSheet,
    MorningProof,
    PrintComparison,
    ProofValue,
)
from qa.models.release import Concession, Release, ReleasedPiece, ReleaseWithdrawal
from qa.models.studies import AgreementStudy, ComparisonRun, DeviceStudy, PlannedComparison

__all__ = [
    "Action",
    "AgreementStudy",
    "CaliperMeasurement",
    "CaliperValue",
    "ComparisonRun",
    "Concession",
    "CostVersion",
    "Defect",
    "DefectKind",
    "DeviceStudy",
    "EvidenceAnalysis",
    "EvidenceTally",
    "EvidenceVersion",
    "FormedPieceRow",
    "FrozenBaseline",
    "HistoryImport",
    "HistoryRows",
    "InsertionAxis",
    "Inspection",
    "LandmarkSheet",
    "LimitVersion",
    "MeshCheck",
    "MorningProof",
    "NarrowedTrends",
    "PlannedComparison",
    "PrintAttempt",
    "PrintComparison",
    "ProofValue",
    "Release",
    "ReleaseWithdrawal",
    "ReleasedPiece",
]
