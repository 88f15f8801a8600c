"""What would be, if something were otherwise."""

from litestar.di import NamedDependency
from litestar.params import JSONBody

from models.engine import Engines
from service.routes.answers import accepts_json, post_for
from service.routes.records import takes_json
from service.routes.results import RunNumber
from service.schemas.what_if import WhatIfOut, WhatIfRequest
from service.use_cases.ask_what_if import ask_what_if


@post_for("/what-if", status_code=200, sync_to_thread=True, guards=[accepts_json, takes_json])
def post_what_if(engines: NamedDependency[Engines], data: JSONBody[WhatIfRequest], run: RunNumber = None) -> WhatIfOut:
    """Tell reorder points and proposals under other lead times, targets, prices or shelf lives; nothing is stored.

    From the demand the run found; other policies, valves or dates need a run of their own.
    """
    return ask_what_if(engines, data, run_id=run)


HANDLERS = (post_what_if,)
