"""What the page of a kit shows, and the kits of the register: lists of the interface, nothing computed anew."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from models.base import NotFound, code_key
from models.engine import Engines
from models.queries import single_records
from models.queries.files import FILES
from models.queries.results import DemandFilter, Whose
from models.queries.rows import read_part
from service.db import read_session
from service.schemas.records import RECORDS, KitRecord, OrderRecord, Record
from service.schemas.results import DemandOut, ReorderPointOut
from service.schemas.why import WhyOut
from service.use_cases.change_records import list_records, read_record
from service.use_cases.explain_reorder_point import explain_reorder_point
from service.use_cases.list_results import list_demand, list_reorder_points

MOST_ROWS = 1000
FEW_A_MONTH = 2.0
"""Kits expected a month below which a chart by quarter says more."""


@dataclass(frozen=True, kw_only=True)
class KitInStore:
    """A kit in one storeroom: the proposal, why, what is on order, and what is expected there by month."""

    proposal: ReorderPointOut
    why: WhyOut
    on_hand: int
    arriving: Sequence[tuple[date, int]]
    months: Sequence[DemandOut]


@dataclass(frozen=True, kw_only=True)
class KitView:
    """A kit: as registered if it is, what the plant is expected to take by period, and each storeroom."""

    code: str
    record: KitRecord | None
    bucket: str
    periods: Sequence[DemandOut]
    years: Sequence[DemandOut]
    storerooms: Sequence[KitInStore]


def look_at_kit(engines: Engines, code: str) -> KitView:
    """Look at a kit.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        The kit.

    Returns
    -------
    KitView
        By the latest finished run; periods are months, or quarters where a month takes few.

    Raises
    ------
    NotFound
        If that run knows of no such kit.
    """
    proposals = list(list_reorder_points(engines, run_id=None, storeroom=None, kit=code).rows())
    months, years = (_demand(engines, code, bucket, Whose()) for bucket in ("month", "year"))
    if not proposals and not months:
        raise NotFound(f"the latest run knows of no kit {code}")
    known_as = proposals[0].kit if proposals else months[0].kit
    orders = _of_kit(engines, "orders", code)
    bucket = "month" if max((row.mean or 0.0 for row in months), default=0.0) >= FEW_A_MONTH else "quarter"
    return KitView(
        code=known_as,
        record=_registered(engines, code),
        bucket=bucket,
        periods=months if bucket == "month" else _demand(engines, code, bucket, Whose()),
        years=years,
        storerooms=[_in_store(engines, proposal, orders) for proposal in proposals],
    )


def read_kits(engines: Engines) -> Mapping[str, KitRecord]:
    """Read the kits of the register.

    Parameters
    ----------
    engines : Engines
        The database.

    Returns
    -------
    mapping
        By code.
    """
    return {row.code: row for row in list_records(engines, "kits").rows() if isinstance(row, KitRecord)}


def is_asked_for(code: str, kits: Mapping[str, KitRecord], asked: str) -> bool:
    """Tell whether something stands in the code or the name of a kit.

    Parameters
    ----------
    code : str
        The kit.
    kits : mapping
        Kits of the register by code.
    asked : str
        What is looked for, without regard to case; nothing stands in all.

    Returns
    -------
    bool
        Whether it does.
    """
    name = kits[code].name if code in kits else None
    return any(code_key(asked) in code_key(text) for text in (code, name or ""))


def _registered(engines: Engines, code: str) -> KitRecord | None:
    try:
        record = read_record(engines, "kits", [code]).record
    except NotFound:
        return None
    return record if isinstance(record, KitRecord) else None


def _demand(engines: Engines, kit: str, bucket: str, whose: Whose) -> list[DemandOut]:
    wanted = DemandFilter(whose=whose, bucket=bucket, kit=kit, starts_on=None, ends_on=None)
    return list(list_demand(engines, run_id=None, wanted=wanted).rows())


def _in_store(engines: Engines, proposal: ReorderPointOut, orders: Sequence[Record]) -> KitInStore:
    store = proposal.storeroom
    why = explain_reorder_point(engines, run_id=None, storeroom=store, kit=proposal.kit)
    open_orders = [
        (order.due_on, order.qty - (order.received_qty or 0))
        for order in orders
        if isinstance(order, OrderRecord)
        and order.received_on is None
        and order.due_on is not None
        and code_key(order.storeroom) == code_key(store)
    ]
    months = _demand(engines, proposal.kit, "month", Whose(storeroom=store))
    return KitInStore(
        proposal=proposal, why=why, on_hand=int(why.position.on_hand or 0), arriving=open_orders, months=months
    )


def _of_kit(engines: Engines, file: str, kit: str) -> list[Record]:
    with read_session(engines) as session:
        try:
            row = single_records.find_row(session, "kits", [kit])
        except NotFound:
            return []
        stored = read_part(session, FILES[file], after=0, limit=MOST_ROWS, of={"kit_id": row.id})
    return [RECORDS[file](**one.values) for one in stored]
