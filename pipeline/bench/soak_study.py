"""A study of many copies of the example persons under new names, with damaged clips among them."""

from __future__ import annotations

import csv
import hashlib
import random
import re
from collections.abc import Callable, Iterable
from pathlib import Path

from pipeline.bench.same_results import comparable_content, comparable_files
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.store import write_bytes, write_text

# The person and visits of the example whose clips are damaged: one of videos, one of landmark files.
PERSON, FILMED, STORED = "P01", "01", "03"
# A copy's number before the name of a person; a picture's text holds none that stands alone.
NUMBERED = re.compile(rb"(?<![A-Za-z0-9+])\d\d(?=P\d\d(?![A-Za-z0-9+]))")
SEED = 20

Damage = Callable[[bytes, random.Random], bytes | None]


def _noisy(content: bytes, draw: random.Random) -> bytes:
    """Noise in place of the middle fifth."""
    start, stop = len(content) * 2 // 5, len(content) * 3 // 5
    return content[:start] + draw.randbytes(stop - start) + content[stop:]


def _flipped(content: bytes, draw: random.Random) -> bytes:
    """Fifty bytes changed."""
    changed = bytearray(content)
    for place in draw.sample(range(len(changed)), 50):
        changed[place] ^= 0xFF
    return bytes(changed)


# What happens to clips on their way: by kind, whether the clip is a video, and what is left of its bytes.
DAMAGES: dict[str, tuple[bool, Damage]] = {
    "empty": (True, lambda content, draw: b""),
    "second half missing": (True, lambda content, draw: content[: len(content) // 2]),
    "start overwritten": (True, lambda content, draw: bytes(1024) + content[1024:]),
    "noise in the middle": (True, _noisy),
    "a text": (True, lambda content, draw: b"Please call back.\n"),
    "no such file": (True, lambda content, draw: None),
    "landmark file, second half missing": (False, lambda content, draw: content[: len(content) // 2]),
    "landmark file, bytes changed": (False, _flipped),
}


def persons(example: Path) -> list[tuple[list[dict[str, str]], str]]:
    """Return rows of the manifest for each person of a copy, and what is done to the first clip (empty: nothing)."""
    with (example / MANIFEST_NAME).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    whole = [[row for row in rows if row["subject"] == name] for name in sorted({row["subject"] for row in rows})]
    stored = [row for row in rows if row["subject"] == PERSON and row["visit"] == STORED]
    filmed = next(row for row in rows if row["subject"] == PERSON and row["visit"] == FILMED)
    damaged = []
    for kind, (is_video, _) in DAMAGES.items():
        first = {**stored[0], "clip": filmed["clip"]} if is_video else stored[0]
        damaged.append(([first, *stored[1:]], kind))
    return [*((rows, "") for rows in whole), *damaged]


def soak_study(example: Path, folder: Path, copies: Iterable[int]) -> int:
    """Write a study of so many copies of the example and of damaged visits; return its number of clips.

    A person is called by the copy's number and the place in it: ``07P03``. Clips are links to those of the example.
    """
    groups = persons(example)
    fields = list(groups[0][0][0])
    lines: list[dict[str, str]] = []
    for copy in copies:
        for number, (rows, kind) in enumerate(groups, start=1):
            name = f"{copy:02d}P{number:02d}"
            for place, row in enumerate(rows):
                old = Path(row["clip"])
                new = f"sub-{name}/ses-{row['visit']}/{old.name.replace(row['subject'], name)}"
                lines.append({**row, "subject": name, "clip": new})
                (folder / new).parent.mkdir(parents=True, exist_ok=True)
                if kind and place == 0:
                    content = DAMAGES[kind][1]((example / old).read_bytes(), random.Random(SEED))
                    if content is not None:
                        write_bytes(folder / new, content)
                else:
                    (folder / new).hardlink_to((example / old).resolve())
    text = [",".join(fields), *(",".join(line[field] for field in fields) for line in lines)]
    write_text(folder / MANIFEST_NAME, "\n".join(text) + "\n")
    return len(lines)


def unnumbered(results: Path) -> dict[str, dict[str, str]]:
    """Return the hash of every comparable file by copy and place, its text taken without copies' numbers."""
    found: dict[str, dict[str, str]] = {}
    for path in comparable_files(results):
        name = path.relative_to(results).as_posix()
        place = NUMBERED.sub(b"", name.encode()).decode()
        content = NUMBERED.sub(b"", comparable_content(path))
        found.setdefault(name.removeprefix("sub-")[:2], {})[place] = hashlib.sha256(content).hexdigest()
    return found
