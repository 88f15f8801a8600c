"""Stock under a budget: what less shortage costs over all kits and storerooms, from what a run stored."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import msgspec
from msgspec import UNSET, UnsetType

from forecasting.errors import InsufficientData
from forecasting.frontier import Frontier
from models.base import NotFound
from models.engine import Engines
from models.queries import results
from models.runs import RunReorderPoint
from service.db import read_session
from service.frontier_plot import draw_frontier
from service.listings import Listing, Row, listing_of
from service.schemas.frontier import FrontierLevelOut, FrontierPointOut
from service.translate_frontier import Choice, choices, frontier_levels, frontier_points, made_of, reference_points
from service.use_cases.choose_run import choose_run, notice
from service.use_cases.read_covering import EVERY_ROW, read_covering


@dataclass(frozen=True, kw_only=True)
class _Offered:
    """Between what stock is chosen, how many rows are left out, and of which run."""

    run: int
    as_of: date
    notice: str | UnsetType
    choices: list[Choice]
    left_out: int
    in_money: bool

    @property
    def made(self) -> Frontier:
        """The frontier."""
        return made_of(self.choices)

    @property
    def told(self) -> str:
        """What a reader must know."""
        weights = (
            "a kit short weighs what a failure costs"
            if self.in_money
            else "a kit short weighs 20 where its valves stop the plant, 5 where they curtail it, else 1, "
            "or what such a failure costs where that is stated"
        )
        out = f"; left out for want of a price or a forecast: {self.left_out}" if self.left_out else ""
        return f"Shortage is expected in the time an order and the next review take; {weights}{out}."


def list_frontier(
    engines: Engines, *, run_id: int | None, storeroom: str | None, budget: float | None
) -> Listing[FrontierPointOut]:
    """List what less shortage costs, step by step, after the present stock and the run's reorder points.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom : str or None
        Only of this storeroom.
    budget : float or None [money]
        Only steps that it pays.

    Returns
    -------
    Listing
        One row per point.

    Raises
    ------
    InsufficientData
        If the run stored nothing to choose from.
    """  # noqa: DOC502 (comes from _offered)
    offered = _offered(engines, run_id, storeroom)
    return _listing(FrontierPointOut, _points(offered, budget), offered)


def list_levels(
    engines: Engines, *, run_id: int | None, storeroom: str | None, budget: float
) -> Listing[FrontierLevelOut]:
    """List how many of each kit a budget keeps where it avoids most shortage.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom : str or None
        Only of this storeroom.
    budget : float [money]
        Of all stock; floors are kept even if it doesn't pay for them.

    Returns
    -------
    Listing
        One row per storeroom and kit.

    Raises
    ------
    InsufficientData
        If the run stored nothing to choose from.
    """  # noqa: DOC502 (comes from _offered)
    offered = _offered(engines, run_id, storeroom)
    made = offered.made
    levels = frontier_levels(offered.choices, made, step=made.step_within(budget))
    return _listing(FrontierLevelOut, levels, offered)


def draw_stock_frontier(engines: Engines, *, run_id: int | None, storeroom: str | None) -> str:
    """Draw what less shortage costs, the present stock as a point.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom : str or None
        Only of this storeroom.

    Returns
    -------
    str
        An SVG document.

    Raises
    ------
    InsufficientData
        If the run stored nothing to choose from.
    """  # noqa: DOC502 (comes from _offered)
    offered = _offered(engines, run_id, storeroom)
    said = f" {offered.notice[:1].upper()}{offered.notice[1:].rstrip('.')}." if isinstance(offered.notice, str) else ""
    return draw_frontier(_points(offered, None), caption=f"Data to {offered.as_of}. {offered.told}{said}")


def _points(offered: _Offered, budget: float | None) -> list[FrontierPointOut]:
    made = offered.made
    steps = len(made.kit) if budget is None else made.step_within(budget)
    return [*reference_points(offered.choices), *frontier_points(offered.choices, made, steps=steps)]


def _offered(engines: Engines, run_id: int | None, storeroom: str | None) -> _Offered:
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        every = results.reorder_points(session, run.id, storeroom=storeroom, kit=None, after=0, limit=EVERY_ROW)
        said = notice(session)
        demand = read_covering(session, run.id, every)
    found = choices(every, demand)
    if not found:
        raise InsufficientData(_why_nothing(run.id, storeroom, every))
    return _Offered(
        run=run.id,
        as_of=run.as_of,
        notice=said,
        choices=found,
        left_out=len(every) - len(found),
        in_money=all(one.row.details.get("shortage_weight_is_money") for one in found),
    )


def _why_nothing(run: int, storeroom: str | None, every: Sequence[RunReorderPoint]) -> str:
    where = "" if storeroom is None else f" in storeroom {storeroom}"
    if not every:
        raise NotFound(f"run {run} has no reorder point{where}")
    return f"not enough data: run {run} has no kit{where} with a price, a reorder point and a stored demand"


def _listing(shape: type[Row], rows: Sequence[Row], offered: _Offered) -> Listing[Row]:
    said = offered.told if offered.notice is UNSET else f"{offered.notice}; {offered.told}"
    listing = listing_of(shape, rows, notice=said)
    top = msgspec.structs.replace(listing.top, run=offered.run, as_of=offered.as_of)
    return Listing(shape=shape, read=listing.read, top=top)
