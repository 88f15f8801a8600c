"""Sign the document of a turnaround; afterwards, later scope and what was paid are added, and nothing is changed."""

from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import TypeVar

from msgspec import structs

from models.base import Conflict, NotFound, Session
from models.engine import Engines
from models.queries import audit, signatures
from models.signatures import LateScope, Signature, TurnaroundActual
from service.actors import acting
from service.db import read_session, write_session
from service.listings import Listing, Part, cut
from service.schemas.results import Page, from_row
from service.schemas.signatures import (
    ActualOut,
    ActualRequest,
    LateScopeOut,
    LateScopeRequest,
    SignatureOut,
    SignRequest,
)
from service.settings import now
from service.turnaround_documents import Document, document_of
from service.use_cases.choose_run import notice, read_notice

Expect = Callable[[str], None]
AfterOut = TypeVar("AfterOut", LateScopeOut, ActualOut)


def read_document(engines: Engines, code: str, *, run_id: int | None) -> Document:
    """Write down what would be signed now.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.
    run_id : int or None
        Which run; None is the latest finished.

    Returns
    -------
    Document
        Its digest is what a signature has to name.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    """  # noqa: DOC502 (comes from document_of)
    with read_session(engines) as session:
        return document_of(session, code, run_id)


def sign(
    engines: Engines,
    code: str,
    asked: SignRequest,
    *,
    expect: Expect,
    run_id: int | None,
    at: datetime | None = None,
) -> SignatureOut:
    """Sign what was seen.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.
    asked : SignRequest
        What is said to it.
    expect : callable
        Given the digest of what would be signed now, raises if another was seen.
    run_id : int or None
        Which run; None is the latest finished.
    at : datetime or None
        When; None is now.

    Returns
    -------
    SignatureOut
        As it was stored.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    Conflict
        If it is signed already.
    """  # noqa: DOC502 (NotFound comes from document_of)
    with write_session(engines) as session:
        earlier = signatures.find_signature(session, code)
        if earlier is not None:
            raise Conflict(
                f"turnaround {earlier.turnaround} was signed by {earlier.holder} on {earlier.signed_at:%Y-%m-%d}; "
                "what changed since then goes to its late-scope"
            )
        document = document_of(session, code, run_id)
        expect(document.digest)
        signature = signatures.store_signature(session, _signature(document, asked, at or now()))
        audit.note(session, "sign turnaround", {"turnaround": signature.turnaround, "sha256": signature.sha256})
        return _shape(signature, session)


def _signature(document: Document, asked: SignRequest, at: datetime) -> Signature:
    return Signature(
        turnaround=document.turnaround.code,
        run_id=document.run.id,
        as_of=document.run.as_of,
        holder=acting.get().holder,
        signed_at=at,
        note=asked.note,
        sha256=document.digest,
        content=document.content,
    )


def _shape(signature: Signature, session: Session) -> SignatureOut:
    return from_row(SignatureOut, signature, run=signature.run_id, notice=notice(session))


def _signed(session: Session, code: str) -> Signature:
    found = signatures.find_signature(session, code)
    if found is None:
        turnaround = signatures.get_turnaround(session, code)
        raise Conflict(f"turnaround {turnaround.code} isn't signed yet: POST .../sign comes first")
    return found


def read_signature(engines: Engines, code: str) -> SignatureOut:
    """Say who signed a turnaround, and when.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.

    Returns
    -------
    SignatureOut
        Without the document.

    Raises
    ------
    NotFound
        If it isn't signed.
    """  # noqa: DOC502 (comes from below)
    with read_session(engines) as session:
        return _shape(_find(session, code), session)


def read_signed(engines: Engines, code: str) -> tuple[bytes, str]:
    """Read the document of a turnaround as it was signed.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.

    Returns
    -------
    tuple of bytes and str
        The bytes, whatever became of the record, and their SHA-256 as stored.

    Raises
    ------
    NotFound
        If it isn't signed.
    """  # noqa: DOC502 (comes from below)
    with read_session(engines) as session:
        found = _find(session, code)
        return found.content, found.sha256


def _find(session: Session, code: str) -> Signature:
    found = signatures.find_signature(session, code)
    if found is None:
        raise NotFound(f"no turnaround {code} is signed")
    return found


def add_late_scope(engines: Engines, code: str, asked: LateScopeRequest, *, at: datetime | None = None) -> LateScopeOut:
    """Note work added or dropped after the signature.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.
    asked : LateScopeRequest
        Which valve, why, at what cost.
    at : datetime or None
        When; None is now.

    Returns
    -------
    LateScopeOut
        As it was stored.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    Conflict
        If it isn't signed.
    """  # noqa: DOC502 (both come from below)
    with write_session(engines) as session:
        signature = _signed(session, code)
        said = {**structs.asdict(asked), "signature_id": signature.id, **_by(at)}
        row = signatures.store_after(session, LateScope(**said))
        audit.note(session, "add late scope", {"turnaround": signature.turnaround, **structs.asdict(asked)})
        return from_row(LateScopeOut, row, turnaround=signature.turnaround, notice=notice(session))


def add_actual(engines: Engines, code: str, asked: ActualRequest, *, at: datetime | None = None) -> ActualOut:
    """Note what was really paid on a line.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.
    asked : ActualRequest
        Line, amount and day.
    at : datetime or None
        When; None is now.

    Returns
    -------
    ActualOut
        As it was stored.

    Raises
    ------
    NotFound
        If there is no such turnaround.
    Conflict
        If it isn't signed.
    """  # noqa: DOC502 (both come from below)
    with write_session(engines) as session:
        signature = _signed(session, code)
        said = {**structs.asdict(asked), "signature_id": signature.id, **_by(at)}
        row = signatures.store_after(session, TurnaroundActual(**said))
        audit.note(session, "add actual", {"turnaround": signature.turnaround, **structs.asdict(asked)})
        return from_row(ActualOut, row, turnaround=signature.turnaround, notice=notice(session))


def _by(at: datetime | None) -> dict[str, object]:
    return {"holder": acting.get().holder, "recorded_at": at or now()}


def list_late_scope(engines: Engines, code: str) -> Listing[LateScopeOut]:
    """List what was added or dropped after the signature, the first first.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.

    Returns
    -------
    Listing
        Nothing is ever left out.

    Raises
    ------
    NotFound
        If it isn't signed.
    """  # noqa: DOC502 (comes from below)
    return _list_after(engines, code, LateScope, LateScopeOut)


def list_actuals(engines: Engines, code: str) -> Listing[ActualOut]:
    """List what was really paid, the first first.

    Parameters
    ----------
    engines : Engines
        The database.
    code : str
        Of the turnaround.

    Returns
    -------
    Listing
        Nothing is ever left out.

    Raises
    ------
    NotFound
        If it isn't signed.
    """  # noqa: DOC502 (comes from below)
    return _list_after(engines, code, TurnaroundActual, ActualOut)


def _list_after(engines: Engines, code: str, table: type[signatures.After], shape: type[AfterOut]) -> Listing[AfterOut]:
    """List the rows that refer to a signature."""
    signature = read_signature(engines, code)

    def read(after: int, limit: int) -> Part[AfterOut]:
        with read_session(engines) as session:
            of = _find(session, code).id
            stored = signatures.list_after(session, table, of, after=after, limit=limit + 1)
        return cut(stored, limit=limit, shape=partial(from_row, shape, turnaround=signature.turnaround))

    return Listing(shape=shape, read=read, top=Page[AfterOut](value=(), notice=read_notice(engines)))
