"""What two results folders of one study must share to the byte, whatever happened to the runs on the way."""

from __future__ import annotations

import json
import re
from pathlib import Path

# Of each run alone: its id and the time. A PDF holds them compressed, and the study's page lists the runs.
OF_A_RUN = re.compile(rb"\d{8}T\d{6}Z(_[0-9a-f]{6})?|\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z")
LEFT_OUT = {"record.json", "visit.pdf", "track.pdf"}


def comparable(results: Path) -> dict[str, bytes]:
    """Content of every file of persons, visits and clips by its place, without what belongs to a run alone."""
    return {path.relative_to(results).as_posix(): comparable_content(path) for path in comparable_files(results)}


def comparable_files(results: Path) -> list[Path]:
    """The files whose content does not depend on which run made them."""
    return sorted(path for path in results.glob("sub-*/**/*") if path.is_file() and path.name not in LEFT_OUT)


def comparable_content(path: Path) -> bytes:
    """A file's bytes; of a visit's record without the run, of pages without its id and times."""
    content = path.read_bytes()
    if path.name == "visit.json":
        saved = json.loads(content)
        del saved["run"]
        for clip in saved["clips"]:
            for name in ("seconds", "reused", "repaired"):
                del clip[name]
        return json.dumps(saved).encode()
    return OF_A_RUN.sub(b"<run>", content) if path.suffix in {".html", ".txt"} else content
