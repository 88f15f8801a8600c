"""Where independent pieces are computed: any executor of the standard library, by default this very process."""

from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import ParamSpec, TypeVar

__all__ = ["HERE", "InProcess"]

Arguments = ParamSpec("Arguments")
Result = TypeVar("Result")


class InProcess(Executor):
    """Computes each piece in the calling process, when it is handed in."""

    def submit(
        self, fn: Callable[Arguments, Result], /, *args: Arguments.args, **kwargs: Arguments.kwargs
    ) -> Future[Result]:
        """Compute a piece at once; what it raises is raised where its result is asked for."""
        future: Future[Result] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


HERE = InProcess()
