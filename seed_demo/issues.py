"""What left the shelves of the invented plant: most of it for what happened, some of it for nobody knows what."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random

from seed_demo.events import Event
from seed_demo.kits import KITS, kits_taken
from seed_demo.register import Valve

_ISSUE_YEARS = 8
_UNTAGGED_SHARE = 0.3
_LOST_SHARE = 0.05  # taken without a slip
_RETURNED_SHARE = 0.04
_UNEXPLAINED_SHARE = 0.06  # slips beside those for events: kits under the bench, work nobody wrote down


@dataclass(frozen=True, kw_only=True)
class Issue:
    """One line of a slip; a return is negative."""

    ref: str
    kit: str
    storeroom: str
    issued_on: date
    qty: int
    reason: str
    tag: str


def issues_made(valves: Iterable[Valve], happened: Iterable[Event], *, as_of: date, rng: Random) -> list[Issue]:
    """Return the slips of the last eight years in order of their days, with their references.

    The kits of an exchange are taken three weeks to half a year later, when the shop rebuilds the removed valve.
    """
    valve_of = {valve.tag: valve for valve in valves}
    since = as_of - timedelta(_ISSUE_YEARS * 365)
    made: list[Issue] = []
    for event in happened:
        if event.action in {"rebuild", "exchange"} and event.done_on > since:
            made += _for_event(event, valve_of[event.tag], rng)
    made += [_for_nobody(issue, rng) for issue in made if rng.random() < _UNEXPLAINED_SHARE]
    dated = [issue for issue in made if issue.issued_on <= as_of]
    dated.sort(key=lambda issue: (issue.issued_on, issue.kit, issue.tag))
    return [replace(issue, ref=f"IS-{number:05d}") for number, issue in enumerate(dated, start=1)]


def _for_event(event: Event, valve: Valve, rng: Random) -> list[Issue]:
    exchanged = event.action == "exchange"
    day = event.done_on + timedelta(rng.randint(21, 180) if exchanged else -rng.randint(0, 6))
    kits = kits_taken(valve.design, event.renewed, on=event.done_on)
    tagged = exchanged or rng.random() >= _UNTAGGED_SHARE
    lines = []
    for kit, qty in kits:
        if rng.random() < _LOST_SHARE:
            continue
        slip = Issue(
            ref="",
            kit=kit,
            storeroom=valve.area.storeroom,
            issued_on=day,
            qty=qty,
            reason=event.reason,
            tag=event.tag if tagged else "",
        )
        lines.append(slip)
        if rng.random() < _RETURNED_SHARE:
            lines += _taken_twice(slip, rng)
    return lines


def _taken_twice(slip: Issue, rng: Random) -> list[Issue]:
    back = slip.issued_on + timedelta(rng.randint(1, 20))
    return [replace(slip, qty=1), replace(slip, issued_on=back, qty=-1)]


def _for_nobody(slip: Issue, rng: Random) -> Issue:
    kits = next(kits for kits in KITS.values() if slip.kit in {kit.code for kit in kits})
    cheap = kits is not KITS["trim"]
    later = slip.issued_on + timedelta(rng.randint(0, 60))
    return replace(slip, issued_on=later, qty=rng.randint(1, 3) if cheap else 1, reason="", tag="")
