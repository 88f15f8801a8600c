"""Schema versions go up, down and up again on both databases, and end where the code says."""

from concurrent.futures import ThreadPoolExecutor

from sqlalchemy import inspect, text
from sqlmodel import SQLModel

from models.engine import Engines, check_schema, downgrade, migrate, open_engines
from tests.database_dump import constraint_texts, dump


def tables_of(url: str) -> set[str]:
    engines = open_engines(url)
    names = set(inspect(engines.reader).get_table_names())
    engines.reader.dispose()
    return names - {"alembic_version"}


def test_up_down_and_up_again(empty_database_url: str) -> None:
    migrate(empty_database_url)
    migrated = tables_of(empty_database_url)
    downgrade(empty_database_url, revision="base")
    assert tables_of(empty_database_url) == set()
    migrate(empty_database_url)
    assert tables_of(empty_database_url) == migrated == set(SQLModel.metadata.tables)


def test_each_version_can_be_left_downwards(empty_database_url: str) -> None:
    """From the newest to the first, one step at a time, and back."""
    migrate(empty_database_url)
    downgrade(empty_database_url, revision="0001")
    assert {"valves", "events", "kits"} <= tables_of(empty_database_url)
    assert "runs" not in tables_of(empty_database_url)
    migrate(empty_database_url)
    check_schema(empty_database_url)


NAMED = (("TA-1", "2017-04-30"), ("ta-1", "2017-05-01"), ("TA-2", "2017-05-02"), (None, "2017-05-03"))


def events_of(url: str) -> list[tuple[object, ...]]:
    engines = open_engines(url)
    with engines.reader.connect() as connection:
        rows = connection.execute(text("SELECT * FROM events ORDER BY id")).mappings()
        found: list[tuple[object, ...]] = [
            (row.get("turnaround"), str(row["done_on"]), row["ref_key"], row["number"]) for row in rows
        ]
    engines.reader.dispose()
    return found


def execute(url: str, *statements: str) -> None:
    engines = open_engines(url)
    with engines.writer.begin() as connection:
        for statement in statements:
            connection.execute(text(statement))
    engines.reader.dispose()


def test_turnarounds_named_by_events_become_rows_and_names_again(empty_database_url: str) -> None:
    """Two spellings of one turnaround are one row; days stay what they were; what hangs on an event stays there."""
    migrate(empty_database_url, revision="0002")
    execute(
        empty_database_url,
        "INSERT INTO valves (id, tag, tag_key, installed_on) VALUES (1, 'V', 'v', '2011-01-01')",
        "INSERT INTO valve_last_renewals (valve_id, renewed_on) VALUES (1, '2012-01-01')",
        "INSERT INTO maintainable_items (id, code, code_key, described) VALUES (1, 'trim', 'trim', true)",
        *(
            "INSERT INTO events (id, ref_key, number, valve_id, done_on, action, turnaround) VALUES"
            f" ({number}, 'v|{day}|rebuild|1', 1, 1, '{day}', 'rebuild', {repr(code) if code else 'NULL'})"
            for number, (code, day) in enumerate(NAMED, start=1)
        ),
        "INSERT INTO event_renewed (event_id, maintainable_item_id) VALUES (1, 1)",
    )
    migrate(empty_database_url)
    engines = open_engines(empty_database_url)
    before = dump(engines)
    engines.reader.dispose()
    assert [(row[1], row[-1]) for row in before["turnarounds"]] == [("TA-1", False), ("TA-2", False)]
    assert len(before["event_renewed"]) == len(before["valve_last_renewals"]) == 1
    downgrade(empty_database_url, revision="0002")
    assert [name for name, *_ in events_of(empty_database_url)] == ["TA-1", "TA-1", "TA-2", None]
    assert [day for _, day, *_ in events_of(empty_database_url)] == [day for _, day in NAMED]
    migrate(empty_database_url)
    engines = open_engines(empty_database_url)
    assert dump(engines) == before
    engines.reader.dispose()


def test_days_known_to_the_month_become_whole_on_the_way_down(empty_database_url: str) -> None:
    """In order, each event with a key of its own."""
    migrate(empty_database_url)
    execute(
        empty_database_url,
        "INSERT INTO valves (id, tag, tag_key, installed_on) VALUES (1, 'V', 'v', '2017')",
        *(
            "INSERT INTO events (id, ref_key, number, valve_id, found_on, done_on, action) VALUES"
            f" ({number}, 'v|{day}|rebuild|1', 1, 1, '2017-04', '{day}', 'rebuild')"
            for number, day in enumerate(("2017-04", "2017-04-30", "2017-04-12"), start=1)
        ),
    )
    downgrade(empty_database_url, revision="0002")
    assert [event[1:] for event in events_of(empty_database_url)] == [
        ("2017-04-30", "v|2017-04-30|rebuild|2", 2),
        ("2017-04-30", "v|2017-04-30|rebuild|1", 1),
        ("2017-04-12", "v|2017-04-12|rebuild|1", 1),
    ]
    migrate(empty_database_url)
    check_schema(empty_database_url)


def test_what_was_accepted_for_turnarounds_is_gone_where_a_version_would_take_it_for_the_running_need(
    empty_database_url: str,
) -> None:
    migrate(empty_database_url)
    same = "'MAIN', 'main', 'K', 'k', 4, 'as planned', 'the storeroom', '2026-03-01 06:00:00+00:00', 4, '[]'"
    execute(
        empty_database_url,
        "INSERT INTO runs (id, as_of, status, requested_at, code_version, counts) "
        "VALUES (1, '2026-03-01', 'failed', '2026-03-01 05:00:00+00:00', '0.1.0', '{}')",
        *(
            "INSERT INTO acceptances (id, run_id, as_of, storeroom, storeroom_key, kit, kit_key, quantity, reason, "
            "holder, accepted_at, proposed_quantity, known_orders, turnaround, turnaround_key, proposed_reorder_point)"
            f" VALUES ({number}, 1, '2026-03-01', {same}, {turnaround}, {level})"
            for number, turnaround, level in ((1, "NULL, NULL", 3), (2, "'TA', 'ta'", "NULL"))
        ),
    )
    downgrade(empty_database_url, revision="0019")
    migrate(empty_database_url)
    engines = open_engines(empty_database_url)
    with engines.reader.connect() as connection:
        left = connection.execute(text("SELECT id, proposed_reorder_point FROM acceptances")).all()
    engines.reader.dispose()
    assert [tuple(row) for row in left] == [(1, 3)]
    check_schema(empty_database_url)


def test_a_migrated_database_is_what_the_code_declares(database_url: str) -> None:
    """Alembic finds no difference in tables, columns, types, keys and indexes."""
    check_schema(database_url)


def test_migrations_make_the_same_check_constraints_as_the_code(empty_database_url: str) -> None:
    """Alembic does not compare these, so both are made and read back."""
    migrate(empty_database_url)
    engines = open_engines(empty_database_url)
    by_migration = constraint_texts(engines)
    downgrade(empty_database_url, revision="base")
    SQLModel.metadata.create_all(engines.writer)
    by_code = constraint_texts(engines)
    engines.reader.dispose()
    assert by_migration == by_code
    assert "ck_events_found_before_done" in by_migration["events"]


def test_keys_sort_by_code_point_whatever_the_language_of_the_server(migrated_database: str) -> None:
    """Else an export and the digest of a run's input would depend on how a server was set up."""
    engines = open_engines(migrated_database)
    collations = {
        (table, column["name"]): getattr(column["type"], "collation", None)
        for table in ("areas", "valves", "kits", "events", "orders")
        for column in inspect(engines.reader).get_columns(table)
        if column["name"].endswith("_key")
    }
    engines.reader.dispose()
    assert len(collations) == 6
    assert set(collations.values()) == {"C"}


def test_migrating_a_migrated_database_changes_nothing(engines: Engines, database_url: str) -> None:
    before = dump(engines)
    migrate(database_url)
    assert dump(engines) == before


def test_two_processes_may_migrate_at_once(empty_database_url: str) -> None:
    """Servers that start together: one migrates, the other waits and finds it done."""
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(migrate, [empty_database_url] * 2))
    check_schema(empty_database_url)
