"""The document of a turnaround that is signed: the same bytes for the same record and run."""

from dataclasses import dataclass
from hashlib import sha256

import msgspec

from models.base import Session
from models.queries import signatures
from models.runs import Run, RunDemand
from models.turnarounds import Turnaround
from service.settings import code_version
from service.use_cases.choose_run import choose_run, notice


@dataclass(frozen=True, kw_only=True)
class Document:
    """What would be signed now, and the run it rests on."""

    turnaround: Turnaround
    run: Run
    content: bytes

    @property
    def digest(self) -> str:
        """SHA-256 of the bytes, in hexadecimal digits."""
        return sha256(self.content).hexdigest()


def document_of(session: Session, code: str, run_id: int | None) -> Document:
    """Write down what a run says of a turnaround, as canonical JSON.

    Parameters
    ----------
    session : Session
        Any.
    code : str
        Of the turnaround.
    run_id : int or None
        Which run; None is the latest finished.

    Returns
    -------
    Document
        Nothing in it depends on when it is asked for.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    """  # noqa: DOC502 (comes from the query)
    turnaround = signatures.get_turnaround(session, code)
    run = choose_run(session, run_id)
    said = notice(session)
    whole = {
        "document": "valve-kits turnaround 1",
        "turnaround": {
            "code": turnaround.code,
            "name": turnaround.name,
            "starts_on": turnaround.starts_on,
            "ends_on": turnaround.ends_on,
            "scope_freeze_on": turnaround.scope_freeze_on,
        },
        "basis": {"run": run.id, "as_of": run.as_of, "method": run.method, "code_version": code_version()},
        "scope_lines": signatures.decisions(session, turnaround),
        "kits": _kits(session, run, turnaround),
        **({} if isinstance(said, msgspec.UnsetType) else {"notice": said}),
    }
    return Document(turnaround=turnaround, run=run, content=msgspec.json.encode(whole, order="sorted"))


def _kits(session: Session, run: Run, turnaround: Turnaround) -> list[dict[str, object]]:
    prices = signatures.prices(session)

    def told(row: RunDemand) -> dict[str, object]:
        kit = prices.get(row.kit_key)
        return {
            **{name: getattr(row, name) for name in ("area", "kit", "mean", "p10", "p50", "p80", "p90", "p95")},
            **{name: getattr(row, name) for name in ("unplanned_mean", "planned_mean", "turnaround_mean", "reason")},
            "unit_cost": None if kit is None else kit.unit_cost,
            "priced_on": None if kit is None else kit.priced_on,
        }

    return [told(row) for row in signatures.kits_expected(session, run.id, turnaround)]
