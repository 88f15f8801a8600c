"""From issues to histories of kits that no valve takes, and from what they say to words for the storeroom."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date

import numpy as np

from forecasting.histories import Finding
from forecasting.issue_demand import PERIOD, IssueDemand, IssueHistory
from forecasting.pipeline import Forecast
from forecasting.usage_history import Method, net_issues
from service.schemas.records import IssueRecord
from service.translate import Records, Register, successor_of
from service.translate_findings import DEAD_STOCK
from service.translate_stock import AskedStock

SHORT = {Method.CROSTON: "Croston", Method.SBA: "SBA", Method.TSB: "TSB", Method.PLAIN: "plain rate"}
Row = dict[str, object]


def _read(records: Records, *, as_of: date) -> list[IssueRecord]:
    """Issues up to the cut-off."""
    return [line for line in records.issues if line.issued_on <= as_of]


def _rooms(asked: Sequence[AskedStock]) -> dict[str, set[str]]:
    """Storerooms that are asked about each kit."""
    rooms: dict[str, set[str]] = defaultdict(set)
    for one in asked:
        if one.successor is None:
            rooms[one.question.kit].add(one.question.storeroom)
    return rooms


def issue_histories(records: Records, asked: Sequence[AskedStock], *, as_of: date) -> tuple[IssueHistory, ...]:
    """Count what left the shelves in periods of 30.4375 days that end with the cut-off, returns netted.

    Superseded kits count as the present one. An issue without a storeroom counts for the only one asked about its kit,
    or, if there are several, for the whole plant alone.

    Parameters
    ----------
    records : Records
        As imported.
    asked : sequence of AskedStock
        Kits that were never issued have a history too: nothing, for as long as issues are recorded.
    as_of : date
        Data cut-off.

    Returns
    -------
    tuple of IssueHistory
        By storeroom ("" is the whole plant) and kit; none where no issue is recorded at all.
    """
    lines = _read(records, as_of=as_of)
    if not lines:
        return ()
    followed, rooms = successor_of(records.kits, as_of=as_of), _rooms(asked)
    periods = max(1, round(((as_of - min(line.issued_on for line in lines)).days + 1) / PERIOD))
    coded = {kit.code for kit in records.kits}
    counts = {
        (room, kit): np.zeros(periods, dtype=np.int64) for kit in rooms.keys() & coded for room in ("", *rooms[kit])
    }
    for line in lines:
        kit = followed.get(line.kit, line.kit)
        place = periods - 1 - min(int((as_of - line.issued_on).days / PERIOD), periods - 1)
        for room in {"", _room(line, rooms.get(kit, set()))}:
            counts.setdefault((room, kit), np.zeros(periods, dtype=np.int64))[place] += line.qty
    return tuple(
        IssueHistory(storeroom=room, kit=kit, counts=tuple(net_issues(netted).tolist()))
        for (room, kit), netted in sorted(counts.items())
    )


def _room(line: IssueRecord, rooms: set[str]) -> str:
    """Storeroom an issue counts for; "" if nobody can tell."""
    return line.storeroom or (next(iter(rooms)) if len(rooms) == 1 else "")


def basis_words(alone: IssueDemand) -> str:
    """Say what a forecast from issues alone rests on.

    Parameters
    ----------
    alone : IssueDemand
        What the issues say.

    Returns
    -------
    str
        Method, pattern and the numbers behind it.
    """
    usage, pattern = alone.usage, alone.usage.pattern
    demands = "1 demand" if pattern.demands == 1 else f"{pattern.demands} demands"
    measured = ""
    if pattern.cv_squared is not None:
        measured = f"; ADI {pattern.interval:.3g}, CV2 {pattern.cv_squared:.2g} (divisor n-1)"
    return f"from issues alone, {SHORT[usage.method]}, {pattern.pattern}; {demands} in {alone.periods} months{measured}"


def basis_details(alone: IssueDemand) -> Row:
    """Lay out what a forecast from issues alone rests on.

    Parameters
    ----------
    alone : IssueDemand
        What the issues say.

    Returns
    -------
    dict
        For the details of a row.
    """
    pattern = alone.usage.pattern
    return {
        "method": f"{SHORT[alone.usage.method]} from issues",
        "issues": {
            "pattern": pattern.pattern.value,
            "demands": pattern.demands,
            "months": alone.periods,
            "adi_months": None if np.isinf(pattern.interval) else float(f"{pattern.interval:.6g}"),
            "cv_squared": None if pattern.cv_squared is None else float(f"{pattern.cv_squared:.6g}"),
            "cv_squared_divisor": "n-1",
            "rate_per_month": float(f"{alone.usage.rate:.6g}"),
        },
    }


def untold_kinds(alone: IssueDemand) -> Row:
    """Lay out what demand from issues alone says otherwise than demand by valves.

    Parameters
    ----------
    alone : IssueDemand
        What the issues say.

    Returns
    -------
    dict
        Columns of run_demand: what was planned can't be told from what wasn't.
    """
    kinds = dict.fromkeys(("unplanned_mean", "planned_mean", "turnaround_mean"))
    words = f"no valve says when: {basis_words(alone)}"
    return kinds | {"status": "from_issues", "reason": words, "details": basis_details(alone)}


def issue_warnings(records: Records, asked: Sequence[AskedStock], *, as_of: date) -> dict[str, str]:
    """Say by kit how many issues no storeroom's history has.

    Parameters
    ----------
    records : Records
        As imported.
    asked : sequence of AskedStock
        Where kits are kept.
    as_of : date
        Data cut-off.

    Returns
    -------
    dict of str to str
        Only kits of which that is true.
    """
    followed, rooms = successor_of(records.kits, as_of=as_of), _rooms(asked)
    unplaced: dict[str, int] = defaultdict(int)
    for line in _read(records, as_of=as_of):
        kit = followed.get(line.kit, line.kit)
        if kit in rooms and not _room(line, rooms[kit]):
            unplaced[kit] += 1
    return {
        kit: f"{number} of its issues name no storeroom: they count for the plant, not for this level"
        for kit, number in unplaced.items()
    }


def dead_stock(
    made: Forecast, records: Records, register: Register, asked: Sequence[AskedStock], *, as_of: date
) -> Iterator[Finding]:
    """Find kits on the shelf that no valve in the register takes.

    Parameters
    ----------
    made : Forecast
        Of the run.
    records : Records
        As imported.
    register : Register
        The same, for the numerics.
    asked : sequence of AskedStock
        What lies where.
    as_of : date
        Data cut-off.

    Yields
    ------
    Finding
        One per storeroom and kit.
    """
    standing = {
        register.designs[one.valve]
        for one in register.histories
        if one.removed is None or one.removed > as_of.toordinal()
    }
    kits = register.kits
    taken = {kit for design in standing for kit in kits[design]}
    last: dict[str, date] = {}
    for line in _read(records, as_of=as_of):
        if line.qty > 0:
            last[line.kit] = max(last.get(line.kit, date.min), line.issued_on)
    begin = min((line.issued_on for line in _read(records, as_of=as_of)), default=None)
    for one in asked:
        question = one.question
        if question.on_hand > 0 and question.kit not in taken:
            decided = (question.storeroom, question.kit) in made.decisions
            yield Finding(
                kind=DEAD_STOCK,
                valve="",
                ref=f"{question.storeroom}/{question.kit}",
                detail=f"{question.on_hand} of {question.kit} lie in {question.storeroom}, but no valve in the "
                f"register takes it{_moved(last.get(question.kit), begin)}",
                treatment="its reorder point follows from its issues alone"
                if decided
                else "nothing is ordered: find the valve it is for, use it up or write it off",
            )


def _moved(last: date | None, begin: date | None) -> str:
    """Say when a kit was last issued."""
    if begin is None:
        return ""
    if last is None:
        return f", and none was issued since issues are recorded ({begin})"
    return f"; the last was issued on {last}"
