"""What is done without being asked for, and what the daily look at the shelves finds."""

from typing import Annotated, Any

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import QueryParameter

from models.engine import Engines
from service.ready_answers import NOT_KEPT
from service.routes.answers import Asked, answer_list, get_list
from service.schemas.results import Page
from service.schemas.scheduling import ExpiringLotOut, ScheduledJobOut
from service.settings import today
from service.use_cases.check_expiry import SOON_DAYS, list_expiring_lots
from service.use_cases.claim_jobs import list_jobs

MOST_DAYS = 36_525


@get_list("/scheduled-jobs", opt={NOT_KEPT: True})
def get_scheduled_jobs(
    request: Request[Any, Any, Any], engines: NamedDependency[Engines], asked: NamedDependency[Asked]
) -> Response[Page[ScheduledJobOut]]:
    """List what the scheduler did and does, the newest first: when it was due, whether late, what came of it."""
    return answer_list(request, asked, list_jobs(engines))


@get_list("/expiring-lots")
def get_expiring_lots(
    request: Request[Any, Any, Any],
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    within_days: Annotated[int, QueryParameter(ge=0, le=MOST_DAYS, description="How far ahead to look.")] = SOON_DAYS,
) -> Response[Page[ExpiringLotOut]]:
    """List lots on the shelves that have expired or soon will, the soonest first."""
    return answer_list(request, asked, list_expiring_lots(engines, on=today(), within_days=within_days))


HANDLERS = (get_scheduled_jobs, get_expiring_lots)
