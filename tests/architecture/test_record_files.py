"""What the record looks like from outside, in its Structs, and inside, in its tables, is one thing."""

from typing import Any, get_args, get_type_hints

import pytest

from models.events import ACTIONS, AS_FOUND_STATES, REASONS
from models.queries.files import EVERY_MEMBER, FILES, Members, RecordFile, Reference
from models.register import CONSEQUENCES, POLICIES
from models.stock import STOCK_RULES
from models.turnarounds import DECISIONS
from service.csv_cells import cell_columns
from service.schemas import columns
from service.schemas.records import EVERY_ITEM, RECORDS, EventRecord


def test_the_same_files_are_declared_on_both_sides() -> None:
    assert RECORDS.keys() == FILES.keys()


@pytest.mark.parametrize("name", FILES)
def test_the_same_columns_are_declared_on_both_sides(name: str) -> None:
    assert list(RECORDS[name].__struct_fields__) == [column.name for column in FILES[name].columns]


@pytest.mark.parametrize("file", FILES.values(), ids=FILES)
def test_a_table_can_hold_what_a_struct_may_leave_out_and_no_less(file: RecordFile) -> None:
    """A column is required in both or in neither; the ref of an event is the one that has a substitute."""
    needed = {name for name, column in cell_columns(RECORDS[file.name]).items() if column.required}
    stored = {
        column.name
        for column in file.columns
        if not isinstance(column, Members)
        and not file.table.c[column.stored if isinstance(column, Reference) else column.name].nullable
    }
    assert needed == stored
    assert set(file.required) <= needed


@pytest.mark.parametrize("file", FILES.values(), ids=FILES)
def test_a_file_comes_after_those_it_refers_to(file: RecordFile) -> None:
    order = list(FILES)
    assert all(order.index(reference.file) <= order.index(file.name) for reference in file.references)


@pytest.mark.parametrize("file", FILES.values(), ids=FILES)
def test_every_column_of_a_table_is_in_its_file(file: RecordFile) -> None:
    columns = {column.name for column in file.table.columns}
    shown = {column.stored if isinstance(column, Reference) else column.name for column in file.columns}
    kept_for_itself = {"id", "described", "number"} | {name for name in columns if name.endswith("_key")}
    assert columns - kept_for_itself == shown - {column.name for column in file.members}


@pytest.mark.parametrize("name", RECORDS)
def test_every_column_says_what_it_expects(name: str) -> None:
    assert [column.name for column in cell_columns(RECORDS[name]).values() if not column.expected] == []


def words(annotated: Any) -> set[str]:
    return set(get_args(get_args(annotated)[0]))


def test_the_words_of_a_struct_are_those_the_database_knows() -> None:
    assert words(columns.Policy) == set(POLICIES)
    assert words(columns.Consequence) == set(CONSEQUENCES)
    assert words(columns.Action) == set(ACTIONS)
    assert words(columns.Reason) == set(REASONS)
    assert words(columns.StockRule) == set(STOCK_RULES)
    assert words(columns.Decision) == set(DECISIONS)
    as_found = get_type_hints(EventRecord)["as_found"]
    assert set(get_args(get_args(as_found)[1])) == set(AS_FOUND_STATES)


def test_a_date_for_every_item_has_one_key_on_both_sides() -> None:
    assert EVERY_ITEM == EVERY_MEMBER
