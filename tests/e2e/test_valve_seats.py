"""Seat replacements of 41 diesel engines, real data, through the whole service.

Nelson (1995), Technometrics 37:147-157; rows seen twice in open packages (tests/reference/SOURCES.md). Shape and scale
aren't published: an independent optimiser finds them here anew.
"""

import csv
from collections.abc import Iterator
from datetime import date, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from litestar.testing import TestClient
from scipy.optimize import minimize

from forecasting.arrays import FloatArray
from models.engine import open_engines
from models.queries import runs
from service.app import create_app
from service.db import write_session
from service.settings import Settings, now
from service.use_cases.import_files import import_files
from service.use_cases.run_forecast import run_forecast

Client = TestClient[Any]
Model = dict[str, Any]

REFERENCE = Path(__file__).parents[1] / "reference" / "valve_seat_nelson1995.csv"
AS_OF = date(2027, 3, 22)
"""What is left of March, April, May and June: exactly 100 days."""


def _engines() -> dict[str, tuple[list[int], int]]:
    """Replacement ages and age at the end of watching, by engine."""
    engines: dict[str, tuple[list[int], int]] = {}
    with REFERENCE.open(newline="") as file:
        for row in csv.DictReader(file):
            failures, _ = engines.get(row["id"], ([], 0))
            age = int(row["time"])
            engines[row["id"]] = ([*failures, age], 0) if row["status"] == "1" else (failures, age)
    return engines


def _files() -> dict[str, BytesIO]:
    """The record as a plant would send it: engines in service, each watched from its installation."""
    valves = ["tag,design,service_class,area,installed_on,records_begin_on"]
    events = ["tag,done_on,action"]
    for name, (failures, end) in _engines().items():
        installed = AS_OF - timedelta(days=end)
        valves.append(f"E{name},engine,diesel seats,engine hall,{installed},{installed}")
        events += [f"E{name},{installed + timedelta(days=age)},rebuild" for age in failures]
    classes = "code,description\ndiesel seats,an engine carries several seats; each replacement renews one of them\n"
    return {
        "valves.csv": BytesIO("\n".join(valves).encode()),
        "events.csv": BytesIO("\n".join(events).encode()),
        "service_classes.csv": BytesIO(classes.encode()),
    }


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory, migrated_file: Path) -> Iterator[Client]:
    """A server on a database with the engines imported and forecast."""
    path = tmp_path_factory.mktemp("seats") / "seats.sqlite"
    path.write_bytes(migrated_file.read_bytes())
    url = f"sqlite:///{path}"
    engines = open_engines(url)
    import_files(engines, _files(), today=AS_OF)
    with write_session(engines) as session:
        run = runs.create_run(session, as_of=AS_OF, requested_at=now(), code_version="test", pid=1)
        run_id = run.id
    run_forecast(engines, run_id=run_id)
    engines.reader.dispose()
    settings = Settings(database_url=url, access="open")
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8000") as client:
        yield client


@pytest.fixture(scope="module")
def model(client: Client) -> Model:
    """The failure-interval model as the service shows it."""
    answer = client.get("/v1/failure-models/diesel%20seats/whole_valve")
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def _gaps() -> tuple[FloatArray, FloatArray]:
    """Lengths of the lives that ended in a replacement, and of those still running."""
    ended, running = [], []
    for failures, end in _engines().values():
        ages = [0, *failures]
        ended += [after - before for before, after in zip(ages, failures, strict=False)]
        running.append(end - ages[-1])
    return np.array(ended, dtype=float), np.array(running, dtype=float)


def _minus_log_likelihood(logs: FloatArray) -> float:
    """Likelihood of log shape and log scale, written out plainly."""
    shape, scale = np.exp(logs)
    ended, running = _gaps()
    exact = ended[ended > 0]
    density = np.log(shape / scale) + (shape - 1) * np.log(exact / scale) - (exact / scale) ** shape
    within_a_day = np.log(1 - np.exp(-((1 / scale) ** shape)))
    return -float(density.sum() - ((running / scale) ** shape).sum() + (ended == 0).sum() * within_a_day)


def _independent_fit() -> tuple[float, float]:
    """Shape and scale by a simplex search."""
    best = minimize(_minus_log_likelihood, [0.0, 6.0], method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12})
    shape, scale = np.exp(best.x)
    return float(shape), float(scale)


def _as_likely_as_the_record_says(rng: np.random.Generator, size: int) -> tuple[FloatArray, FloatArray]:
    """Shapes and scales drawn in proportion to their likelihood, on a grid of 60 by 60; both of shape (size,)."""
    shapes, scales = np.linspace(-0.7, 0.5, 60), np.linspace(5.6, 7.1, 60)
    pairs = np.stack(np.meshgrid(shapes, scales), axis=-1).reshape(-1, 2)
    heights = np.array([-_minus_log_likelihood(pair) for pair in pairs])
    weights = np.exp(heights - heights.max())
    shape, scale = np.exp(pairs[rng.choice(len(pairs), size=size, p=weights / weights.sum())]).T
    return shape, scale


def test_mean_replacements_of_an_engine_are_served_with_robust_limits(model: Model) -> None:
    """Last age at which a seat was replaced: 653 days, 9 engines still watched; computed table, to four digits."""
    curve = model["details"]["mean_cumulative"]
    assert curve["columns"] == ["days_watched", "places", "mean", "lower", "upper"]
    assert curve["points"][0] == [61.0, 41.0, 0.02439, 0.003519, 0.169]
    assert curve["points"][-1] == [653.0, 9.0, 1.543, 1.038, 2.292]
    assert model["details"]["power_law_shape"] == pytest.approx(1.4, abs=5e-4)
    assert model["details"]["groups"] == [], "one area, one design: nothing to compare"


def test_the_record_holds_41_engines_and_48_replacements_over_25363_days(client: Client, model: Model) -> None:
    assert client.get("/v1/runs/latest").json()["counts"]["valves"] == 41
    assert model["failures"] == 48
    assert model["details"]["exposure_days"] == 25363
    assert model["details"]["interval_censored"] == 2, "the two zero-day lives are (0, 1]"
    assert model["lives"] == 48 + 41


def test_the_fit_is_that_of_an_independent_optimiser(model: Model) -> None:
    shape, scale = _independent_fit()
    assert shape == pytest.approx(0.888, abs=5e-4)
    assert scale == pytest.approx(546.6, abs=0.05)
    assert model["mle_shape"] == pytest.approx(shape, rel=2e-6), "6 digits are published"
    assert model["mle_scale_days"] == pytest.approx(scale, rel=2e-6)


def test_its_parameters_lie_within_likelihood_ratio_limits(client: Client, model: Model) -> None:
    one = client.get("/v1/failure-models/diesel%20seats/whole_valve").json()
    intervals = one["details"]["intervals"]
    assert intervals == model["details"]["intervals"]
    assert (intervals["level"], intervals["method"]) == (0.9, "likelihood ratio, small-sample corrected")
    assert intervals["scale_days"]["lower"] < one["mle_scale_days"] < intervals["scale_days"]["upper"]
    assert intervals["shape"]["lower"] < one["mle_shape"] < intervals["shape"]["upper"]
    assert [(at["age_days"], 0 < at["lower"] < at["upper"] < 1) for at in intervals["survival"]] == [
        (365, True),
        (730, True),
        (1826, True),
    ]
    assert (one["interval_level"], one["mle_shape_lower"]) == (0.9, intervals["shape"]["lower"])
    rows = csv.DictReader(client.get("/v1/failure-models?format=csv").text.splitlines())
    assert float(next(rows)["mle_scale_days_upper"]) == intervals["scale_days"]["upper"]
    plot = client.get("/v1/failure-models/diesel%20seats/whole_valve/plot.svg").text
    assert "<polygon" in plot
    assert "pointwise 90 % limits of this class alone" in plot


def test_the_next_100_days_equal_an_independent_simulation(client: Client) -> None:
    """Lifetimes drawn as the record makes them likely, the same one for all seats of a play."""
    months = client.get("/v1/demand?kit=rebuild%20engine&area=&bucket=month").json()["value"][:4]
    assert (months[0]["starts_on"], months[-1]["ends_on"]) == ("2027-03-23", "2027-06-30")
    forecast = sum(month["mean"] for month in months)
    rng = np.random.default_rng(1995)
    _, ages = _gaps()
    plays = 200_000
    shape, scale = (np.repeat(drawn, len(ages)) for drawn in _as_likely_as_the_record_says(rng, plays))
    start = np.tile(ages, plays)
    days = scale * ((start / scale) ** shape + rng.exponential(size=start.size)) ** (1 / shape) - start
    renewals = 0
    while (soon := days <= 100).any():
        days, shape, scale = days[soon], shape[soon], scale[soon]
        renewals += days.size
        days = days + scale * rng.exponential(size=days.size) ** (1 / shape)
    assert forecast == pytest.approx(renewals / plays, rel=0.01)


def test_its_page_says_what_speaks_against_it(model: Model) -> None:
    warnings = " ".join(model["details"]["warnings"])
    assert model["details"]["laplace"] == pytest.approx(2.378693, abs=1e-5), "REFERENCE: own = an open package"
    assert model["details"]["laplace_p"] < 0.05
    assert "over all valves object" in warnings
    assert "an engine carries several seats" in warnings
    assert "2 renewals fell on the day of the one before" in warnings


def test_its_probability_plot_is_served_as_svg(client: Client, model: Model) -> None:
    answer = client.get("/v1/failure-models/diesel%20seats/whole_valve/plot.svg")
    assert (answer.status_code, answer.headers["content-type"].split(";")[0]) == (200, "image/svg+xml")
    assert f"shape {model['shape']:.3g}" in answer.text
    assert answer.text.count("<circle") == len(model["details"]["plot"]["points"]) + 1, "one more in the legend"
