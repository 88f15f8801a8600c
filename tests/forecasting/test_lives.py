"""Rules 1 to 9 for lives, each with days worked out by hand; their mutants are in test_lives_mutants.py."""

from dataclasses import replace
from math import inf

import numpy as np
import pytest

from forecasting.histories import Action, AsFound, Reason
from tests.forecasting.valve_record import (
    NEW,
    OLD,
    PACKING,
    TRIM,
    Said,
    ages,
    inspect,
    kinds,
    packing,
    rebuild,
    reclassify,
    seen,
    trim,
)

FAILURE, CONDITION, PLANNED = Reason.FAILURE, Reason.CONDITION, Reason.PLANNED
OK, WORN, FAILED = AsFound.OK, AsFound.WORN, AsFound.FAILED


def test_rule_1_a_repack_does_not_reset_the_trim() -> None:
    """Repacked at 100 and 180, trim failed at 250: the trim lived 250 days, from installation."""
    events = (
        rebuild(100, PLANNED, renewed=PACKING),
        rebuild(180, PLANNED, renewed=PACKING),
        rebuild(250, FAILURE, renewed=TRIM),
    )
    assert trim(NEW, *events) == [(0, 250, 250), (0, 150, inf)]
    assert packing(NEW, *events) == [(0, 100, inf), (0, 80, inf), (0, 220, inf)]


def test_rule_1_an_exchange_renews_every_item() -> None:
    """A shop-rebuilt valve came at 100, whatever the record says was renewed; the trim failed at 250."""
    exchange = rebuild(100, PLANNED, renewed=PACKING, action=Action.EXCHANGE)
    assert trim(NEW, exchange, rebuild(250, FAILURE, renewed=TRIM)) == [(0, 100, inf), (0, 150, 150), (0, 150, inf)]


def test_rule_1_the_kits_tell_what_was_renewed_where_nothing_else_does() -> None:
    """A trim kit was used at 100; what is stated goes before what the kits renew."""
    by_kits = rebuild(100, FAILURE, kits_renew=TRIM)
    assert trim(NEW, by_kits) == [(0, 100, 100), (0, 300, inf)]
    assert packing(NEW, by_kits) == [(0, 400, inf)]
    assert trim(NEW, replace(by_kits, renewed=PACKING)) == [(0, 400, inf)]


@pytest.mark.parametrize(
    "named", [{}, {"renewed": frozenset({"bellows"})}], ids=["nothing named", "none of this design"]
)
def test_rule_1_an_unsaid_scope_is_every_item_with_a_finding(named: Said) -> None:
    """At 100 something was rebuilt as planned: packing and trim start again, and the record is told so."""
    fleet = seen(NEW, rebuild(100, PLANNED, **named))
    assert ages(fleet.lives, "trim") == ages(fleet.lives, "packing") == [(0, 100, inf), (0, 300, inf)]
    assert ("scope_assumed", "E100", 0) in kinds(fleet)


def test_rule_1_a_stated_renewal_inside_the_records_starts_a_life() -> None:
    """The register says trim:150, the events don't: 150 days censored, then 100 until the failure at 250."""
    stated, failed = replace(NEW, last_renewed={"trim": 150}), rebuild(250, FAILURE, renewed=TRIM)
    assert trim(stated, failed) == [(0, 150, inf), (0, 100, 100), (0, 150, inf)]
    assert trim(replace(stated, last_renewed={"trim": 250}), failed) == [(0, 250, 250), (0, 150, inf)]


def test_rule_2_a_life_older_than_the_records_enters_late() -> None:
    """Renewed at 20, watched from 100, failed at 250: it enters at 80 days and ends at 230."""
    assert trim(replace(OLD, last_renewed={"trim": 20}), rebuild(250, FAILURE, renewed=TRIM)) == [
        (80, 230, 230),
        (0, 150, inf),
    ]


def test_rule_2_events_before_the_records_are_neither_failures_nor_starts() -> None:
    """A failure at 60 is not counted and starts nothing where the records begin at 100; a finding says so."""
    fleet = seen(replace(OLD, last_renewed={"trim": 20}), rebuild(60, FAILURE, renewed=TRIM))
    assert ages(fleet.lives, "trim") == [(80, 380, inf)]
    assert ("before_records", "E60", 0) in kinds(fleet)


def test_rule_2_what_failed_before_the_watch_and_was_renewed_in_it_has_no_life() -> None:
    """Found at 90, done at 130, records from 100: nothing was at risk until 130."""
    fleet = seen(replace(OLD, last_renewed={"trim": 20}), rebuild(130, FAILURE, renewed=TRIM, found=90))
    assert ages(fleet.lives, "trim") == [(0, 270, inf)]
    assert ("found_too_early", "E130", 1) in kinds(fleet)
    assert fleet.watches[1].failures == ()


def test_rule_3_an_unknown_start_is_left_out_and_has_no_age() -> None:
    """In place since before the records: the failure at 250 ends no life, and starts one of 150 days."""
    fleet = seen(OLD, rebuild(250, FAILURE, renewed=TRIM))
    assert ages(fleet.lives, "trim") == [(0, 150, inf)]
    assert ages(fleet.lives, "packing") == []
    assert ("unknown_start", "", 2) in kinds(fleet)
    packed, trimmed = fleet.ages
    assert (packed.age, packed.survived) == (None, 300)
    assert (trimmed.age, trimmed.survived) == (150, 150)


def test_rule_3_an_installation_before_the_records_is_no_start() -> None:
    """Installed at 30, records from 100: what happened in between is not known; how long it is in place is."""
    fleet = seen(replace(OLD, installed=30))
    assert len(fleet.lives) == 0
    assert [(age.age, age.in_place) for age in fleet.ages] == [(None, 370), (None, 370)]
    assert trim(replace(OLD, installed=100)) == [(0, 300, inf)]


def test_rule_3_an_event_on_the_day_of_the_stated_renewal_is_that_renewal() -> None:
    """Stated for the day the records begin, and an event says the same: what went before stays unknown."""
    stated = replace(OLD, last_renewed={"trim": 100})
    assert trim(stated, rebuild(100, FAILURE, renewed=TRIM)) == trim(stated) == [(0, 300, inf)]


def test_rule_4_a_failure_that_showed_itself_is_exact() -> None:
    """Failed at 240, rebuilt at 250."""
    failed = rebuild(250, FAILURE, as_found={"trim": FAILED}, renewed=TRIM, found=240)
    assert trim(NEW, failed) == [(0, 240, 240), (0, 150, inf)]


@pytest.mark.parametrize("reason", [CONDITION, PLANNED])
def test_rule_4_a_worn_item_renewed_ended_since_it_was_last_ok(reason: Reason) -> None:
    """Found worn at 250: since entry; since the inspection at 120 that found it ok; since 180 where that is stated."""
    worn = rebuild(250, reason, renewed=TRIM, as_found={"trim": WORN})
    assert trim(NEW, worn)[0] == (0, 0, 250)
    assert trim(NEW, inspect(60, trim=OK), inspect(120, trim=OK), inspect(200, packing=OK), worn)[0] == (0, 120, 250)
    assert trim(NEW, inspect(120, trim=OK), replace(worn, last_ok=180))[0] == (0, 180, 250)
    assert trim(replace(OLD, last_renewed={"trim": 20}), worn)[0] == (80, 80, 230)


def test_rule_4_an_item_found_failed_at_a_planned_opening_failed_before() -> None:
    """Opened as planned at 250: the trim had failed since the inspection at 120, the packing was ok."""
    opened = rebuild(250, PLANNED, as_found={"trim": FAILED, "packing": OK})
    assert trim(NEW, inspect(120, trim=OK), opened)[0] == (0, 120, 250)
    assert packing(NEW, inspect(120, trim=OK), opened)[0] == (0, 250, inf)


def test_rule_4_of_two_found_failed_neither_day_is_known() -> None:
    """A failure opened the valve at 250; both items had failed, the second nobody knows when."""
    both = rebuild(250, FAILURE, as_found={"trim": FAILED, "packing": FAILED})
    assert trim(NEW, both)[0] == packing(NEW, both)[0] == (0, 0, 250)


def test_rule_4_an_inspection_on_the_day_of_the_finding_does_not_narrow_it() -> None:
    """The look after the rebuild of day 250 finds the new trim ok, not the old one."""
    worn = rebuild(250, CONDITION, renewed=TRIM)
    assert trim(NEW, worn, inspect(250, trim=OK)) == [(0, 0, 250), (0, 150, inf)]


def test_rule_4_a_stated_last_ok_is_about_what_failed() -> None:
    """The trim had failed since 180; since when the packing was worn nobody says."""
    both = rebuild(250, PLANNED, as_found={"trim": FAILED, "packing": WORN}, last_ok=180)
    assert trim(NEW, both)[0] == (0, 180, 250)
    assert packing(NEW, both)[0] == (0, 0, 250)


def test_rule_5_what_was_renewed_while_ok_is_censored() -> None:
    """Planned at 150, because the packing failed at 250."""
    events = rebuild(150, PLANNED), rebuild(250, FAILURE, as_found={"packing": FAILED})
    assert trim(NEW, *events) == [(0, 150, inf), (0, 100, inf), (0, 150, inf)]
    assert packing(NEW, *events) == [(0, 150, inf), (0, 100, 100), (0, 150, inf)]


def test_rule_5_removal_and_the_cut_off_censor() -> None:
    """Removed at 300; read up to 400, and up to 200."""
    gone = replace(NEW, removed=300)
    assert trim(gone) == [(0, 300, inf)]
    assert trim(gone, as_of=200) == [(0, 200, inf)]
    assert seen(gone).ages == ()
    assert [age.age for age in seen(gone, as_of=299).ages] == [299, 299]


def test_rule_5_nothing_after_the_cut_off_is_read() -> None:
    """As of 200 the failure at 250, the renewal stated for 300 and the valve of 201 have not happened."""
    later = replace(NEW, last_renewed={"trim": 300})
    assert trim(later, rebuild(250, FAILURE, renewed=TRIM), as_of=200) == [(0, 200, inf)]
    assert seen(later, rebuild(250, Reason.UNSTATED), as_of=200).findings == ()
    assert len(seen(replace(NEW, installed=201), as_of=200).lives) == 0


def test_rule_6_between_found_and_done_nothing_is_at_risk() -> None:
    """An inspection at 200 found the trim failed, it was renewed at 240: one end, 40 days not watched."""
    events = inspect(200, trim=FAILED), rebuild(240, FAILURE, renewed=TRIM)
    assert trim(NEW, *events) == [(0, 0, 200), (0, 160, inf)]
    assert trim(NEW, rebuild(240, FAILURE, renewed=TRIM, found=200)) == [(0, 200, 200), (0, 160, inf)]


def test_rule_6_what_an_inspection_found_failed_explains_the_rebuild() -> None:
    """The rebuild at 240 renewed the packing too, which was ok; until then the trim waits and has no risk."""
    found = inspect(200, trim=FAILED)
    assert packing(NEW, found, rebuild(240, FAILURE)) == [(0, 240, inf), (0, 160, inf)]
    assert [age.awaits_renewal for age in seen(NEW, found).ages] == [False, True]
    assert trim(NEW, found) == [(0, 0, 200)]


def test_rule_7_a_change_of_service_splits_the_life() -> None:
    """Dry until 150: censored there at 150 days, entering wet at 150 days, failed at 250."""
    events = reclassify(150, "dry"), rebuild(250, FAILURE, renewed=TRIM)
    fleet = seen(NEW, *events)
    assert ages(fleet.lives, "trim", "dry") == [(0, 150, inf)]
    assert ages(fleet.lives, "trim", "wet") == [(150, 250, 250), (0, 150, inf)]
    assert [(one.service_class, one.begin, one.end) for one in fleet.watches if one.item == "trim"] == [
        ("dry", 0, 150),
        ("wet", 150, 400),
    ]


def test_rule_7_before_a_change_the_class_is_the_one_of_that_time() -> None:
    """As of 120 the valve is dry, as of 180 hot, today wet."""
    events = reclassify(150, "dry"), reclassify(200, "hot")
    assert [[age.service_class for age in seen(NEW, *events, as_of=day).ages] for day in (120, 180, 250)] == [
        ["dry", "dry"],
        ["hot", "hot"],
        ["wet", "wet"],
    ]
    assert ages(seen(replace(OLD, last_renewed={"trim": 170}, records_begin=180), *events).lives, "trim", "hot") == [
        (10, 30, inf)
    ]


def test_rule_7_a_failure_found_before_the_change_belongs_to_the_old_class() -> None:
    """Found at 140, service changed at 150, renewed at 170: the new life starts in the new service."""
    fleet = seen(NEW, reclassify(150, "dry"), rebuild(170, FAILURE, renewed=TRIM, found=140))
    assert ages(fleet.lives, "trim", "dry") == [(0, 140, 140)]
    assert ages(fleet.lives, "trim", "wet") == [(0, 230, inf)]


@pytest.mark.parametrize("class_from", ["wet", None])
def test_rule_7_a_chain_that_leads_nowhere_is_a_finding(class_from: str | None) -> None:
    """The last change leaves the class the valve is in now, or doesn't say which it left."""
    assert kinds(seen(NEW, reclassify(100, "dry"), reclassify(150, class_from))) == [("class_chain", "R150", 0)]


def test_rule_8_one_renewed_item_is_the_one_that_failed() -> None:
    """Nothing is said as found, only the trim was renewed; or the packing was found ok."""
    assert trim(NEW, rebuild(250, FAILURE, renewed=TRIM))[0] == (0, 250, 250)
    assert trim(NEW, rebuild(250, FAILURE, as_found={"packing": OK}))[0] == (0, 250, 250)


def test_rule_8_several_renewed_items_share_one_masked_cause() -> None:
    """Repacked at 100, all renewed for a failure at 250: packing at 150 days or trim at 250, one cause."""
    fleet = seen(NEW, rebuild(100, PLANNED, renewed=PACKING), rebuild(250, FAILURE))
    assert ages(fleet.lives, "packing") == [(0, 100, inf), (0, 150, 150), (0, 150, inf)]
    assert ages(fleet.lives, "trim") == [(0, 250, 250), (0, 150, inf)]
    failed = np.isfinite(fleet.lives.upper)
    assert np.count_nonzero(failed) == 2
    assert len(set(fleet.lives.cause[failed])) == 1
    assert len(set(fleet.lives.cause)) == len(fleet.lives) - 1
    assert ("cause_masked", "E250", 0) in kinds(fleet)


def test_rule_8_several_items_renewed_on_condition_share_one_interval_each() -> None:
    """One of them was worn at 250; the trim was seen ok at 120."""
    lives = seen(NEW, inspect(120, trim=OK), rebuild(250, CONDITION)).lives
    assert ages(lives, "packing")[0] == (0, 0, 250)
    assert ages(lives, "trim")[0] == (0, 120, 250)
    assert len(set(lives.cause[np.isfinite(lives.upper)])) == 1


def test_rule_8_what_was_found_worn_explains_a_failure() -> None:
    """Nothing was found failed, the packing was found worn, of the trim nothing is said."""
    worn = rebuild(250, FAILURE, as_found={"packing": WORN})
    assert packing(NEW, worn)[0] == (0, 250, 250)
    assert trim(NEW, worn)[0] == (0, 250, inf)


def test_rule_8_a_masked_cause_with_an_unknown_start_is_left_out_with_a_finding() -> None:
    """The trim's start is unknown, the packing is of 150: which of them failed at 250 can't be shared out."""
    fleet = seen(OLD, rebuild(150, PLANNED, renewed=PACKING), rebuild(250, FAILURE))
    assert ages(fleet.lives, "packing") == ages(fleet.lives, "trim") == [(0, 150, inf)]
    assert ("cause_not_said", "E250", 1) in kinds(fleet)


def test_rule_9_a_life_of_no_days_ended_within_one() -> None:
    """Renewed and failed on day 100; a planned renewal of the same day says nothing."""
    first, second = rebuild(100, PLANNED, renewed=TRIM), replace(rebuild(100, FAILURE, renewed=TRIM), ref="F100")
    assert trim(NEW, first, second) == [(0, 100, inf), (0, 0, 1), (0, 300, inf)]
    assert trim(NEW, first, replace(second, reason=PLANNED)) == [(0, 100, inf), (0, 300, inf)]


def test_rule_9_a_masked_cause_of_no_days_is_one_day_for_all() -> None:
    """Packing of day 250, trim of day 0, failed on day 250."""
    fleet = seen(NEW, rebuild(250, PLANNED, renewed=PACKING), replace(rebuild(250, FAILURE), ref="F250"))
    assert ages(fleet.lives, "packing")[1] == (0, 0, 1)
    assert ages(fleet.lives, "trim")[0] == (0, 250, 251)
