"""What a failure model tells of the kits its renewals take."""

from datetime import date
from typing import Any

import pytest
from scipy.special import betaincinv

from service.run_inputs import Inputs, asked_of
from service.schemas.records import AreaRecord, DesignKitRecord, EventRecord, KitRecord, ValveRecord
from service.translate_kits import KitsTold, kits_told

AS_OF = date(2026, 3, 1)


def told(*events: dict[str, Any]) -> dict[tuple[str, str], KitsTold]:
    """What is told of two valves of one design, one of them in a class without renewals."""
    record = Inputs(
        areas=[AreaRecord(code="U100", records_begin_on=date(2010, 1, 1))],
        kits=[
            KitRecord(code="KP", renews=["packing"]),
            KitRecord(code="OLD", renews=["packing"], superseded_by="KP"),
            KitRecord(code="KT", renews=["packing", "trim"]),
            KitRecord(code="RIVAL", renews=["packing", "trim"]),
        ],
        design_kits=[
            DesignKitRecord(design="D", maintainable_item="packing", kit="KP"),
            DesignKitRecord(design="D", maintainable_item="trim", kit="KT"),
        ],
        valves=[
            ValveRecord(tag="FV-1", design="D", service_class="wet", area="U100", installed_on="2010-01-01"),
            ValveRecord(tag="FV-2", design="D", service_class="dry", area="U100", installed_on="2010-01-01"),
        ],
        events=[
            EventRecord(**({"tag": "FV-1", "done_on": f"20{11 + number}-01-01", "action": "rebuild"} | event))
            for number, event in enumerate(events)
        ],
    )
    return dict(kits_told(asked_of(record, as_of=AS_OF).plant))


def numbers(of: KitsTold, **wanted: Any) -> dict[int, tuple[Any, ...]]:
    """Probability and its limits by quantity, of the rows that have all this."""
    return {
        row["qty"]: (row["probability"], row["low"], row["high"])  # type: ignore[misc]
        for row in of.rows
        if all(row[name] == value for name, value in wanted.items())
    }


def test_a_design_that_is_always_taken_as_stated_has_one_row() -> None:
    """However often it was seen; a class of which nothing is known follows what is stated."""
    models = told({"kits_used": {"OLD": 1}}, {"kits_used": {"KP": 1}})
    (row,) = models["wet", "packing"].rows
    assert (row["kit"], row["qty"], row["probability"], row["renewals"]) == ("KP", 1, 1.0, 2)
    assert row["prior_share"] == 0.5  # worth two renewals beside two
    (row,) = models["dry", "trim"].rows
    assert (row["kit"], row["probability"], row["renewals"], row["prior_share"]) == ("KT", 1.0, 0, 1.0)
    assert models["wet", "packing"].warnings == ()


def test_two_kits_at_a_repack_have_a_probability_with_its_limits() -> None:
    """Weights by hand: 2 + 3 for one, superseded kits as the present one; 0.5 + 2 for two."""
    failed = {"reason": "failure", "as_found": {"packing": "failed"}}
    repacks = [{"kits_used": {"KP": 1}}] * 2 + [{"kits_used": {"OLD": 1}}] + [failed | {"kits_used": {"KP": 2}}] * 2
    models = told(*repacks)
    low, high = betaincinv(2.5, 5.0, [0.05, 0.95])
    wet = numbers(models["wet", "packing"], design="D", kit="KP", reason=None)
    assert wet[2] == pytest.approx((2.5 / 7.5, low, high), rel=1e-3)
    assert wet[1] == pytest.approx((5.0 / 7.5, 1.0 - high, 1.0 - low), rel=1e-3)
    given_failed = numbers(models["wet", "packing"], reason="unplanned", as_found="failed")
    assert given_failed[2][0] == pytest.approx((0.5 + 2) / 7.5, rel=1e-3)  # of all five, none counted twice
    dry = numbers(models["dry", "packing"], reason=None)
    assert dry[2][0] == pytest.approx(2.5 / 7.5, rel=1e-3)
    assert models["wet", "packing"].warnings == (
        "On design D 2 of 5 renewals whose kits are known took something else than 1 KP: see kits_per_renewal.",
    )
    assert models["dry", "packing"].warnings == ()


def test_the_other_suppliers_kit_is_told_beside_the_designs() -> None:
    models = told(*[{"kits_used": {"KT": 1}}] * 4, *[{"kits_used": {"RIVAL": 1}}] * 3)
    trim = models["wet", "trim"]
    assert numbers(trim, kit="RIVAL", reason=None)[1][0] == pytest.approx(3.5 / 9.5, rel=1e-3)
    assert numbers(trim, kit="KT", reason=None)[0][0] == pytest.approx(3.5 / 9.5, rel=1e-3)
    assert [row["renewals"] for row in trim.rows if row["reason"] is None] == [7] * 4
