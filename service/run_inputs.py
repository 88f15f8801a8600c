"""What a run reads: the record with all that was decided about it, packed so that a later question reads the same."""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from hashlib import sha256

import msgspec

from forecasting.exchanges import ExchangeTaking
from forecasting.pipeline import Plant
from models.base import Session
from models.queries import records as record_queries
from models.queries.acceptances import every_acceptance
from service.closings import ReadHistory, read_history
from service.schemas.records import RECORDS, Record, ServiceClassRecord
from service.translate import Records, Register, register_from_records
from service.translate_accepted import Accepted
from service.translate_demand import (
    forecast_periods,
    parts_of,
    turnaround_periods,
    valves_by_class,
    valves_by_storeroom,
)
from service.translate_issues import issue_histories
from service.translate_results import LOOKS
from service.translate_spend import spend_asked
from service.translate_stock import AskedStock, Assumptions, stock_asked
from service.translate_turnarounds import opportunities, turnaround_days

READ = (
    "areas",
    "policies",
    "kits",
    "design_kits",
    "valves",
    "events",
    "storerooms",
    "stock_settings",
    "stock",
    "orders",
    "issues",
    "turnarounds",
    "service_classes",
    "materials",
    "parts",
    "kit_parts",
    "lots",
    "consequence_targets",
    "reservations",
    "rebuild_costs",
    "scope_lines",
    "closures",
)
Window = tuple[float, float]
Exchanges = Mapping[str, Sequence[ExchangeTaking]]


@dataclass(frozen=True, kw_only=True)
class Inputs(Records):
    """The record a run reads, and the descriptions of service classes."""

    service_classes: list[ServiceClassRecord] = field(default_factory=list)
    exchanges: dict[str, tuple[ExchangeTaking, ...]] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class ReadInputs:
    """What was read: for the numerics, for storage, and the events under their keys."""

    inputs: Inputs
    history: ReadHistory
    packed: bytes
    digest: str


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A record read up to a day, and the plant the numerics make of it."""

    as_of: date
    inputs: Inputs
    register: Register
    stock: tuple[AskedStock, ...]
    plant: Plant

    @property
    def history_days(self) -> float:
        """Days of record."""
        begins = [history.records_begin for history in self.register.histories]
        return float(self.as_of.toordinal() - min(begins)) if begins else 0.0


def read_inputs(session: Session, exchanges: Mapping[str, tuple[ExchangeTaking, ...]]) -> ReadInputs:
    """Read everything a run needs.

    Parameters
    ----------
    session : Session
        A reader's.
    exchanges : mapping from tag to tuple of ExchangeTaking
        And the kits issued for them.

    Returns
    -------
    ReadInputs
        The same record gives the same digest.
    """
    history = read_history(session)
    files: dict[str, Sequence[Record]] = {
        "valves": history.valves,
        "events": [event.record for event in history.events],
    }
    for file in READ:
        if file not in files:
            files[file] = [msgspec.convert(row, RECORDS[file]) for row in record_queries.read_all(session, file)]
    read = {**files, "exchanges": dict(exchanges), "accepted": _accepted(session)}
    plain = msgspec.json.encode(read, order="deterministic")
    return ReadInputs(
        inputs=msgspec.convert(read, Inputs),
        history=history,
        packed=zlib.compress(plain),
        digest=sha256(plain).hexdigest(),
    )


def _accepted(session: Session) -> list[Accepted]:
    """Read what was accepted of earlier runs, the first first."""
    return [
        Accepted(
            storeroom=one.storeroom,
            kit=one.kit,
            as_of=one.as_of,
            quantity=one.quantity,
            reorder_point=one.reorder_point,
            stated_reorder_point=one.stated_reorder_point,
            known_orders=tuple((ref, line) for ref, line in one.known_orders),
            turnaround=one.turnaround,
        )
        for one in every_acceptance(session)
    ]


def unpacked(packed: bytes) -> Inputs:
    """Read again what a run read.

    Parameters
    ----------
    packed : bytes
        As `read_inputs` gave it.

    Returns
    -------
    Inputs
        The same.
    """
    return msgspec.json.decode(zlib.decompress(packed), type=Inputs)


def windows_told(records: Records, *, as_of: date) -> set[Window]:
    """Windows in which a run tells single valves: days ahead, and those of turnarounds."""
    periods = set().union(*turnaround_periods(records, as_of=as_of).values())
    return {period.window(as_of) for period in periods} | set(LOOKS.values())


def windows_stored(records: Records, *, as_of: date) -> set[Window]:
    """Windows a run stores demand in, or tells single valves."""
    return {period.window(as_of) for period in forecast_periods(as_of)} | windows_told(records, as_of=as_of)


def asked_of(inputs: Inputs, *, as_of: date) -> Asked:
    """Make a plant of what was read.

    Parameters
    ----------
    inputs : Inputs
        Of a run.
    as_of : date
        Data cut-off.

    Returns
    -------
    Asked
        With the windows and the stock questions of a run.
    """
    register = register_from_records(inputs, as_of=as_of)
    stock = stock_asked(inputs, register, as_of=as_of, assumed=Assumptions())
    intervals = {
        (policy.service_class, policy.maintainable_item): float(policy.interval_days)
        for policy in inputs.policies
        if policy.policy == "predetermined" and policy.interval_days
    }
    plant = Plant(
        as_of=as_of.toordinal(),
        histories=register.histories,
        designs=register.designs,
        design_items=register.design_items,
        intervals=intervals,
        windows=tuple(sorted(windows_stored(inputs, as_of=as_of))),
        areas=register.areas,
        parts=parts_of({
            "storeroom": valves_by_storeroom(inputs, register),
            "service_class": valves_by_class(register, as_of=as_of),
        }),
        questions=tuple(one.question for one in stock),
        opportunities=opportunities(inputs),
        turnarounds=turnaround_days(inputs, as_of=as_of),
        issues=issue_histories(inputs, stock, as_of=as_of),
        exchanges=inputs.exchanges,
        renewals=register.renewals,
        kit_renews={kit.code: frozenset(kit.renews) for kit in inputs.kits},
        spend=spend_asked(inputs.kits, as_of=as_of),
        looks=tuple(sorted(windows_told(inputs, as_of=as_of))),
    )
    return Asked(as_of=as_of, inputs=inputs, register=register, stock=stock, plant=plant)
