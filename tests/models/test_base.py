"""Column types give back exactly what was stored, on both databases; names and codes compare as meant."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from sqlalchemy import Column, Integer, MetaData, Table, insert, select
from sqlalchemy.exc import StatementError

from models.base import JSON_DOCUMENT, ExactDecimal, UtcTimestamp, code_key
from models.engine import Engines

SAMPLES = Table(
    "samples",
    MetaData(),
    Column("id", Integer, primary_key=True),
    Column("amount", ExactDecimal),
    Column("instant", UtcTimestamp),
    Column("document", JSON_DOCUMENT),
)


@pytest.fixture
def samples(engines: Engines) -> Iterator[Engines]:
    SAMPLES.create(engines.writer)
    yield engines
    SAMPLES.drop(engines.writer)


def stored(engines: Engines, **values: object) -> object:
    with engines.writer.begin() as connection:
        connection.execute(insert(SAMPLES), [values])
        (name,) = values
        return connection.execute(select(SAMPLES.c[name])).scalar_one()


@pytest.mark.parametrize("digits", ["0", "0.10", "1234567890123.123456", "100", "0.000001", "1E+3"])
def test_a_decimal_comes_back_digit_for_digit(samples: Engines, digits: str) -> None:
    amount = stored(samples, amount=Decimal(digits))
    assert isinstance(amount, Decimal)
    assert str(amount) == format(Decimal(digits), "f")


def test_an_instant_comes_back_in_utc_wherever_it_was_written(samples: Engines) -> None:
    noon = datetime(2024, 7, 1, 12, tzinfo=timezone(timedelta(hours=2)))
    instant = stored(samples, instant=noon)
    assert isinstance(instant, datetime)
    assert instant == noon
    assert instant.tzinfo == UTC


def test_a_time_without_offset_is_refused(samples: Engines) -> None:
    noon = datetime(2024, 7, 1, 12)  # noqa: DTZ001 (it is the point)
    with pytest.raises(StatementError, match="has no offset from UTC"):
        stored(samples, instant=noon)


def test_a_document_comes_back_as_it_was(samples: Engines) -> None:
    assert stored(samples, document={"a": [1, None, "ü"]}) == {"a": [1, None, "ü"]}


@pytest.mark.parametrize("column", ["amount", "instant"])
def test_nothing_comes_back_as_nothing(samples: Engines, column: str) -> None:
    assert stored(samples, **{column: None}) is None


@pytest.mark.parametrize(
    ("one", "other"),
    [("FV-101A/B", "fv-101a/b"), ("Straße 1", "STRASSE 1"), ("café", "cafe\N{COMBINING ACUTE ACCENT}")],
)
def test_codes_that_differ_in_case_or_in_how_an_accent_is_typed_are_one(one: str, other: str) -> None:
    assert code_key(one) == code_key(other)


def test_codes_that_differ_in_a_blank_or_a_digit_are_two() -> None:
    assert len({code_key(code) for code in ("FV-101", "FV-102", "FV -101")}) == 3
