"""The record, whole: materials, parts, costs, targets, lots, reservations, issues, turnarounds; partial days.

Days that may be known to the month or year become text. The turnarounds that events named become rows.
"""

from calendar import monthrange
from collections.abc import Iterator, Sequence
from datetime import date
from itertools import count
from typing import Any
from unicodedata import normalize

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

EXACT_DECIMAL = sa.Numeric().with_variant(sa.Text(), "sqlite")
PARTIAL_DAY = sa.String(10).with_variant(sa.String(10, collation="C"), "postgresql")
EVENT_DAYS = ("found_on", "done_on", "last_ok_on")
NEW_TABLES = (
    *("scope_lines", "issues", "reservations", "lots", "consequence_targets", "turnaround_areas", "turnarounds"),
    *("rebuild_costs", "kit_parts", "parts", "materials"),
)


def upgrade() -> None:
    _create_kit_tables()
    _create_turnarounds()
    _create_stores()
    op.add_column("events", sa.Column("turnaround_id", sa.Integer()))
    _store_turnarounds_named()
    _let_days_be_partial()


def downgrade() -> None:
    _make_days_whole()
    op.add_column("events", sa.Column("turnaround", sa.String(60)))
    op.execute(
        "UPDATE events SET turnaround ="
        " (SELECT turnarounds.code FROM turnarounds WHERE turnarounds.id = events.turnaround_id)"
    )
    with op.batch_alter_table("events") as events:
        events.drop_index("ix_events_turnaround_id")
        events.drop_constraint(op.f("fk_events_turnaround_id"), type_="foreignkey")
        events.drop_column("turnaround_id")
    for table in NEW_TABLES:
        op.drop_table(table)


def _create_kit_tables() -> None:
    op.create_table(
        "materials",
        _id(),
        *_code("code"),
        sa.Column("name", sa.String(200)),
        sa.Column("storage_life_days", sa.String(10)),
        sa.Column("edition", sa.String(200)),
        sa.Column("source", sa.String(200)),
        _described(),
        sa.CheckConstraint(
            "storage_life_days = 'unlimited' OR "
            "(length(storage_life_days) > 0 AND trim(storage_life_days, '0123456789') = '')",
            name="storage_life_days_valid",
        ),
    )
    op.create_table(
        "parts",
        _id(),
        *_code("code"),
        sa.Column("name", sa.String(200)),
        _reference("material_id", "materials", nullable=True),
        sa.Column("unit_cost", EXACT_DECIMAL),
        sa.Column("priced_on", sa.Date()),
        sa.Column("shelf_life_days", sa.Integer()),
        _described(),
        *(_at_least(column, 0) for column in ("unit_cost", "shelf_life_days")),
    )
    op.create_table(
        "kit_parts",
        _id(),
        _reference("kit_id", "kits"),
        _reference("part_id", "parts", index=True),
        sa.Column("qty", sa.Integer()),
        sa.UniqueConstraint("kit_id", "part_id"),
        _at_least("qty", 1),
    )
    op.create_table(
        "rebuild_costs",
        _id(),
        _reference("design_id", "designs"),
        _reference("maintainable_item_id", "maintainable_items"),
        sa.Column("planned_hours", sa.Float()),
        sa.Column("planned_cost", EXACT_DECIMAL),
        sa.Column("unplanned_cost", EXACT_DECIMAL),
        sa.Column("opening_hours", sa.Float()),
        sa.UniqueConstraint("design_id", "maintainable_item_id"),
        *(_at_least(column, 0) for column in ("planned_hours", "planned_cost", "unplanned_cost", "opening_hours")),
    )


def _create_turnarounds() -> None:
    op.create_table(
        "turnarounds",
        _id(),
        *_code("code"),
        sa.Column("name", sa.String(200)),
        *(sa.Column(name, sa.Date()) for name in ("starts_on", "ends_on", "scope_freeze_on")),
        _described(),
        sa.CheckConstraint("ends_on >= starts_on", name="ends_after_start"),
        sa.CheckConstraint("scope_freeze_on <= starts_on", name="freeze_before_start"),
    )
    op.create_table(
        "turnaround_areas",
        sa.Column("turnaround_id", sa.Integer(), sa.ForeignKey("turnarounds.id", ondelete="CASCADE"), primary_key=True),
        sa.Column("area_id", sa.Integer(), sa.ForeignKey("areas.id"), primary_key=True),
    )
    op.create_table(
        "scope_lines",
        _id(),
        _reference("turnaround_id", "turnarounds"),
        _reference("valve_id", "valves", index=True),
        sa.Column("decision", sa.String(20), nullable=False),
        sa.Column("reason", sa.String()),
        sa.Column("decided_by", sa.String(200)),
        sa.UniqueConstraint("turnaround_id", "valve_id"),
        _known_word("decision", "must_open", "must_not_open"),
    )


def _create_stores() -> None:
    op.create_table(
        "consequence_targets",
        _id(),
        sa.Column("consequence", sa.String(20), nullable=False, unique=True),
        sa.Column("rule", sa.String(20)),
        sa.Column("target", sa.Float()),
        sa.Column("cost_of_failure", EXACT_DECIMAL),
        _known_word("consequence", "stops", "curtails", "tolerable"),
        _known_word("rule", "cycle_service_level", "fill_rate", "least_cost"),
        sa.CheckConstraint("target > 0 AND target < 1", name="target_is_a_share"),
        _at_least("cost_of_failure", 0),
    )
    op.create_table(
        "lots",
        _id(),
        _reference("storeroom_id", "storerooms"),
        _reference("kit_id", "kits", index=True),
        *_own_code("lot"),
        *(sa.Column(name, sa.Date()) for name in ("cured_on", "expires_on")),
        sa.Column("qty", sa.Integer(), nullable=False),
        sa.UniqueConstraint("storeroom_id", "kit_id", "lot_key"),
        sa.CheckConstraint("expires_on >= cured_on", name="expires_after_cured"),
        _at_least("qty", 0),
    )
    _create_reservations_and_issues()


def _create_reservations_and_issues() -> None:
    op.create_table(
        "reservations",
        _id(),
        *_own_code("ref"),
        _reference("kit_id", "kits", index=True),
        _reference("storeroom_id", "storerooms", nullable=True),
        sa.Column("qty", sa.Integer(), nullable=False),
        sa.Column("needed_on", sa.Date()),
        _reference("turnaround_id", "turnarounds", nullable=True),
        _reference("valve_id", "valves", nullable=True, index=True),
        sa.UniqueConstraint("ref_key", "kit_id"),
        _at_least("qty", 1),
    )
    op.create_table(
        "issues",
        _id(),
        *_own_code("ref"),
        _reference("kit_id", "kits", index=True),
        _reference("storeroom_id", "storerooms", nullable=True),
        sa.Column("issued_on", sa.Date(), nullable=False),
        sa.Column("qty", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(20)),
        _reference("valve_id", "valves", nullable=True, index=True),
        sa.UniqueConstraint("ref_key", "kit_id"),
        _known_word("reason", "failure", "condition", "planned"),
        sa.CheckConstraint("qty <> 0", name="qty_is_something"),
    )


def _store_turnarounds_named() -> None:
    """Make a row, not described, of every turnaround that an event names, in whatever case."""
    connection = op.get_bind()
    spelled: dict[str, list[str]] = {}
    named = sa.text("SELECT DISTINCT turnaround FROM events WHERE turnaround IS NOT NULL ORDER BY turnaround")
    for (code,) in connection.execute(named).all():
        spelled.setdefault(normalize("NFC", code).casefold(), []).append(code)
    stub = sa.text("INSERT INTO turnarounds (code, code_key, described) VALUES (:code, :key, :described)")
    refer = sa.text(
        "UPDATE events SET turnaround_id = (SELECT id FROM turnarounds WHERE code_key = :key) WHERE turnaround = :code"
    )
    for key, codes in spelled.items():
        connection.execute(stub, {"code": codes[0], "key": key, "described": False})
        for code in codes:
            connection.execute(refer, {"key": key, "code": code})


def _let_days_be_partial() -> None:
    with op.batch_alter_table("events") as events:
        events.drop_constraint(op.f("ck_events_found_before_done"), type_="check")
        events.drop_constraint(op.f("ck_events_last_ok_before_found"), type_="check")
        for column in EVENT_DAYS:
            events.alter_column(column, type_=PARTIAL_DAY, postgresql_using=_as_text(column))
        events.drop_column("turnaround")
        events.create_foreign_key(op.f("fk_events_turnaround_id"), "turnarounds", ["turnaround_id"], ["id"])
        events.create_index("ix_events_turnaround_id", ["turnaround_id"])
        for column in EVENT_DAYS:
            events.create_check_constraint(op.f(f"ck_events_{column}_valid"), _valid_partial_day(column))
        events.create_check_constraint(op.f("ck_events_found_before_done"), _in_order("found_on", "done_on"))
        events.create_check_constraint(
            op.f("ck_events_last_ok_before_found"), _in_order("last_ok_on", "coalesce(found_on, done_on)")
        )
    with op.batch_alter_table("valves") as valves:
        valves.drop_constraint(op.f("ck_valves_removed_after_installed"), type_="check")
        valves.alter_column("installed_on", type_=PARTIAL_DAY, postgresql_using=_as_text("installed_on"))
        valves.create_check_constraint(op.f("ck_valves_installed_on_valid"), _valid_partial_day("installed_on"))
        valves.create_check_constraint(
            op.f("ck_valves_removed_after_installed"), _in_order("installed_on", "CAST(removed_on AS VARCHAR(10))")
        )
    with op.batch_alter_table("valve_last_renewals") as renewals:
        renewals.alter_column("renewed_on", type_=PARTIAL_DAY, postgresql_using=_as_text("renewed_on"))
        renewals.create_check_constraint(
            op.f("ck_valve_last_renewals_renewed_on_valid"), _valid_partial_day("renewed_on")
        )


def _make_days_whole() -> None:
    """Take the last day that a day known to the month or year may be, for an installation the first."""
    _complete_event_days()
    _complete_days("valves", "installed_on", _first_day)
    _complete_days("valve_last_renewals", "renewed_on", _last_day)
    with op.batch_alter_table("events") as events:
        for name in (*(f"{column}_valid" for column in EVENT_DAYS), "found_before_done", "last_ok_before_found"):
            events.drop_constraint(op.f(f"ck_events_{name}"), type_="check")
    with op.batch_alter_table("valves") as valves:
        for name in ("installed_on_valid", "removed_after_installed"):
            valves.drop_constraint(op.f(f"ck_valves_{name}"), type_="check")
    with op.batch_alter_table("valve_last_renewals") as renewals:
        renewals.drop_constraint(op.f("ck_valve_last_renewals_renewed_on_valid"), type_="check")
    for column in EVENT_DAYS:
        _store_as_date("events", column, nullable=column != "done_on")
    _store_as_date("valves", "installed_on", nullable=True)
    _store_as_date("valve_last_renewals", "renewed_on", nullable=False)
    with op.batch_alter_table("events") as events:
        events.create_check_constraint(op.f("ck_events_found_before_done"), "found_on <= done_on")
        events.create_check_constraint(
            op.f("ck_events_last_ok_before_found"), "last_ok_on <= coalesce(found_on, done_on)"
        )
    with op.batch_alter_table("valves") as valves:
        valves.create_check_constraint(op.f("ck_valves_removed_after_installed"), "removed_on >= installed_on")


def _store_as_date(table: str, column: str, *, nullable: bool) -> None:
    """Move a column to a new one: SQLite's cast of text to a date would leave the year."""
    op.add_column(table, sa.Column(f"{column}_whole", sa.Date()))
    day = column if op.get_bind().dialect.name == "sqlite" else f"CAST({column} AS DATE)"
    op.execute(f"UPDATE {table} SET {column}_whole = {day}")
    with op.batch_alter_table(table) as batch:
        batch.drop_column(column)
        batch.alter_column(f"{column}_whole", new_column_name=column, existing_type=sa.Date(), nullable=nullable)


def _complete_event_days() -> None:
    """Keep the order of the three days, and the key of an event without a ref true to its day."""
    connection = op.get_bind()
    partial = sa.text(
        "SELECT id, ref, ref_key, found_on, done_on, last_ok_on FROM events"
        " WHERE length(done_on) < 10 OR length(found_on) < 10 OR length(last_ok_on) < 10 ORDER BY id"
    )
    change = sa.text(
        "UPDATE events SET found_on = :found, done_on = :done, last_ok_on = :last_ok,"
        " ref_key = :ref_key, number = :number WHERE id = :id"
    )
    for row in connection.execute(partial).all():
        done = _last_day(row.done_on)
        found = row.found_on and min(_last_day(row.found_on), done)
        last_ok = row.last_ok_on and min(_last_day(row.last_ok_on), found or done)
        ref_key, number = row.ref_key, 0
        if row.ref is None:
            ref_key, number = _free_key(connection, row.ref_key, done)
        days = {"found": found, "done": done, "last_ok": last_ok}
        connection.execute(change, {"id": row.id, **days, "ref_key": ref_key, "number": number})


def _free_key(connection: sa.Connection, ref_key: str, done: str) -> tuple[str, int]:
    tag, day, action, number = ref_key.split("|")
    if day == done:
        return ref_key, int(number)
    taken = sa.text("SELECT 1 FROM events WHERE ref_key = :key")
    for number_free in count(1):
        key = f"{tag}|{done}|{action}|{number_free}"
        if connection.execute(taken, {"key": key}).first() is None:
            return key, number_free
    raise AssertionError


def _complete_days(table: str, column: str, complete: Any) -> None:
    connection = op.get_bind()
    partial = sa.text(f"SELECT id, {column} AS day FROM {table} WHERE length({column}) < 10")
    change = sa.text(f"UPDATE {table} SET {column} = :day WHERE id = :id")
    for row in connection.execute(partial).all():
        connection.execute(change, {"id": row.id, "day": complete(row.day)})


def _first_day(text: str) -> str:
    return "-".join([*text.split("-"), "01", "01"][:3])


def _last_day(text: str) -> str:
    if len(text) == len("2017-04-30"):
        return text
    year, month = ([int(part) for part in text.split("-")] + [12])[:2]
    return date(year, month, monthrange(year, month)[1]).isoformat()


def _as_text(column: str) -> str:
    return f"to_char({column}, 'YYYY-MM-DD')"


def _valid_partial_day(column: str) -> str:
    return (
        f"length({column}) IN (4, 7, 10) AND trim(substr({column}, 1, 4), '0123456789') = '' "
        f"AND trim(replace(substr({column}, 5), '-', ''), '0123456789') = '' "
        f"AND substr({column}, 5, 1) IN ('', '-') AND substr({column}, 8, 1) IN ('', '-')"
    )


def _in_order(earlier: str, later: str) -> str:
    return f"substr({earlier}, 1, length({later})) <= substr({later}, 1, length({earlier}))"


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer(), primary_key=True)


def _described() -> sa.Column[bool]:
    return sa.Column("described", sa.Boolean(), nullable=False)


def _key() -> sa.types.TypeEngine[str]:
    return sa.String(180).with_variant(sa.String(180, collation="C"), "postgresql")


def _own_code(name: str) -> Sequence[sa.Column[str] | sa.CheckConstraint]:
    return (
        sa.Column(name, sa.String(60), nullable=False),
        sa.Column(f"{name}_key", _key(), nullable=False),
        _valid_code(name),
    )


def _code(name: str) -> Iterator[sa.Column[str] | sa.CheckConstraint]:
    yield sa.Column(name, sa.String(60), nullable=False)
    yield sa.Column(f"{name}_key", _key(), nullable=False, unique=True)
    yield _valid_code(name)


def _reference(name: str, table: str, *, nullable: bool = False, index: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), sa.ForeignKey(f"{table}.id"), nullable=nullable, index=index)


def _valid_code(column: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(
        f"length({column}) BETWEEN 1 AND 60 AND trim({column}) = {column} "
        f"AND replace(replace({column}, '|', ''), ':', '') = {column}",
        name=f"{column}_valid",
    )


def _known_word(column: str, *words: str) -> sa.CheckConstraint:
    listed = ", ".join(f"'{word}'" for word in words)
    return sa.CheckConstraint(f"{column} IN ({listed})", name=f"{column}_known")


def _at_least(column: str, least: int) -> sa.CheckConstraint:
    return sa.CheckConstraint(f"CAST({column} AS NUMERIC) >= {least}", name=f"{column}_at_least_{least}")
