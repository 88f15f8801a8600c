"""What a turnaround found once valves were open changes the chance that the next forecast starts from."""

from datetime import date

from forecasting.found_on_opening import FoundChance, chance_found, openings_seen
from models.engine import Engines
from service.closings import read_history
from service.db import read_session
from service.schemas.records import AreaRecord, DesignKitRecord, KitRecord
from service.translate import Records, register_from_records
from tests.service.findings_plant import bring_in

AS_OF = date(2026, 11, 30)
VALVES = "".join(f"FV-{number},GLOBE,wet,U1,2020-01-01\n" for number in range(6))
HEADER = "tag,done_on,action,reason,turnaround,as_found,renewed\n"


def _chance(engines: Engines) -> FoundChance:
    """Estimate, from the record as it is, how often the trim is found bad when the packing is renewed."""
    with read_session(engines) as session:
        history = read_history(session)
    records = Records(
        valves=history.valves,
        events=[event.record for event in history.events],
        areas=[AreaRecord(code="U1", records_begin_on=date(2020, 1, 1))],
        kits=[KitRecord(code="TRIM", renews=["trim"]), KitRecord(code="PACK", renews=["packing"])],
        design_kits=[
            DesignKitRecord(design="GLOBE", maintainable_item="trim", kit="TRIM"),
            DesignKitRecord(design="GLOBE", maintainable_item="packing", kit="PACK"),
        ],
    )
    register = register_from_records(records, as_of=AS_OF)
    seen = openings_seen(register.histories, as_of=AS_OF.toordinal())
    return chance_found(seen, item="trim", service_class="wet", found_before="")


def test_rebuilds_of_a_turnaround_that_found_the_trim_worn_raise_the_chance(sqlite_engines: Engines) -> None:
    bring_in(
        sqlite_engines,
        areas="code,records_begin_on\nU1,2020-01-01\n",
        kits="code,renews\nTRIM,trim\nPACK,packing\n",
        design_kits="design,maintainable_item,kit,qty\nGLOBE,trim,TRIM,1\nGLOBE,packing,PACK,1\n",
        valves=f"tag,design,service_class,area,installed_on\n{VALVES}",
        events=HEADER + "".join(f"FV-{n},2023-04-0{n + 1},rebuild,planned,TA-1,trim:ok,packing\n" for n in range(4)),
    )
    before = _chance(sqlite_engines)
    worn = "".join(
        f"FV-{n},2025-10-0{n + 1},rebuild,planned,TA-2,packing:ok|trim:worn,packing|trim\n" for n in range(3)
    )
    bring_in(sqlite_engines, events=f"{HEADER}{worn}")
    after = _chance(sqlite_engines)
    assert (after.seen, after.seen_found) == (before.seen + 3, before.seen_found + 3)
    assert after.mean > before.mean + 0.1


def test_a_rebuild_that_does_not_say_what_it_found_moves_nothing(sqlite_engines: Engines) -> None:
    bring_in(
        sqlite_engines,
        areas="code,records_begin_on\nU1,2020-01-01\n",
        valves=f"tag,design,service_class,area,installed_on\n{VALVES}",
        events=HEADER + "FV-0,2023-04-01,rebuild,planned,TA-1,trim:ok,packing\n",
    )
    before = _chance(sqlite_engines)
    assert before.seen == 1
    bring_in(sqlite_engines, events=HEADER + "FV-1,2025-10-01,rebuild,planned,TA-2,,packing|trim\n")
    assert _chance(sqlite_engines).mean == before.mean
