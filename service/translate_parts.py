"""From bills of material and parts on the shelf to what a storeroom can make up itself."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from forecasting.made_up_kits import KitWanted, MadeUp, PartWanted, kits_made_up, parts_wanted
from forecasting.stocking import StockDecision
from service.translate import Records
from service.translate_stock import AskedStock

Key = tuple[str, str]
"""Storeroom and kit."""


@dataclass(frozen=True, kw_only=True)
class FromParts:
    """What parts on the shelf make of a kit, what parts for one cost, and what all kits take of each part."""

    made: MadeUp
    parts_cost: Decimal | None
    parts: tuple[PartWanted, ...]


def _bills(records: Records) -> dict[str, dict[str, int]]:
    """Parts of each kit."""
    bills: dict[str, dict[str, int]] = defaultdict(dict)
    for line in records.kit_parts:
        bills[line.kit][line.part] = line.qty or 1
    return dict(bills)


def from_parts(
    records: Records, asked: Sequence[AskedStock], decisions: Mapping[Key, StockDecision]
) -> dict[Key, FromParts]:
    """Say what each storeroom can make up from parts: those that run out soonest first, parts in one pool.

    Parameters
    ----------
    records : Records
        As imported; parts are stocked under their own codes in stock.csv.
    asked : sequence of AskedStock
        What was asked.
    decisions : mapping from (storeroom, kit) to StockDecision
        What is proposed.

    Returns
    -------
    dict from (storeroom, kit) to FromParts
        Where a part of the kit is stocked at all.
    """
    bills, price = _bills(records), {part.code: part.unit_cost for part in records.parts}
    shelf: dict[str, dict[str, int]] = defaultdict(dict)
    for row in records.stock:
        if row.kit in price:
            shelf[row.storeroom][row.kit] = row.on_hand
    wanted: dict[str, list[tuple[float, KitWanted]]] = defaultdict(list)
    for one in asked:
        room, kit = one.question.storeroom, one.question.kit
        bill, decision = bills.get(kit), decisions.get((room, kit))
        if bill and decision is not None and not shelf[room].keys().isdisjoint(bill):
            risk = -decision.short_if_ordered_today
            wanted[room].append((risk, KitWanted(kit=kit, qty=decision.proposed, parts=bill)))
    found = {}
    for room, kits in wanted.items():
        ordered = [kit for _, kit in sorted(kits, key=lambda pair: (pair[0], pair[1].kit))]
        pool = parts_wanted(ordered, on_hand=shelf[room])
        for code, made in kits_made_up(ordered, on_hand=shelf[room]).items():
            parts = tuple(pool[part] for part in sorted(bills[code]))
            found[room, code] = FromParts(made=made, parts_cost=_cost(bills[code], price), parts=parts)
    return found


def _cost(bill: Mapping[str, int], price: Mapping[str, Decimal | None]) -> Decimal | None:
    each = [(price.get(part), number) for part, number in bill.items()]
    if any(cost is None for cost, _ in each):
        return None
    return sum((cost * number for cost, number in each if cost is not None), Decimal(0))


def _reason(found: FromParts, proposed: int) -> str:
    """Say what of an order parts on the shelf make up, or which part stops that."""
    number, parts = min(found.made.pooled, proposed), " and ".join(found.made.short)
    if number == proposed:
        return f"all {number} can be made up from parts on the shelf"
    if number:
        told = f"{number} of them can be made up from parts on the shelf, then {parts} {_be(found)} short"
    else:
        told = f"none can be made up from parts: {parts} {_be(found)} short"
    return "; ".join([told, *_shared(found)])


def _shared(found: FromParts) -> list[str]:
    """Say how many of a short part are missing where kits that are to be ordered share it."""
    return [
        f"{one.short} {one.part} more would make up all of {' and '.join(one.kits)}"
        for one in found.parts
        if one.part in found.made.short and one.short and len(one.kits) > 1
    ]


def _be(found: FromParts) -> str:
    return "is" if len(found.made.short) == 1 else "are"


def with_parts(row: dict[str, object], found: FromParts | None) -> dict[str, object]:
    """Say in the row of a reorder point what parts on the shelf make of its kit.

    Parameters
    ----------
    row : dict
        Columns of run_reorder_points.
    found : FromParts or None
        None: no part of it is stocked.

    Returns
    -------
    dict
        The same, with its details, and its reason where there is something to order.
    """
    if found is None:
        return row
    details, proposed = row["details"], row["proposed_quantity"]
    told = {
        "made_up_qty": found.made.pooled,
        "made_up_alone_qty": found.made.alone,
        "made_up_short_of": list(found.made.short),
        "parts_cost": None if found.parts_cost is None else str(found.parts_cost),
        "parts": [
            {"part": one.part, "on_hand": one.on_hand, "wanted": one.wanted, "short": one.short, "kits": list(one.kits)}
            for one in found.parts
        ],
    }
    reason = f"{row['reason']}; {_reason(found, proposed)}" if isinstance(proposed, int) and proposed else row["reason"]
    return row | {"reason": reason, "details": (details if isinstance(details, dict) else {}) | told}
