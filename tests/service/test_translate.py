"""From records to histories, designs, areas and storerooms: every assumption said."""

from datetime import date
from typing import Any

import pytest

from forecasting.histories import WHOLE_VALVE, AsFound, Finding, History, Reason
from forecasting.lives import WatchedFleet, lives_from_histories
from service.schemas.records import (
    AreaRecord,
    DesignKitRecord,
    EventRecord,
    KitRecord,
    ValveRecord,
)
from service.translate import (
    NO_AREA,
    NO_CLASS,
    NO_DESIGN,
    NO_STOREROOM,
    Records,
    Register,
    rebuild_of,
    register_from_records,
    stock_counts_as,
    successor_of,
)

AS_OF = date(2026, 3, 1)


def described(**changed: Any) -> Records:
    """One valve of a design with a packing and a trim, in an area whose records begin in 2015."""
    files: dict[str, Any] = {
        "areas": [AreaRecord(code="U100", records_begin_on=date(2015, 1, 1), storeroom="MAIN")],
        "kits": [KitRecord(code="KP", renews=["packing"]), KitRecord(code="KT", renews=["packing", "trim"])],
        "design_kits": [
            DesignKitRecord(design="D", maintainable_item="packing", kit="KP"),
            DesignKitRecord(design="D", maintainable_item="trim", kit="KT", qty=2),
        ],
        "valves": [FV1],
    }
    return Records(**(files | changed))


FV1 = ValveRecord(tag="FV-1", design="D", service_class="wet", area="U100", installed_on="2016-05-01")


def rebuild(done_on: str = "2020-06-01", **said: Any) -> EventRecord:
    return EventRecord(**({"tag": "FV-1", "done_on": done_on, "action": "rebuild"} | said))


def history(register: Register, tag: str = "FV-1") -> History:
    return next(one for one in register.histories if one.valve == tag)


def registered(records: Records, *, as_of: date = AS_OF) -> Register:
    return register_from_records(records, as_of=as_of)


def watched(register: Register) -> WatchedFleet:
    return lives_from_histories(register.histories, as_of=AS_OF.toordinal())


def kinds(findings: tuple[Finding, ...]) -> list[str]:
    return [finding.kind for finding in findings]


def test_a_described_valve_comes_over_whole() -> None:
    register = registered(described())
    one = history(register)
    assert (one.service_class, one.items) == ("wet", ("packing", "trim"))
    assert one.records_begin == date(2015, 1, 1).toordinal()
    assert one.installed == date(2016, 5, 1).toordinal()
    assert register.designs == {"FV-1": "D"}
    assert register.areas == {"U100": frozenset({"FV-1"})}
    assert register.storerooms == {"MAIN": frozenset({"FV-1"})}
    assert register.findings == ()


def test_what_a_design_takes_names_kit_quantity_and_what_it_renews() -> None:
    packing, trim = registered(described()).design_items["D"]
    assert (packing.kit, packing.qty, packing.renews) == ("KP", 1, frozenset({"packing"}))
    assert (trim.kit, trim.qty, trim.renews) == ("KT", 2, frozenset({"packing", "trim"}))


def test_two_files_are_enough() -> None:
    """A design without kits is one item, its demand counted in rebuilds; records begin with the area's first event."""
    valve = ValveRecord(tag="FV-1", design="D", service_class="wet", area="U100", installed_on=None)
    register = registered(Records(valves=[valve], events=[rebuild("2018-03-04"), rebuild("2020-06-01")]))
    (need,) = register.design_items["D"]
    assert (need.item, need.kit, need.qty) == (WHOLE_VALVE, "rebuild D", 1)
    assert history(register).records_begin == date(2018, 3, 4).toordinal()
    assert register.storerooms == {NO_STOREROOM: frozenset({"FV-1"})}
    (finding,) = register.findings
    assert (finding.kind, finding.ref, finding.valve) == ("records_begin_assumed", "U100", "")
    assert finding.treatment == (
        "taken from its first event, 2018-03-04: the start of every item installed before is unknown, "
        "and its first life isn't used"
    )


def test_what_nobody_said_has_a_name() -> None:
    """Neither design, class, area nor storeroom."""
    register = registered(Records(valves=[ValveRecord(tag="FV-1")], events=[rebuild()]))
    assert register.designs == {"FV-1": NO_DESIGN}
    assert history(register).service_class == NO_CLASS
    assert register.areas == {NO_AREA: frozenset({"FV-1"})}
    assert register.storerooms == {NO_STOREROOM: frozenset({"FV-1"})}
    assert register.design_items[NO_DESIGN][0].kit == rebuild_of(NO_DESIGN)


def test_a_design_all_of_whose_kits_are_unknown_is_one_item() -> None:
    register = registered(described(design_kits=[DesignKitRecord(design="D", maintainable_item="trim")]))
    assert history(register).items == (WHOLE_VALVE,)


@pytest.mark.parametrize(
    ("as_found", "worst"),
    [
        ({"trim": "failed", "packing": "ok"}, AsFound.FAILED),
        ({"trim": "worn", "packing": "ok"}, AsFound.WORN),
    ],
    ids=["failed", "worn"],
)
def test_a_whole_valve_is_found_as_its_worst_part(as_found: dict[str, str], worst: AsFound) -> None:
    """A planned rebuild: the life ended between the last look and the day; censored had everything been ok."""
    event = rebuild(reason="planned", as_found=as_found)
    register = registered(described(design_kits=[], events=[event]))
    fleet = watched(register)
    assert history(register).events[0].as_found == {item: AsFound(state) for item, state in as_found.items()}
    assert worst in history(register).events[0].as_found.values()
    assert (fleet.lives.lower[0], fleet.lives.upper[0]) == (0.0, 1492.0)


def test_a_whole_valve_renewed_with_all_its_parts_ok_is_censored() -> None:
    event = rebuild(reason="planned", as_found={"trim": "ok", "packing": "ok"})
    fleet = watched(registered(described(design_kits=[], events=[event])))
    assert (fleet.lives.lower[0], fleet.lives.upper[0]) == (1492.0, float("inf"))


def test_an_item_its_design_does_not_have_is_a_finding_not_dropped() -> None:
    register = registered(described(events=[rebuild(reason="failure", as_found={"actuator": "failed"})]))
    assert "not_of_design" in kinds(watched(register).findings)


def test_an_event_says_what_its_row_says() -> None:
    event = rebuild(
        ref="WO-7",
        found_on="2020-05-20",
        reason="condition",
        renewed=["trim"],
        last_ok_on="2019-05-01",
        service_class_from="dry",
    )
    made = history(registered(described(events=[event]))).events[0]
    assert (made.ref, made.reason, made.renewed, made.class_from) == (
        "WO-7",
        Reason.CONDITION,
        frozenset({"trim"}),
        "dry",
    )
    assert made.done == date(2020, 6, 1).toordinal()
    assert made.found == date(2020, 5, 20).toordinal()
    assert made.last_ok == date(2019, 5, 1).toordinal()


def test_an_event_without_a_ref_is_named_by_valve_and_day() -> None:
    made = history(registered(described(events=[rebuild()]))).events[0]
    assert (made.ref, made.reason, made.renewed, made.kits_renew) == ("FV-1 2020-06-01", Reason.UNSTATED, None, None)


def test_kits_used_renew_what_they_state() -> None:
    made = history(registered(described(events=[rebuild(kits_used={"KP": 1})]))).events[0]
    assert made.kits_renew == frozenset({"packing"})


def test_a_kit_that_states_nothing_renews_what_its_design_takes_it_for() -> None:
    """Kits named in design_kits.csv alone: a repack isn't taken for a rebuild of everything."""
    register = registered(described(kits=[], events=[rebuild(kits_used={"KP": 1})]))
    assert history(register).events[0].kits_renew == frozenset({"packing"})
    assert "scope_assumed" not in kinds(watched(register).findings)


def test_an_old_kit_that_states_nothing_renews_what_its_successor_is_taken_for() -> None:
    kits = [KitRecord(code="KP-OLD", superseded_by="KP")]
    register = registered(described(kits=kits, events=[rebuild(kits_used={"KP-OLD": 1})]))
    assert history(register).events[0].kits_renew == frozenset({"packing"})
    assert register.findings == ()


def test_an_unknown_kit_leaves_the_scope_unsaid() -> None:
    register = registered(described(events=[rebuild(kits_used={"MYSTERY": 1})]))
    assert history(register).events[0].kits_renew is None
    assert "scope_assumed" in kinds(watched(register).findings)


def test_a_kit_that_does_not_fit_is_a_finding_with_its_treatment() -> None:
    kits = [KitRecord(code="KX", renews=["trim"])]
    (finding,) = registered(described(kits=kits, events=[rebuild(ref="WO-7", kits_used={"KX": 1, "KP": 1})])).findings
    assert (finding.kind, finding.valve, finding.ref) == ("kit_does_not_fit", "FV-1", "WO-7")
    assert finding.detail == "kit KX isn't one of its design's: KP, KT"
    assert finding.treatment.startswith("what it renews is taken as renewed; demand follows the design's kit, unless")


def test_a_kit_cannot_misfit_a_design_nobody_described() -> None:
    register = registered(described(design_kits=[], events=[rebuild(kits_used={"KX": 1})]))
    assert register.findings == ()


def test_a_kit_can_misfit_a_design_that_takes_one_kit_for_the_whole_valve() -> None:
    whole = [DesignKitRecord(design="D", maintainable_item=WHOLE_VALVE, kit="KW")]
    assert kinds(registered(described(design_kits=whole, events=[rebuild(kits_used={"KX": 1})])).findings) == [
        "kit_does_not_fit"
    ]


def test_a_misfit_after_the_cut_off_is_not_read() -> None:
    event = rebuild("2026-03-02", kits_used={"KX": 1})
    assert registered(described(events=[event])).findings == ()


def test_last_renewed_on_may_be_one_day_for_every_item() -> None:
    valve = ValveRecord(tag="FV-1", design="D", area="U100", last_renewed_on={"": "2019-01-01", "trim": "2017-01-01"})
    last = history(registered(described(valves=[valve]))).last_renewed
    assert last == {"packing": date(2019, 1, 1).toordinal(), "trim": date(2017, 1, 1).toordinal()}


def test_a_last_renewal_of_an_item_its_design_does_not_have_is_a_finding() -> None:
    valve = ValveRecord(tag="FV-1", design="D", area="U100", last_renewed_on={"actuator": "2019-01-01"})
    assert "not_of_design" in kinds(watched(registered(described(valves=[valve]))).findings)


def test_a_valve_s_own_begin_of_records_comes_before_its_area_s() -> None:
    valve = ValveRecord(tag="FV-1", design="D", area="U100", records_begin_on=date(2018, 1, 1))
    assert history(registered(described(valves=[valve]))).records_begin == date(2018, 1, 1).toordinal()


def test_nothing_is_assumed_where_every_valve_of_an_area_says_when_its_records_begin() -> None:
    valve = ValveRecord(tag="FV-1", design="D", area="U100", records_begin_on=date(2018, 1, 1))
    assert registered(described(areas=[], valves=[valve])).findings == ()


def test_an_area_without_events_is_watched_from_the_cut_off() -> None:
    register = registered(described(areas=[AreaRecord(code="U100")]))
    assert history(register).records_begin == AS_OF.toordinal()
    (finding,) = register.findings
    assert finding.treatment == "it has no events either: nothing is watched before 2026-03-01"


def test_an_area_without_valves_is_no_finding() -> None:
    areas = [AreaRecord(code="U100", records_begin_on=date(2015, 1, 1)), AreaRecord(code="U900")]
    register = registered(described(areas=areas))
    assert (register.findings, set(register.areas)) == ((), {"U100"})


def test_an_area_described_without_a_storeroom_is_served_by_none_in_particular() -> None:
    areas = [AreaRecord(code="U100", records_begin_on=date(2015, 1, 1))]
    assert registered(described(areas=areas)).storerooms == {NO_STOREROOM: frozenset({"FV-1"})}


@pytest.mark.parametrize(
    ("changed", "served"),
    [
        ({"removed_on": AS_OF}, False),
        ({"removed_on": date(2026, 3, 2)}, True),
        ({"installed_on": "2026-03-02"}, False),
        ({"installed_on": "2026-03-01"}, True),
    ],
    ids=str,
)
def test_only_valves_in_service_at_the_cut_off_are_served(changed: dict[str, Any], served: bool) -> None:
    """Its area keeps it all the same."""
    valve = ValveRecord(tag="FV-1", design="D", service_class="wet", area="U100", **changed)
    register = registered(described(valves=[valve]))
    assert register.storerooms == ({"MAIN": frozenset({"FV-1"})} if served else {})
    assert register.areas == {"U100": frozenset({"FV-1"})}


CHAIN = [
    KitRecord(code="A", superseded_by="B", superseded_on=date(2020, 1, 1), old_fits_new_need=True),
    KitRecord(code="B", superseded_by="C", superseded_on=date(2022, 1, 1), old_fits_new_need=False),
    KitRecord(code="C", superseded_by="D", superseded_on=date(2026, 3, 2), old_fits_new_need=True),
]


def test_superseded_kits_roll_to_the_end_of_their_chain_once_superseded() -> None:
    assert successor_of(CHAIN, as_of=AS_OF) == {"A": "C", "B": "C"}
    assert successor_of(CHAIN, as_of=date(2020, 1, 1)) == {"A": "B"}
    assert successor_of(CHAIN, as_of=date(2026, 3, 2)) == {"A": "D", "B": "D", "C": "D"}
    assert successor_of([KitRecord(code="A", superseded_by="B")], as_of=AS_OF) == {"A": "B"}


def test_old_stock_counts_only_as_far_along_the_chain_as_it_fits() -> None:
    """A fits where B is needed; neither fits where C is."""
    assert stock_counts_as(CHAIN, as_of=AS_OF) == {"A": "B"}
    assert stock_counts_as(CHAIN, as_of=date(2026, 3, 2)) == {"A": "B", "C": "D"}


def test_need_follows_a_superseded_kit() -> None:
    """The design names the old kit; the new one is taken, and renews what either says."""
    kits = [KitRecord(code="KP", renews=["packing"], superseded_by="KN"), KitRecord(code="KN", renews=["gland"])]
    packing = registered(described(kits=kits)).design_items["D"][0]
    assert (packing.kit, packing.renews) == ("KN", frozenset({"packing", "gland"}))


def test_the_order_of_rows_changes_nothing_a_forecast_reads() -> None:
    other = ValveRecord(tag="FV-2", design="D", service_class="wet", area="U100")
    events = [rebuild("2018-01-01"), rebuild("2020-01-01"), rebuild("2019-01-01", tag="FV-2")]
    first = registered(described(valves=[FV1, other], events=events))
    again = registered(described(valves=[other, FV1], events=events[::-1]))
    assert watched(again).findings == watched(first).findings
    assert watched(again).ages == watched(first).ages
    assert watched(again).lives.lower.tolist() == watched(first).lives.lower.tolist()
    assert (again.areas, again.storerooms, again.designs) == (first.areas, first.storerooms, first.designs)


def test_kits_an_event_names_are_carried_as_the_present_ones() -> None:
    """Old and new kit of one event are the same kit; the turnaround tells what it was done for."""
    kits = [KitRecord(code="OLD", superseded_by="MID"), KitRecord(code="MID", superseded_by="KP"), KitRecord(code="KP")]
    named = rebuild(kits_used={"OLD": 1, "KP": 2, "KT": 1}, turnaround="TA-1")
    event = history(registered(described(kits=kits, events=[named, rebuild("2021-06-01")]))).events[0]
    assert (event.kits_used, event.turnaround) == ({"KP": 3, "KT": 1}, "TA-1")


def test_kits_of_a_design_nobody_described_say_nothing_as_its_demand_is_in_rebuilds() -> None:
    register = registered(described(design_kits=[], events=[rebuild(kits_used={"KP": 1})]))
    assert history(register).events[0].kits_used == {}
