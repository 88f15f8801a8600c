"""Plans of turnarounds as runs store them: one JSON document, compressed."""

import zlib

import msgspec

from service.schemas.turnarounds import TurnaroundPlan


def packed_plan(plan: TurnaroundPlan) -> bytes:
    """Pack a plan for storage."""
    return zlib.compress(msgspec.json.encode(plan))


def unpacked_plan(content: bytes) -> TurnaroundPlan:
    """Read a stored plan."""
    return msgspec.json.decode(zlib.decompress(content), type=TurnaroundPlan)
