"""What a run costs by stage."""

from service.run_profile import RunProfile


def test_each_stage_has_its_seconds_and_the_memory_so_far() -> None:
    profile = RunProfile()
    profile.enter("reading")
    held = bytearray(64 * 1024 * 1024)
    held[::4096] = b"x" * len(held[::4096])
    profile.enter("storing")
    profile.enter(None)
    profile.enter(None)
    reading, storing = profile.stages
    assert [reading.stage, storing.stage] == ["reading", "storing"]
    assert reading.seconds >= storing.seconds >= 0.0
    assert storing.peak_mib >= reading.peak_mib >= 64.0
    told = profile.lines()
    assert [line[0] for line in told] == ["reading", "storing", "all"]
    assert float(told[-1][1]) == round(reading.seconds + storing.seconds, 2)
