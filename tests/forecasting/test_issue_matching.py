"""Issues and the events they were made for: as many pairs as any pairing gives, returns taken back first."""

from itertools import permutations

from hypothesis import given
from hypothesis import strategies as st

from forecasting.issue_matching import Issue, Match, Need, match_issues, net_issues
from tests.strategies import CI

DAYS = st.integers(0, 12)
NEEDS = st.lists(st.builds(lambda a, b: Need(first=min(a, b), last=max(a, b), qty=1), DAYS, DAYS), max_size=4)


def best(needs: list[Need], days: list[int]) -> int:
    """Try every order in which issues may be given to needs."""
    slots: list[int | None] = [*days, *([None] * len(needs))]
    pairings = permutations(slots, len(needs))
    return max(
        sum(day is not None and need.first <= day <= need.last for need, day in zip(needs, pairing, strict=True))
        for pairing in pairings
    )


@CI
@given(NEEDS, st.lists(DAYS, max_size=4))
def test_no_pairing_pairs_more(needs: list[Need], days: list[int]) -> None:
    matches = match_issues(needs, [Issue(day=day, qty=1) for day in days])
    assert sum(match.qty for match in matches) == best(needs, days)
    assert all(needs[match.need].first <= match.day <= needs[match.need].last for match in matches)


def test_an_issue_of_many_serves_several_events_and_an_event_takes_from_several_issues() -> None:
    needs = [Need(first=0, last=10, qty=2), Need(first=5, last=20, qty=3)]
    matches = match_issues(needs, [Issue(day=6, qty=4), Issue(day=15, qty=4)])
    assert matches == (Match(need=0, day=6, qty=2), Match(need=1, day=6, qty=2), Match(need=1, day=15, qty=1))


def test_a_return_takes_back_what_went_out_last_and_no_more_than_went_out() -> None:
    lines = [Issue(day=9, qty=-4), Issue(day=1, qty=2), Issue(day=5, qty=1), Issue(day=5, qty=-1), Issue(day=20, qty=3)]
    assert net_issues(lines) == (Issue(day=9, qty=-2), Issue(day=20, qty=3))
