"""What would be, if something were otherwise."""

from litestar.di import NamedDependency
from litestar.params import JSONBody

from models.engine import Engines
from service.routes.answers import accepts_json, post_for
from service.routes.records import takes_json
from service.routes.results import RunNumber
from service.schemas.what_if import WhatIfOut, WhatIfRequest
from service.use_cases.ask_what_if import ask_what_if
from service.window_processes import WindowProcesses


@post_for("/what-if", status_code=200, sync_to_thread=True, guards=[accepts_json, takes_json])
def post_what_if(
    engines: NamedDependency[Engines],
    windows: NamedDependency[WindowProcesses],
    data: JSONBody[WhatIfRequest],
    run: RunNumber = None,
) -> WhatIfOut:
    """Tell reorder points, proposals and demand under other times, targets, prices, policies or valves.

    Nothing is stored. Lead time, review period, rule, target, price, shelf life, floor, pack and minimum are answered
    at once, from the demand the run found. Other `policies`, `valves_added`, `valves_retired` and days of
    `turnarounds` make another demand: it is forecast anew, with the lifetimes of the run and from the record as the
    run read it, which takes seconds, fewer for one kit or storeroom. `demand` then has the year after the cut-off
    before and after, turnarounds included, of the kits that this touches, there. Reorder points leave turnarounds
    out, as always; what a turnaround orders isn't told.
    """
    return ask_what_if(engines, windows.ask_what_if, data, run_id=run)


HANDLERS = (post_what_if,)
