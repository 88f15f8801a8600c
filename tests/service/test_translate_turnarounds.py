"""Turnarounds and opportunistic policies from the record: which day counts, and where one is missing."""

from datetime import date

import pytest

from service.schemas.records import DesignKitRecord, KitRecord, PolicyRecord, TurnaroundRecord, ValveRecord
from service.translate import Records, register_from_records
from service.translate_turnarounds import opportunities, turnaround_days, without_turnaround

AS_OF = date(2026, 3, 1)


@pytest.mark.parametrize(
    ("starts_on", "ends_on", "day"),
    [
        (date(2026, 6, 1), date(2026, 6, 20), date(2026, 6, 1)),
        (date(2026, 6, 1), None, date(2026, 6, 1)),
        (date(2026, 2, 20), date(2026, 3, 5), date(2026, 3, 2)),
        (date(2026, 2, 20), date(2026, 3, 1), None),
        (date(2026, 2, 20), None, None),
        (None, date(2026, 6, 20), None),
    ],
    ids=["to come", "no last day", "going on", "over", "begun, no last day", "no first day"],
)
def test_a_turnaround_counts_on_its_first_day_or_the_next_one(
    starts_on: date | None, ends_on: date | None, day: date | None
) -> None:
    """One going on still renews what is due, from the day after the cut-off."""
    stop = TurnaroundRecord(code="TA", areas=["U1", "U2"], starts_on=starts_on, ends_on=ends_on)
    found = turnaround_days(Records(turnarounds=[stop]), as_of=AS_OF)
    assert found == ({} if day is None else dict.fromkeys(("U1", "U2"), (day.toordinal(),)))


def test_where_a_policy_waits_for_turnarounds_nobody_dated_that_is_said() -> None:
    """Only of kits of valves in service in such an area."""
    records = Records(
        kits=[KitRecord(code="KT", renews=["trim"]), KitRecord(code="KP", renews=["packing"])],
        design_kits=[
            DesignKitRecord(design="D", maintainable_item=item, kit=kit, qty=1)
            for item, kit in (("trim", "KT"), ("packing", "KP"))
        ],
        policies=[
            PolicyRecord(service_class="wet", maintainable_item="trim", policy="opportunistic", interval_days=900),
            PolicyRecord(service_class="wet", maintainable_item="packing", policy="predetermined", interval_days=400),
        ],
        valves=[
            ValveRecord(tag="FV-1", design="D", service_class="wet", area="U1"),
            ValveRecord(tag="FV-2", design="D", service_class="wet", area="U2"),
            ValveRecord(tag="FV-3", design="D", service_class="wet", area="U3", removed_on=date(2020, 1, 1)),
            ValveRecord(tag="FV-4", design="D", service_class="dry", area="U4"),
        ],
        turnarounds=[TurnaroundRecord(code="TA", areas=["U1"], starts_on=date(2026, 6, 1))],
    )
    assert opportunities(records) == {("wet", "trim"): 900.0}
    said = without_turnaround(records, register_from_records(records, as_of=AS_OF), as_of=AS_OF)
    assert said == {
        "KT": ["no turnaround to come is in the record of U2: what its policy leaves to turnarounds is left out"]
    }
