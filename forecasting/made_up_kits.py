"""Kits made up from parts on the shelf: how many, and which part stops the next one; shared parts are one pool."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from forecasting.arrays import check

__all__ = ["KitWanted", "MadeUp", "PartWanted", "kits_made_up", "parts_wanted"]


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


@dataclass(frozen=True, kw_only=True)
class PartWanted:
    """A part, and what all kits that are wanted take of it together.

    Parameters
    ----------
    part : str [code]
        Which.
    on_hand, wanted : int [parts]
        On the shelf; for every kit wanted, if all were made up.
    kits : tuple of str [codes]
        Those kits, the most urgent first.
    """

    part: str
    on_hand: int
    wanted: int
    kits: tuple[str, ...]

    @property
    def short(self) -> int:
        """Parts missing to make up all of them."""
        return max(self.wanted - self.on_hand, 0)


def parts_wanted(wanted: Sequence[KitWanted], *, on_hand: Mapping[str, int]) -> dict[str, PartWanted]:
    """Add up what kits take of each part; parts shared by kits are one pool.

    Parameters
    ----------
    wanted : sequence of KitWanted [kits]
        The most urgent first.
    on_hand : mapping from part to int [parts]
        On the shelf; none of what isn't named.

    Returns
    -------
    dict from part to PartWanted [parts]
        Of every part of these kits, also where none is wanted now.

    References
    ----------
    DEVELOPERS.md, "Kits made of parts".

    Examples
    --------
    >>> told = parts_wanted(
    ...     [KitWanted(kit="A", qty=2, parts={"RING": 1}), KitWanted(kit="B", qty=1, parts={"RING": 2, "SEAL": 1})],
    ...     on_hand={"RING": 3},
    ... )
    >>> told["RING"].wanted, told["RING"].short, told["RING"].kits
    (4, 1, ('A', 'B'))
    """
    found: dict[str, PartWanted] = {}
    for one in wanted:
        for part, number in one.parts.items():
            before = found.get(part, PartWanted(part=part, on_hand=on_hand.get(part, 0), wanted=0, kits=()))
            kits = (*before.kits, one.kit) if one.qty else before.kits
            found[part] = replace(before, wanted=before.wanted + number * one.qty, kits=kits)
    return found
