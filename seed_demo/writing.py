"""Puts the invented plant into a folder of CSV files."""

from collections.abc import Iterable
from dataclasses import astuple
from datetime import date, timedelta
from pathlib import Path
from random import Random

from seed_demo.events import Event
from seed_demo.history import history_of
from seed_demo.issues import issues_made
from seed_demo.kits import DESIGNS, FITS, KITS, RENEWS, SUCCESSOR, SUPERSEDED, SUPERSEDED_ON, terms_of
from seed_demo.mess import Records, damage, lose_numbers
from seed_demo.parts import KIT_PARTS, MATERIALS, PARTS
from seed_demo.plant import AREAS, DEMO_AS_OF, ITEMS, POLICIES, SEED, SERVICE_CLASSES, STOREROOMS
from seed_demo.rebuild_costs import rebuild_cost_rows
from seed_demo.record import number_orders, write_down
from seed_demo.register import Valve, invent_valves
from seed_demo.scope import scope_rows
from seed_demo.stores import LEFTOVER, Shelf, orders_placed, stocked_shelves
from seed_demo.tables import Cell, Row, write_table
from seed_demo.turnarounds import closures, turnarounds

_EARLIEST_AS_OF = date(2020, 1, 1)


def write_demo_plant(folder: Path, *, as_of: date = DEMO_AS_OF) -> None:
    """Write the invented plant and its history as the files of the data contract.

    The same `as_of` gives the same bytes; nothing that happened after it is written.

    Parameters
    ----------
    folder : Path
        Where the files go; made if it isn't there, files of the same names are replaced.
    as_of : date
        Last day of the history, 2020-01-01 at the earliest.

    Raises
    ------
    ValueError
        If `as_of` is too early for the plant to have a history.
    """
    if as_of < _EARLIEST_AS_OF:
        raise ValueError(f"as_of is {as_of}, the demo plant needs {_EARLIEST_AS_OF} or later")
    valves = invent_valves(as_of=as_of)
    histories = {valve.tag: history_of(valve, as_of=as_of) for valve in valves}
    rng = Random(f"{SEED}/plant")
    folder.mkdir(parents=True, exist_ok=True)
    _write_register(folder, as_of=as_of, rng=rng)
    write_table(folder, "valves", [_valve_row(valve, histories[valve.tag]) for valve in valves])
    events = _recorded(valves, histories, as_of=as_of, rng=rng)
    write_table(folder, "events", [_event_row(event) for event in events])
    happened = [event for history in histories.values() for event in history]
    _write_stores(folder, stocked_shelves(valves, happened, as_of=as_of, rng=rng), as_of=as_of, rng=rng)
    # random numbers of its own: the files above stay as they were without it
    slips = issues_made(valves, happened, as_of=as_of, rng=Random(f"{SEED}/issues"))
    write_table(folder, "issues", [astuple(slip) for slip in slips])
    write_table(folder, "scope_lines", scope_rows(turnarounds(as_of=as_of), valves, as_of=as_of))


def _recorded(valves: list[Valve], histories: dict[str, list[Event]], *, as_of: date, rng: Random) -> list[Event]:
    written: list[Event] = []
    older: list[Event] = []
    for valve in valves:
        for event in write_down(valve, histories[valve.tag]):
            (written if event.done_on >= valve.watched_from else older).append(event)
    records = Records(
        written=tuple(written),
        older=tuple(older),
        valves={valve.tag: valve for valve in valves},
        as_of=as_of,
    )
    return lose_numbers(number_orders(damage(records, rng)), rng)


def _write_register(folder: Path, *, as_of: date, rng: Random) -> None:
    write_table(folder, "areas", [(a.code, a.name, a.records_begin_on, a.storeroom) for a in AREAS])
    write_table(folder, "service_classes", SERVICE_CLASSES)
    write_table(folder, "maintainable_items", [(item, item) for item in ITEMS])
    write_table(folder, "policies", _policy_rows())
    write_table(folder, "designs", [astuple(design) for design in DESIGNS])
    write_table(folder, "kits", _kit_rows(as_of=as_of, rng=rng))
    write_table(folder, "design_kits", _design_kit_rows())
    write_table(folder, "rebuild_costs", rebuild_cost_rows())
    write_table(folder, "materials", MATERIALS)
    write_table(folder, "parts", PARTS)
    write_table(folder, "kit_parts", KIT_PARTS)
    write_table(folder, "turnarounds", [astuple(turnaround) for turnaround in turnarounds(as_of=as_of)])
    write_table(folder, "closures", [astuple(closure) for closure in closures(as_of=as_of)])
    write_table(folder, "storerooms", STOREROOMS)


def _policy_rows() -> list[Row]:
    return [
        (code, item, *POLICIES.get((code, item), ("corrective", None)))
        for code, _, _ in SERVICE_CLASSES
        for item in ITEMS
    ]


def _kit_rows(*, as_of: date, rng: Random) -> list[Row]:
    rows: list[Row] = []
    for item, kits in KITS.items():
        for kit in kits:
            old = kit.code == SUPERSEDED
            priced_on = SUPERSEDED_ON if old else as_of - timedelta(rng.randint(30, 1000))
            end = (SUCCESSOR, SUPERSEDED_ON, True) if old else (None, None, None)
            rows.append((
                *(kit.code, kit.name, RENEWS[item], kit.unit_cost, priced_on),
                *(*astuple(kit)[3:], *terms_of(kit), *end),
            ))
    return rows


def _design_kit_rows() -> list[Row]:
    rows: list[Row] = []
    for design, fit in FITS.items():
        rows.append((design, "packing", fit.packing, 1, False))
        rows.append((design, "trim", fit.trim, 1, False))
        rows.append((design, "actuator", fit.actuator, fit.actuator_qty, False))
    return rows


def _valve_row(valve: Valve, history: list[Event]) -> Row:
    moved = sum(event.action == "reclassify" for event in history)
    fitted = [event.serial_fitted for event in history if event.serial_fitted]
    return (
        valve.tag,
        fitted[-1] if fitted else valve.serial,
        valve.design,
        valve.moves[moved - 1][1] if moved else valve.first_class,
        valve.area.code,
        valve.installed_on if valve.installation_known else None,
        valve.records_begin_on,
        _last_renewed(valve, history),
        valve.removed_on,
        valve.consequence,
        valve.safety_related,
        valve.isolable_on_run,
        valve.proof_test_due_on,
    )


def _last_renewed(valve: Valve, history: list[Event]) -> Cell:
    """Return what a stated last renewal says: one day for all items, or a day for some of them."""
    if not valve.renewals_stated:
        return None
    days = {item: event.done_on for event in history if event.done_on < valve.watched_from for item in event.renewed}
    if len(set(days.values())) == 1 and len(days) == len(ITEMS):
        return next(iter(days.values()))
    return tuple(f"{item}:{day}" for item, day in days.items()) or None


def _event_row(event: Event) -> Row:
    return (
        event.ref,
        event.tag,
        event.found_on,
        event.done_on,
        event.action,
        event.reason,
        event.turnaround,
        _pairs(event.as_found),
        event.failure_mode,
        event.last_ok_on,
        event.renewed,
        _pairs(event.kits_used),
        event.service_class_from,
        event.serial_fitted,
        event.labour_hours,
        event.cost,
        event.note,
    )


def _pairs(pairs: Iterable[tuple[str, str | int]]) -> tuple[str, ...]:
    return tuple(f"{left}:{right}" for left, right in pairs)


def _write_stores(folder: Path, shelves: list[Shelf], *, as_of: date, rng: Random) -> None:
    settled = [shelf for shelf in shelves if rng.random() < 0.85]
    write_table(
        folder,
        "stock_settings",
        [(s.storeroom, s.kit.code, s.rule, s.target, s.floor_qty, s.reorder_point, s.order_quantity) for s in settled],
    )
    counted: list[Row] = [
        (s.storeroom, s.kit.code, s.on_hand, s.counted_on, f"{'ABC'[place % 3]}-{place // 3 + 1:02d}")
        for place, s in enumerate(shelves)
        if s.on_hand is not None
    ]
    write_table(folder, "stock", [*counted, (*LEFTOVER, as_of - timedelta(140), "")])
    write_table(folder, "orders", [astuple(order) for order in orders_placed(shelves, as_of=as_of, rng=rng)])
