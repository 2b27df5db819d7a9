"""What the results hold of one person, and what keeps it from being deleted now; nothing is changed here."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from pipeline.errors import ConfigError, ManifestError, StageError
from pipeline.filled_table import NAME, FilledColumn, read_filled
from pipeline.kept import kept_pictures
from pipeline.manifest_row import MANIFEST_NAME, RESERVED_CLIP_IDS
from pipeline.person_names import Names, Pattern
from pipeline.run_traces import Traces, clean_run, run_folders
from pipeline.store import OutputTree, nothing_saved, read_json, shown_path

# Tables of a study that name persons, the manifest first.
STUDY_TABLES = (MANIFEST_NAME, "recorded.csv", "goals.csv")
# By their ending; a study's folder may be the results folder too. Own choice.
CLIP_SUFFIXES = frozenset({".mp4", ".mov", ".avi", ".mkv", ".m4v", ".mts", ".webm", ".wmv", ".mpg", ".landmarks"})


@dataclass(frozen=True, slots=True)
class ForgetPlan:
    """What would go, and what cannot be reached.

    Attributes
    ----------
    names : Names
        What the person is called in the results.
    visits : tuple of str
        Folders of visits, inside the results folder.
    files, size_bytes : int
        In the person's folder. [1], [bytes]
    pictures, clips, corrections : int
        How many of these files show the person, are clips or landmark files, and are corrections by hand. [1]
    links : tuple of str
        Links inside the person's folder; they go, and what they lead to stays.
    runs : tuple of Traces
        Runs whose records name the person.
    listed : dict of str to int
        Rows of the study's tables that still name the person, where a study was given.
    resumed : bool
        An earlier attempt was cut off, or found names that it could not take out.
    """

    names: Names
    visits: tuple[str, ...] = ()
    files: int = 0
    size_bytes: int = 0
    pictures: int = 0
    clips: int = 0
    corrections: int = 0
    links: tuple[str, ...] = ()
    runs: tuple[Traces, ...] = ()
    listed: dict[str, int] = field(default_factory=dict)
    resumed: bool = False


def plan_forget(results: Path | str, subject: str, *, study: Path | str | None = None) -> ForgetPlan:
    """Return what `forget_subject` would delete; nothing is changed.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `run_study`.
    subject : str
        Pseudonym of the person.
    study : Path or str, optional
        Folder with the manifest: tells whether it still names the person, and the names of clips.

    Raises
    ------
    ConfigError
        There is no such person or folder, or the person's folder is a link.
    ManifestError
        The study's manifest cannot be read.
    """
    root = Path(results)
    if not NAME.fullmatch(subject):
        raise ConfigError(
            "subject", f"found {subject!a}", "expected a pseudonym of letters and digits", "Nothing was deleted."
        )
    if not root.is_dir():
        raise nothing_saved(root, "no such folder")
    note, moved, folder = note_path(root, subject), moved_folder(root, subject), root / f"sub-{subject}"
    if folder.is_symlink():
        raise ConfigError(
            shown_path(folder),
            "is a link",
            "expected a folder of results",
            "Nothing was deleted. Remove the link, and what it leads to by hand.",
        )
    listed, from_study = _in_study(study, subject)
    noted = _noted(note)
    names = _merged(
        subject, (noted or Names(subject), from_study, *(_names_in(place, subject) for place in (folder, moved)))
    )
    pattern = Pattern(names, others_in(root, subject))
    traces = tuple(clean_run(run, names, pattern, write=False) for run in run_folders(root))
    runs = tuple(one for one in traces if one.rows or one.entries or one.renamed)
    resumed = note.is_file() or moved.is_dir()
    if not (folder.is_dir() or resumed or runs):
        raise _unknown(root, subject)
    if not (noted or names.clip_ids or folder.is_dir() or moved.is_dir()):
        raise ConfigError(
            shown_path(folder),
            "is not there any more, and nothing else tells the names of the person's clips",
            f"expected a study whose {MANIFEST_NAME} still lists {subject}: records of runs name clips",
            "Nothing was deleted. Give the study's folder with --study.",
        )
    paths = [path for place in (folder, moved) if place.is_dir() for path in place.rglob("*")]
    files = [path for path in paths if path.is_file() and not path.is_symlink()]
    visits = [path for place in (folder, moved) for path in sorted(place.glob("ses-*"))]
    return ForgetPlan(
        names=names,
        visits=tuple(path.relative_to(root).as_posix() for path in visits),
        files=len(files),
        size_bytes=sum(path.stat().st_size for path in files),
        pictures=sum(len(kept_pictures(visit)) for visit in visits if not visit.is_symlink()),
        clips=sum(path.suffix.lower() in CLIP_SUFFIXES for path in files),
        corrections=sum(path.parent.name == "corrections" and path.suffix == ".json" for path in files),
        links=tuple(sorted(path.relative_to(root).as_posix() for path in paths if path.is_symlink())),
        runs=runs,
        listed=listed,
        resumed=resumed,
    )


def _noted(note: Path) -> Names | None:
    """The names that an attempt noted which was cut off; None where there was none, or its note is damaged."""
    try:
        return read_json(note, Names)
    except StageError:
        return None


def note_path(root: Path, subject: str) -> Path:
    """Where the person's names are kept until nothing is found any more."""
    return OutputTree(root).inside(f"forgetting-{subject}.json")


def moved_folder(root: Path, subject: str) -> Path:
    """The person's folder while it is deleted; no reader of results takes it for one."""
    return OutputTree(root).inside(f"forgetting-{subject}")


def _names_in(folder: Path, subject: str) -> Names:
    """The names that a person's folder holds: of visits, and of clips in folders and reports."""
    visits = sorted(path for path in folder.glob("ses-*") if path.is_dir() and not path.is_symlink())
    clip_ids: list[str] = []
    paths: list[str] = []
    for visit in visits:
        clip_ids += [
            path.name
            for path in sorted(visit.iterdir())
            if path.is_dir() and path.name not in RESERVED_CLIP_IDS and _is_text(path.name)
        ]
        for clip in _clips_in(visit / "visit.json"):
            clip_ids.append(str(clip.get("clip_id", "")))
            paths.append(str(clip.get("relative_path", "")))
    return Names(subject, tuple(visit.name.removeprefix("ses-") for visit in visits), tuple(clip_ids), tuple(paths))


def _is_text(name: str) -> bool:
    """Whether the name of a folder is text; no clip has another one, but an unpacked archive may leave one."""
    return name.isascii() or name.encode("utf-8", "replace").decode() == name


def _clips_in(report: Path) -> list[dict[str, object]]:
    """The clips of a saved report, none where it is missing or damaged."""
    try:
        return [clip for clip in json.loads(report.read_bytes())["clips"] if isinstance(clip, dict)]
    except (OSError, ValueError, KeyError, TypeError):
        return []


def _merged(subject: str, parts: Iterable[Names]) -> Names:
    """All names, each once, none empty."""
    parts = list(parts)

    def once(values: Iterable[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(value for value in values if value))

    return Names(
        subject,
        once(value for part in parts for value in part.visits),
        once(value for part in parts for value in part.clip_ids),
        once(value for part in parts for value in part.paths),
    )


def others_in(root: Path, subject: str) -> set[str]:
    """Subjects, visits and clips of everybody else in the results."""
    found: set[str] = set()
    for folder in root.glob("sub-*"):
        other = folder.name.removeprefix("sub-")
        if folder.is_dir() and other != subject:
            names = _names_in(folder, other)
            found |= {other, f"sub-{other}", *names.clip_ids, *(f"{other}-{visit}" for visit in names.visits)}
    return found


def _in_study(study: Path | str | None, subject: str) -> tuple[dict[str, int], Names]:
    """How often the study's tables still name a person, and the names that the manifest has."""
    if study is None:
        return {}, Names(subject)
    listed: dict[str, int] = {}
    visits: list[str] = []
    paths: list[str] = []
    for name in STUDY_TABLES:
        path = Path(study) / name
        if name != MANIFEST_NAME and not path.is_file():
            continue
        rows = [row for row in _rows(path) if row.get("subject") == subject]
        if rows:
            listed[name] = len(rows)
        visits += [row.get("visit", "") for row in rows]
        paths += [row.get("clip", "") for row in rows]
    return listed, Names(subject, tuple(visits), tuple(PurePosixPath(path).stem for path in paths), tuple(paths))


def _rows(path: Path) -> list[dict[str, str]]:
    """Rows of one of the study's tables, whatever else is wrong with it."""
    table = read_filled(
        path,
        (FilledColumn("subject", True, "", "", ""),),
        one_row="clip",
        do="Give the folder of the study with --study.",
    )
    if "subject" not in table.header:
        raise ManifestError(path.name, "has no column subject", "expected a table of the study")
    return [cells for _, _, cells in table.cells([])]


def _unknown(root: Path, subject: str) -> ConfigError:
    """The error of a person of whom there is nothing."""
    known = sorted(path.name.removeprefix("sub-") for path in root.glob("sub-*") if path.is_dir())
    if not known:
        return nothing_saved(root)
    close = difflib.get_close_matches(subject.lower(), [name.lower() for name in known], n=5, cutoff=0.4)
    names = [name for word in close for name in known if name.lower() == word] or known[:12]
    return ConfigError(
        shown_path(root),
        f"holds nothing of {subject!r}",
        f"expected one of: {', '.join(names)}" if len(names) == len(known) else f"close to it: {', '.join(names)}",
        "Nothing was deleted. Upper and lower case count.",
    )
