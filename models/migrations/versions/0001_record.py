"""The record: register, kits, events, stock, orders.

Constraints are named by the convention of `models/base.py`.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

EXACT_DECIMAL = sa.Numeric().with_variant(sa.Text(), "sqlite")
EVERY_ITEM = sa.text("maintainable_item_id IS NULL")


def upgrade() -> None:
    _create_coded_tables()
    _create_kits()
    _create_policies_and_areas()
    _create_valves()
    _create_events()
    _create_event_details()
    _create_stock()
    _create_orders()


def downgrade() -> None:
    for table in ("orders", "stock", "stock_settings"):
        op.drop_table(table)
    for table in ("event_renewed", "event_as_found", "event_kits", "events", "valve_last_renewals", "valves"):
        op.drop_table(table)
    for table in ("areas", "policies", "design_kits", "kit_renews", "kits"):
        op.drop_table(table)
    for table in ("storerooms", "designs", "service_classes", "maintainable_items"):
        op.drop_table(table)


def _create_coded_tables() -> None:
    op.create_table("maintainable_items", _id(), *_code("code"), _text("name", 200), _described())
    op.create_table(
        "service_classes",
        _id(),
        *_code("code"),
        _text("name", 200),
        sa.Column("description", sa.String()),
        _described(),
    )
    op.create_table(
        "designs",
        _id(),
        *_code("code"),
        _text("name", 200),
        _text("body_size", 200),
        _text("rating", 200),
        sa.Column("actuator_air_limit_kpa", sa.Float()),
        _described(),
        _at_least("actuator_air_limit_kpa", 0),
    )
    op.create_table(
        "storerooms",
        _id(),
        *_code("code"),
        _text("name", 200),
        sa.Column("review_period_days", sa.Integer()),
        _described(),
        _at_least("review_period_days", 0),
    )


def _create_kits() -> None:
    op.create_table(
        "kits",
        _id(),
        *_code("code"),
        _text("name", 200),
        sa.Column("unit_cost", EXACT_DECIMAL),
        sa.Column("priced_on", sa.Date()),
        sa.Column("lead_time_days", sa.Integer()),
        sa.Column("lead_time_sd_days", sa.Float()),
        *_columns(sa.Integer(), "min_order_qty", "pack_qty", "shelf_life_days"),
        _reference("superseded_by_id", "kits", nullable=True),
        sa.Column("superseded_on", sa.Date()),
        sa.Column("old_fits_new_need", sa.Boolean()),
        _described(),
        *(_at_least(column, 0) for column in ("unit_cost", "lead_time_days", "lead_time_sd_days")),
        *(_at_least(column, 0) for column in ("min_order_qty", "shelf_life_days")),
        _at_least("pack_qty", 1),
        sa.CheckConstraint("superseded_by_id <> id", name="superseded_by_another"),
    )
    op.create_table("kit_renews", _owner("kit_id", "kits"), _member("maintainable_item_id", "maintainable_items"))
    op.create_table(
        "design_kits",
        _id(),
        _reference("design_id", "designs"),
        _reference("maintainable_item_id", "maintainable_items"),
        _reference("kit_id", "kits", nullable=True, index=True),
        sa.Column("qty", sa.Integer()),
        sa.Column("on_opening", sa.Boolean()),
        sa.UniqueConstraint("design_id", "maintainable_item_id"),
        _at_least("qty", 1),
    )


def _create_policies_and_areas() -> None:
    op.create_table(
        "policies",
        _id(),
        _reference("service_class_id", "service_classes"),
        _reference("maintainable_item_id", "maintainable_items"),
        sa.Column("policy", sa.String(20), nullable=False),
        sa.Column("interval_days", sa.Integer()),
        sa.UniqueConstraint("service_class_id", "maintainable_item_id"),
        _known_word("policy", "corrective", "predetermined", "opportunistic"),
        sa.CheckConstraint(
            "(policy = 'corrective' AND interval_days IS NULL)"
            " OR (policy <> 'corrective' AND interval_days IS NOT NULL AND interval_days > 0)",
            name="interval_days_where_due",
        ),
    )
    op.create_table(
        "areas",
        _id(),
        *_code("code"),
        _text("name", 200),
        sa.Column("records_begin_on", sa.Date()),
        _reference("storeroom_id", "storerooms", nullable=True),
        _described(),
    )


def _create_valves() -> None:
    op.create_table(
        "valves",
        _id(),
        *_code("tag"),
        _text("serial", 200),
        _reference("design_id", "designs", nullable=True, index=True),
        _reference("service_class_id", "service_classes", nullable=True, index=True),
        _reference("area_id", "areas", nullable=True, index=True),
        *_columns(sa.Date(), "installed_on", "records_begin_on", "removed_on"),
        _text("consequence", 20),
        *_columns(sa.Boolean(), "safety_related", "isolable_on_run"),
        sa.Column("proof_test_due_on", sa.Date()),
        _known_word("consequence", "stops", "curtails", "tolerable"),
        sa.CheckConstraint("removed_on >= installed_on", name="removed_after_installed"),
    )
    op.create_table(
        "valve_last_renewals",
        _id(),
        sa.Column("valve_id", sa.Integer(), sa.ForeignKey("valves.id", ondelete="CASCADE"), nullable=False),
        _reference("maintainable_item_id", "maintainable_items", nullable=True),
        sa.Column("renewed_on", sa.Date(), nullable=False),
        sa.UniqueConstraint("valve_id", "maintainable_item_id"),
    )
    op.create_index(
        "ix_valve_last_renewals_every_item",
        "valve_last_renewals",
        ["valve_id"],
        unique=True,
        sqlite_where=EVERY_ITEM,
        postgresql_where=EVERY_ITEM,
    )


def _create_events() -> None:
    op.create_table(
        "events",
        _id(),
        _text("ref", 60),
        sa.Column("ref_key", _key(361), nullable=False, unique=True),
        sa.Column("number", sa.Integer(), nullable=False),
        _reference("valve_id", "valves", index=True),
        sa.Column("found_on", sa.Date()),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("action", sa.String(20), nullable=False),
        _text("reason", 20),
        _text("turnaround", 60),
        _text("failure_mode", 200),
        sa.Column("last_ok_on", sa.Date()),
        _reference("service_class_from_id", "service_classes", nullable=True),
        _text("serial_fitted", 200),
        sa.Column("labour_hours", sa.Float()),
        sa.Column("cost", EXACT_DECIMAL),
        sa.Column("note", sa.String()),
        _valid_code("ref"),
        _known_word("action", "rebuild", "exchange", "inspect", "reclassify"),
        _known_word("reason", "failure", "condition", "planned"),
        sa.CheckConstraint("found_on <= done_on", name="found_before_done"),
        sa.CheckConstraint("last_ok_on <= coalesce(found_on, done_on)", name="last_ok_before_found"),
        sa.CheckConstraint(
            "(ref IS NULL AND number > 0) OR (ref IS NOT NULL AND number = 0)", name="number_without_ref"
        ),
        _at_least("labour_hours", 0),
        _at_least("cost", 0),
    )


def _create_event_details() -> None:
    item = ("maintainable_item_id", "maintainable_items")
    op.create_table("event_renewed", _owner("event_id", "events"), _member(*item))
    op.create_table(
        "event_as_found",
        _owner("event_id", "events"),
        _member(*item),
        sa.Column("state", sa.String(20), nullable=False),
        _known_word("state", "ok", "worn", "failed"),
    )
    op.create_table(
        "event_kits",
        _owner("event_id", "events"),
        _member("kit_id", "kits"),
        sa.Column("qty", sa.Integer(), nullable=False),
        _at_least("qty", 1),
    )


def _create_stock() -> None:
    op.create_table(
        "stock_settings",
        _id(),
        _reference("storeroom_id", "storerooms"),
        _reference("kit_id", "kits", index=True),
        _text("rule", 20),
        sa.Column("target", sa.Float()),
        *_columns(sa.Integer(), "floor_qty", "present_reorder_point", "present_order_quantity"),
        sa.UniqueConstraint("storeroom_id", "kit_id"),
        _known_word("rule", "cycle_service_level", "fill_rate", "least_cost"),
        sa.CheckConstraint("target > 0 AND target < 1", name="target_is_a_share"),
        *(_at_least(column, 0) for column in ("floor_qty", "present_reorder_point", "present_order_quantity")),
    )
    op.create_table(
        "stock",
        _id(),
        _reference("storeroom_id", "storerooms"),
        _reference("kit_id", "kits", index=True),
        sa.Column("on_hand", sa.Integer(), nullable=False),
        sa.Column("counted_on", sa.Date()),
        sa.UniqueConstraint("storeroom_id", "kit_id"),
        _at_least("on_hand", 0),
    )


def _create_orders() -> None:
    op.create_table(
        "orders",
        _id(),
        sa.Column("ref", sa.String(60), nullable=False),
        sa.Column("ref_key", _key(180), nullable=False),
        sa.Column("line", sa.String(60), nullable=False),
        sa.Column("line_key", _key(180), nullable=False),
        _reference("storeroom_id", "storerooms"),
        _reference("kit_id", "kits", index=True),
        *_columns(sa.Date(), "ordered_on", "due_on"),
        sa.Column("qty", sa.Integer(), nullable=False),
        sa.Column("received_on", sa.Date()),
        sa.Column("received_qty", sa.Integer()),
        sa.UniqueConstraint("ref_key", "line_key"),
        _valid_code("ref"),
        _valid_code("line"),
        _at_least("qty", 1),
        _at_least("received_qty", 0),
    )


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer(), primary_key=True)


def _columns(kind: sa.types.TypeEngine[Any], *names: str) -> list[sa.Column[Any]]:
    return [sa.Column(name, kind) for name in names]


def _described() -> sa.Column[bool]:
    return sa.Column("described", sa.Boolean(), nullable=False)


def _text(name: str, length: int) -> sa.Column[str]:
    return sa.Column(name, sa.String(length))


def _key(length: int) -> sa.types.TypeEngine[str]:
    return sa.String(length).with_variant(sa.String(length, collation="C"), "postgresql")


def _code(name: str) -> tuple[sa.Column[str], sa.Column[str], sa.CheckConstraint]:
    return (
        sa.Column(name, sa.String(60), nullable=False),
        sa.Column(f"{name}_key", _key(180), nullable=False, unique=True),
        _valid_code(name),
    )


def _reference(name: str, table: str, *, nullable: bool = False, index: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), sa.ForeignKey(f"{table}.id"), nullable=nullable, index=index)


def _owner(name: str, table: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), sa.ForeignKey(f"{table}.id", ondelete="CASCADE"), primary_key=True)


def _member(name: str, table: str) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), sa.ForeignKey(f"{table}.id"), primary_key=True)


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
