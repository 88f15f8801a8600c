"""What kits will cost outside turnarounds, as it leaves; the order of the fields is that of the CSV columns."""

from datetime import date
from decimal import Decimal

from msgspec import UNSET, Struct, UnsetType

from service.schemas.results import Details


class SpendOut(Struct, kw_only=True):
    """Spending of an area on kits in a period, both dates inclusive; area '' is the whole plant.

    Quantiles don't add: those of a year, of the plant and of the total are of distributions of their own.
    """

    area: str
    starts_on: date
    ends_on: date
    kind: str
    mean: Decimal
    p10: Decimal
    p50: Decimal
    p80: Decimal
    p90: Decimal
    bucket: str
    kits_without_price: str
    status: str
    reason: str | None
    method: str
    details: Details
    notice: str | UnsetType = UNSET
