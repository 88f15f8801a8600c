"""What a run costs, stage by stage: seconds on the clock and of the processor, and the most memory up to its end."""

import resource
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = ["RunProfile", "StageCost"]

BYTES_PER_UNIT = 1 if sys.platform == "darwin" else 1024
MEBIBYTE = 1024 * 1024


@dataclass(frozen=True, kw_only=True)
class StageCost:
    """What one stage cost.

    `peak_mib` is the most memory the process ever had, up to the stage's end.
    """

    stage: str
    seconds: float
    cpu_seconds: float
    peak_mib: float


@dataclass(kw_only=True)
class RunProfile:
    """Measures while a run tells which stage begins."""

    stages: list[StageCost] = field(default_factory=list)
    _running: tuple[str, float, float] | None = None

    def enter(self, stage: str | None) -> None:
        """End the stage that runs; begin this one.

        Parameters
        ----------
        stage : str or None
            None: the run is over.
        """
        clock, cpu = time.perf_counter(), time.process_time()
        if self._running is not None:
            name, began, cpu_began = self._running
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * BYTES_PER_UNIT / MEBIBYTE
            cost = StageCost(
                stage=name,
                seconds=round(clock - began, 3),
                cpu_seconds=round(cpu - cpu_began, 3),
                peak_mib=round(peak, 1),
            )
            self.stages.append(cost)
        self._running = None if stage is None else (stage, clock, cpu)

    def lines(self) -> Sequence[tuple[str, str, str, str]]:
        """Lay out a line for each stage and one for all.

        Returns
        -------
        sequence of (stage, seconds, processor seconds, MiB)
            As text.
        """
        every = [(one.stage, one.seconds, one.cpu_seconds, one.peak_mib) for one in self.stages]
        whole = (
            "all",
            sum(one.seconds for one in self.stages),
            sum(one.cpu_seconds for one in self.stages),
            max((one.peak_mib for one in self.stages), default=0.0),
        )
        return [(stage, f"{seconds:.2f}", f"{cpu:.2f}", f"{peak:.0f}") for stage, seconds, cpu, peak in (*every, whole)]
