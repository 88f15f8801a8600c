"""From the record and fitted lifetimes to the valves a turnaround may open: ages, costs of leaving, what is decided."""

from dataclasses import dataclass
from datetime import date

from forecasting.rebuild_work import choices_of
from forecasting.turnarounds import Candidate, options_of
from service.schemas.records import ScopeLineRecord, ValveRecord
from service.translate import NO_AREA
from service.translate_stands import ItemStand, item_stand
from service.translate_stock import Assumptions
from service.translate_windows import TurnaroundWindow
from service.translate_works import DesignWork
from service.turnaround_planning import Planning

STOPS = "stops"


@dataclass(frozen=True, kw_only=True)
class ValveAtWindow:
    """A valve that a turnaround may open.

    Parameters
    ----------
    record : ValveRecord
        As stated.
    area, service_class, design, consequence : str [codes]
        As the forecast takes them.
    next_on : date
        When its next window begins.
    work : DesignWork [money, hours, kits]
        Of its design.
    items : dict from item to ItemStand
        In the order of the design.
    line : ScopeLineRecord or None
        What was decided about it.
    """

    record: ValveRecord
    area: str
    service_class: str
    design: str
    consequence: str
    next_on: date
    work: DesignWork
    items: dict[str, ItemStand]
    line: ScopeLineRecord | None

    @property
    def on_run(self) -> bool:
        """Whether it can be renewed on the run; where that isn't said, it can't."""
        return bool(self.record.isolable_on_run)

    @property
    def waits(self) -> bool:
        """Whether what fails has to wait for the turnaround."""
        return not self.on_run and self.consequence != STOPS

    @property
    def due(self) -> frozenset[str]:
        """Items whose policy asks for them."""
        return frozenset(item for item, one in self.items.items() if one.due)

    @property
    def failed(self) -> frozenset[str]:
        """Items that wait already, and can't be renewed on the run."""
        return frozenset(item for item, one in self.items.items() if one.failed and not self.on_run)

    @property
    def proof_test_due(self) -> bool:
        """Whether its proof test falls due before the next window."""
        due_on = self.record.proof_test_due_on
        return due_on is not None and due_on < self.next_on

    @property
    def held(self) -> frozenset[str]:
        """Items a safety-related valve is opened for, whatever the forecast says."""
        return self.due if self.record.safety_related else frozenset()

    @property
    def decision(self) -> str:
        """What was decided about it; empty: nothing."""
        return "" if self.line is None else str(self.line.decision)

    @property
    def must_open(self) -> bool:
        """Whether no reckoning is asked."""
        return self.decision == "must_open" or bool(self.failed) or bool(self.held)

    @property
    def chance(self) -> float | None:
        """Chance that any item fails before the next window."""
        known = [one.chance for one in self.items.values() if one.chance is not None]
        survives = 1.0
        for chance in known:
            survives *= 1.0 - chance
        return 1.0 - survives if known else None

    @property
    def candidate(self) -> Candidate | None:
        """The valve as the solver sees it; None: it isn't asked, or a cost isn't known."""
        if self.work.missing or self.decision == "must_not_open":
            return None
        # what failed is renewed anyway: that saves nothing and costs nothing
        leaving = {
            item: self.work.alone(item) if item in self.failed else one.leaving for item, one in self.items.items()
        }
        return Candidate(
            tag=self.record.tag,
            options=options_of(choices_of(self.work.needs), leaving),
            must_open=self.must_open,
            needed=self.held | self.failed,
        )


def valves_at_window(planning: Planning, window: TurnaroundWindow) -> list[ValveAtWindow]:
    """Find the valves that a turnaround may open, and where they stand then.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        Of one of its turnarounds.

    Returns
    -------
    list of ValveAtWindow
        In service and in its areas, by tag.
    """
    inputs, designs = planning.asked.inputs, planning.asked.register.designs
    lines = {one.tag: one for one in inputs.scope_lines if one.turnaround == window.record.code}
    there = [
        valve
        for valve in inputs.valves
        if (valve.area or NO_AREA) in window.next_on
        and valve.tag in planning.standing
        and (valve.removed_on is None or valve.removed_on > window.starts_on)
    ]
    return [_valve(planning, window, one, designs[one.tag], lines.get(one.tag)) for one in sorted(there, key=_tag)]


def _tag(valve: ValveRecord) -> str:
    return valve.tag


def _valve(
    planning: Planning, window: TurnaroundWindow, record: ValveRecord, design: str, line: ScopeLineRecord | None
) -> ValveAtWindow:
    stands, area = planning.standing[record.tag], record.area or NO_AREA
    work, consequence = planning.works.designs[design], record.consequence or Assumptions().consequence
    return ValveAtWindow(
        record=record,
        area=area,
        service_class=next(iter(stands.values())).service_class,
        design=design,
        consequence=consequence,
        next_on=window.next_on[area],
        work=work,
        items={
            need.item: item_stand(planning, window, stands[need.item], record, work, consequence) for need in work.needs
        },
        line=line,
    )
