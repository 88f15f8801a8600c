"""Which valve of the register a badly written tag, or a note, may mean: candidates with a score from 0 to 1."""

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from difflib import SequenceMatcher

from models.base import code_key

LEAST_SCORE = 0.6
MOST_CANDIDATES = 3
SAME_BUT_FOR_WRITING = 0.99
# Letters, then a number, then what may follow it: FV-101A/B, fv 0101, PSV101.
MENTION = re.compile(r"(?:[^\W\d_]+[\s\-_./]*)?\d+(?:[\-_./]?\d+)*(?:[\-_./]?[^\W\d_](?![^\W\d_]))*")
Candidate = tuple[str, float]
Register = Mapping[tuple[str, ...], Sequence[str]]


def plain(tag: str) -> str:
    """Write a tag without what people write differently: case, separators, leading zeros.

    Parameters
    ----------
    tag : str
        As written.

    Returns
    -------
    str
        Letters and digits.

    Examples
    --------
    >>> plain("FV-0101A/B") == plain(" fv 101 a-b")
    True
    """
    return "".join(part.lstrip("0") or part for part in re.findall(r"\d+|[^\W\d_]+", code_key(tag)))


def _numbers(text: str) -> tuple[str, ...]:
    return tuple(number.lstrip("0") for number in re.findall(r"\d+", text))


def by_numbers(tags: Iterable[str]) -> Register:
    """Arrange tags by the numbers in them.

    Parameters
    ----------
    tags : iterable of str
        Of described valves.

    Returns
    -------
    mapping from numbers to tags
        Numbers must agree for a tag to be a candidate: FV-101 and FV-102 are two valves.
    """
    register: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for tag in tags:
        register[_numbers(tag)].append(tag)
    return register


def candidates_for(tag: str, register: Register) -> tuple[Candidate, ...]:
    """Find the tags that another one looks like.

    Parameters
    ----------
    tag : str
        As written.
    register : mapping from numbers to tags
        Of the valves that may be meant.

    Returns
    -------
    tuple of (tag, score)
        The likest first, at most three.

    Examples
    --------
    >>> candidates_for("fv 0101", by_numbers(["FV-101", "FV-102", "LV-101"]))[0]
    ('FV-101', 0.99)
    """
    scored = [(other, _score(tag, other)) for other in register.get(_numbers(tag), ()) if other != tag]
    likely = sorted((one for one in scored if one[1] >= LEAST_SCORE), key=lambda one: (-one[1], one[0]))
    return tuple(likely[:MOST_CANDIDATES])


def candidates_in(note: str, register: Register) -> tuple[Candidate, ...]:
    """Find the tags that a note mentions.

    Parameters
    ----------
    note : str
        Free text.
    register : mapping from numbers to tags
        Of the valves that may be meant.

    Returns
    -------
    tuple of (tag, score)
        The likest first, at most three.

    Examples
    --------
    >>> candidates_in("repacked fv101, leaks again", by_numbers(["FV-101", "LV-101"]))
    (('FV-101', 0.99), ('LV-101', 0.8))
    """
    best: dict[str, float] = {}
    for mention in MENTION.findall(note):
        for tag in register.get(_numbers(mention), ()):
            best[tag] = max(best.get(tag, 0.0), _score(mention, tag))
    likely = sorted((one for one in best.items() if one[1] >= LEAST_SCORE), key=lambda one: (-one[1], one[0]))
    return tuple(likely[:MOST_CANDIDATES])


def _score(written: str, tag: str) -> float:
    if code_key(written) == code_key(tag):
        return 1.0
    one, other = plain(written), plain(tag)
    return SAME_BUT_FOR_WRITING if one == other else round(SequenceMatcher(None, one, other).ratio(), 2)
