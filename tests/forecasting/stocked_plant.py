"""Many storerooms simulated side by side, event by event in continuous time; shares no code with `forecasting`.

Demand comes one by one (Poisson); lead times are gamma and may overtake each other; every so many days the storeroom is
looked at (0: at every demand), and ordered where the position is at or below the reorder point, as many usual orders as
lift it above. Kits expire a fixed time after they arrive; the oldest go first; what will probably expire unused before
an order of today arrives isn't counted. What can't be served waits.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
LOTS, ORDERS = 14, 14
"""On the shelf and on the way at once, at most; more is an error."""
DEMAND, ARRIVAL, EXPIRY, REVIEW = range(4)


@dataclass(frozen=True, kw_only=True)
class Room:
    """One kit and what was decided about it."""

    demand_per_day: float
    lead_time: float
    lead_time_spread: float
    review_period: float
    reorder_point: int
    order_quantity: int
    shelf_life: float = np.inf


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """By storeroom: cycles, those that ended with somebody waiting; kits wanted, served from the shelf, expired."""

    cycles: Ints
    short: Ints
    wanted: Ints
    served: Ints
    expired: Ints

    @property
    def cycle_service_level(self) -> tuple[float, float]:
        """Share of cycles without a stock-out, and its standard error between storerooms."""
        return _ratio(self.cycles - self.short, self.cycles)

    @property
    def fill_rate(self) -> tuple[float, float]:
        """Share of demand met from the shelf, and its standard error between storerooms."""
        return _ratio(self.served, self.wanted)

    @property
    def expired_share(self) -> float:
        """Kits expired per kit wanted."""
        return float(self.expired.sum() / self.wanted.sum())


def _ratio(part: Ints, whole: Ints) -> tuple[float, float]:
    ratio = part.sum() / whole.sum()
    spread = (part - ratio * whole).std(ddof=1)
    return float(ratio), float(spread / whole.mean() / np.sqrt(len(whole)))


@dataclass(kw_only=True)
class _State:
    """All storerooms, row by row."""

    expires: Floats  # (rooms, LOTS), the oldest first, inf where there is none
    held: Ints
    due: Floats  # (rooms, ORDERS), inf where there is none
    ordered: Ints
    waiting: Ints
    counts: dict[str, Ints] = field(default_factory=dict)


def _add_lot(state: _State, who: Ints, expires: Floats, quantity: Ints) -> None:
    """Put an arrival behind the lots there; who waits is served first."""
    served = np.minimum(state.waiting[who], quantity)
    state.waiting[who] -= served
    slot = (state.held[who] > 0).sum(axis=1)
    assert (slot < LOTS).all()
    state.held[who, slot] = quantity - served
    state.expires[who, slot] = np.where(quantity > served, expires, np.inf)


def _drop_oldest(state: _State, who: Ints) -> None:
    """Take the oldest lot away."""
    for columns, empty in ((state.held, 0), (state.expires, np.inf)):
        columns[who, :-1] = columns[who, 1:]
        columns[who, -1] = empty


def _arrive(room: Room, state: _State, who: Ints, now: Floats) -> None:
    """Close a cycle: it was short if somebody waits when its order arrives."""
    which = state.due[who].argmin(axis=1)
    state.counts["cycles"][who] += 1
    state.counts["short"][who] += state.waiting[who] > 0
    _add_lot(state, who, now + room.shelf_life, state.ordered[who, which])
    state.due[who, which], state.ordered[who, which] = np.inf, 0


def _ask(state: _State, who: Ints) -> None:
    """Serve from the oldest lot, else let wait."""
    there = state.held[who, 0] > 0
    state.counts["wanted"][who] += 1
    state.counts["served"][who] += there
    state.held[who[there], 0] -= 1
    state.waiting[who[~there]] += 1
    _drop_oldest(state, who[there][state.held[who[there], 0] == 0])


def _expire(state: _State, who: Ints) -> None:
    """Throw the oldest lot away."""
    state.counts["expired"][who] += state.held[who, 0]
    _drop_oldest(state, who)


def _will_expire(room: Room, state: _State, who: Ints, now: Floats) -> Ints:
    """Kits that will probably expire unused before an order of today arrives: most of E[(held - D)+] over the lots."""
    left = state.expires[who] - now[:, None]
    held, near = np.cumsum(state.held[who], axis=1), left <= room.lead_time + room.review_period
    mean = room.demand_per_day * np.where(near, left, 0.0)
    unused = held * pdtr(held, mean) - mean * pdtr(np.maximum(held - 1, 0), mean)
    return np.asarray(np.where(near & (held > 0), np.round(unused), 0).max(axis=1), dtype=np.int64)


def _look(room: Room, state: _State, who: Ints, now: Floats, rng: np.random.Generator) -> None:
    """Order where the position is at or below the reorder point."""
    position = state.held[who].sum(axis=1) + state.ordered[who].sum(axis=1) - state.waiting[who]
    if np.isfinite(room.shelf_life):
        position = position - _will_expire(room, state, who, now)
    missing = room.reorder_point + 1 - position
    who, now, missing = who[missing > 0], now[missing > 0], missing[missing > 0]
    slot = np.isinf(state.due[who]).argmax(axis=1)
    assert np.isinf(state.due[who, slot]).all()
    state.ordered[who, slot] = -(-missing // room.order_quantity) * room.order_quantity
    state.due[who, slot] = now + _lead_times(room, len(who), rng)


def _lead_times(room: Room, number: int, rng: np.random.Generator) -> Floats:
    if room.lead_time_spread == 0.0:
        return np.full(number, room.lead_time)
    shape = (room.lead_time / room.lead_time_spread) ** 2
    return rng.gamma(shape, room.lead_time / shape, number)


def _opened(room: Room, rooms: int) -> _State:
    """Full shelves, nothing on the way."""
    state = _State(
        expires=np.full((rooms, LOTS), np.inf),
        held=np.zeros((rooms, LOTS), dtype=np.int64),
        due=np.full((rooms, ORDERS), np.inf),
        ordered=np.zeros((rooms, ORDERS), dtype=np.int64),
        waiting=np.zeros(rooms, dtype=np.int64),
        counts={name: np.zeros(rooms, dtype=np.int64) for name in ("cycles", "short", "wanted", "served", "expired")},
    )
    state.held[:, 0] = room.reorder_point + room.order_quantity
    state.expires[:, 0] = room.shelf_life
    return state


def play(room: Room, *, rooms: int, cycles: int, seed: int, opening: int = 6) -> Outcome:
    """Play until every storeroom has had so many cycles, after `opening` cycles that don't count."""
    rng = np.random.default_rng(seed)
    state, every = _opened(room, rooms), np.arange(rooms)
    review = rng.uniform(0.0, room.review_period, rooms) if room.review_period else np.full(rooms, np.inf)
    demand = rng.exponential(1.0 / room.demand_per_day, rooms)
    before: dict[str, Ints] = {}
    counting = np.zeros(rooms, dtype=bool)
    while (state.counts["cycles"] < opening + cycles).any():
        times = np.stack([demand, state.due.min(axis=1), state.expires[:, 0], review])
        kind, now = times.argmin(axis=0), times.min(axis=0)
        asked, arrived, gone, looked = (every[kind == number] for number in range(4))
        _ask(state, asked)
        demand[asked] += rng.exponential(1.0 / room.demand_per_day, len(asked))
        _arrive(room, state, arrived, now[arrived])
        _expire(state, gone)
        review[looked] += room.review_period
        if not room.review_period:
            looked = np.concatenate([asked, gone])
        _look(room, state, looked, now[looked], rng)
        if not counting.all() and not before:
            counting = state.counts["cycles"] >= opening
            before = {name: one.copy() for name, one in state.counts.items()} if counting.all() else {}
    return Outcome(**{name: one - before[name] for name, one in state.counts.items()})
