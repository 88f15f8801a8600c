"""Tables of who may ask and who changed what: keys, the audit trail, answers kept for repeated requests."""

from datetime import datetime
from typing import Any

from sqlalchemy import CheckConstraint, ForeignKey, Index, LargeBinary, UniqueConstraint
from sqlmodel import Field, SQLModel

from models.base import JSON_DOCUMENT, UtcTimestamp, known_word

ROLES = ("reader", "sheet", "bench", "storeroom", "planner", "admin")


class AccessKey(SQLModel, table=True):
    """A key: its digest, never itself; revoked rather than deleted."""

    __tablename__ = "access_keys"
    __table_args__ = (known_word("role", ROLES), CheckConstraint("length(holder) > 0", name="holder_named"))

    id: int = Field(default=None, primary_key=True)
    digest: str = Field(max_length=64, unique=True)
    role: str = Field(max_length=20)
    holder: str = Field(max_length=200)
    created_at: datetime = Field(sa_type=UtcTimestamp)
    expires_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcTimestamp)


class AuditEntry(SQLModel, table=True):
    """One change of the database: who, when, what; what it did to single rows stands in audit_changes."""

    __tablename__ = "audit_entries"

    id: int = Field(default=None, primary_key=True)
    at: datetime = Field(sa_type=UtcTimestamp)
    holder: str = Field(max_length=200)
    role: str = Field(max_length=20)
    request_id: str | None = Field(default=None, max_length=64)
    action: str = Field(max_length=20)
    subjects: list[Any] = Field(sa_type=JSON_DOCUMENT)


class AuditChange(SQLModel, table=True):
    """A row of the record before and after a change; only the columns that differ."""

    __tablename__ = "audit_changes"
    __table_args__ = (Index(None, "entry_id"),)

    id: int = Field(default=None, primary_key=True)
    entry_id: int = Field(sa_column_args=[ForeignKey("audit_entries.id")])
    file: str = Field(max_length=60)
    record_key: dict[str, Any] = Field(sa_type=JSON_DOCUMENT)
    before: dict[str, Any] | None = Field(default=None, sa_type=JSON_DOCUMENT)
    after: dict[str, Any] | None = Field(default=None, sa_type=JSON_DOCUMENT)


class KeptAnswer(SQLModel, table=True):
    """The answer to a request that may be repeated under its Idempotency-Key; no status while in progress."""

    __tablename__ = "kept_answers"
    __table_args__ = (UniqueConstraint("key_id", "name"), Index(None, "asked_at"))

    id: int = Field(default=None, primary_key=True)
    key_id: int
    name: str = Field(max_length=255)
    request_digest: str = Field(max_length=64)
    asked_at: datetime = Field(sa_type=UtcTimestamp)
    status: int | None = None
    headers: dict[str, Any] = Field(sa_type=JSON_DOCUMENT)
    body: bytes = Field(sa_type=LargeBinary)


class BrowserSession(SQLModel, table=True):
    """A browser in which somebody signed in with a key: the digest of its cookie, never the cookie."""

    __tablename__ = "browser_sessions"

    id: int = Field(default=None, primary_key=True)
    digest: str = Field(max_length=64, unique=True)
    key_id: int = Field(foreign_key="access_keys.id", index=True)
    began_at: datetime = Field(sa_type=UtcTimestamp)
    ends_at: datetime = Field(sa_type=UtcTimestamp)
