"""The pictures that a visit's report has left in its folder, and how they are taken away again."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from pipeline.places import refuse_links_out
from pipeline.stage_record import read_record
from pipeline.store import PARTS, OutputTree

FRAMES_FOLDER = "frames"
FRAMES_NAME = "frames.json"
VIEWER_NAME = "viewer.json"
# What can show a person. Figures are drawings (.svg).
SHOWING = frozenset({".jpg", ".jpeg", ".png", ".gif", ".webp", ".webm", ".mp4"})
# What reports write there: key frames by fault and number, what a killed write leaves, and both lists; besides the
# viewer's pictures in one array file a clip. A person's own files may lie beside them.
PICTURE_PATTERNS = ("*-[0-9].jpg", "*-[0-9][0-9].jpg", PARTS)
FRAMES_PATTERNS = (*PICTURE_PATTERNS, FRAMES_NAME, VIEWER_NAME)


def kept_pictures(visit_folder: Path) -> list[Path]:
    """Return the pictures and clips that reports of a visit have left, by name.

    Those in the folder of key frames, and those that the record says were written; a clip that somebody keeps beside
    the results is none of them.
    """
    recorded = read_record(visit_folder).stages.get("report")
    names = {name for name in (recorded.outputs if recorded else ()) if PurePosixPath(name).suffix in SHOWING}
    frames = {path for pattern in PICTURE_PATTERNS for path in (visit_folder / FRAMES_FOLDER).glob(pattern)}
    # An array file there may be the pictures of a clip that is in no table any more.
    frames |= set((visit_folder / FRAMES_FOLDER).glob("*.npz"))
    return sorted(path for path in {visit_folder / name for name in names} | frames if path.is_file())


def viewer_pictures(clip_id: str) -> str:
    """The viewer's pictures of a clip, inside the folder of its visit."""
    return f"{FRAMES_FOLDER}/{clip_id}.npz"


def remove_pictures(visit_folder: Path) -> int:
    """Delete the pictures and clips of a visit's reports, and their index; return how many pictures there were.

    Pages that hold them are not touched: make them again.
    """
    refuse_links_out(visit_folder)
    pictures = kept_pictures(visit_folder)
    for path in pictures:
        path.unlink()
    for name in (FRAMES_NAME, VIEWER_NAME):
        (visit_folder / FRAMES_FOLDER / name).unlink(missing_ok=True)
    for folder in {path.parent for path in pictures} | {visit_folder / FRAMES_FOLDER}:
        if folder != visit_folder and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()
    return len(pictures)


def count_pictures(tree: OutputTree) -> dict[Path, int]:
    """Return how many pictures each visit's folder has, without a report too."""
    folders = sorted(path for path in tree.root.glob("sub-*/ses-*") if path.is_dir())
    return {folder: len(kept_pictures(folder)) for folder in folders}


def picture_notes(before: Mapping[Path, int], after: Mapping[Path, int]) -> tuple[str, ...]:
    """Return what to say when no pictures are to be kept: how many were deleted, and where some are still there."""
    deleted = sum(count - after.get(folder, 0) for folder, count in before.items())
    notes = [f"pictures of earlier runs deleted: {deleted}"] if deleted else []
    notes += [
        f"{folder.parent.name}/{folder.name}: pictures of an earlier run that are still there: {count}. "
        "Delete them with `strideledger report RESULTS --pictures none`."
        for folder, count in after.items()
        if count
    ]
    return tuple(notes)
