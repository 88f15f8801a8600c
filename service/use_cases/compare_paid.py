"""What was paid for a turnaround beside the budget that was signed."""

from collections import defaultdict
from collections.abc import Sequence
from decimal import Decimal

import msgspec
from msgspec import Struct, structs

from models.base import Conflict, NotFound, Session
from models.engine import Engines
from models.queries import signatures
from models.signatures import LateScope, Signature, TurnaroundActual
from service.db import read_session
from service.listings import Listing, listing_of
from service.schemas.signatures import PaidLineOut
from service.schemas.turnarounds import BudgetLineOut
from service.use_cases.choose_run import notice

EVERY_ROW = 1_000_000
TOTAL = "total_with_prices_and_hours"
LATE = "late_scope"
LEVELS = ("p10", "p50", "p80", "p90")


class _Budget(Struct):
    lines: list[BudgetLineOut]


class _Signed(Struct):
    budget: _Budget | None = None


def paid_beside_budget(engines: Engines, code: str) -> Listing[PaidLineOut]:
    """Set what was paid beside what was signed, line by line.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.

    Returns
    -------
    Listing
        The lines of the signed budget, then later scope, then the total with later scope added to it.

    Raises
    ------
    NotFound
        If the turnaround isn't signed.
    Conflict
        If what was signed holds no budget.
    """  # noqa: DOC502 (Conflict comes from below)
    with read_session(engines) as session:
        signature = signatures.find_signature(session, code)
        if signature is None:
            raise NotFound(f"no turnaround {code} is signed")
        rows = _beside(_lines(signature), late=_late_scope(session, signature), paid=_paid(session, signature))
        return listing_of(PaidLineOut, rows, notice=notice(session))


def _lines(signature: Signature) -> dict[str, BudgetLineOut]:
    budget = msgspec.json.decode(signature.content, type=_Signed).budget
    if budget is None:
        raise Conflict(f"what was signed for turnaround {signature.turnaround} holds no budget")
    return {one.line: one for one in budget.lines if one.line != "total"}


def _late_scope(session: Session, signature: Signature) -> Decimal:
    rows = signatures.list_after(session, LateScope, signature.id, after=0, limit=EVERY_ROW)
    return sum((row.cost if row.change == "add" else -row.cost for row in rows), Decimal(0))


def _paid(session: Session, signature: Signature) -> dict[str, list[Decimal]]:
    paid: dict[str, list[Decimal]] = defaultdict(list)
    for row in signatures.list_after(session, TurnaroundActual, signature.id, after=0, limit=EVERY_ROW):
        paid[row.line].append(row.amount)
    return paid


def _beside(lines: dict[str, BudgetLineOut], *, late: Decimal, paid: dict[str, list[Decimal]]) -> list[PaidLineOut]:
    """Later scope has one cost, so it moves the total's mean and every level of it by that."""
    certain = BudgetLineOut(line=LATE, mean=late, p10=late, p50=late, p80=late, p90=late, what="added after signing")
    total = lines.pop(TOTAL)
    moved = structs.replace(total, **{name: getattr(total, name) + late for name in ("mean", *LEVELS)})
    everything = [amount for amounts in paid.values() for amount in amounts]
    return [
        *(_row(line, paid.get(line.line, ())) for line in (*lines.values(), certain)),
        _row(moved, everything),
    ]


def _row(line: BudgetLineOut, payments: Sequence[Decimal]) -> PaidLineOut:
    paid = sum(payments, Decimal(0))
    return PaidLineOut(
        line=line.line,
        mean=line.mean,
        p10=line.p10,
        p50=line.p50,
        p80=line.p80,
        p90=line.p90,
        paid=paid,
        payments=len(payments),
        paid_less_mean=paid - line.mean if payments else None,
        reason=_reason(line, paid) if payments else "Nothing paid is recorded yet.",
    )


def _reason(line: BudgetLineOut, paid: Decimal) -> str:
    if paid > line.p90:
        return "More than was expected in 90 of 100 cases."
    if paid > line.p80:
        return "More than was expected in 80 of 100 cases."
    if paid < line.p10:
        return "Less than was expected in 90 of 100 cases; bills may be outstanding."
    return "Within what was expected."
