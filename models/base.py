"""What every table stands on: names for constraints, column types, storage errors.

StorageError
├─ NotFound   what was asked for is not in the record
├─ Conflict   the record, as it is now, refuses the change
├─ Busy       another writer held the database for too long
│  └─ Crossed two changes got in each other's way; the same again may succeed
├─ Unwritable the database takes no changes: its disk is full, or it is read-only
└─ Damaged    the database isn't what was written
"""

import unicodedata
from collections.abc import Iterable
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import JSON, CheckConstraint, DateTime, Dialect, Numeric, String, Text
from sqlalchemy.dialects.postgresql import JSONB
from sqlalchemy.types import TypeDecorator, TypeEngine
from sqlmodel import Session as Session
from sqlmodel import SQLModel

SQLModel.metadata.naming_convention = {
    "pk": "pk_%(table_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
}


class StorageError(Exception):
    """Base of every error raised by models."""


class NotFound(StorageError):
    """What was asked for is not in the record; the message names it."""


class Conflict(StorageError):
    """The record, as it is now, refuses the change."""


class Busy(StorageError):
    """Another writer held the database for longer than a writer waits."""


class Crossed(Busy):
    """Two changes got in each other's way, and this one was taken back; the same again may succeed."""


class Unwritable(StorageError):
    """The database takes no changes; nothing of this one was stored."""


class Damaged(StorageError):
    """The database, or a copy of it, isn't what was written."""


CODE_LENGTH = 60
CODE_KEY_LENGTH = 3 * CODE_LENGTH  # casefolding can turn one character into three


def code_key(code: str) -> str:
    """Return what a code is compared by: two spellings that differ only in case give the same key.

    Parameters
    ----------
    code : str
        As written by its owner.

    Returns
    -------
    str
        At most three times as long as the code.

    Examples
    --------
    >>> code_key("FV-101A/B") == code_key("fv-101a/b")
    True
    """
    return code.casefold() if code.isascii() else unicodedata.normalize("NFC", code).casefold()


def code_key_type(length: int = CODE_KEY_LENGTH) -> TypeEngine[str]:
    """Text that sorts by code point on every database, so that exports have one order.

    Parameters
    ----------
    length : int [characters]
        The longest key.

    Returns
    -------
    TypeEngine
        A column type.
    """
    return String(length).with_variant(String(length, collation="C"), "postgresql")


def valid_code(column: str) -> CheckConstraint:
    """Refuse an empty or too long code, and one with the characters that join lists in a cell.

    Parameters
    ----------
    column : str
        The column that holds the code.

    Returns
    -------
    CheckConstraint
        For the table's arguments; so are those of the functions below.
    """
    return CheckConstraint(
        f"length({column}) BETWEEN 1 AND {CODE_LENGTH} AND trim({column}) = {column} "
        f"AND replace(replace({column}, '|', ''), ':', '') = {column}",
        name=f"{column}_valid",
    )


def known_word(column: str, words: Iterable[str]) -> CheckConstraint:
    """Refuse every word that is not in the list.

    Parameters
    ----------
    column : str
        The column that holds the word.
    words : iterable of str
        What it may hold.

    Returns
    -------
    CheckConstraint
        Satisfied by NULL too.
    """
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")


def at_least(column: str, least: int) -> CheckConstraint:
    """Refuse a smaller number.

    Parameters
    ----------
    column : str
        The column that holds the number.
    least : int
        In the unit of the column.

    Returns
    -------
    CheckConstraint
        Satisfied by NULL too.
    """
    return CheckConstraint(f"CAST({column} AS NUMERIC) >= {least}", name=f"{column}_at_least_{least}")


def digits_or(column: str, word: str) -> CheckConstraint:
    """Refuse everything but a whole number without a sign and one word.

    Parameters
    ----------
    column : str
        The column that holds it as text.
    word : str
        What it may say instead of a number.

    Returns
    -------
    CheckConstraint
        Satisfied by NULL too.
    """
    return CheckConstraint(
        f"{column} = '{word}' OR (length({column}) > 0 AND trim({column}, '0123456789') = '')",
        name=f"{column}_valid",
    )


JSON_DOCUMENT: TypeEngine[Any] = JSON().with_variant(JSONB(), "postgresql")


class UtcTimestamp(TypeDecorator[datetime]):
    """An instant: aware datetimes in, UTC out; SQLite alone would drop the offset in silence."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware datetime to UTC.

        Raises
        ------
        ValueError
            If the datetime has no offset: it names no instant.
        """
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"timestamp {value.isoformat()} has no offset from UTC")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give every stored instant back in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class ExactDecimal(TypeDecorator[Decimal]):
    """A decimal that comes back digit for digit: NUMERIC where there is one, text on SQLite."""

    impl = Numeric
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Choose the column type of this database."""
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else Numeric())

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> Decimal | str | None:
        """Write plain digits, never an exponent."""
        if value is None or dialect.name != "sqlite":
            return value
        return format(value, "f")

    def process_result_value(self, value: Decimal | str | None, dialect: Dialect) -> Decimal | None:
        """Read the digits back."""
        return None if value is None else Decimal(value)


UNLIMITED = "unlimited"


class DaysOrUnlimited(TypeDecorator[int | str]):
    """A number of days, or the word `unlimited`: nothing known is NULL, which is neither."""

    impl = String(10)
    cache_ok = True

    def process_bind_param(self, value: int | str | None, dialect: Dialect) -> str | None:
        """Write digits, or the word."""
        return None if value is None else str(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> int | str | None:
        """Read a number back as one."""
        return value if value in {None, UNLIMITED} else int(value)
