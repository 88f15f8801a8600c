"""From the renewals of the record to what a failure model tells of the kits they take."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from forecasting.kit_attribution import RenewalSeen
from forecasting.kits_per_renewal import KitChances, kits_per_renewal
from forecasting.plants import DesignItem, Plant

Row = dict[str, object]
Sample = tuple[str, str]
Labels = tuple[str, ...]
CONFIDENCE = 0.9


@dataclass(frozen=True, kw_only=True)
class KitsTold:
    """What is stored of the kits that renewals of one class and item take, and what its reader is warned of."""

    rows: tuple[Row, ...]
    warnings: tuple[str, ...]


NOTHING_TOLD = KitsTold(rows=(), warnings=())


def _digits(value: float) -> float:
    return float(f"{value:.4g}")


def _rows(chances: KitChances, design: str, labels: Labels) -> Iterator[Row]:
    """Each kit and number of it that a renewal may take."""
    told = (*labels[1:], None, None)
    for kit in chances.kits:
        weights, limits = chances.weights @ chances.taking(kit), chances.limits(kit, confidence=CONFIDENCE)
        for qty, weight in enumerate(weights):
            if weight > 0.0:
                yield {
                    "design": design,
                    "reason": told[0],
                    "as_found": told[1],
                    "kit": kit,
                    "qty": qty,
                    "probability": _digits(weight / weights.sum()),
                    "low": _digits(limits[qty, 0]),
                    "high": _digits(limits[qty, 1]),
                    "renewals": int(chances.seen.sum()),
                    "prior_share": _digits(chances.prior_share),
                }


def _labels(alike: Sequence[RenewalSeen], service_class: str) -> list[Labels]:
    """Circumstances in which renewals of a class were seen; the class itself first."""
    seen = {
        labels
        for one in alike
        if one.service_class == service_class
        for labels in (
            (service_class, one.kind.value),
            *(() if one.found is None else ((service_class, one.kind.value, one.found.value),)),
        )
    }
    return [(service_class,), *sorted(seen)]


def _warning(need: DesignItem, design: str, chances: KitChances) -> str:
    """Say that a class doesn't always take what the design states."""
    others, renewals = int(chances.seen[1:].sum()), int(chances.seen.sum())
    said = f"{others} of {renewals} renewals whose kits are known took something else than {need.qty} {need.kit}"
    return f"On design {design} {said}: see kits_per_renewal."


def _of_design(alike: Sequence[RenewalSeen], need: DesignItem, design: str, service_class: str) -> KitsTold:
    """One design of a class; where nothing departs from what it states, one row says so."""
    stated = ((need.kit, need.qty),)
    whole = kits_per_renewal(alike, stated=stated, labels=[service_class])
    told = _labels(alike, service_class) if whole.departs else [(service_class,)]
    rows = tuple(
        row for labels in told for row in _rows(kits_per_renewal(alike, stated=stated, labels=labels), design, labels)
    )
    return KitsTold(rows=rows, warnings=(_warning(need, design, whole),) if whole.seen[1:].any() else ())


def kits_told(plant: Plant) -> Mapping[Sample, KitsTold]:
    """Estimate what the renewals of each class and item take, design by design.

    Parameters
    ----------
    plant : Plant
        What a run reads.

    Returns
    -------
    mapping from (service class, item) to KitsTold
        Classes that valves are in now.
    """
    seen: dict[tuple[str, str], list[RenewalSeen]] = defaultdict(list)
    for one in plant.renewals:
        seen[one.design, one.item].append(one)
    told: dict[Sample, list[KitsTold]] = defaultdict(list)
    for service_class, design in sorted({(one.service_class, plant.designs[one.valve]) for one in plant.histories}):
        for need in plant.design_items[design]:
            alike = seen[design, need.item]
            told[service_class, need.item].append(_of_design(alike, need, design, service_class))
    return {
        sample: KitsTold(
            rows=tuple(row for one in parts for row in one.rows),
            warnings=tuple(warning for one in parts for warning in one.warnings),
        )
        for sample, parts in told.items()
    }
