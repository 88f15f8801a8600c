"""How much a valve's seat may leak on test: leakage classes II to VI as data, and judging by them.

Values as quoted from ANSI/FCI 70-2 and IEC 60534-4, class VI as ANSI/FCI 70-3; see tests/reference/SOURCES.md. The
editions themselves were not read, which every answer says.
"""

import math
from dataclasses import dataclass

KPA_PER_PSI, KPA_PER_BAR, MM_PER_INCH = 6.894757293168361, 100.0, 25.4
ML_PER_MIN_PER_M3_PER_H = 1e6 / 60.0
CLASSES = ("II", "III", "IV", "V", "VI")
EDITION = "ANSI/FCI 70-2 and IEC 60534-4 as quoted elsewhere; compare your own edition"
FRACTION = {"II": 0.005, "III": 0.001, "IV": 0.0001}
"""Of rated capacity, air or water at 45 to 60 psi."""
CLASS_V_ML_PER_MIN_INCH_PSI = 5e-4
"""Water at the largest service pressure drop, per inch of seat and psi."""
CLASS_VI = (
    *((25, 0.15), (38, 0.30), (51, 0.45), (64, 0.60), (76, 0.90), (102, 1.70)),
    *((152, 4.00), (203, 6.75), (254, 11.1), (305, 16.0), (356, 21.6), (406, 28.4)),
)
"""Seat diameter in mm, ml of air a minute at 50 psi or the rated drop if that is less."""
TEST_KPA = 345.0
"""50 psi, within 45 to 60."""


@dataclass(frozen=True, kw_only=True)
class AllowedLeakage:
    """What a seat may leak, of which fluid at which pressure drop; no value, and why, where something isn't known."""

    ml_per_min: float | None
    fluid: str
    pressure_drop_kpa: float | None
    method: str
    reason: str | None = None


@dataclass(frozen=True, kw_only=True)
class Seat:
    """What the allowed leakage depends on beside the class; the pressure drop of a class V test is that in service."""

    diameter_mm: float | None
    rated_capacity_kv: float | None
    pressure_drop_kpa: float | None


def allowed_leakage(leakage_class: str | None, seat: Seat) -> AllowedLeakage:
    """Say how much a seat may leak on test.

    Parameters
    ----------
    leakage_class : str or None
        II to VI.
    seat : Seat
        Its size, capacity and test.

    Returns
    -------
    AllowedLeakage
        In ml/min.

    Examples
    --------
    >>> allowed_leakage("VI", Seat(diameter_mm=51.0, rated_capacity_kv=None, pressure_drop_kpa=None)).ml_per_min
    0.45
    """
    if leakage_class in FRACTION:
        return _share_of_capacity(FRACTION[leakage_class], seat)
    if leakage_class == "V":
        return _class_v(seat)
    if leakage_class == "VI":
        return _class_vi(seat)
    return _unknown("", "", "the design has no leakage class II to VI")


def judged(as_left_ml_per_min: float | None, allowed: AllowedLeakage) -> str | None:
    """Say how a recorded leakage is beside the allowed one.

    Parameters
    ----------
    as_left_ml_per_min : float or None
        As measured on the same fluid at the same pressure drop.
    allowed : AllowedLeakage
        What may be.

    Returns
    -------
    str or None
        None if nothing was recorded.
    """
    if as_left_ml_per_min is None:
        return None
    if allowed.ml_per_min is None:
        return "not judged"
    return "within" if as_left_ml_per_min <= allowed.ml_per_min else "too much"


def _share_of_capacity(fraction: float, seat: Seat) -> AllowedLeakage:
    method = f"{100.0 * fraction:g} % of rated capacity; Kv is m³/h of water at a drop of 1 bar, its square root above"
    if seat.rated_capacity_kv is None:
        return _unknown("water", method, "the design has no rated_capacity_kv")
    kpa = seat.pressure_drop_kpa or TEST_KPA
    flow = fraction * seat.rated_capacity_kv * math.sqrt(kpa / KPA_PER_BAR) * ML_PER_MIN_PER_M3_PER_H
    return AllowedLeakage(ml_per_min=flow, fluid="water", pressure_drop_kpa=kpa, method=method)


def _class_v(seat: Seat) -> AllowedLeakage:
    method = "0.0005 ml/min a psi and inch of seat, at the largest drop in service"
    if seat.diameter_mm is None:
        return _unknown("water", method, "the design has no seat_diameter_mm")
    if seat.pressure_drop_kpa is None:
        return _unknown("water", method, "give the largest pressure drop in service")
    inches, psi = seat.diameter_mm / MM_PER_INCH, seat.pressure_drop_kpa / KPA_PER_PSI
    flow = CLASS_V_ML_PER_MIN_INCH_PSI * inches * psi
    return AllowedLeakage(ml_per_min=flow, fluid="water", pressure_drop_kpa=seat.pressure_drop_kpa, method=method)


def _class_vi(seat: Seat) -> AllowedLeakage:
    method = "table by seat diameter; between two of its sizes the smaller one counts"
    if seat.diameter_mm is None:
        return _unknown("air", method, "the design has no seat_diameter_mm")
    allowed = [flow for size, flow in CLASS_VI if size <= seat.diameter_mm]
    if not allowed:
        return _unknown("air", method, f"the table begins at {CLASS_VI[0][0]} mm")
    kpa = min(TEST_KPA, seat.pressure_drop_kpa or TEST_KPA)
    return AllowedLeakage(ml_per_min=allowed[-1], fluid="air", pressure_drop_kpa=kpa, method=method)


def _unknown(fluid: str, method: str, reason: str) -> AllowedLeakage:
    return AllowedLeakage(ml_per_min=None, fluid=fluid, pressure_drop_kpa=None, method=method, reason=reason)
