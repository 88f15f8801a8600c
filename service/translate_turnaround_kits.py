"""From what a turnaround may take to its kits: how many, what is there, by when to order, what being late means."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from math import ceil

import numpy as np

from forecasting.money_sums import Sums, sum_of_independent
from forecasting.order_dates import (
    Closure,
    arrival_chance,
    arrival_day,
    kits_to_have,
    lead_time_at,
    open_days,
    order_by_day,
)
from forecasting.turnaround_budgets import kits_wanted
from service.schemas.records import KitRecord
from service.schemas.results import rounded
from service.schemas.turnarounds import StagedKitOut, TurnaroundKitOut
from service.translate_exposures import ValveOutcomes
from service.translate_for_turnarounds import ForTurnaround
from service.translate_scope_lines import ChosenScope
from service.translate_stock import Assumptions
from service.translate_turnaround_reasons import PROBABILITY, reason_of
from service.translate_turnaround_stock import Taking, Takings, by_turnaround, free_on, left_over, taken_from
from service.translate_windows import TurnaroundWindow, storerooms_after
from service.translate_works import in_money
from service.turnaround_planning import Planning

EXTRA_DIGITS = 9
ByClass = Mapping[str, Sequence[ValveOutcomes]]


@dataclass(frozen=True, kw_only=True)
class _Shelf:
    """A kit in the storerooms that serve a turnaround.

    Parameters
    ----------
    free : dict from storeroom to int [kits]
        There on the day, beyond what is kept for the running need, what is promised, and what earlier turnarounds take.
    own : dict from storeroom to ForTurnaround [kits]
        Accepted for it.
    days : float [days]
        Until it begins.
    before : tuple of Taking
        What those take.
    lead, spread : float [days]
        Lead time; the longest of the storerooms'.
    least, pack : int [kits]
        How many can be ordered.
    storerooms : tuple of str [codes]
        Which.
    """

    free: dict[str, int]
    own: dict[str, ForTurnaround]
    days: float
    before: tuple[Taking, ...]
    lead: float
    spread: float
    least: int
    pack: int
    storerooms: tuple[str, ...]

    @property
    def available(self) -> int:
        """Kits there on the day, of all storerooms together, those accepted for it included."""
        return sum(self.free.values()) + sum(self.owned.values())

    @property
    def owned(self) -> dict[str, int]:
        """What of those accepted for it is there on the day, by storeroom."""
        return {room: one.there_by(self.days) for room, one in self.own.items()}

    def rounded_up(self, qty: int) -> int:
        """Order at least the least quantity, in whole packs."""
        return ceil(max(qty, self.least) / self.pack) * self.pack if qty > 0 else 0


@dataclass(frozen=True, kw_only=True)
class _When:
    """By when to order, how late that is, and how likely an order of today is there in time."""

    lead_days: int
    order_by: date
    late: int
    chance: float


def kit_rows(
    planning: Planning, window: TurnaroundWindow, chosen: ChosenScope, by_class: ByClass, takings: Takings
) -> list[TurnaroundKitOut]:
    """Lay out the kits of a turnaround, late ones first.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        The turnaround.
    chosen : ChosenScope
        Its scope.
    by_class : mapping from service class to sequence of ValveOutcomes
        What may become of its valves.
    takings : mapping from (storeroom, kit) to sequence of Taking
        What earlier turnarounds take.

    Returns
    -------
    list of TurnaroundKitOut
        Every kit that is planned or may be needed.
    """
    by_kit: dict[str, list[Sums]] = defaultdict(list)
    for some in by_class.values():
        for kit, wanted in kits_wanted([one.outcomes for one in some]).items():
            by_kit[kit].append(wanted)
    rows = [
        _row(planning, window, chosen, kit, sum_of_independent(wanted, step=1.0), takings)
        for kit, wanted in sorted(by_kit.items())
    ]
    return sorted(rows, key=lambda row: (-row.days_late, row.to_order == 0, row.order_by or date.max, row.kit))


def _row(
    planning: Planning, window: TurnaroundWindow, chosen: ChosenScope, kit: str, wanted: Sums, takings: Takings
) -> TurnaroundKitOut:
    tags = sorted(tag for tag, work in chosen.opened.items() if kit in dict(work.kits))
    planned = sum(dict(chosen.opened[tag].kits)[kit] for tag in tags)
    shelf, enough = _shelf(planning, window, chosen, kit, takings), kits_to_have(wanted, probability=PROBABILITY)
    to_order, known = shelf.rounded_up(enough - shelf.available), planning.works.kits.get(kit, KitRecord(code=kit))
    price, unused = known.unit_cost, _unused(wanted, shelf.available, to_order)
    closures = _closed_days(planning)
    when, freeze = _when(planning.asked.as_of, window.starts_on, shelf, closures), window.record.scope_freeze_on
    soon = freeze is not None and planning.asked.as_of < freeze and when.order_by < freeze
    row = TurnaroundKitOut(
        kit=kit,
        to_order=to_order,
        order_by=when.order_by if to_order else None,
        days_late=when.late if to_order else 0,
        planned_qty=planned,
        expected_extra=_extra(wanted.mean, planned),
        p50=round(wanted.quantile(0.5)),
        p80=round(wanted.quantile(0.8)),
        p90=round(wanted.quantile(0.9)),
        wanted_qty=enough,
        available=shelf.available,
        needed_on=window.starts_on,
        lead_time_days=shelf.lead,
        lead_time_sd_days=shelf.spread,
        arrives_in_time=rounded(when.chance),
        order_before_freeze=bool(to_order) and soon,
        chance_used=rounded(_more_than(wanted, shelf.available)) if to_order else None,
        unit_cost=price,
        cost=None if price is None else to_order * price,
        surplus_cost=_valued(price, unused) if to_order else None,
        cancelling_cost=_valued(known.cancelling_cost, unused) if to_order else None,
        expediting_cost=known.expediting_cost if to_order else None,
        expedited_there_on=_expedited(planning.asked.as_of, known, closures) if to_order else None,
        reason="",
        details=_details(shelf, when, tags) | _taken(planning, window, shelf, wanted=enough),
    )
    row.reason = reason_of(row, chosen, tags, freeze=freeze, before=shelf.before)
    return row


def _details(shelf: _Shelf, when: _When, tags: Sequence[str]) -> dict[str, object]:
    return {
        "storerooms": list(shelf.storerooms),
        "probability": PROBABILITY,
        "lead_time_at_probability_days": when.lead_days,
        "valves": list(tags),
        "planned_order_by": when.order_by.isoformat(),
        "accepted_qty": sum(one.accepted for one in shelf.own.values()),
        "on_order_qty": sum(one.on_order for one in shelf.own.values()),
        "overdue_qty": sum(one.overdue for one in shelf.own.values()),
        "received_qty": sum(one.received for one in shelf.own.values()),
        "too_late_qty": sum(one.on_order + one.accepted + one.received for one in shelf.own.values())
        - sum(shelf.owned.values()),
    }


def _taken(planning: Planning, window: TurnaroundWindow, shelf: _Shelf, *, wanted: int) -> dict[str, object]:
    """Say what this turnaround takes of what is there, by storeroom, and what earlier ones do."""
    spared = storerooms_after(planning.asked.inputs, window, as_of=planning.asked.as_of)
    return {
        "taken": taken_from(shelf.free, wanted=wanted - sum(shelf.owned.values()), spared=spared),
        "left_over": left_over(shelf.owned, wanted=wanted),
        "taken_before": by_turnaround(shelf.before),
    }


def _closed_days(planning: Planning) -> list[Closure]:
    return [(one.starts_on.toordinal(), one.ends_on.toordinal()) for one in planning.asked.inputs.closures]


def _expedited(as_of: date, kit: KitRecord, closures: Sequence[Closure]) -> date | None:
    days = kit.expedited_lead_time_days
    if days is None:
        return None
    return date.fromordinal(arrival_day(as_of.toordinal(), lead_days=days, closures=closures))


def _when(as_of: date, need: date, shelf: _Shelf, closures: Sequence[Closure]) -> _When:
    lead_days = lead_time_at(mean=shelf.lead, spread=shelf.spread, probability=PROBABILITY)
    order_by = date.fromordinal(order_by_day(need.toordinal(), lead_days=lead_days, closures=closures))
    days = open_days(as_of.toordinal(), need.toordinal(), closures=closures)
    return _When(
        lead_days=lead_days,
        order_by=order_by,
        late=max((as_of - order_by).days, 0),
        chance=arrival_chance(mean=shelf.lead, spread=shelf.spread, days=days),
    )


def _more_than(wanted: Sums, available: int) -> float:
    return float(wanted.chances[available + 1 :].sum())


def _unused(wanted: Sums, available: int, ordered: int) -> float:
    """Expect ordered kits that nothing takes."""
    left = np.clip(available + ordered - np.arange(len(wanted.chances)), 0, ordered)
    return float(left @ wanted.chances)


def _valued(each: Decimal | None, kits: float) -> Decimal | None:
    return None if each is None else in_money(kits * float(each))


def _shelf(planning: Planning, window: TurnaroundWindow, chosen: ChosenScope, kit: str, takings: Takings) -> _Shelf:
    tags, as_of = {one.record.tag for one in chosen.valves}, planning.asked.as_of
    serving = {room for room, served in planning.asked.register.storerooms.items() if served & tags}
    stock = [one for one in planning.asked.stock if one.question.kit == kit and one.question.storeroom in serving]
    asked, code = [one.question for one in stock], window.record.code
    taken = {one.storeroom: tuple(takings.get((one.storeroom, kit), ())) for one in asked}
    kept = {one.storeroom: planning.reorder_points.get((one.storeroom, kit), 0) for one in asked}
    assumed = Assumptions().lead_time_days
    return _Shelf(
        free={
            room: free_on(one, taken[room], day=window.starts_on, as_of=as_of, kept=kept[room])
            for room, one in ((one.storeroom, one) for one in asked)
        },
        own={one.question.storeroom: one.for_turnarounds[code] for one in stock if code in one.for_turnarounds},
        days=float(window.days_to(as_of)),
        before=tuple(one for room in sorted(taken) for one in taken[room]),
        lead=max((one.lead_time for one in asked), default=assumed),
        spread=max((one.lead_time_spread for one in asked), default=0.0),
        least=max((one.min_order for one in asked), default=1),
        pack=max((one.pack for one in asked), default=1),
        storerooms=tuple(one.storeroom for one in asked),
    )


def staging_rows(by_class: ByClass) -> list[StagedKitOut]:
    """Lay out the kits of each valve; unused ones come back.

    Parameters
    ----------
    by_class : mapping from service class to sequence of ValveOutcomes
        What may become of the valves.

    Returns
    -------
    list of StagedKitOut
        By tag and kit: what is planned, and what is expected beyond that.
    """
    rows = [row for some in by_class.values() for one in some for row in _staged(one)]
    return sorted(rows, key=lambda row: (row.tag, row.kit))


def _staged(one: ValveOutcomes) -> list[StagedKitOut]:
    planned = {} if one.opened is None else dict(one.opened.kits)
    chances = one.outcomes.chances.mean(axis=0)
    expected: dict[str, float] = defaultdict(float)
    for chance, works in zip(chances.tolist(), one.outcomes.works, strict=True):
        for kit, qty in works[3].kits:
            expected[kit] += chance * qty
    return [
        StagedKitOut(
            tag=one.valve.record.tag,
            kit=kit,
            qty=planned.get(kit, 0),
            expected_extra=_extra(expected[kit], planned.get(kit, 0)),
            opened_for="" if one.opened is None else "|".join(sorted(one.opened.items)),
        )
        for kit in sorted(expected.keys() | planned.keys())
    ]


def _extra(expected: float, planned: int) -> float:
    """Subtract what is planned; what only summing in binary leaves over is nothing."""
    return rounded(round(expected - planned, EXTRA_DIGITS))
