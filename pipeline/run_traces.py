"""What the records of runs say of a person, and how it is taken out: rows of tables and entries of logs.

Counts in `run.json` stay, since they are of nobody; so do rows and entries of others, byte for byte unless they name
the person.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.clip_log import FOLDER as LOGS
from pipeline.person_names import Names, Pattern
from pipeline.run_record import CLIPS_NAME, VISITS_NAME
from pipeline.store import JOBS, PARTS, now_text, write_bytes

ENTRY = re.compile(rb"^(?=\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ )", re.MULTILINE)
# The clip or visit that an entry is about (`batch`), the person (`person_pages`), or the folder (`kept`).
ABOUT = re.compile(rb"^\S+ (clip|visit|subject) ([^\s:]+)|^\S+ (\S+?)[/:]")


@dataclass(frozen=True, slots=True)
class Traces:
    """How much was taken out of one run's records, or would be.

    Rows of the table of clips, entries of the log, files in which a name was replaced, and files and folders that a
    killed run left.
    """

    run: str
    rows: int = 0
    entries: int = 0
    renamed: int = 0
    leftovers: int = 0

    def __bool__(self) -> bool:
        return bool(self.rows or self.entries or self.renamed or self.leftovers)


def run_folders(root: Path) -> list[Path]:
    """Folders of runs, by name; links are none."""
    runs = root / "runs"
    if runs.is_symlink() or not runs.is_dir():
        return []
    return sorted(path for path in runs.iterdir() if path.is_dir() and not path.is_symlink())


def clean_run(folder: Path, names: Names, pattern: Pattern, *, write: bool) -> Traces:
    """Take a person out of the records of one run, or count what would be taken out.

    Parameters
    ----------
    folder : Path
        Of the run.
    names : Names
    pattern : Pattern
    write : bool
        False to count only.
    """
    rows = entries = replaced = 0
    for path in sorted(path for path in folder.iterdir() if path.is_file() and not path.is_symlink()):
        before = path.read_bytes()
        if path.name in (CLIPS_NAME, VISITS_NAME):
            kept, taken = _without_rows(before, names, pattern)
            rows += taken
        elif path.name == "log.txt":
            kept, taken = _without_entries(before, names, pattern)
            entries += taken
        elif path.suffix in (".json", ".toml"):
            kept = before
        else:
            continue
        after = pattern.replaced(kept)
        replaced += after != kept
        if write and after != before:
            mode = path.stat().st_mode
            write_bytes(path, after, private=True)
            path.chmod(mode)
    leftovers = remove_leftovers(folder, write=write)
    if (logs := folder / LOGS).is_dir() and not logs.is_symlink():
        leftovers += remove_leftovers(logs, write=write) + _remove_logs(logs, names, write=write)
    traces = Traces(folder.name, rows, entries, replaced, leftovers)
    if write and (rows or entries or replaced) and not (folder / "log.txt").is_symlink():
        with (folder / "log.txt").open("a", encoding="utf-8") as file:
            file.write(f"{now_text()} a person was forgotten: rows of tables {rows}, entries of this log {entries}\n")
    return traces


def _remove_logs(folder: Path, names: Names, *, write: bool) -> int:
    """Delete the logs of the person's clips; return how many there were."""
    logs = [path for path in folder.glob("*.log") if path.stem in names.clip_ids]
    if write:
        for path in logs:
            path.unlink()
    return len(logs)


def remove_leftovers(folder: Path, *, write: bool) -> int:
    """Delete what killed writes and killed runs left in a folder; return how many there were."""
    parts, jobs = list(folder.glob(PARTS)), list(folder.glob(f"{JOBS}*"))
    if write:
        for path in parts:
            path.unlink()
        for path in jobs:
            shutil.rmtree(path)
    return len(parts) + len(jobs)


def _without_rows(table: bytes, names: Names, pattern: Pattern) -> tuple[bytes, int]:
    """A table of clips or visits without the person's rows, and how many were taken out."""
    header, *rows = list(_csv_rows(table)) or [b""]
    columns = _cells(header)
    places = [columns.index(name) for name in ("clip_id", "relative_path", "subject") if name in columns]
    own = {*names.clip_ids, *names.paths, *([names.subject] if "subject" in columns else ())}
    kept = [header]
    for row in rows:
        cells = _cells(row)
        about = [cells[place] for place in places if place < len(cells)]
        if not own.intersection(about) and not any(pattern.in_text(cell.encode("utf-8", "ignore")) for cell in about):
            kept.append(row)
    return b"".join(kept), len(rows) + 1 - len(kept)


def _csv_rows(table: bytes) -> Iterator[bytes]:
    """Rows as they are written; a text in quotes may go on in the next line."""
    row = b""
    for line in table.splitlines(keepends=True):
        row += line
        if row.count(b'"') % 2 == 0:
            yield row
            row = b""
    if row:
        yield row


def _cells(row: bytes) -> list[str]:
    """The cells of one row."""
    text = io.StringIO(row.decode("utf-8", "replace"), newline="")
    return next(csv.reader(text), [])


def _without_entries(log: bytes, names: Names, pattern: Pattern) -> tuple[bytes, int]:
    """The log without entries about the person or the person's clips, and how many were taken out."""
    entries = [entry for entry in ENTRY.split(log) if entry]
    kept = [entry for entry in entries if not _is_about(entry, names, pattern)]
    return b"".join(kept), len(entries) - len(kept)


def _is_about(entry: bytes, names: Names, pattern: Pattern) -> bool:
    """Whether an entry of a log is about the person."""
    found = ABOUT.match(entry)
    if found is None:
        return False
    name = (found[2] or found[3]).decode("utf-8", "replace")
    if found[1] in (b"visit", b"subject") and name.partition("-")[0] == names.subject:
        return True
    return name in (*names.clip_ids, f"sub-{names.subject}") or bool(pattern.in_text(name.encode()))
