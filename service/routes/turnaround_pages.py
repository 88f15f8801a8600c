"""Pages of turnarounds: which are to come; of one, what the latest forecast plans and what was decided."""

from litestar import Response, Router, get
from litestar.di import NamedDependency
from litestar.params import FromPath

from models.engine import Engines
from service.pages.turnaround_charts import budget_distribution, order_calendar
from service.routes.page_answers import AnyRequest, answer_page, answer_problem
from service.settings import today
from service.use_cases import look_at_kit, look_at_turnaround, look_up


@get("/turnarounds", sync_to_thread=True, include_in_schema=False)
def get_turnarounds(request: AnyRequest, engines: NamedDependency[Engines]) -> Response[str]:
    """List the turnarounds to come."""
    as_of = look_up.read_standing(engines, today=today()).as_of
    rows = look_at_turnaround.list_to_come(engines, after=as_of or today())
    return answer_page(request, engines, "turnarounds.html", rows=rows)


@get("/turnarounds/{code:str}", sync_to_thread=True, include_in_schema=False)
def get_turnaround(request: AnyRequest, engines: NamedDependency[Engines], code: FromPath[str]) -> Response[str]:
    """Show a turnaround: which kits by when, what it costs, which valves it opens."""
    seen = look_at_turnaround.look_at_turnaround(engines, code)
    plan = seen.plan
    return answer_page(
        request,
        engines,
        "turnaround.html",
        seen=seen,
        distribution=plan and budget_distribution(plan.budget),
        calendar=plan and order_calendar(plan.kits, budget=plan.budget),
        kits=look_at_kit.read_kits(engines),
    )


PAGES = Router(
    "/",
    route_handlers=[get_turnarounds, get_turnaround],
    exception_handlers={Exception: answer_problem},
)
