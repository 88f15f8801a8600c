"""What is true of the whole database."""

from models.base import Session
from models.runs import DatabaseFact

INVENTED_PLANT = "invented_plant"


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
    fact = session.get(DatabaseFact, name)
    return None if fact is None else fact.value


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
