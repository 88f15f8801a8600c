"""What turnarounds would want ordered if they were on other days: planned anew beside what the run planned."""

from collections.abc import Mapping, Sequence

from forecasting.found_on_opening import openings_seen
from forecasting.lifetime_points import lifetime_points
from forecasting.pipeline import Standing
from forecasting.pooling import InUse
from service.plan_of_turnaround import every_plan
from service.run_inputs import Asked
from service.schemas.turnarounds import PlannedKits, TurnaroundKitOut, TurnaroundPlan
from service.schemas.what_if import WhatIfOrder, WhatIfTurnaroundKit
from service.turnaround_planning import Planning

Key = tuple[str, str]


def turnaround_kits(
    planned: Sequence[PlannedKits],
    asked: Asked,
    stand: Standing,
    lifetimes: tuple[InUse, ...],
    *,
    reorder_points: Mapping[Key, int],
    kits: frozenset[str],
) -> list[WhatIfTurnaroundKit]:
    """Plan the turnarounds of a record that is otherwise, and set their kits beside those a run planned.

    Parameters
    ----------
    planned : sequence of PlannedKits
        Of the run.
    asked : Asked
        The record, otherwise.
    stand : Standing
        Where its items stand.
    lifetimes : tuple of InUse [days]
        Of the run.
    reorder_points : mapping from (storeroom, kit) to int [kits]
        What the running need would keep.
    kits : frozenset of str
        Those that are asked about.

    Returns
    -------
    list of WhatIfTurnaroundKit
        By first day of the turnaround, as it would be, and kit.
    """
    planning = Planning(
        asked=asked,
        ages=stand.ages,
        lifetimes=lifetimes,
        points=lifetime_points(lifetimes, lives=stand.fleet.lives),
        openings=openings_seen(asked.register.histories, as_of=asked.as_of.toordinal()),
        reorder_points=reorder_points,
    )
    before, after = _by_key(planned), _by_key(every_plan(planning))
    keys = [*after, *(key for key in before if key not in after)]
    return [
        WhatIfTurnaroundKit(
            turnaround=code, kit=kit, computed=_order(before.get((code, kit))), what_if=_order(after.get((code, kit)))
        )
        for code, kit in keys
        if kit in kits
    ]


def _by_key(plans: Sequence[PlannedKits | TurnaroundPlan]) -> dict[Key, TurnaroundKitOut]:
    return {(plan.code, kit.kit): kit for plan in plans for kit in sorted(plan.kits, key=lambda kit: kit.kit)}


def _order(kit: TurnaroundKitOut | None) -> WhatIfOrder:
    if kit is None:
        return WhatIfOrder()
    return WhatIfOrder(**{name: getattr(kit, name) for name in WhatIfOrder.__struct_fields__})
