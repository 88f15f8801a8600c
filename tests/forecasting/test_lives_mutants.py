"""Each rule for lives has wrong treatments: put in place here one by one, each must make that rule's test fail."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from re import escape

import pytest

from forecasting import watching
from forecasting.clocks import Clock, Watcher
from forecasting.endings import Ending
from forecasting.histories import Action
from tests.forecasting import test_lives as rules
from tests.forecasting import test_lives_findings as doubts
from tests.forecasting import wrong_treatments as wrong

EXACT, INTERVAL, CENSORED, MASKED = Ending.EXACT, Ending.INTERVAL, Ending.CENSORED, Ending.MASKED

MUTANTS: dict[str, tuple[Callable[[], None], wrong.Install, str]] = {
    "1 a repack resets the trim": (
        rules.test_rule_1_a_repack_does_not_reset_the_trim,
        wrong.scope_of(lambda event, items: frozenset(items)),
        "(0.0, 70.0, 70.0)",
    ),
    "1 an exchange renews what is stated": (
        rules.test_rule_1_an_exchange_renews_every_item,
        wrong.scope_read_from(lambda event: replace(event, action=Action.REBUILD)),
        "(0.0, 250.0, 250.0)",
    ),
    "1 kits are ignored": (
        rules.test_rule_1_the_kits_tell_what_was_renewed_where_nothing_else_does,
        wrong.scope_read_from(lambda event: replace(event, kits_renew=None)),
        "(0.0, 100.0, 100.0)",
    ),
    "1 an unsaid scope renews nothing": (
        partial(rules.test_rule_1_an_unsaid_scope_is_every_item_with_a_finding, {}),
        wrong.scope_of(lambda event, items: event.renewed or frozenset()),
        "(0.0, 400.0, inf)",
    ),
    "1 a stated renewal is ignored": (
        rules.test_rule_1_a_stated_renewal_inside_the_records_starts_a_life,
        wrong.replaced(watching, "_stated_renewals", lambda history, begin: iter(())),
        "(0.0, 250.0, 250.0)",
    ),
    "2 entry is 0": (
        rules.test_rule_2_a_life_older_than_the_records_enters_late,
        wrong.life_written_as(lambda entry, lower, upper: (0.0, lower, upper)),
        "(0.0, 230.0, 230.0)",
    ),
    "2 the clock starts with the records": (
        rules.test_rule_2_a_life_older_than_the_records_enters_late,
        wrong.clock_set(lambda clock, history: clock.entered),
        "(0.0, 150.0, 150.0)",
    ),
    "2 events before the records are read": (
        rules.test_rule_2_events_before_the_records_are_neither_failures_nor_starts,
        wrong.usable(wrong.all_read),
        "(0.0, 340.0, inf)",
    ),
    "3 an unknown start is age 0 when the records begin": (
        rules.test_rule_3_an_unknown_start_is_left_out_and_has_no_age,
        wrong.clock_set(lambda clock, history: clock.entered if clock.start is None else clock.start),
        "(0.0, 150.0, 150.0)",
    ),
    "3 an old installation is a start": (
        rules.test_rule_3_an_installation_before_the_records_is_no_start,
        wrong.clock_set(lambda clock, history: history.installed),
        "assert 2 == 0",
    ),
    "4 a failure is an interval": (
        rules.test_rule_4_a_failure_that_showed_itself_is_exact,
        wrong.ended({EXACT: INTERVAL}),
        "(0.0, 0.0, 240.0)",
    ),
    "4 an interval is dated at the find": (
        partial(rules.test_rule_4_a_worn_item_renewed_ended_since_it_was_last_ok, rules.CONDITION),
        wrong.ended({INTERVAL: EXACT}),
        "(0.0, 250.0, 250.0)",
    ),
    "4 an interval is dated at its middle": (
        partial(rules.test_rule_4_a_worn_item_renewed_ended_since_it_was_last_ok, rules.CONDITION),
        wrong.life_written_as(wrong.in_the_middle),
        "(0.0, 125.0, 125.0)",
    ),
    "4 a worn item renewed is censored": (
        partial(rules.test_rule_4_a_worn_item_renewed_ended_since_it_was_last_ok, rules.PLANNED),
        wrong.ended({INTERVAL: CENSORED}),
        "(0.0, 250.0, inf)",
    ),
    "4 inspections say nothing": (
        partial(rules.test_rule_4_a_worn_item_renewed_ended_since_it_was_last_ok, rules.CONDITION),
        wrong.replaced(Clock, "last_ok_before", lambda clock, day: None),
        "(0.0, 0.0, 250.0)",
    ),
    "4 a stated last ok says nothing": (
        partial(rules.test_rule_4_a_worn_item_renewed_ended_since_it_was_last_ok, rules.CONDITION),
        wrong.event_read_as(lambda event: replace(event, last_ok=None)),
        "(0.0, 120.0, 250.0)",
    ),
    "4 found failed at a planned opening is censored": (
        rules.test_rule_4_an_item_found_failed_at_a_planned_opening_failed_before,
        wrong.ended({INTERVAL: CENSORED}),
        "(0.0, 250.0, inf)",
    ),
    "5 planned is a failure": (
        rules.test_rule_5_what_was_renewed_while_ok_is_censored,
        wrong.ended({CENSORED: EXACT}),
        "(0.0, 150.0, 150.0)",
    ),
    "5 finished lives only": (
        rules.test_rule_5_removal_and_the_cut_off_censor,
        wrong.life_dropped_if(lambda clock, ending, day: ending is CENSORED),
        "[] == [(0, 300, inf)]",
    ),
    "5 a removed valve lives on": (
        rules.test_rule_5_removal_and_the_cut_off_censor,
        wrong.valve_read_as(lambda history: replace(history, removed=None)),
        "(0.0, 400.0, inf)",
    ),
    "5 later events are read": (
        rules.test_rule_5_nothing_after_the_cut_off_is_read,
        wrong.usable(wrong.all_read),
        "(0.0, 250.0, 250.0)",
    ),
    "6 at risk until done": (
        rules.test_rule_6_between_found_and_done_nothing_is_at_risk,
        wrong.event_read_as(lambda event: replace(event, found=None)),
        "(0.0, 240.0, 240.0)",
    ),
    "6 at risk while it waits": (
        rules.test_rule_6_between_found_and_done_nothing_is_at_risk,
        wrong.replaced(Clock, "running", True),
        "(0.0, 240.0, 240.0)",
    ),
    "6 a rebuild is never explained by an inspection": (
        rules.test_rule_6_what_an_inspection_found_failed_explains_the_rebuild,
        wrong.replaced(Clock, "running", True),
        "(0.0, 240.0, 240.0)",
    ),
    "7 a change of service is ignored": (
        rules.test_rule_7_a_change_of_service_splits_the_life,
        wrong.replaced(Watcher, "reclassify", lambda watcher, event: watcher.classes.pop(0)),
        "[] == [(0, 150, inf)]",
    ),
    "7 a change of service starts a new life": (
        rules.test_rule_7_a_change_of_service_splits_the_life,
        wrong.replaced(Watcher, "reclassify", wrong.restart_at_change),
        "(0.0, 100.0, 100.0)",
    ),
    "7 the class was always the present one": (
        rules.test_rule_7_before_a_change_the_class_is_the_one_of_that_time,
        wrong.replaced(watching, "_classes", lambda history, changes: [history.service_class] * (len(changes) + 1)),
        "['wet', 'wet'] != ['dry', 'dry']",
    ),
    "8 a masked cause counts on every item": (
        rules.test_rule_8_several_renewed_items_share_one_masked_cause,
        wrong.ended({MASKED: EXACT}),
        "assert 2 == 1",
    ),
    "8 a masked cause is dropped": (
        rules.test_rule_8_several_renewed_items_share_one_masked_cause,
        wrong.ended({MASKED: CENSORED}),
        "(0.0, 150.0, inf) != (0, 150, 150)",
    ),
    "9 a life of 0 days is dropped": (
        rules.test_rule_9_a_life_of_no_days_ended_within_one,
        wrong.life_dropped_if(lambda clock, ending, day: day == clock.start),
        "(0.0, 300.0, inf) != (0, 0, 1)",
    ),
    "9 a life of 0 days is half a day": (
        rules.test_rule_9_a_life_of_no_days_ended_within_one,
        wrong.life_written_as(lambda entry, lower, upper: (entry, 0.5, 0.5) if upper == 1 else (entry, lower, upper)),
        "(0.0, 0.5, 0.5)",
    ),
    "10 nothing is said": (
        partial(doubts.test_rule_10_what_can_not_be_true_is_a_finding, "before_installation"),
        wrong.replaced(Watcher, "find", lambda *what, **else_: None),
        "Right contains one more item: ('before_installation', 'E20', 0)",
    ),
    "10 impossible events are used": (
        doubts.test_rule_10_impossible_events_do_not_reach_the_lives,
        wrong.usable(wrong.all_read),
        "== [(0, 250, inf)]",
    ),
    "10 likely duplicates are merged in silence": (
        doubts.test_rule_10_likely_duplicates_are_counted_and_pointed_out,
        wrong.usable(wrong.without_repeats),
        "(0.0, 16.0, 16.0)",
    ),
}


@pytest.mark.parametrize("mutant", MUTANTS)
def test_the_rule_catches_its_mutant(mutant: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Under the wrong treatment the rule's test fails, and shows the wrong lives."""
    rule, install, shown = MUTANTS[mutant]
    rule()
    install(monkeypatch)
    with pytest.raises(AssertionError, match=escape(shown)):
        rule()


def test_every_rule_has_a_mutant() -> None:
    """Ten rules."""
    assert {int(name.split()[0]) for name in MUTANTS} == set(range(1, 11))
