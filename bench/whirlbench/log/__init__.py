"""The blade sets' log: what each set has run, carried and been through, in one SQLite file that only grows."""

from whirlbench.log.csv_export import write_csv
from whirlbench.log.entries import Entry, EntryKind, LoadCycles, RunUse, SetTotals, calibrations_of
from whirlbench.log.proofs import Change, Proof, ProofStanding, TripTrial, protection
from whirlbench.log.run_use import run_use
from whirlbench.log.standing import Standing, State, standing
from whirlbench.log.store import SetLog, default_path, proof_standing

__all__ = [
    "Change",
    "Entry",
    "EntryKind",
    "LoadCycles",
    "Proof",
    "ProofStanding",
    "RunUse",
    "SetLog",
    "SetTotals",
    "Standing",
    "State",
    "TripTrial",
    "calibrations_of",
    "default_path",
    "proof_standing",
    "protection",
    "run_use",
    "standing",
    "write_csv",
]
