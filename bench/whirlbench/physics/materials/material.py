"""How a material of the published table is described: figures with source and status, conditions, notch class.

Rules: own coupons come first; without them the lowest published value counts, in the weakest direction unless the
layers' direction is stated; the bulk strength on a filament maker's page is never used; what is not published takes
the conservative value, and its `Figure.status` is then "assumption".
"""

from __future__ import annotations

from typing import Literal, get_args

import msgspec
import numpy as np

Condition = Literal["dry", "conditioned", "wet"]
CONDITIONS: tuple[str, ...] = get_args(Condition)
Notch = Literal["brittle", "notch-sensitive", "ductile"]
Status = Literal["verified", "second-hand", "memory", "assumption"]

SHEAR_OVER_TENSION = 0.577  # von Mises, Shigley 9e uses it for shear-out of metals; an assumption for polymers
ACROSS_OVER_IN_LAYER = 0.3  # low end of 0.3 to 0.4 seen in the published pairs of the table, for printed filament
# Taken where neither rig nor table says better: assumptions of this project, shown wherever they are used.
TEMPERATURE_FACTOR, MOISTURE_FACTOR = 0.80, 0.85
WELD_LINE_FACTOR = 0.34  # the lowest of the table, with 30 % glass: for a moulded hole where nothing is known
ROOM_C, WARM_C = 25.0, 40.0  # published strengths hold up to the first, the assumed temperature factor to the second
# Shigley 9e calls a material ductile from 5 % strain at fracture (chapter number from memory).
BRITTLE_BELOW_PCT = 5.0
TELLING = {
    "verified": "read in the source",
    "second-hand": "read in a quotation",
    "memory": "from memory",
    "assumption": "assumption of this project",
}


class Figure(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A published figure as (lowest, highest), where it stands, and how far it was verified.

    ``status`` tells whether the source itself was read, a quotation of it, or nothing; ``note`` adds what qualifies it.
    """

    low: float
    high: float
    source: str
    status: Status
    note: str = ""

    @property
    def told(self) -> str:
        """Source and status in words."""
        return f"{self.source} ({self.status_told})"

    @property
    def status_told(self) -> str:
        """How far the figure was verified."""
        return f"{TELLING[self.status]}{', ' + self.note if self.note else ''}"


class Curve(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Share of room-temperature strength against temperature in C, rows rising; nothing is known beyond its end."""

    points: tuple[tuple[float, float], ...]
    source: str
    status: Status

    def factor_at(self, temperature_c: float) -> float | None:
        """Share left at a temperature, 1 at most; None above the last row."""
        temperatures, shares = zip(*self.points, strict=True)
        if temperature_c > temperatures[-1]:
            return None
        return min(1.0, float(np.interp(temperature_c, temperatures, shares)))


class Material(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Strengths in MPa at room temperature, dry (wood: 12 % moisture), along the span or in the layers.

    ``across`` pulls layers or grain apart, ``shear_across`` slides one layer on the next; ``crush`` is the pressure
    that a jaw may put on the flat side. ``modulus_gpa`` is used at its upper end, because a stiff blade is relieved
    least. ``moisture`` gives the share of dry strength left by condition, ``weld_line`` the share left where two
    flows met (``fibres`` that cannot cross it), ``creep`` the share of the modulus left after 1000 h under load. None:
    nothing was found.
    """

    name: str = ""
    title: str
    family: Literal["moulded", "printed", "sintered", "wood", "laminate", "metal"]
    tension: Figure
    across: Figure | None = None
    shear: Figure | None = None
    shear_across: Figure | None = None
    bearing: Figure | None = None
    crush: Figure | None = None
    density: Figure
    modulus: Figure
    break_strain_pct: dict[Condition, Figure] = {}
    moisture: dict[Condition, Figure] = {}
    temperature: Curve | None = None
    assumed_temperature_factor: float = TEMPERATURE_FACTOR
    fibres: bool = False
    weld_line: Figure | None = None
    creep: Figure | None = None

    @property
    def tension_mpa(self) -> tuple[float, float]:
        """Published range of the tensile strength."""
        return self.tension.low, self.tension.high

    @property
    def across_mpa(self) -> tuple[float, float] | None:
        """Published range across the layers or the grain."""
        return None if self.across is None else (self.across.low, self.across.high)

    @property
    def density_kg_m3(self) -> float:
        """The greater of the published densities: it pulls most."""
        return self.density.high

    @property
    def modulus_gpa(self) -> float:
        """The upper end of the modulus."""
        return self.modulus.high

    @property
    def source(self) -> str:
        """Where the tensile strength stands."""
        return self.tension.source

    @property
    def verified(self) -> str:
        """How far the tensile strength was verified."""
        return self.tension.status_told

    @property
    def layered(self) -> bool:
        """Whether the strength depends on how the layers were stacked; a wooden blade's grain runs along its span."""
        return self.across is not None and self.family != "wood"

    def break_strain_in(self, condition: str | None) -> float | None:
        """Lowest published strain at break in % of a condition, of all where it has no figure; None without any."""
        figures = [figure for name, figure in self.break_strain_pct.items() if name == condition]
        figures = figures or list(self.break_strain_pct.values())
        return min((figure.low for figure in figures), default=None)

    def notch_in(self, condition: str | None, moulded_hole: bool = True) -> Notch:
        """How a peak of stress counts in a condition (None: not stated), by strain at break and planes to tear along.

        "brittle": strain at break below 5 %, or not published: the elastic peak counts in full. "notch-sensitive": more
        strain, but layers, grain, fibres or the weld line of a moulded hole to tear along: the peak counts in full,
        too. "ductile": the peak yields away under one load and counts in fatigue alone.
        """
        strain_pct = self.break_strain_in(condition)
        if strain_pct is None or strain_pct < BRITTLE_BELOW_PCT:
            return "brittle"
        welded = self.family == "moulded" and moulded_hole
        return "notch-sensitive" if self.across is not None or self.fibres or welded else "ductile"

    @property
    def notch(self) -> Notch:
        """How a peak of stress counts where the rig states neither condition nor how the hole was made."""
        return self.notch_in(None)

    @property
    def brittle(self) -> bool:
        """Whether the peak beside a hole counts at once, and not only in fatigue, where the rig states nothing."""
        return self.notch != "ductile"

    @property
    def moisture_factor(self) -> float:
        """Share of dry strength left in the condition that is assumed where the rig states none: in ordinary air."""
        return self.moisture_factor_in("conditioned")

    def moisture_factor_in(self, condition: Condition) -> float:
        """Share of dry strength left in a condition, at its lowest; 1 for a material that takes up no water."""
        if condition == "dry" or not self.moisture:
            return 1.0
        found = self.moisture.get(condition)
        return MOISTURE_FACTOR if found is None else found.low

    @property
    def temperature_factor(self) -> float:
        """Share of strength left where the rig states no temperature: that of a warm stand."""
        at_warm = self.temperature_factor_at(WARM_C)
        return self.assumed_temperature_factor if at_warm is None else at_warm

    def temperature_factor_at(self, temperature_c: float) -> float | None:
        """Share of strength left at a temperature in C; None where nothing is known of so warm a blade.

        By the published curve. Without one: 1 up to room temperature, the assumed factor up to a warm stand.
        """
        if self.temperature is not None:
            return self.temperature.factor_at(temperature_c)
        if temperature_c <= ROOM_C:
            return 1.0
        return self.assumed_temperature_factor if temperature_c <= WARM_C else None

    @property
    def weld_line_factor(self) -> float:
        """Share of strength left in a weld line beside a moulded hole; 1 for what is not moulded."""
        if self.family != "moulded":
            return 1.0
        return WELD_LINE_FACTOR if self.weld_line is None else self.weld_line.low
