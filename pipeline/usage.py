"""What the process of one clip used: when each stage began, and the most memory. Left in files, so that a crash loses
no more than the last second.
"""

from __future__ import annotations

import sys
import time
from contextlib import suppress
from pathlib import Path

from pipeline.store import write_text

# Own choice: often enough for a process that is killed, seldom enough to cost nothing beside a frame. [s]
EVERY_S = 1.0
STAGES, MEMORY = "stages", "memory"


def peak_memory_bytes() -> int:
    """The most memory that this process had in use so far; 0 where the system does not tell. [bytes]"""
    try:
        # Of this program alone: what getrusage tells on Linux includes the parent from before the start.
        for line in Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    try:
        import resource
    except ImportError:
        return 0
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return most if sys.platform == "darwin" else most * 1024


class Usage:
    """The side of the process at work."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stage = ""
        self.next_s = 0.0

    def told(self, stage: str) -> None:
        """Note a new stage at once, and the memory now and then."""
        now_s = time.monotonic()
        if stage != self.stage:
            self.stage = stage
            with (self.folder / STAGES).open("a", encoding="utf-8") as file:
                file.write(f"{now_s:.3f} {stage}\n")
        if now_s >= self.next_s:
            self.next_s = now_s + EVERY_S
            self.ended()

    def ended(self) -> None:
        """Note the memory; a full disk is met, and told, where the result is written."""
        with suppress(OSError):
            write_text(self.folder / MEMORY, f"{peak_memory_bytes()}\n")


def read_usage(folder: Path, started_s: float, ended_s: float) -> tuple[tuple[tuple[str, float], ...], int]:
    """What a process left: each stage with its seconds in order, `start` first, and the most memory. [bytes]

    Parameters
    ----------
    folder : Path
        The folder of `Usage`.
    started_s, ended_s : float
        When the process was started and ended, by `time.monotonic`, which is the same in all processes. [s]
    """
    marks = [(started_s, "start")]
    try:
        for line in (folder / STAGES).read_text(encoding="utf-8").splitlines():
            at_s, _, stage = line.partition(" ")
            marks.append((float(at_s), stage))
    except (OSError, ValueError):
        pass
    ends = [at_s for at_s, _ in marks[1:]] + [ended_s]
    stages = tuple((stage, round(max(0.0, end - at_s), 2)) for (at_s, stage), end in zip(marks, ends, strict=True))
    try:
        return stages, int((folder / MEMORY).read_text(encoding="ascii"))
    except (OSError, ValueError):
        return stages, 0
