"""What renewals to come take beside what was said of them: coverage, and what the worths of the prior are worth.

`make study` prints the figures in DEVELOPERS.md. Worths were chosen on seeds 0 to 39; coverage is of seeds 2,000 to
2,019, in order, which no choice had seen.
"""

from itertools import product

import numpy as np
from scipy.special import betaln, gammaln

from forecasting.arrays import FloatArray, IntArray
from forecasting.kit_attribution import Bill, Kind, RenewalSeen
from forecasting.kits_per_renewal import kits_per_renewal

ONE: Bill = (("P", 1),)
TWO: Bill = (("P", 2),)
DESIGNS, CLASSES, AHEAD = 80, 3, 20
SIZES = (3, 10, 30)
CHOSEN_ON, TESTED_ON = range(40), range(2000, 2020)
FLOOR = 0.001
"""Share of an even spread mixed in before the log score, as what was never seen of a design has no chance."""


def departing(rng: np.random.Generator, *, never: float) -> FloatArray:
    """Chances of two kits, shape (designs, classes): Beta(1, 6) a design, classes spread by 0.5 in log odds."""
    design = rng.beta(1.0, 6.0, size=DESIGNS)
    odds = np.log(design / (1.0 - design))[:, None] + rng.normal(0.0, 0.5, size=(DESIGNS, CLASSES))
    return np.where(rng.random(DESIGNS)[:, None] < never, 0.0, 1.0 / (1.0 + np.exp(-odds)))


def chances(first: FloatArray, second: FloatArray) -> FloatArray:
    """Beta-binomial chances of 0 .. 20 twos, shape (..., 21); none has a chance where `first` is 0."""
    k = np.arange(AHEAD + 1)
    some = np.maximum(first, 1e-9)[..., None]
    choose = gammaln(AHEAD + 1) - gammaln(k + 1) - gammaln(AHEAD - k + 1)
    pmf = np.exp(choose + betaln(some + k, second[..., None] + AHEAD - k) - betaln(some, second[..., None]))
    return np.asarray(np.where(first[..., None] > 0.0, pmf, k == 0))


def weights(twos: IntArray, of: IntArray, worths: tuple[float, float, float]) -> tuple[FloatArray, FloatArray]:
    """Weights of two kits and of one by the rule of `kits_per_renewal`, all classes at once, at other worths."""
    stated, other, most = worths
    elsewhere, ever = twos.sum(axis=1, keepdims=True) - twos, twos.sum(axis=1, keepdims=True) > 0
    two = np.where(ever, other, 0.0) + elsewhere
    one = stated + (of.sum(axis=1, keepdims=True) - of) - elsewhere
    limited = np.minimum(1.0, most / (one + two))
    return two * limited + twos, one * limited + of - twos


def log_score(size: int, worths: tuple[float, float, float]) -> float:
    """Mean log score of what 20 renewals to come take."""
    scores = []
    for seed in CHOSEN_ON:
        rng = np.random.default_rng(seed)
        chance = departing(rng, never=0.4)
        of = rng.poisson(size, size=chance.shape)
        twos, ahead = rng.binomial(of, chance), rng.binomial(AHEAD, chance)
        pmf = (1.0 - FLOOR) * chances(*weights(twos, of, worths)) + FLOOR / (AHEAD + 1)
        scores.append(np.log(np.take_along_axis(pmf, ahead[..., None], -1)).mean())
    return float(np.mean(scores))


def seen(kits: Bill, times: int, service_class: str) -> list[RenewalSeen]:
    """So many renewals alike."""
    one = RenewalSeen(design="D", item="packing", service_class=service_class, kind=Kind.PLANNED, found=None, kits=kits)
    return [one] * times


def covered(size: int, seed: int) -> list[float]:
    """Share of each outcome's chance between 5 and 95 %, class by class, on designs seen to depart."""
    rng = np.random.default_rng(seed)
    chance = departing(rng, never=0.0)
    twos, ahead = rng.binomial(size, chance), rng.binomial(AHEAD, chance)
    inside = []
    for number in np.flatnonzero(twos.sum(axis=1)):
        record = [
            one
            for place, count in enumerate(twos[number].tolist())
            for one in (*seen(TWO, count, str(place)), *seen(ONE, size - count, str(place)))
        ]
        for place in range(CLASSES):
            found = kits_per_renewal(record, stated=ONE, labels=[str(place)]).weights
            pmf = chances(found[1], found[0])
            above, own = pmf.cumsum()[ahead[number, place]], pmf[ahead[number, place]]
            inside.append(float(max(min(above, 0.95) - max(above - own, 0.05), 0.0) / own))
    return inside


def main() -> None:
    """Print both."""
    print("| stated, other outcomes, others at most | " + " | ".join(f"{size} renewals a class" for size in SIZES), "|")
    for worths in product((1.0, 2.0, 4.0), (0.0, 0.25, 0.5), (3.0, 5.0, 10.0, 20.0)):
        cells = " | ".join(f"{log_score(size, worths):.4f}" for size in SIZES)
        print(f"| {', '.join(f'{worth:g}' for worth in worths)} | {cells} |", flush=True)
    for size in SIZES:
        inside = [np.array(covered(size, seed)) for seed in TESTED_ON]
        seeds = [one.mean() for one in inside]
        whole = np.concatenate(inside)
        print(
            f"{size} renewals a class: {whole.mean():.1%} of {len(whole)} between 5 and 95 %; "
            f"seeds {min(seeds):.1%} to {max(seeds):.1%}",
            flush=True,
        )


if __name__ == "__main__":
    main()
