"""What renewing an item of each design takes at the invented plant, planned and after a failure, besides its kits."""

from decimal import Decimal

from seed_demo.kits import DESIGNS, FITS
from seed_demo.plant import ITEMS
from seed_demo.record import HOURLY_RATE, HOURS
from seed_demo.tables import Row

_SIZE = {"Class 150": "1.0", "Class 300": "1.2", "Class 600": "1.4", "Class 900": "1.6", "Class 1500": "1.8"}
_OPENING_HOURS = {"packing": "2.0", "trim": "6.0", "actuator": "1.5"}
_TEST_STAND = {"packing": "0.00", "trim": "240.00", "actuator": "60.00"}
_CALLED_OUT = Decimal("1.4")  # what work costs when it can't wait
_LOST = {  # what the plant makes less while the valve is out, by rating
    "Class 150": "700.00",
    "Class 300": "2600.00",
    "Class 600": "5400.00",
    "Class 900": "6200.00",
    "Class 1500": "12500.00",
}
_LOST_SHARE = {"packing": "0.25", "trim": "1.0", "actuator": "0.6"}


def rebuild_cost_rows() -> list[Row]:
    """Return design, item, planned hours and cost, unplanned cost, opening hours; neither cost has the kits in it."""
    return [_row(design.code, design.rating, item) for design in DESIGNS if design.code in FITS for item in ITEMS]


def _row(design: str, rating: str, item: str) -> Row:
    size = Decimal(_SIZE[rating])
    hours = round(Decimal(HOURS[item]) * size, 1)
    planned = hours * HOURLY_RATE + Decimal(_TEST_STAND[item])
    unplanned = planned * _CALLED_OUT + Decimal(_LOST[rating]) * Decimal(_LOST_SHARE[item])
    opening = round(Decimal(_OPENING_HOURS[item]) * size, 1)
    return (design, item, str(hours), f"{planned:.2f}", f"{unplanned:.2f}", str(opening))
