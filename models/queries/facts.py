"""What is true of the whole database."""

from sqlalchemy import bindparam, inspect, literal, select, table
from sqlmodel import col

from models.base import Session
from models.runs import DatabaseFact

INVENTED_PLANT = "invented_plant"
# put together once: every answer asks it, and that takes longer than asking
VALUE_OF = select(col(DatabaseFact.value)).where(col(DatabaseFact.name) == bindparam("name"))


def get_fact(session: Session, name: str) -> str | None:
    """Look a fact up.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.
    name : str
        Which one.

    Returns
    -------
    str or None
        Its value, if it was ever set.
    """
    value: str | None = session.execute(VALUE_OF, {"name": name}).scalar_one_or_none()
    return value


def set_fact(session: Session, name: str, value: str) -> None:
    """Set a fact, new or again.

    Parameters
    ----------
    session : Session
        A writer's.
    name : str
        Which one.
    value : str
        What it is from now on.
    """
    session.merge(DatabaseFact(name=name, value=value))


def holds_rows(session: Session) -> bool:
    """Say whether there is anything in a database besides its schema version and its facts.

    Parameters
    ----------
    session : Session
        A reader's or a writer's.

    Returns
    -------
    bool
        False if every other table is empty.
    """
    names = set(inspect(session.connection()).get_table_names()) - {"alembic_version", "database_facts"}
    return any(session.execute(select(literal(1)).select_from(table(name)).limit(1)).first() for name in names)
