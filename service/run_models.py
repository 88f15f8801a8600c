"""The models of a finished run, fitted again from what it read."""

from collections.abc import Iterable

from forecasting.families import Family
from forecasting.family_choice import FamilyChoice
from forecasting.pipeline import Standing
from forecasting.pooling import InUse, lifetimes_in_use, lifetimes_of_families
from models.runs import RunFailureModel


def fitted_again(stand: Standing, models: Iterable[RunFailureModel]) -> tuple[InUse, ...]:
    """Fit what a run read as the run did, in the families it chose.

    Parameters
    ----------
    stand : Standing
        Of what it read.
    models : iterable of RunFailureModel
        As it stored them: they name the families, so that choosing them, four fifths of the work, isn't done again.

    Returns
    -------
    tuple of InUse
        Those of the run, to the last digit, if the program is the same.
    """
    choices = {
        model.maintainable_item: FamilyChoice(
            family=Family(model.family), failures=model.failures, runner_up=None, difference=None
        )
        for model in models
        if model.family is not None
    }
    items = {item for _, item in stand.fleet.lives.samples}
    if not items <= choices.keys():
        return lifetimes_in_use(stand.fleet.lives, wanted=stand.samples)
    return lifetimes_of_families(stand.fleet.lives, wanted=stand.samples, choices=choices)
