"""From valves to the scope of a turnaround: which are opened, what for, and why, valve by valve."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from forecasting.rebuild_work import Work, work_of
from forecasting.turnarounds import Candidate, Limits, Option, Worth, best_scope, worth_of_limits
from service.schemas.results import rounded
from service.schemas.turnarounds import LimitOut, ScopeValveOut
from service.translate_scope import ValveAtWindow
from service.translate_stands import ItemStand
from service.translate_works import Works, in_money

UNITS = Limits(budget=1000.0, hours=8.0, valves=1.0)
"""What one unit more of each limit is; a day's shift at the bench."""
Row = dict[str, object]


@dataclass(frozen=True, kw_only=True)
class ChosenScope:
    """What is opened.

    Parameters
    ----------
    valves : tuple of ValveAtWindow
        All that could be.
    opened : dict from tag to Work [money, hours, kits]
        What is opened, and what for.
    options : dict from tag to Option [money]
        What was chosen of a valve whose costs are known, else the best it has.
    worths : tuple of Worth [money]
        Of each limit.
    """

    valves: tuple[ValveAtWindow, ...]
    opened: dict[str, Work]
    options: dict[str, Option]
    worths: tuple[Worth, ...]


def chosen_scope(valves: Sequence[ValveAtWindow], limits: Limits) -> ChosenScope:
    """Choose what is opened: the best scope, and by policy where costs aren't known.

    Parameters
    ----------
    valves : sequence of ValveAtWindow
        From `valves_at_window`.
    limits : Limits [money, hours, valves]
        What the turnaround has; a valve whose costs aren't known takes one of the valves and nothing else.

    Returns
    -------
    ChosenScope
        Of those valves.

    Raises
    ------
    InfeasibleTarget
        If what has to be opened exceeds a limit.
    NoConvergence
        If the solver stops without an answer.
    """  # noqa: DOC502 (both come from best_scope)
    by_policy = {one.record.tag: _work_by_policy(one) for one in valves if one.work.missing}
    by_policy = {tag: work for tag, work in by_policy.items() if work.items}
    candidates = [one.candidate for one in valves]
    asked = [one for one in candidates if one is not None]
    left = replace(limits, valves=limits.valves - len(by_policy))
    best = best_scope(asked, left)
    worths = worth_of_limits(asked, left, units=UNITS, best=best)
    return ChosenScope(
        valves=tuple(valves),
        opened=by_policy | {tag: option.work for tag, option in best.chosen.items()},
        options={one.tag: best.chosen.get(one.tag) or _best(one) for one in asked},
        worths=tuple(
            replace(one, at=one.at + len(by_policy), used=one.used + len(by_policy)) if one.limit == "valves" else one
            for one in worths
        ),
    )


def _best(candidate: Candidate) -> Option:
    return max(candidate.open_to or candidate.options, key=lambda option: option.value)


def _work_by_policy(valve: ValveAtWindow) -> Work:
    """Open a valve of unknown cost for what its policy asks; if it must be opened for nothing named, for everything."""
    if valve.decision == "must_not_open":
        return work_of(valve.work.needs, frozenset())
    wanted = valve.due | valve.failed
    if valve.must_open and not wanted:
        wanted = frozenset(valve.items)
    return work_of(valve.work.needs, wanted)


def limit_rows(chosen: ChosenScope) -> list[LimitOut]:
    """Lay out what one unit more of each limit is worth."""
    return [
        LimitOut(limit=one.limit, at=one.at, used=rounded(one.used), unit=one.unit, worth=in_money(one.worth))
        for one in chosen.worths
    ]


def scope_rows(chosen: ChosenScope, works: Works) -> list[ScopeValveOut]:
    """Lay out the scope, what is opened first, and what saves most first among those.

    Parameters
    ----------
    chosen : ChosenScope
        What is opened.
    works : Works
        Prices.

    Returns
    -------
    list of ScopeValveOut
        One per valve that could be opened.
    """

    def order(one: ValveAtWindow) -> tuple[bool, float, str]:
        option = chosen.options.get(one.record.tag)
        return one.record.tag not in chosen.opened, float("inf") if option is None else -option.value, one.record.tag

    return [_row(rank, one, chosen, works) for rank, one in enumerate(sorted(chosen.valves, key=order), start=1)]


def _row(rank: int, valve: ValveAtWindow, chosen: ChosenScope, works: Works) -> ScopeValveOut:
    record, option = valve.record, chosen.options.get(valve.record.tag)
    work = chosen.opened.get(record.tag) or (None if option is None else option.work)
    return ScopeValveOut(
        rank=rank,
        tag=record.tag,
        decision="in" if record.tag in chosen.opened else "out",
        opened_for="|".join(sorted(work.items)) if work is not None else "",
        reason=_reason(valve, option, chosen.opened.get(record.tag)),
        chance_of_failure=None if valve.chance is None else rounded(valve.chance),
        saves=None if option is None else in_money(option.value),
        cost=None if option is None or work is None else works.money(work),
        hours=None if option is None or work is None else rounded(work.hours),
        kits=kits_text(work),
        safety_related=record.safety_related,
        scope_line=valve.decision or None,
        decided_by=None if valve.line is None else valve.line.decided_by,
        consequence=valve.consequence,
        isolable_on_run=record.isolable_on_run,
        proof_test_due_on=record.proof_test_due_on,
        area=valve.area,
        design=valve.design,
        service_class=valve.service_class,
        next_window_on=valve.next_on,
        details={"items": [_item_row(item, one) for item, one in valve.items.items()], "missing": valve.work.missing},
    )


def kits_text(work: Work | None) -> str:
    """Write the kits of some work as a cell of events.csv would."""
    return "" if work is None else "|".join(f"{kit}:{qty}" for kit, qty in work.kits)


def _item_row(item: str, stand: ItemStand) -> Row:
    known = stand.where is not None and stand.age.age is not None
    return {
        "maintainable_item": item,
        "age_days": None if stand.where is None else rounded(stand.where.mean),
        "age_known": known,
        "chance_of_failure": None if stand.chance is None else rounded(stand.chance),
        "cost_of_leaving": None if stand.rate is None else in_money(stand.leaving),
        "cost_rate_per_day": None if stand.rate is None else rounded(stand.rate),
        "best_age_days": None if not stand.best_age or stand.best_age == float("inf") else rounded(stand.best_age),
        "due_by_policy": stand.due,
        "failed": stand.failed,
    }


def _reason(valve: ValveAtWindow, option: Option | None, opened: Work | None) -> str:
    """Say in words why a valve is opened, or isn't."""
    told = _why_open(valve, option, opened) if opened is not None else _why_not(valve, option)
    return " ".join(part for part in (told, _safety(valve, opened is not None)) if part)


def _why_open(valve: ValveAtWindow, option: Option | None, opened: Work) -> str:
    what = _named(opened.items)
    if valve.decision == "must_open":
        return f"Opened for {what}: {_decided(valve)}."
    if valve.failed:
        return f"Opened for {what}: its {_named(valve.failed)} failed and waits for this window."
    if valve.must_open:
        return f"Opened for {what}: it is safety-related, and a forecast never extends such a valve."
    if option is None:
        return f"Opened for {what}: its policy asks for {_named(valve.due)}; {_unknown(valve)}."
    return (
        f"Opened for {what}: left until the next window on {valve.next_on} it fails before with a chance of "
        f"{_chance(valve)}; renewing it now saves {in_money(option.value):,}."
    )


def _why_not(valve: ValveAtWindow, option: Option | None) -> str:
    if valve.decision == "must_not_open":
        return f"Left shut: {_decided(valve)}."
    if option is None:
        return f"Left shut: no policy asks for it; {_unknown(valve)}."
    if option.value > 0.0:
        return f"Left shut: opening it would save {in_money(option.value):,}, but the limits leave no room for it."
    on_run = " It can be renewed on the run." if valve.on_run else ""
    return (
        f"Left shut: it fails before the next window on {valve.next_on} with a chance of {_chance(valve)}, yet "
        f"renewing its {_named(option.work.items)} now would cost {in_money(-option.value):,} more than leaving it."
        f"{on_run}"
    )


def _safety(valve: ValveAtWindow, opened: bool) -> str:
    """Say what binds a safety-related valve."""
    if not valve.record.safety_related:
        return ""
    said = []
    if valve.due:
        said.append(f"its policy asks for {_named(valve.due)}")
    if valve.proof_test_due:
        said.append(f"its proof test is due on {valve.record.proof_test_due_on}, before the next window")
    if not said:
        return "It is safety-related; nothing of it falls due before the next window."
    warned = "" if opened and not valve.proof_test_due else ": a forecast never puts that off"
    return f"It is safety-related and {' and '.join(said)}{warned}."


def _decided(valve: ValveAtWindow) -> str:
    line = valve.line
    who = "somebody" if line is None or line.decided_by is None else line.decided_by
    why = "" if line is None or not line.reason else f" ({line.reason.rstrip('.')})"
    return f"decided by {who}{why}"


def _unknown(valve: ValveAtWindow) -> str:
    return f"what that costs and saves isn't known: {', '.join(valve.work.missing)}"


def _chance(valve: ValveAtWindow) -> str:
    if valve.chance is None:
        return "unknown size"
    return "more than 99%" if valve.chance > 0.99 else f"{valve.chance:.0%}"


def _named(items: frozenset[str]) -> str:
    *first, last = sorted(items)
    return f"{', '.join(first)} and {last}" if first else last
