"""Which kits each renewal of the record took."""

from dataclasses import replace

from forecasting.histories import Action, AsFound, Event, History, Reason
from forecasting.kit_attribution import LEAST_EVENTS, Bill, Kind, Need, RenewalSeen, renewals_seen
from forecasting.past_plants import plant_at
from forecasting.plants import DesignItem, Plant

ITEMS = ("trim", "packing", "actuator", "gasket")
NEEDS: tuple[Need, ...] = (
    DesignItem(item="trim", kit="T", qty=1, renews=frozenset({"trim", "packing"})),
    DesignItem(item="packing", kit="P", qty=1, renews=frozenset({"packing"})),
    DesignItem(item="actuator", kit="A", qty=2, renews=frozenset({"actuator"})),
)
GASKET = DesignItem(item="gasket", kit="G", qty=1, renews=frozenset({"gasket"}), on_opening=True)


def rebuild(day: int, kits: dict[str, int], *renewed: str, reason: Reason = Reason.FAILURE) -> Event:
    """A rebuild that names its kits; without items, they are what its kits renew."""
    covers = {"T": {"trim", "packing"}, "P": {"packing"}, "A": {"actuator"}, "B": {"packing"}, "G": {"gasket"}}
    by_kits = frozenset[str]().union(*(covers.get(kit, set()) for kit in kits))
    return Event(
        ref=str(day),
        action=Action.REBUILD,
        done=day,
        reason=reason,
        renewed=frozenset(renewed) or None,
        kits_renew=by_kits or None,
        kits_used=kits,
    )


def valve(*events: Event, tag: str = "V") -> History:
    """A valve of the design."""
    return History(valve=tag, service_class="air", items=ITEMS, records_begin=0, installed=0, events=events)


def told(*histories: History, needs: tuple[Need, ...] = NEEDS) -> tuple[RenewalSeen, ...]:
    """What these say; the other kit for the packing is B, S is a seat that renews nothing by itself."""
    return renewals_seen(
        histories,
        designs={one.valve: "D" for one in histories},
        design_items={"D": needs},
        kit_renews={"T": frozenset({"trim", "packing"}), "B": frozenset({"packing"}), "S": frozenset()},
        as_of=1000,
    )


def bills(*histories: History, needs: tuple[Need, ...] = NEEDS) -> list[tuple[str, Bill]]:
    """Items and what their renewals took."""
    return [(one.item, one.kits) for one in told(*histories, needs=needs) for _ in range(one.times)]


def test_a_kit_belongs_to_the_item_the_design_takes_it_for() -> None:
    assert bills(valve(rebuild(5, {"P": 2, "A": 2}))) == [("actuator", (("A", 2),)), ("packing", (("P", 2),))]


def test_the_trims_kit_covers_the_packing_whose_kit_then_is_one_more_of_the_trims_renewal() -> None:
    """As in the forecast: the trim's renewal takes no packing kit, unless it was seen to."""
    assert bills(valve(rebuild(5, {"T": 1}, "trim", "packing"))) == [("trim", (("T", 1),))]
    assert bills(valve(rebuild(5, {"P": 1, "T": 1}))) == [("trim", (("P", 1), ("T", 1)))]


def test_an_item_renewed_whose_kit_is_not_among_those_named_took_none() -> None:
    assert bills(valve(rebuild(5, {"P": 1}, "packing", "actuator"))) == [("actuator", ()), ("packing", (("P", 1),))]


def test_events_without_kits_say_nothing() -> None:
    """Nor do exchanges, what was done after the cut-off, or what can't be true."""
    repack = rebuild(5, {"P": 2})
    silent = rebuild(5, {}, "packing")
    exchanged = replace(repack, action=Action.EXCHANGE)
    late, early = replace(repack, done=1001), replace(repack, done=-1)
    assert told(valve(silent, exchanged, late, early)) == ()
    removed = replace(valve(repack, replace(repack, done=99)), removed=50)
    assert len(told(removed)) == 1


def test_what_is_taken_at_every_opening_is_seen_at_every_opening() -> None:
    needs = (*NEEDS, GASKET)
    assert bills(valve(rebuild(5, {"P": 1, "G": 1})), needs=needs) == [
        ("gasket", (("G", 1),)),
        ("packing", (("P", 1),)),
    ]
    assert ("gasket", ()) in bills(valve(rebuild(5, {"P": 1}, "packing")), needs=needs)


def test_one_kit_for_two_items_is_shared_out_as_the_design_states() -> None:
    """What is over goes to the first, what is short is missing from the last."""
    needs = tuple(DesignItem(item=item, kit="K", qty=1, renews=frozenset({item})) for item in ("packing", "actuator"))
    both = [bills(valve(rebuild(5, {"K": qty}, "packing", "actuator")), needs=needs) for qty in (2, 3, 1)]
    assert both == [
        [("actuator", (("K", 1),)), ("packing", (("K", 1),))],
        [("actuator", (("K", 2),)), ("packing", (("K", 1),))],
        [("actuator", (("K", 1),)), ("packing", ())],
    ]


def test_another_kit_counts_once_it_was_taken_often_enough() -> None:
    """Less often it is a slip of the pen, and the renewal says nothing."""
    others = [rebuild(day, {"B": 1}) for day in range(10, 10 + LEAST_EVENTS)]
    own = [rebuild(day, {"P": 1}) for day in range(100, 105)]
    assert bills(valve(*others[1:], *own)) == [("packing", (("P", 1),))] * 5
    assert bills(valve(*others, *own)).count(("packing", (("B", 1),))) == LEAST_EVENTS
    many = [rebuild(day, {"P": 1}) for day in range(100, 100 + 20 * LEAST_EVENTS)]
    assert ("packing", (("B", 1),)) not in bills(valve(*others, *many))


def test_an_earlier_day_knows_only_the_kits_taken_until_then() -> None:
    """As the back-test sees the plant: what today's record says of kits isn't known yet."""
    whole = valve(rebuild(100, {"P": 1}), rebuild(200, {"P": 2}), rebuild(900, {"P": 2}))
    items = {"D": tuple(DesignItem(item=one.item, kit=one.kit, qty=one.qty, renews=one.renews) for one in NEEDS)}
    plant = Plant(
        as_of=1000,
        histories=(whole,),
        designs={"V": "D"},
        design_items=items,
        intervals={},
        windows=(),
        areas={},
        questions=(),
        renewals=told(whole),
    )
    before = plant_at(plant, 500, windows=(), youngest=0)
    assert {one.kits: one.times for one in plant.renewals} == {(("P", 1),): 1, (("P", 2),): 2}
    assert {one.kits: one.times for one in before.renewals} == {(("P", 1),): 1, (("P", 2),): 1}


def test_a_part_of_no_item_goes_with_the_kit_that_renews_most() -> None:
    """A seat beside the trim's kit and the actuator's; another packing kit there, with the trim."""
    seats = [rebuild(day, {"T": 1, "S": 1, "A": 2}) for day in (10, 20, 30)]
    assert bills(valve(*seats)) == [("trim", (("S", 1), ("T", 1)))] * 3 + [("actuator", (("A", 2),))] * 3
    strange = [rebuild(day, {"A": 2, "B": 1, "T": 1}) for day in (10, 20, 30)]
    assert ("trim", (("B", 1), ("T", 1))) in bills(valve(*strange))


def test_a_renewal_counts_as_what_its_event_was_done_for() -> None:
    planned = rebuild(5, {"P": 1}, reason=Reason.PLANNED)
    events = [
        rebuild(1, {"P": 1}, reason=Reason.CONDITION),
        rebuild(2, {"P": 1}, reason=Reason.UNSTATED),
        planned,
        replace(planned, turnaround="TA1"),
        replace(rebuild(7, {"P": 1}, reason=Reason.CONDITION), turnaround="TA1"),
    ]
    assert [(one.kind, one.times) for one in told(valve(*events))] == [
        (Kind.UNPLANNED, 3),
        (Kind.PLANNED, 1),
        (Kind.TURNAROUND, 1),
    ]


def test_a_renewal_is_of_the_class_and_state_of_its_day() -> None:
    moved = Event(ref="m", action=Action.RECLASSIFY, done=50, class_from="acid")
    found = replace(rebuild(40, {"P": 1}), as_found={"packing": AsFound.FAILED})
    seen = told(valve(moved, found, rebuild(60, {"P": 1})))
    assert [(one.service_class, one.found) for one in seen] == [("acid", AsFound.FAILED), ("air", None)]


def opened(day: int, kits: dict[str, int], **found: str) -> Event:
    """A rebuild after a failure that says what it found."""
    return replace(rebuild(day, kits), as_found={item: AsFound(state) for item, state in found.items()})


def test_what_an_event_took_was_taken_by_the_items_it_was_done_for() -> None:
    """A failed packing whose valve was stripped: the packing's failure took the trim's kit."""
    assert bills(valve(opened(5, {"T": 1}, packing="failed", trim="ok"))) == [("packing", (("T", 1),))]
    assert bills(valve(opened(5, {"T": 1}, packing="failed", trim="worn"))) == [("trim", (("T", 1),))]
    planned = replace(opened(5, {"T": 1}, packing="failed", trim="ok"), reason=Reason.PLANNED)
    assert bills(valve(planned)) == [("trim", (("T", 1),))]


def test_where_failures_take_a_wider_kit_only_those_that_say_what_was_found_tell_how_often() -> None:
    """Of the others the stripped ones stand with the trim: 2 of 12 would be too few, 2 of 7 isn't."""
    told = [opened(day, {"P": 1}, packing="failed") for day in range(10, 15)]
    silent = [rebuild(day, {"P": 1}) for day in range(20, 25)] + [rebuild(day, {"T": 1}) for day in (30, 31)]
    stripped = [opened(day, {"T": 1}, packing="failed", trim="ok") for day in (40, 41)]
    found = bills(valve(*told, *silent, *stripped))
    assert found.count(("packing", (("P", 1),))) == 5
    assert found.count(("packing", (("T", 1),))) == 2
    assert bills(valve(*told, *silent)).count(("packing", (("P", 1),))) == 10
