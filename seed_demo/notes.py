"""What the technicians of the invented plant write: failure modes in their words, and short notes."""

FAILURE_MODES = {
    "packing": ("stem leak", "stem sticks"),
    "trim": ("passing when shut", "hunting", "noisy", "short of flow"),
    "actuator": ("air leak", "slow stroke", "fails to stroke"),
}

_PACKING_FAILED = (
    "weeping at the stem, gland at its stop",
    "gland followed up twice since spring, no more travel",
    "stem leak on the leak round; repacked, stem polished",
    "dripping on the platform",
    "packing hard as wood, came out in bits",
    "smell at the gland, repacked on the run",
)
_TRIM_FAILED = (
    "passing full with the signal at zero",
    "seat cut through at six o'clock, plug nose gone",
    "loop hunting for weeks; cage washed out",
    "screaming since Sunday, trim pitted all round",
    "downstream pressure creeping; seat wire drawn",
    "plug stem bent, guide worn oval",
)
_ACTUATOR_FAILED = (
    "diaphragm split at the bead",
    "blowing from the vent, seals flat",
    "sticks half way, piston ring broken",
    "slow to open; stem seal leaking air",
    "does not reach the top stop on full air",
)
NOTES = {  # (item that ended, reason of the work)
    ("packing", "failure"): _PACKING_FAILED,
    ("packing", "condition"): ("packing thin, renewed before it leaks", "gland nearly at stop, repacked"),
    ("trim", "failure"): _TRIM_FAILED,
    ("trim", "condition"): (
        "seat beyond skimming, trim changed",
        "edges gone on plug and cage, renewed",
        "would not have lasted to the next shutdown",
    ),
    ("actuator", "failure"): _ACTUATOR_FAILED,
    ("actuator", "condition"): ("diaphragm cracked on the fold, changed", "seals glazed, changed"),
}
PLANNED_NOTES = (
    "as listed, nothing to report",
    "done by the list",
    "changed on date; old parts still fair",
    "opened as planned, body cleaned",
    "stroke and seat test good after",
)
INSPECT_NOTES = ("stroked full, ok", "looked at gland and stroke", "seat test passed", "see sheet")
