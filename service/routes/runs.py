"""Runs of the forecast: ask for one, look at them, call one off."""

import asyncio
from typing import Annotated, Any

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter, QueryParameter

from models.engine import Engines
from service.forecast_processes import ForecastProcesses
from service.ready_answers import NOT_KEPT
from service.routes.answers import LARGEST_ID, Asked, answer_list, get_list, get_one, post_for
from service.schemas.results import ChangeOut, Page
from service.schemas.runs import RunOut, RunRequest
from service.use_cases import list_results, request_run

RunId = Annotated[int, PathParameter(ge=1, le=LARGEST_ID)]


@post_for("/runs", status_code=202)
async def post_run(
    engines: NamedDependency[Engines],
    processes: NamedDependency[ForecastProcesses],
    data: JSONBody[RunRequest | None] = None,
) -> Response[RunOut]:
    """Compute the forecast anew, as of today or an earlier day; one run at a time."""
    as_of = None if data is None else data.as_of
    run_id = await asyncio.to_thread(request_run.request_run, engines, as_of=as_of)
    await processes.start(run_id)
    run = await asyncio.to_thread(request_run.read_run, engines, run_id)
    return Response(run, status_code=202, headers={"Location": f"/v1/runs/{run_id}"})


@get_list("/runs", opt={NOT_KEPT: True})
def get_runs(
    request: Request[Any, Any, Any], engines: NamedDependency[Engines], asked: NamedDependency[Asked]
) -> Response[Page[RunOut]]:
    """List the runs, the newest first."""
    return answer_list(request, asked, request_run.list_runs(engines))


@get_one("/runs/latest", opt={NOT_KEPT: True})
def get_latest_run(engines: NamedDependency[Engines]) -> RunOut:
    """Tell which run's results are given where none is named: the latest finished."""
    return request_run.read_latest_run(engines)


@get_one("/runs/{run_id:int}", opt={NOT_KEPT: True})
def get_run(engines: NamedDependency[Engines], run_id: RunId) -> RunOut:
    """Tell how a run stands: queued, running, finished, failed or cancelled."""
    return request_run.read_run(engines, run_id)


@get_list("/runs/{run_id:int}/changes")
def get_changes(
    request: Request[Any, Any, Any],
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run_id: RunId,
    storeroom: Annotated[str | None, QueryParameter(description="Only this one; empty: the whole plant.")] = None,
    kit: Annotated[str | None, QueryParameter(description="Only this one.")] = None,
) -> Response[Page[ChangeOut]]:
    """List what made expected kits others than in the run before: corrections, time, new events, new models.

    Where the list is empty its `notice` says why: a first run has nothing to be compared with.
    """
    return answer_list(request, asked, list_results.list_changes(engines, run_id=run_id, storeroom=storeroom, kit=kit))


@post_for("/runs/{run_id:int}/cancel", status_code=200)
async def post_cancel(
    engines: NamedDependency[Engines],
    processes: NamedDependency[ForecastProcesses],
    run_id: RunId,
) -> RunOut:
    """Call a run off; nothing it computed is stored."""
    run = await asyncio.to_thread(request_run.cancel_run, engines, run_id)
    processes.stop(run_id)
    return run


HANDLERS = (post_run, get_runs, get_latest_run, get_run, get_changes, post_cancel)
