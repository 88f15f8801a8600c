"""Run by alembic for every command of `models/engine.py`; the connection comes from there."""

import importlib
import pkgutil

from alembic import context
from sqlmodel import SQLModel

import models


def run() -> None:
    """Migrate over the connection of the caller, in its transaction, to the tables declared in models."""
    for module in pkgutil.iter_modules(models.__path__):
        importlib.import_module(f"models.{module.name}")
    context.configure(
        connection=context.config.attributes["connection"],
        target_metadata=SQLModel.metadata,
        render_as_batch=True,
    )
    with context.begin_transaction():
        context.run_migrations()


# A plain import, as by a test collector, finds no migration under way and must not start one.
if hasattr(context, "config"):
    run()
