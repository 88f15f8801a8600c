"""The rebuild sheet of a valve: its kits with parts and stock, what to check, what its seat may leak."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from models.engine import Engines
from models.queries import single_records
from service.db import read_session
from service.schemas.rebuild_sheet import RebuildSheetOut, SeatLeakageOut, SheetCheckOut
from service.schemas.results import rounded
from service.seat_leakage import EDITION, KPA_PER_PSI, Seat, allowed_leakage, judged
from service.use_cases.choose_run import notice
from service.use_cases.read_design_kits import kits_of_design, read_described

AS_FOUND, AS_LEFT = (
    (f"stroke {when}, mm", f"packing leak {when}", f"seat leak {when}, ml/min") for when in ("as found", "as left")
)
V_RING_SET = "A set of V-rings is one bottom, five middle and one top piece, seven in all."
COMMON_PRACTICE = "common practice, no source; the maker's list decides"


def read_rebuild_sheet(
    engines: Engines, tag: str, *, today: date, pressure_drop_kpa: float | None, as_left_ml_per_min: float | None
) -> RebuildSheetOut:
    """Read the rebuild sheet of a valve.

    Parameters
    ----------
    engines : Engines
        The database.
    tag : str
        The valve.
    today : date
        What expired before it isn't usable.
    pressure_drop_kpa : float or None [kPa]
        Of the seat test; for class V the largest in service.
    as_left_ml_per_min : float or None [ml/min]
        What the seat leaked on that test.

    Returns
    -------
    RebuildSheetOut
        As the record is now.

    Raises
    ------
    NotFound
        If there is no such valve.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        valve = single_records.find_row(session, "valves", [tag]).values
        design = read_described(session, "designs", valve["design"])
        limit = design.get("actuator_air_limit_kpa")
        seat = _leakage(design, pressure_drop_kpa, as_left_ml_per_min)
        return RebuildSheetOut(
            **{name: valve[name] for name in ("tag", "serial", "design", "service_class", "area")},
            body_size=design.get("body_size"),
            rating=design.get("rating"),
            actuator_air_limit_kpa=limit,
            actuator_air_limit_psi=_psi(limit),
            kits=kits_of_design(session, valve["design"], today=today),
            seat_leakage=seat,
            checks=_checks(limit, seat),
            notice=notice(session),
        )


def _checks(limit_kpa: float | None, seat: SeatLeakageOut) -> tuple[SheetCheckOut, ...]:
    limit = "on its nameplate" if limit_kpa is None else f"{limit_kpa:g} kPa ({_psi(limit_kpa):.3g} psi)"
    return (
        SheetCheckOut(check="As found, before anything is touched.", to_record=AS_FOUND),
        SheetCheckOut(check=f"Packing set complete and the right way up. {V_RING_SET}", source=COMMON_PRACTICE),
        SheetCheckOut(check=f"Bench air never above the actuator's limit: {limit}."),
        SheetCheckOut(check="Stem free after the gland is set."),
        SheetCheckOut(check="Plug on the seat and the indicator at zero when closed."),
        SheetCheckOut(check=f"As left. {_told(seat)}", to_record=AS_LEFT),
    )


def _told(seat: SeatLeakageOut) -> str:
    if seat.allowed_ml_per_min is None:
        return "What the seat may leak isn't computed here: see below."
    drop = "" if seat.pressure_drop_kpa is None else f" at {seat.pressure_drop_kpa:g} kPa"
    most = f"{seat.allowed_ml_per_min:g} ml/min of {seat.fluid}{drop}"
    return f"Class {seat.leakage_class}: the seat may leak at most {most}."


def _leakage(design: Mapping[str, Any], pressure_drop_kpa: float | None, as_left: float | None) -> SeatLeakageOut:
    known = ("seat_diameter_mm", "rated_capacity_kv")
    diameter, capacity = (design.get(name) for name in known)
    seat = Seat(diameter_mm=diameter, rated_capacity_kv=capacity, pressure_drop_kpa=pressure_drop_kpa)
    allowed = allowed_leakage(design.get("leakage_class"), seat)
    return SeatLeakageOut(
        leakage_class=design.get("leakage_class"),
        allowed_ml_per_min=None if allowed.ml_per_min is None else rounded(allowed.ml_per_min),
        fluid=allowed.fluid,
        pressure_drop_kpa=allowed.pressure_drop_kpa,
        pressure_drop_psi=_psi(allowed.pressure_drop_kpa),
        method=allowed.method,
        edition=EDITION,
        reason=allowed.reason,
        as_left_ml_per_min=as_left,
        verdict=judged(as_left, allowed),
    )


def _psi(kpa: float | None) -> float | None:
    return None if kpa is None else rounded(kpa / KPA_PER_PSI)
