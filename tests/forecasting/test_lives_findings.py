"""Rule 10 for lives: what can't be true, or isn't said, is a finding with the treatment it got and what it costs."""

from dataclasses import replace
from math import inf

import pytest

from forecasting.histories import WHOLE_VALVE, AsFound, Reason
from tests.forecasting.valve_record import NEW, PACKING, TRIM, ages, inspect, kinds, rebuild, seen, trim

FAILURE, CONDITION, PLANNED, UNSTATED = Reason.FAILURE, Reason.CONDITION, Reason.PLANNED, Reason.UNSTATED
OK, WORN, FAILED = AsFound.OK, AsFound.WORN, AsFound.FAILED

FINDINGS = {
    "before_installation": (replace(NEW, installed=50), rebuild(20, FAILURE, renewed=TRIM), 0),
    "after_removal": (replace(NEW, removed=50), rebuild(80, FAILURE, renewed=TRIM), 0),
    "found_too_early": (replace(NEW, installed=50), rebuild(80, FAILURE, renewed=TRIM, found=20), 1),
    "not_of_design": (NEW, rebuild(80, FAILURE, kits_renew=TRIM | {"bellows"}), 0),
    "last_ok_too_late": (NEW, rebuild(80, CONDITION, renewed=TRIM, last_ok=90), 0),
    "reason_assumed": (NEW, rebuild(80, UNSTATED, renewed=TRIM), 0),
    "cause_not_said": (NEW, rebuild(80, FAILURE, renewed=TRIM, as_found={"trim": OK}), 0),
}


@pytest.mark.parametrize("kind", FINDINGS)
def test_rule_10_what_can_not_be_true_is_a_finding(kind: str) -> None:
    """Each names the event, the treatment and the lives it costs."""
    history, event, lives_lost = FINDINGS[kind]
    fleet = seen(history, event)
    assert kinds(fleet) == [(kind, event.ref, lives_lost)]
    assert fleet.findings[0].detail
    assert fleet.findings[0].treatment


def test_rule_10_impossible_events_do_not_reach_the_lives() -> None:
    """Rebuilt before installation, after removal: one life from 50 to 300."""
    history = replace(NEW, installed=50, removed=300)
    assert trim(history, rebuild(20, FAILURE, renewed=TRIM), rebuild(320, FAILURE, renewed=TRIM)) == [(0, 250, inf)]


def test_rule_10_likely_duplicates_are_counted_and_pointed_out() -> None:
    """The trim renewed again after 5 days, with a repack in between; another 11 days later is no duplicate."""
    events = (
        rebuild(100, FAILURE, renewed=TRIM),
        rebuild(102, PLANNED, renewed=PACKING),
        rebuild(105, FAILURE, renewed=TRIM),
    )
    fleet = seen(NEW, *events, rebuild(116, FAILURE, renewed=TRIM))
    assert ages(fleet.lives, "trim") == [(0, 100, 100), (0, 5, 5), (0, 11, 11), (0, 284, inf)]
    assert kinds(fleet) == [("likely_duplicate", "E105", 0)]


def test_rule_10_a_record_that_leaves_no_doubt_has_no_findings() -> None:
    """Everything is said and possible."""
    events = inspect(60, trim=OK), rebuild(100, FAILURE, renewed=TRIM, as_found={"trim": FAILED})
    assert kinds(seen(NEW, *events)) == []


def test_rule_10_the_register_can_contradict_itself() -> None:
    """Removed before it came; renewed before it came; a renewal of what its design doesn't have."""
    assert kinds(seen(replace(NEW, installed=50, removed=20)))[0] == ("after_removal", "", 0)
    assert len(seen(replace(NEW, installed=50, removed=20), rebuild(30, FAILURE)).lives) == 0
    assert kinds(seen(replace(NEW, installed=50, last_renewed={"trim": 20}))) == [("before_installation", "", 0)]
    assert kinds(seen(replace(NEW, last_renewed={"bellows": 20}))) == [("not_of_design", "", 0)]


def test_rule_10_what_its_design_does_not_have_can_still_be_the_cause() -> None:
    """The positioner failed, both items were renewed: neither of them failed."""
    fleet = seen(NEW, rebuild(100, FAILURE, renewed=TRIM | PACKING, as_found={"positioner": FAILED}))
    assert ages(fleet.lives, "trim")[0] == ages(fleet.lives, "packing")[0] == (0, 100, inf)
    assert kinds(fleet) == [("not_of_design", "E100", 0)]


def test_rule_10_a_renewal_between_found_and_done_is_pointed_out() -> None:
    """Found at 100, done at 180, yet renewed at 140: the 40 days from then to 180 are not counted."""
    fleet = seen(NEW, rebuild(140, PLANNED, renewed=TRIM), rebuild(180, FAILURE, renewed=TRIM, found=100))
    assert ages(fleet.lives, "trim") == [(0, 100, 100), (0, 220, inf)]
    assert kinds(fleet) == [("renewed_between", "E140", 1)]


@pytest.mark.parametrize(
    ("reason", "as_found", "life"),
    [
        (FAILURE, {"trim": FAILED, "packing": OK}, (0, 100, 100)),
        (FAILURE, {"packing": OK}, (0, 100, 100)),
        (FAILURE, {"trim": WORN}, (0, 100, 100)),
        (CONDITION, {"packing": OK}, (0, 0, 100)),
        (PLANNED, {"packing": WORN}, (0, 0, 100)),
        (PLANNED, {"packing": FAILED, "trim": WORN}, (0, 0, 100)),
        (PLANNED, {"packing": OK}, (0, 100, inf)),
        (PLANNED, {WHOLE_VALVE: WORN, "packing": FAILED}, (0, 0, 100)),
    ],
)
def test_a_valve_nobody_described_is_as_bad_as_the_worst_of_its_parts(
    reason: Reason, as_found: dict[str, AsFound], life: tuple[float, float, float]
) -> None:
    """Two files only: the parts named as found are no items, the one item is the whole valve; no finding."""
    valve = replace(NEW, items=(WHOLE_VALVE,))
    fleet = seen(valve, rebuild(100, reason, as_found=as_found))
    assert ages(fleet.lives, WHOLE_VALVE)[0] == life
    assert kinds(fleet) == []
