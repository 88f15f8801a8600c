"""Demand in any days up to the horizon: as the run stored it, else computed on request; and why it is what it is."""

from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import date, timedelta

import msgspec
from msgspec import UNSET, structs

from forecasting.errors import InvalidInput
from models.base import NotFound, Session
from models.engine import Engines
from models.queries import results, run_inputs
from models.queries.results import DemandFilter, Whose
from models.runs import Run, RunFailureModel
from service.db import read_session
from service.listings import Listing, Part, listing_of
from service.schemas.results import DemandOut, Page, from_row, published
from service.schemas.why import WhyModelOut
from service.schemas.windows import DemandWhyOut, ValvePart, WindowAnswer, WindowQuestion
from service.use_cases.choose_run import choose_run, method_of, notice

Ask = Callable[[WindowQuestion], WindowAnswer]
BUCKET = "window"
VALVES_NAMED = 200
LOOK_DAYS = 365
MODELS_READ = 100_000


def whose(area: str | None, storeroom: str | None, service_class: str | None) -> Whose:
    """Find out whose demand is asked for.

    Parameters
    ----------
    area, storeroom, service_class : str or None
        At most one of them.

    Returns
    -------
    Whose
        The whole plant's if none is named.

    Raises
    ------
    InvalidInput
        If several are: demand is kept by one of them at a time.
    """
    asked = {"area": area, "storeroom": storeroom, "service_class": service_class}
    named = {word: code for word, code in asked.items() if code}
    if len(named) > 1:
        raise InvalidInput(f"demand is given by one of area, storeroom and service_class, got {', '.join(named)}")
    return Whose(**named)


def is_window(bucket: str | None, wanted: DemandFilter) -> bool:
    """Say whether the demand in exactly the days named is asked for, not that in periods within them."""
    complete = wanted.kit is not None and wanted.starts_on is not None and wanted.ends_on is not None
    return bucket == BUCKET or (bucket is None and complete)


def without_probabilities(listing: Listing[DemandOut]) -> Listing[DemandOut]:
    """Leave out the probability of each number."""

    def read(after: int, limit: int) -> Part[DemandOut]:
        part = listing.read(after, limit)
        return replace(part, rows=[structs.replace(row, probabilities=UNSET) for row in part.rows])

    return replace(listing, read=read)


def list_demand_window(engines: Engines, ask: Ask, *, run_id: int | None, wanted: DemandFilter) -> Listing[DemandOut]:
    """Give the demand in exactly these days, with the probability of each number.

    Parameters
    ----------
    engines : Engines
        The database.
    ask : callable
        Computes what the run didn't store.
    run_id : int or None
        Which run; None is the latest finished.
    wanted : DemandFilter
        Of which kit, whose, and in which days.

    Returns
    -------
    Listing
        One row.

    Raises
    ------
    InvalidInput
        If kit or days are missing, or the run doesn't forecast these days.
    NotFound
        If the run forecasts no such kit there, or what it read is no longer kept.
    """  # noqa: DOC502 (NotFound comes from below)
    kit, starts_on, ends_on = wanted.kit, wanted.starts_on, wanted.ends_on
    if kit is None or starts_on is None or ends_on is None:
        raise InvalidInput("a window is of one kit and from one day to another: give kit, starts_on and ends_on")
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        _check_days(run, starts_on, ends_on)
        stored = results.demand_of_days(session, run.id, wanted.whose, kit=kit, starts_on=starts_on, ends_on=ends_on)
        if stored is None:
            run_inputs.run_input(session, run)
        said = notice(session)
    if stored is not None:
        row = from_row(DemandOut, stored, method=method_of(run, stored.details))
    else:
        question = WindowQuestion(run=run.id, kit=kit, starts_on=starts_on, ends_on=ends_on, **asdict(wanted.whose))
        row = _computed(run, question, ask(question))
    top = Page[DemandOut](value=(), run=run.id, as_of=run.as_of, method=run.method or UNSET, notice=said)
    return Listing(shape=DemandOut, read=listing_of(DemandOut, [row]).read, top=top)


def explain_demand(
    engines: Engines,
    ask: Ask,
    *,
    run_id: int | None,
    kit: str,
    whose: Whose,
    starts_on: date | None,
    ends_on: date | None,
) -> DemandWhyOut:
    """Say why a demand is what it is.

    Parameters
    ----------
    engines : Engines
        The database.
    ask : callable
        Computes the answer.
    run_id : int or None
        Which run; None is the latest finished.
    kit : str
        Its code.
    whose : Whose
        Of which part of the plant.
    starts_on, ends_on : date or None
        Both inclusive; None: from the day after the run's data cut-off, for a year from then.

    Returns
    -------
    DemandWhyOut
        A sentence, the valves that may take the kit, those that take most first, and the models behind them.

    Raises
    ------
    InvalidInput
        If the run doesn't forecast these days.
    NotFound
        If the run forecasts no such kit there, or what it read is no longer kept.
    """  # noqa: DOC502 (both come from below)
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        first, last = starts_on or run.as_of + timedelta(days=1), ends_on or run.as_of + timedelta(days=LOOK_DAYS)
        _check_days(run, first, last)
        results.demand_of_days(session, run.id, whose, kit=kit, starts_on=first, ends_on=last)
        run_inputs.run_input(session, run)
        said = notice(session)
    question = WindowQuestion(run=run.id, kit=kit, starts_on=first, ends_on=last, **asdict(whose))
    answer = ask(question)
    row, parts = _computed(run, question, answer), [_published(part) for part in answer.valves]
    with read_session(engines) as session:
        models = _models(session, run, answer)
    return from_row(
        DemandWhyOut,
        row,
        sentence=" ".join(_sentences(row, parts)),
        valves=parts[:VALVES_NAMED],
        valves_left_out=len(parts[VALVES_NAMED:]),
        expected_of_valves_left_out=sum(part.expected for part in answer.valves[VALVES_NAMED:]),
        models=[from_row(WhyModelOut, model) for model in models],
        run=run.id,
        as_of=run.as_of,
        notice=said,
    )


def _check_days(run: Run, starts_on: date, ends_on: date) -> None:
    """Refuse days that a run doesn't forecast."""  # noqa: DOC501 (said by the callers)
    last = run.horizon_ends_on or run.as_of
    if ends_on < starts_on:
        raise InvalidInput(f"ends_on, {ends_on}, lies before starts_on, {starts_on}")
    if starts_on <= run.as_of:
        raise InvalidInput(f"starts_on is {starts_on}; expected a day after the run's data cut-off, {run.as_of}")
    if ends_on > last:
        raise InvalidInput(f"ends_on is {ends_on}; expected a day up to the end of the run's 24 months, {last}")


def _computed(run: Run, question: WindowQuestion, answer: WindowAnswer) -> DemandOut:
    """Shape what was computed like what is stored."""  # noqa: DOC501 (said by the callers)
    if answer.demand is None:
        raise NotFound(f"run {run.id} forecasts no demand for kit {question.kit}: {answer.missing}")
    asked = {name: getattr(question, name) for name in ("starts_on", "ends_on", "area", "storeroom", "service_class")}
    fields = {**asked, **answer.demand, "bucket": BUCKET, "method": run.method}
    return msgspec.convert(published(fields), DemandOut)


def _published(part: ValvePart) -> ValvePart:
    return msgspec.convert(published(structs.asdict(part)), ValvePart)


def _models(session: Session, run: Run, answer: WindowAnswer) -> list[RunFailureModel]:
    taking = {(part.service_class, item) for part in answer.valves for item in part.maintainable_item.split("|")}
    every = results.failure_models(session, run.id, service_class=None, after=0, limit=MODELS_READ)
    return [model for model in every if (model.service_class, model.maintainable_item) in taking]


def _sentences(row: DemandOut, parts: list[ValvePart]) -> list[str]:
    where = next((f"{word} {code}" for word, code in _place(row) if code), "the whole plant")
    said = [
        f"From {row.starts_on} to {row.ends_on}, {row.mean:.3g} of kit {row.kit} are expected to be needed in {where}; "
        f"{row.p90} suffice with a chance of 90%."
    ]
    if not parts:
        return [*said, "No valve says when; this is what was issued in the past."]
    valves, first = len({part.tag for part in parts}), parts[0]
    kinds = (
        ("by failures or wear", row.unplanned_mean),
        ("by plan", row.planned_mean),
        ("at turnarounds", row.turnaround_mean),
    )
    split = ", ".join(f"{mean:.3g} {name}" for name, mean in kinds if mean)
    said.append(f"{split}, by {valves} {'valve' if valves == 1 else 'valves'}." if split else "None is expected.")
    aged = "of unknown age" if first.age_days is None else f"{first.age_days:.0f} days old"
    said.append(
        f"Most likely {first.tag}: its {first.maintainable_item.replace('|', ' and ')}, {aged}, "
        f"takes the kit with a chance of {first.chance:.0%}."
    )
    return said


def _place(row: DemandOut) -> tuple[tuple[str, str], ...]:
    return ("area", row.area), ("storeroom", row.storeroom), ("service class", row.service_class)
