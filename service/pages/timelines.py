"""The history of a valve as a chart: a row for each item, a mark for each time something was done to it or seen."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from markupsafe import Markup

from service.pages.charts import Mark, calendar_axis, draw
from service.schemas.records import EventRecord

LANE_LEFT = 92.0
MARGIN_DAYS = 60
NOT_SAID = "not said"
SHAPES = {"failed": ("dots", "dot"), "worn": ("diamonds", "worn"), "ok": ("dots", "open")}
"""As found; told apart without colour."""
RENEWED = ("ticks", "renewed")
MIDDLE = {4: "-07-01", 7: "-15", 10: ""}
"""Of a year, a month, a day, by how many characters it is written in."""


def timeline(
    events: Sequence[EventRecord], *, items: Sequence[str], renews: Mapping[str, Sequence[str]], until: date
) -> Markup | None:
    """Draw what was done to a valve and when.

    Parameters
    ----------
    events : sequence of EventRecord
        By day.
    items : sequence of str
        What the valve has; each has a row.
    renews : mapping
        Which items each kit renews.
    until : date
        Where the line ends.

    Returns
    -------
    Markup or None
        None without events.
    """
    if not events:
        return None
    marks = [(lane, shape, event) for event in events for lane, shape in _marks(event, renews, items)]
    lanes = list(dict.fromkeys([*items, *(lane for lane, _, _ in marks)]))
    days = [_middle(event.done_on) for event in events]
    first, last = min(days) - timedelta(days=MARGIN_DAYS), max(until, *days) + timedelta(days=MARGIN_DAYS)
    heights = [(float(len(lanes) - place), lane[:14]) for place, lane in enumerate(lanes)]
    axes = calendar_axis(first, last, up=(0.4, len(lanes) + 0.6), measured="")
    drawn = [
        Mark(kind=kind, style=style, points=[(_day_number(event), float(len(lanes) - lanes.index(lane)))])
        for lane, (kind, style), event in marks
    ]
    return draw(replace(axes, heights=heights, left=LANE_LEFT), drawn, said=_said(events))


def _marks(
    event: EventRecord, renews: Mapping[str, Sequence[str]], items: Sequence[str]
) -> Iterator[tuple[str, tuple[str, str]]]:
    """Give the row and the shape of each mark, what was renewed first, so that its state is drawn over it."""
    taken = [item for kit in event.kits_used for item in renews.get(kit, ())]
    renewed = items if event.action == "exchange" else list(dict.fromkeys([*event.renewed, *taken]))
    for item in renewed:
        yield item, RENEWED
    for item, state in event.as_found.items():
        yield item, SHAPES[state]
    if not renewed and not event.as_found:
        yield NOT_SAID, RENEWED if event.action == "rebuild" else ("dots", "open")


def _said(events: Sequence[EventRecord]) -> str:
    told = "; ".join(f"{event.done_on} {event.action} {event.reason or ''}".strip() for event in events)
    return f"Events by day, all of them in the table below: {told}."


def _day_number(event: EventRecord) -> float:
    return float(_middle(event.done_on).toordinal())


def _middle(written: str) -> date:
    return date.fromisoformat(written + MIDDLE[len(written)])
