"""The simulated stand: rotor, drive, pitch servo and mount in time, the sensors that see them, and what goes wrong."""

from whirlbench.simulator.stand.faults import (
    AddedUnbalance,
    BladeLoss,
    Effects,
    Fault,
    GovernorHunting,
    LoosePitchLink,
    LostTach,
    RootCrack,
    Runaway,
    SupplyDip,
)
from whirlbench.simulator.stand.history import StateHistory
from whirlbench.simulator.stand.plant import Plant, PlantState
from whirlbench.simulator.stand.schedule import Commands, Schedule, SetPoint, commands
from whirlbench.simulator.stand.settings import PlantSettings
from whirlbench.simulator.stand.transducers import TICK_S, CalibrationErrors, Transducers
from whirlbench.simulator.stand.vibration import StandVibration

__all__ = [
    "AddedUnbalance",
    "BladeLoss",
    "CalibrationErrors",
    "Commands",
    "Effects",
    "Fault",
    "GovernorHunting",
    "LoosePitchLink",
    "LostTach",
    "Plant",
    "PlantSettings",
    "PlantState",
    "RootCrack",
    "Runaway",
    "Schedule",
    "SetPoint",
    "StandVibration",
    "StateHistory",
    "SupplyDip",
    "TICK_S",
    "Transducers",
    "commands",
]
