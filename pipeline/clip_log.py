"""The log of one clip in a run: what was done to it, how long it took, and what its process printed.

It lies in the run's folder, since a clip's own folder is the same to the byte whichever run made it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from pipeline.isolate import Outcome
from pipeline.places import make_private_folder
from pipeline.stage_record import told
from pipeline.store import now_text, write_text

FOLDER = "clips"


@dataclass(slots=True)
class ClipLog:
    """The log of a clip whose process has started; written at each stage, so that a killed run leaves it too."""

    path: Path
    clip: str
    started: str = field(default_factory=now_text)
    stages: list[str] = field(default_factory=list)

    def stage(self, stage: str) -> None:
        """Note that a stage has begun."""
        self.stages.append(f"{now_text()} {stage}")
        self._write(self.stages)

    def end(self, outcome: Outcome) -> None:
        """Write the whole log; stages that were taken over from an earlier run say since when, repaired ones why."""
        lines = [f"{seconds:9.2f} s  {stage}" for stage, seconds in outcome.stages]
        lines += [text for end in outcome.value or () if (text := told(end))]
        failure = outcome.failure
        ended = f"failed in the stage {failure.stage!r}" if failure else "done"
        lines.append(f"{now_text()} {ended} after {outcome.seconds:.1f} s")
        if failure is not None:
            lines += [failure.message, *failure.traceback.rstrip().splitlines()]
        memory = f"{outcome.peak_bytes / 1e6:.0f} MB" if outcome.peak_bytes else "not known"
        lines.append(f"most memory: {memory}")
        if outcome.output.strip():
            lines += ["printed:", outcome.output.rstrip()]
        self._write(lines)

    def _write(self, lines: list[str]) -> None:
        if not self.path.parent.is_dir():
            make_private_folder(self.path.parent)
        text = "\n".join([f"{self.started} {self.clip} started", *lines])
        write_text(self.path, f"{text}\n", private=True)
