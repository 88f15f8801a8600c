"""What was decided beforehand about single valves in the shutdowns to come."""

from collections.abc import Iterable
from datetime import date
from random import Random

from seed_demo.plant import SEED
from seed_demo.register import Valve
from seed_demo.tables import Row
from seed_demo.turnarounds import Turnaround

_PLANNING, _PROCESS = "turnaround planning", "unit process engineering"
_MUST_OPEN = (
    ("passes when shut, seen at the last walk-down", _PROCESS),
    ("isolation is open for the exchanger beside it", _PLANNING),
    ("travel test gave a sticking stem", _PROCESS),
)
_MUST_NOT_OPEN = (
    ("to be replaced with its line the year after", _PLANNING),
    ("its line stays in service through the shutdown", _PROCESS),
)
_PROOF_TEST = ("proof test falls due about then", _PLANNING)


def scope_rows(turnarounds: Iterable[Turnaround], valves: Iterable[Valve], *, as_of: date) -> list[Row]:
    """Return turnaround, tag, decision, reason and who decided, for the next shutdown of each area."""
    fitted, decided, rows = list(valves), set[str](), list[Row]()
    for turnaround in sorted(turnarounds, key=lambda one: one.starts_on):
        if turnaround.starts_on > as_of and turnaround.area not in decided:
            decided.add(turnaround.area)
            rows += _decisions(turnaround, [valve for valve in fitted if _there(valve, turnaround)])
    return rows


def _there(valve: Valve, turnaround: Turnaround) -> bool:
    return valve.area.code == turnaround.area and valve.removed_on is None


def _decisions(turnaround: Turnaround, valves: list[Valve]) -> list[Row]:
    rng = Random(f"{SEED}/scope/{turnaround.code}")
    first, last = turnaround.scope_freeze_on, turnaround.ends_on
    tested = [valve for valve in valves if valve.proof_test_due_on and first <= valve.proof_test_due_on <= last]
    others = rng.sample([valve for valve in valves if not valve.safety_related], len(_MUST_OPEN + _MUST_NOT_OPEN))
    rows: list[Row] = [(turnaround.code, valve.tag, "must_open", *_PROOF_TEST) for valve in tested]
    for valve, why in zip(others, _MUST_OPEN + _MUST_NOT_OPEN, strict=True):
        rows.append((turnaround.code, valve.tag, "must_open" if why in _MUST_OPEN else "must_not_open", *why))
    return rows
