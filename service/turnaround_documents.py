"""The document of a turnaround that is signed: the same bytes for the same record and run."""

from dataclasses import dataclass
from hashlib import sha256

import msgspec
from msgspec import UNSET, UnsetType, structs

from models.base import Session
from models.queries import signatures
from models.runs import Run
from models.turnarounds import Turnaround
from service.settings import code_version
from service.use_cases.choose_run import choose_run, notice
from service.use_cases.read_turnaround import stored, told_budget


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
    Conflict
        If the run planned nothing for it, because it is over, for instance.
    """  # noqa: DOC502 (both come from below)
    turnaround = signatures.get_turnaround(session, code)
    read = stored(session, code, run_id)
    run = choose_run(session, read.run)
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
        "scope": read.plan.scope,
        "budget": structs.replace(told_budget(read), notice=UNSET),
        "kits": read.plan.kits,
        "staging": read.plan.staging,
        **({} if isinstance(said, UnsetType) else {"notice": said}),
    }
    return Document(turnaround=turnaround, run=run, content=msgspec.json.encode(whole, order="sorted"))
