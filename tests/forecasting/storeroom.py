"""A storeroom simulated event by event, sharing no code with `forecasting`: the independent check of its decisions."""

import heapq
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Storeroom:
    """One kit: Poisson demand, gamma lead times, looked at every so many days (0: all the time), (r, nQ) orders."""

    demand_per_day: float
    lead_time: float
    lead_time_spread: float
    review_period: float
    reorder_point: int
    order_quantity: int


@dataclass(frozen=True, kw_only=True)
class Played:
    """What happened: replenishment cycles and those with a stock-out, kits wanted and those served from the shelf."""

    cycles: int
    short: int
    wanted: int
    served: int

    @property
    def cycle_service_level(self) -> float:
        """Share of cycles without a stock-out."""
        return 1.0 - self.short / self.cycles

    @property
    def fill_rate(self) -> float:
        """Share of demand met from the shelf."""
        return self.served / self.wanted

    @property
    def standard_error(self) -> float:
        """Of the cycle service level."""
        share = self.cycle_service_level
        return float(np.sqrt(share * (1.0 - share) / self.cycles))


@dataclass(kw_only=True)
class _State:
    """Stock less what waits for it, stock position, and orders under way by arrival."""

    stock: int
    position: int
    arrivals: list[tuple[float, int]] = field(default_factory=list)
    cycles: int = 0
    short: int = 0

    def receive(self) -> None:
        """Close a cycle: it was short if something waits when its order arrives."""
        _, quantity = heapq.heappop(self.arrivals)
        self.cycles += 1
        self.short += self.stock < 0
        self.stock += quantity


def play(room: Storeroom, *, demands: int, seed: int) -> Played:
    """Play so many demands, each for one kit; what can't be served waits for the next arrival."""
    rng = np.random.default_rng(seed)
    shape = (room.lead_time / room.lead_time_spread) ** 2
    full = room.reorder_point + room.order_quantity
    state, served, review = _State(stock=full, position=full), 0, room.review_period

    def look(now: float) -> None:
        short_of = room.reorder_point + 1 - state.position
        if short_of > 0:
            quantity = -(-short_of // room.order_quantity) * room.order_quantity
            heapq.heappush(state.arrivals, (now + rng.gamma(shape, room.lead_time / shape), quantity))
            state.position += quantity

    for now in np.cumsum(rng.exponential(1.0 / room.demand_per_day, demands)).tolist():
        while room.review_period and review <= now:
            while state.arrivals and state.arrivals[0][0] <= review:
                state.receive()
            look(review)
            review += room.review_period
        while state.arrivals and state.arrivals[0][0] <= now:
            state.receive()
        served += state.stock > 0
        state.stock, state.position = state.stock - 1, state.position - 1
        if not room.review_period:
            look(now)
    return Played(cycles=state.cycles, short=state.short, wanted=demands, served=served)
