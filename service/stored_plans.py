"""Plans of turnarounds as runs store them: one JSON document, compressed."""

import zlib

import msgspec

from service.schemas.turnarounds import PlannedKits, TurnaroundPlan


def packed_plan(plan: TurnaroundPlan) -> bytes:
    """Pack a plan for storage."""
    return zlib.compress(msgspec.json.encode(plan))


def unpacked_plan(content: bytes) -> TurnaroundPlan:
    """Read a stored plan."""
    return msgspec.json.decode(zlib.decompress(content), type=TurnaroundPlan)


def unpacked_kits(content: bytes) -> PlannedKits:
    """Read the kits alone of a stored plan."""
    return msgspec.json.decode(zlib.decompress(content), type=PlannedKits)
