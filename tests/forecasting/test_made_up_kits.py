"""Kits made up from parts: the scarcest part decides, shared parts are one pool."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.errors import InvalidInput
from forecasting.made_up_kits import KitWanted, MadeUp, kits_made_up, parts_wanted
from tests.strategies import CI

BILLS = st.dictionaries(st.sampled_from("RSTU"), st.integers(1, 3), min_size=1)
SHELVES = st.dictionaries(st.sampled_from("RSTU"), st.integers(0, 20))


def test_a_short_part_blocks_the_kit_and_is_named() -> None:
    made = kits_made_up([KitWanted(kit="K", qty=4, parts={"RING": 2, "SEAL": 1})], on_hand={"RING": 5, "SEAL": 90})
    assert (made["K"].alone, made["K"].pooled, made["K"].short) == (2, 2, ("RING",))
    nothing = kits_made_up([KitWanted(kit="K", qty=1, parts={"RING": 1, "SEAL": 1})], on_hand={"RING": 5})
    assert (nothing["K"].pooled, nothing["K"].short) == (0, ("SEAL",))


def test_the_more_urgent_kit_takes_shared_parts_first() -> None:
    first = KitWanted(kit="A", qty=3, parts={"SEAL": 2})
    second = KitWanted(kit="B", qty=1, parts={"SEAL": 2, "CUP": 1})
    on_hand = {"SEAL": 7, "CUP": 4}
    made = kits_made_up([first, second], on_hand=on_hand)
    assert [(made[kit].alone, made[kit].pooled) for kit in "AB"] == [(3, 3), (3, 0)]
    turned = kits_made_up([second, first], on_hand=on_hand)
    assert [(turned[kit].alone, turned[kit].pooled) for kit in "AB"] == [(3, 2), (3, 3)]


@settings(CI, max_examples=100)
@given(bills=st.lists(st.tuples(BILLS, st.integers(0, 6)), min_size=1, max_size=4), on_hand=SHELVES)
def test_what_is_taken_is_there(bills: list[tuple[dict[str, int], int]], on_hand: dict[str, int]) -> None:
    """Counting every part: those of all kits made as wanted are there, and one kit more of each lacks what is named."""
    wanted = [KitWanted(kit=f"K{place}", qty=qty, parts=bill) for place, (bill, qty) in enumerate(bills)]
    made, used = kits_made_up(wanted, on_hand=on_hand), dict.fromkeys("RSTU", 0)
    for one in wanted:
        told = made[one.kit]
        assert told.pooled <= told.alone
        for part, number in one.parts.items():
            enough = on_hand.get(part, 0) - used[part] >= number * (told.pooled + 1)
            assert (part in told.short) != enough
        for part, number in one.parts.items():
            used[part] += number * min(told.pooled, one.qty)
    assert all(used[part] <= on_hand.get(part, 0) for part in "RSTU")


@settings(CI, max_examples=100)
@given(bills=st.lists(st.tuples(BILLS, st.integers(0, 6)), min_size=1, max_size=4), on_hand=SHELVES)
def test_with_the_parts_that_are_missing_all_kits_are_made_up(
    bills: list[tuple[dict[str, int], int]], on_hand: dict[str, int]
) -> None:
    """And with one less of any that is missing, not all: a part counted for one kit alone is found out."""
    wanted = [KitWanted(kit=f"K{place}", qty=qty, parts=bill) for place, (bill, qty) in enumerate(bills)]
    told = parts_wanted(wanted, on_hand=on_hand)
    filled = {part: on_hand.get(part, 0) + one.short for part, one in told.items()}
    assert all(made.pooled >= one.qty for one, made in zip(wanted, made_of(wanted, filled), strict=True))
    for part, one in told.items():
        assert one.kits == tuple(kit.kit for kit in wanted if kit.qty and part in kit.parts)
        if one.short:
            less = filled | {part: filled[part] - 1}
            assert any(made.pooled < kit.qty for kit, made in zip(wanted, made_of(wanted, less), strict=True))


def made_of(wanted: list[KitWanted], on_hand: dict[str, int]) -> list[MadeUp]:
    made = kits_made_up(wanted, on_hand=on_hand)
    return [made[one.kit] for one in wanted]


def test_a_kit_without_parts_is_refused() -> None:
    for wrong in ({}, {"RING": 0}):
        with pytest.raises(InvalidInput, match="needs parts, each at least once"):
            KitWanted(kit="K", qty=1, parts=wrong)
