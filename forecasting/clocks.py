"""The running lives of one valve: a clock for each item, stopped and started by events.

The rule numbers are those of DEVELOPERS.md, "Ten rules for lives".
"""

from dataclasses import dataclass, field

from forecasting.endings import MASKED, Ending, endings, scope
from forecasting.histories import AsFound, Event, Finding, History


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
    """The running life of one item; `start` None: unknown; `running` False: found failed, not yet renewed."""

    item: str
    entered: int
    start: int | None = None
    last_ok: int | None = None
    running: bool = True
    since: int = 0
    watch_begin: int = 0
    failures: list[int] = field(default_factory=list)


@dataclass(kw_only=True)
class Watcher:
    """Walks one valve's events in order and writes down what they say."""

    history: History
    begin: int
    service_class: str
    clocks: dict[str, Clock]
    lives: list[Life] = field(default_factory=list)
    watches: list[Watch] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    causes: int = 0

    def find(self, kind: str, ref: str, detail: str, treatment: str, lives_lost: int = 0) -> None:
        """Note a finding (rule 10)."""
        self.findings.append(
            Finding(
                kind=kind,
                valve=self.history.valve,
                ref=ref,
                detail=detail,
                treatment=treatment,
                lives_lost=lives_lost,
            )
        )

    def end_life(self, clock: Clock, ending: Ending, day: int, *, last_ok: int | None, cause: int) -> None:
        """Write down the life that ends on `day` (rules 2, 4, 5, 9)."""
        if clock.start is None:
            return
        entry, age = float(clock.entered - clock.start), float(day - clock.start)
        lower, upper = age, age
        if ending is Ending.CENSORED:
            upper = float("inf")
        elif ending in {Ending.INTERVAL, Ending.MASKED_INTERVAL}:
            seen_ok = last_ok if last_ok is not None and last_ok <= day else clock.last_ok
            lower = entry if seen_ok is None else max(entry, float(seen_ok - clock.start))
        whole_day = ending is Ending.EXACT and age <= entry
        if whole_day or (lower >= upper and ending not in {Ending.EXACT, Ending.MASKED}):
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
                clock.entered = max(clock.entered, event.done)
            self.end_watch(clock, event.done)

    def next_cause(self) -> int:
        """Give a number to a cause of its own."""
        self.causes += 1
        return self.causes

    def apply(self, event: Event) -> None:
        """Let an inspection, rebuild or exchange act on the clocks (rules 1, 4 to 6, 8)."""
        renewed = scope(event, self.history.items)
        stopped = frozenset(item for item, clock in self.clocks.items() if not clock.running)
        how = endings(event, renewed, already_failed=stopped)
        ended = {item: ending for item, ending in how.items() if item in self.clocks and item not in stopped}
        self.end_masked(event, {item: ending for item, ending in ended.items() if ending in MASKED})
        for item, ending in ended.items():
            if ending not in MASKED:
                self.end_known(self.clocks[item], event, ending)
        for item in renewed:
            clock = self.clocks[item]
            clock.start = clock.entered = clock.since = event.done
            clock.last_ok, clock.running = None, True
        for item, state in event.as_found.items():
            if state is AsFound.OK and item in self.clocks and item not in renewed:
                self.clocks[item].last_ok = event.found_day

    def end_known(self, clock: Clock, event: Event, ending: Ending) -> None:
        """End one life whose ending the event tells."""
        day = event.found_day
        clock.running = False
        if ending is not Ending.CENSORED:
            clock.failures.append(day)
        if day < clock.entered:
            detail = f"{clock.item} found before its last renewal, or before the records begin"
            self.find("found_too_early", event.ref, detail, "no life is counted", 1)
        else:
            self.end_life(clock, ending, day, last_ok=event.last_ok, cause=self.next_cause())

    def end_masked(self, event: Event, suspects: dict[str, Ending]) -> None:
        """End the lives among which one cause is masked (rule 8)."""
        day, cause = event.found_day, self.next_cause()
        clocks = [self.clocks[item] for item in suspects]
        if any(clock.start is None or day < clock.entered for clock in clocks):
            detail = f"cause not said, and the start of one of {', '.join(suspects)} is unknown"
            self.find("cause_not_said", event.ref, detail, "these lives are left out of the fit", len(clocks))
            return
        for clock, ending in zip(clocks, suspects.values(), strict=True):
            # one zero-day life makes its whole cause an interval of one day
            if ending is Ending.MASKED and any(day <= other.entered for other in clocks):
                age, entry = float(day - (clock.start or 0)), float(clock.entered - (clock.start or 0))
                self.add_life(clock, entry=entry, lower=age, upper=age + 1.0, cause=cause)
            else:
                self.end_life(clock, ending, day, last_ok=event.last_ok, cause=cause)

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
