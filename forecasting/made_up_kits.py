"""Kits made up from parts on the shelf: how many, and which part stops the next one; shared parts are one pool."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from forecasting.arrays import check

__all__ = ["KitWanted", "MadeUp", "kits_made_up"]


@dataclass(frozen=True, kw_only=True)
class KitWanted:
    """A kit that could be made up.

    Parameters
    ----------
    kit : str [code]
        Which.
    qty : int [kits]
        Wanted now; 0: none, but it could be.
    parts : mapping from part to int [parts a kit]
        Its bill of material.

    Raises
    ------
    InvalidInput
        If the number wanted is negative, there are no parts, or one is needed less than once.
    """

    kit: str
    qty: int
    parts: Mapping[str, int]

    def __post_init__(self) -> None:
        """Refuse what can't be made up."""
        possible = self.qty >= 0 and min(self.parts.values(), default=0) > 0
        check(possible, f"a kit to make up needs parts, each at least once, and a `qty` not negative, got {self}")


@dataclass(frozen=True, kw_only=True)
class MadeUp:
    """What parts make of a kit.

    Parameters
    ----------
    alone, pooled : int [kits]
        As if nothing else took the parts; of what kits before it leave.
    short : tuple of str [parts]
        What stops the next one after those.
    """

    alone: int
    pooled: int
    short: tuple[str, ...]


def kits_made_up(wanted: Sequence[KitWanted], *, on_hand: Mapping[str, int]) -> dict[str, MadeUp]:
    """Say how many of each kit parts on the shelf make up, the most urgent kit first.

    A kit takes parts for as many as are wanted of it; what it leaves is for the next. A part of which there is too
    little stops a kit, however many there are of the others.

    Parameters
    ----------
    wanted : sequence of KitWanted [kits]
        The most urgent first.
    on_hand : mapping from part to int [parts]
        On the shelf; none of what isn't named.

    Returns
    -------
    dict from kit to MadeUp [kits]
        By kit.

    References
    ----------
    DEVELOPERS.md, "Kits made of parts".

    Examples
    --------
    >>> made = kits_made_up(
    ...     [KitWanted(kit="A", qty=2, parts={"RING": 1}), KitWanted(kit="B", qty=1, parts={"RING": 2, "SEAL": 1})],
    ...     on_hand={"RING": 3, "SEAL": 9},
    ... )
    >>> made["B"]
    MadeUp(alone=1, pooled=0, short=('RING',))
    """
    left, made = dict(on_hand), {}
    for one in wanted:
        possible = {part: left.get(part, 0) // number for part, number in one.parts.items()}
        pooled = max(min(possible.values()), 0)
        made[one.kit] = MadeUp(
            alone=max(min(on_hand.get(part, 0) // number for part, number in one.parts.items()), 0),
            pooled=pooled,
            short=tuple(sorted(part for part, kits in possible.items() if kits <= pooled)),
        )
        for part, number in one.parts.items():
            left[part] = left.get(part, 0) - number * min(pooled, one.qty)
    return made
