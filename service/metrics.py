"""What a monitoring system reads: requests of this process, and how the forecast of the database stands."""

from collections.abc import Iterator
from time import monotonic

from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from service.use_cases.watch_forecast import Watched

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
SECONDS = (0.01, 0.05, 0.1, 0.5, 1.0, 5.0, 30.0)
UNROUTED = "none"


class Metrics:
    """Counts the requests that one server process answers."""

    def __init__(self) -> None:
        self._registry = CollectorRegistry()
        labels = ("method", "route", "status")
        self._requests = Counter("valve_kits_requests", "Requests answered.", labels, registry=self._registry)
        self._seconds = Histogram(
            "valve_kits_request_seconds",
            "Seconds until an answer began.",
            ("method", "route"),
            buckets=SECONDS,
            registry=self._registry,
        )

    def counted(self, app: ASGIApp) -> ASGIApp:
        """Count what an application answers, under the route rather than the address: addresses have no end.

        Parameters
        ----------
        app : ASGIApp
            With all that stands before it.

        Returns
        -------
        ASGIApp
            The same.
        """

        async def counting(scope: Scope, receive: Receive, send: Send) -> None:
            if scope["type"] != ScopeType.HTTP:
                await app(scope, receive, send)
                return
            began, method = monotonic(), scope["method"]

            async def send_counted(message: Message) -> None:
                if message["type"] == "http.response.start":
                    route = scope.get("path_template") or UNROUTED
                    self._requests.labels(method, route, message["status"]).inc()
                    self._seconds.labels(method, route).observe(monotonic() - began)
                await send(message)

            await app(scope, receive, send_counted)

        return counting

    def told(self, watched: Watched) -> bytes:
        """Write everything down.

        Parameters
        ----------
        watched : Watched
            How the forecast stands.

        Returns
        -------
        bytes
            In the text format of Prometheus.
        """
        of_database = CollectorRegistry()
        of_database.register(_OfDatabase(watched))
        return generate_latest(self._registry) + generate_latest(of_database)


class _OfDatabase(Collector):
    def __init__(self, watched: Watched) -> None:
        self._watched = watched

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Turn what was read into gauges."""
        watched = self._watched
        if watched.last_good_run_age_seconds is not None:
            age = "Seconds since the last run that finished."
            yield GaugeMetricFamily(
                "valve_kits_last_good_run_age_seconds", age, value=watched.last_good_run_age_seconds
            )
        yield GaugeMetricFamily("valve_kits_forecast_stale", "1 if no run finished lately.", value=watched.stale)
        for name, words, label, values in (
            ("valve_kits_run_stage_seconds", "Of the last run that finished.", "stage", watched.stage_seconds),
            ("valve_kits_findings", "What the last run found in the record.", "kind", watched.findings),
            ("valve_kits_runs", "Runs so far.", "status", watched.runs),
            ("valve_kits_scheduled_jobs", "Scheduled jobs so far.", "status", watched.jobs),
        ):
            family = GaugeMetricFamily(name, words, labels=[label])
            for value, number in sorted(values.items()):
                family.add_metric([value], number)
            yield family
