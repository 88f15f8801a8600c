"""The running lives of one valve: a clock for each item, stopped and started by events.

The rule numbers are those of DEVELOPERS.md, "Ten rules for lives".
"""

from dataclasses import dataclass, field

from forecasting.endings import MASKED, Ending, endings, scope
from forecasting.histories import AsFound, Event, Finding, History, Reason

LONGEST_SPREAD = 366
"""A start known to no better than this many days, a year, is unknown."""


@dataclass(frozen=True, kw_only=True)
class Life:
    """One item on one valve from renewal, or the begin of watching, to its end; ages in whole days.

    Exact where `lower == upper`, right-censored where `upper` is infinite, else interval-censored (lower, upper].
    """

    valve: str
    item: str
    service_class: str
    entry: float
    lower: float
    upper: float
    cause: int
    """Lives of one valve with the same number share one masked cause (rule 8)."""


@dataclass(frozen=True, kw_only=True)
class ItemAge:
    """Where one item stands at as_of, for the projection; ages in days."""

    valve: str
    item: str
    service_class: str
    age: int | None
    """Days since renewal; None: its start is unknown (rule 3)."""
    survived: int
    """Days watched since without a renewal."""
    in_place: int | None
    """Days since the valve was installed; None: not known."""
    awaits_renewal: bool
    """Found failed and not yet renewed."""


@dataclass(frozen=True, kw_only=True)
class Watch:
    """The days one item's failures were watched in one service class, for the trend tests."""

    valve: str
    item: str
    service_class: str
    begin: int
    end: int
    failures: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class WatchedValve:
    """Everything one valve's history says."""

    lives: tuple[Life, ...]
    ages: tuple[ItemAge, ...]
    watches: tuple[Watch, ...]
    findings: tuple[Finding, ...]


@dataclass(kw_only=True)
class Clock:
    """The life of one item; `start` None: unknown; `waiting`: events that found it ended and aren't done yet."""

    item: str
    entered: int
    start: int | None = None
    last_ok: int | None = None
    failed: bool = False
    waiting: int = 0
    since: int = 0
    watch_begin: int = 0
    failures: list[int] = field(default_factory=list)

    @property
    def running(self) -> bool:
        """Whether it is at risk: not failed and left so, and not between found and done (rule 6)."""
        return not (self.failed or self.waiting)

    def last_ok_before(self, day: int) -> int | None:
        """Return the last inspection that found it ok; one on the day it was found failed doesn't count."""
        return self.last_ok if self.last_ok is not None and self.last_ok < day else None


@dataclass(kw_only=True)
class Watcher:
    """Walks one valve's events in order and writes down what they say."""

    history: History
    begin: int
    classes: list[str]
    """The service class it is in, then those to come."""
    clocks: dict[str, Clock]
    lives: list[Life] = field(default_factory=list)
    watches: list[Watch] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    causes: int = 0

    @property
    def service_class(self) -> str:
        """The service class it is in."""
        return self.classes[0]

    def find(
        self, kind: str, ref: str, detail: str, treatment: str, lives_lost: int = 0, *, other_ref: str = ""
    ) -> None:
        """Note a finding (rule 10)."""
        self.findings.append(
            Finding(
                kind=kind,
                valve=self.history.valve,
                ref=ref,
                detail=detail,
                treatment=treatment,
                lives_lost=lives_lost,
                other_ref=other_ref,
            )
        )

    def end_life(
        self, clock: Clock, ending: Ending, day: int, *, last_ok: int | None, cause: int, spread: int = 0
    ) -> None:
        """Write down the life that ends on `day`, or on one of the days around it (rules 2, 4, 5, 9)."""
        if clock.start is None:
            return
        first = day - spread // 2
        entry, age = float(clock.entered - clock.start), float(first - clock.start)
        lower, upper = age, age + spread
        if ending is Ending.CENSORED:
            lower, upper = max(entry, age), float("inf")
        elif ending in {Ending.INTERVAL, Ending.MASKED_INTERVAL}:
            seen_ok = last_ok if last_ok is not None and last_ok <= first + spread else clock.last_ok_before(day)
            lower = entry if seen_ok is None else max(entry, float(seen_ok - clock.start))
        elif spread:
            lower = max(entry, age - 1.0)  # it may have ended on the first of these days
        whole_day = ending is Ending.EXACT and age <= entry
        if (whole_day and not spread) or (lower >= upper and (spread or ending not in {Ending.EXACT, Ending.MASKED})):
            upper = lower + 1.0  # days are whole: a life of 0 days is (0, 1]
        if ending is not Ending.CENSORED or age > entry:
            self.add_life(clock, entry=entry, lower=lower, upper=upper, cause=cause)

    def add_life(self, clock: Clock, *, entry: float, lower: float, upper: float, cause: int) -> None:
        """Write down one life."""
        life = Life(
            valve=self.history.valve,
            item=clock.item,
            service_class=self.service_class,
            entry=entry,
            lower=lower,
            upper=upper,
            cause=cause,
        )
        self.lives.append(life)

    def end_watch(self, clock: Clock, day: int) -> None:
        """Close the window in which failures of an item were watched."""
        if day > clock.watch_begin:
            watch = Watch(
                valve=self.history.valve,
                item=clock.item,
                service_class=self.service_class,
                begin=clock.watch_begin,
                end=day,
                failures=tuple(clock.failures),
            )
            self.watches.append(watch)
        clock.watch_begin, clock.failures = day, []

    def reclassify(self, event: Event) -> None:
        """Split every running life (rule 7)."""
        for clock in self.clocks.values():
            if clock.running:
                self.end_life(clock, Ending.CENSORED, event.done, last_ok=None, cause=self.next_cause())
                clock.entered = event.done
            self.end_watch(clock, event.done)
        del self.classes[0]

    def next_cause(self) -> int:
        """Give a number to a cause of its own."""
        self.causes += 1
        return self.causes

    def find_out(self, event: Event) -> None:
        """End the lives that an event found to have ended, on the day it found them (rules 4 to 6, 8)."""
        renewed = scope(event, self.history.items)
        stopped = frozenset(item for item, clock in self.clocks.items() if not clock.running)
        how = endings(event, renewed, already_failed=stopped)
        if event.reason is not Reason.PLANNED and not stopped & renewed and set(how.values()) == {Ending.CENSORED}:
            detail = f"reason {event.reason}, but every renewed item was found ok"
            self.find("cause_not_said", event.ref, detail, "counted on no item")
        ended = {item: ending for item, ending in how.items() if item in self.clocks and item not in stopped}
        if event.found_day < self.begin:
            self.end_before_begin(event, ended)
        else:
            self.end_masked(event, {item: ending for item, ending in ended.items() if ending in MASKED})
            self.end_known(event, {item: ending for item, ending in ended.items() if ending not in MASKED})
        for item, clock in self.clocks.items():
            if item in renewed:
                clock.waiting += 1
            elif event.as_found.get(item) is AsFound.OK:
                clock.last_ok = event.found_first
            elif event.as_found.get(item) is AsFound.FAILED:
                clock.failed = True

    def renew(self, event: Event) -> None:
        """Start the lives of what an event renewed, on the day it was done (rules 1, 6)."""
        for item in sorted(scope(event, self.history.items)):
            clock = self.clocks[item]
            clock.start = event.done if event.done_spread <= LONGEST_SPREAD else None
            clock.entered = clock.since = event.done
            clock.last_ok, clock.failed, clock.waiting = None, False, clock.waiting - 1
            if clock.waiting:
                detail = f"renewed {item} between found and done of another event"
                self.find("renewed_between", event.ref, detail, "no life is counted until both are done", 1)

    def end_before_begin(self, event: Event, ended: dict[str, Ending]) -> None:
        """Stop what was found before the watch began and is renewed in it: no life (rule 2)."""
        clocks = [self.clocks[item] for item in ended]
        known = [clock.item for clock in clocks if clock.start is not None]
        if known:
            detail = f"{', '.join(known)} found before the records begin or the valve was installed"
            self.find("found_too_early", event.ref, detail, "no life is counted", len(known))

    def end_known(self, event: Event, ended: dict[str, Ending]) -> None:
        """End the lives whose ending the event tells; a stated last ok is about what failed, if anything did."""
        failed = {item for item in ended if event.as_found.get(item) is AsFound.FAILED}
        for item, ending in ended.items():
            clock = self.clocks[item]
            if ending is not Ending.CENSORED:
                clock.failures.append(event.found_day)
            last_ok = event.last_ok if item in failed or not failed else None
            self.end_life(
                clock,
                ending,
                event.found_day,
                last_ok=last_ok,
                cause=self.next_cause(),
                spread=event.found_within,
            )

    def end_masked(self, event: Event, suspects: dict[str, Ending]) -> None:
        """End the lives among which one cause is masked (rule 8)."""
        day, cause = event.found_day, self.next_cause()
        clocks = [self.clocks[item] for item in suspects]
        known = [clock for clock in clocks if clock.start is not None]
        if len(known) < len(clocks):
            detail = f"failed or worn: {' or '.join(suspects)}, not said which, and not every start is known"
            self.find("cause_not_said", event.ref, detail, "these lives are left out of the fit", len(known))
            return
        for clock, ending in zip(clocks, suspects.values(), strict=True):
            # one zero-day life makes its whole cause an interval of one day
            if ending is Ending.MASKED and not event.found_within and any(day <= other.entered for other in clocks):
                age, entry = float(day - (clock.start or 0)), float(clock.entered - (clock.start or 0))
                self.add_life(clock, entry=entry, lower=age, upper=age + 1.0, cause=cause)
            else:
                spread = event.found_within
                self.end_life(clock, ending, day, last_ok=event.last_ok, cause=cause, spread=spread)
        if suspects:
            detail = f"failed or worn: {' or '.join(suspects)}, not said which"
            self.find("cause_masked", event.ref, detail, "shared among them by the fit")

    def finish(self, end: int, *, in_service: bool) -> WatchedValve:
        """Censor what still runs, and say how old it is."""
        ages = []
        for clock in self.clocks.values():
            if clock.running:
                self.end_life(clock, Ending.CENSORED, end, last_ok=None, cause=self.next_cause())
            self.end_watch(clock, end)
            ages.append(
                ItemAge(
                    valve=self.history.valve,
                    item=clock.item,
                    service_class=self.service_class,
                    age=None if clock.start is None else end - clock.start,
                    survived=end - clock.since,
                    in_place=None if self.history.installed is None else end - self.history.installed,
                    awaits_renewal=not clock.running,
                )
            )
        return WatchedValve(
            lives=tuple(self.lives),
            ages=tuple(ages) if in_service else (),
            watches=tuple(self.watches),
            findings=tuple(self.findings),
        )
