"""What the pages of turnarounds show: what the record and the latest run say of one; nothing is computed anew."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from models.base import Conflict, NotFound, code_key
from models.engine import Engines
from models.queries.results import DemandFilter, Whose
from service.schemas.records import ScopeLineRecord, TurnaroundRecord
from service.schemas.results import DemandOut
from service.schemas.signatures import LateScopeOut, SignatureOut
from service.schemas.turnarounds import BudgetOut, ScopeValveOut, StagedKitOut, TurnaroundKitOut
from service.use_cases import sign_turnaround
from service.use_cases.change_records import list_records, read_record
from service.use_cases.list_results import list_demand
from service.use_cases.read_turnaround import read_plan, told_budget

IN = "in"


@dataclass(frozen=True, kw_only=True)
class PlanView:
    """What a run planned: valves opened and left closed, budget, kits, those late already, and what is laid out."""

    opened: Sequence[ScopeValveOut]
    closed: Sequence[ScopeValveOut]
    budget: BudgetOut
    kits: Sequence[TurnaroundKitOut]
    late: Sequence[TurnaroundKitOut]
    laid_out: Sequence[StagedKitOut]


@dataclass(frozen=True, kw_only=True)
class TurnaroundView:
    """A turnaround: as registered, as planned, valves decided, who signed it, what came after.

    `plan` is None where the run has none: `unplanned` says why, and `demand` is what its areas may take all the same.
    """

    record: TurnaroundRecord
    plan: PlanView | None
    unplanned: str
    decided: Sequence[ScopeLineRecord]
    demand: Sequence[DemandOut]
    signature: SignatureOut | None
    late: Sequence[LateScopeOut]

    @property
    def changed(self) -> bool:
        """Whether its days were changed after the run planned it."""
        if self.plan is None:
            return False
        now, planned = self.record, self.plan.budget
        days = (now.starts_on, now.ends_on or planned.ends_on, now.scope_freeze_on)
        return days != (planned.starts_on, planned.ends_on, planned.scope_freeze_on)


def look_at_turnaround(engines: Engines, code: str) -> TurnaroundView:
    """Look at a turnaround.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        The turnaround.

    Returns
    -------
    TurnaroundView
        As the latest finished run planned it; demand, most expected first, only where it didn't.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    """
    record = read_record(engines, "turnarounds", [code]).record
    if not isinstance(record, TurnaroundRecord):
        raise NotFound(f"there is no turnaround {code}")
    lines = (row for row in list_records(engines, "scope_lines").rows() if isinstance(row, ScopeLineRecord))
    decided = [line for line in lines if code_key(line.turnaround) == code_key(code)]
    signature = _signature(engines, code)
    plan, unplanned = _planned(engines, code)
    demand = [row for area in record.areas for row in _within(engines, area, record)] if plan is None else []
    return TurnaroundView(
        record=record,
        plan=plan,
        unplanned=unplanned,
        decided=decided,
        demand=sorted(demand, key=lambda row: (-(row.mean or 0.0), row.kit, row.area)),
        signature=signature,
        late=[] if signature is None else list(sign_turnaround.list_late_scope(engines, code).rows()),
    )


def list_to_come(engines: Engines, *, after: date) -> Sequence[TurnaroundRecord]:
    """List the turnarounds that aren't over.

    Parameters
    ----------
    engines : Engines
        The database.
    after : date
        What ended by then is over.

    Returns
    -------
    sequence of TurnaroundRecord
        The next one first; those without a day last.
    """
    rows = [row for row in list_records(engines, "turnarounds").rows() if isinstance(row, TurnaroundRecord)]
    to_come = [row for row in rows if (row.ends_on or row.starts_on or date.max) > after]
    return sorted(to_come, key=lambda row: (row.starts_on or date.max, row.code))


def _planned(engines: Engines, code: str) -> tuple[PlanView | None, str]:
    try:
        read = read_plan(engines, code=code, run_id=None)
    except Conflict as why:
        return None, str(why)
    plan = read.plan
    view = PlanView(
        opened=[row for row in plan.scope if row.decision == IN],
        closed=[row for row in plan.scope if row.decision != IN],
        budget=told_budget(read),
        kits=plan.kits,
        late=[kit for kit in plan.kits if kit.to_order and kit.days_late > 0],
        laid_out=[one for one in plan.staging if one.qty],
    )
    return view, ""


def _signature(engines: Engines, code: str) -> SignatureOut | None:
    try:
        return sign_turnaround.read_signature(engines, code)
    except NotFound:
        return None


def _within(engines: Engines, area: str, record: TurnaroundRecord) -> list[DemandOut]:
    if record.starts_on is None:
        return []
    wanted = DemandFilter(
        whose=Whose(area=area), bucket="in_turnaround", starts_on=record.starts_on, ends_on=record.ends_on
    )
    return list(list_demand(engines, run_id=None, wanted=wanted).rows())
