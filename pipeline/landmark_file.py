"""A clip as a landmark file: everything that was taken from its pictures, and none of them.

The file (`NAME.landmarks`) is a ZIP of the files that the stages before `measures` wrote, with a record of what they
were made from. It stands in a manifest in place of the clip and is measured like it, to the same numbers: for visits
whose clips may not be kept or passed on.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_json

from pipeline import __version__
from pipeline.errors import VideoError
from pipeline.model import Side, View
from pipeline.outside import DAMAGED, outside_archive, read_member
from pipeline.plain_text import visible_json
from pipeline.store import write_bytes, write_json

SUFFIX = ".landmarks"
FORMAT = 1
RECORD = "made.json"
# The earliest time that a ZIP can hold, so that equal files give equal bytes.
NO_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, slots=True)
class Made:
    """What the files were made from.

    `stages` are the versions of the stages that wrote them, `files` their SHA-256 by name. Sides matter since
    outlines, pylons and shoes are looked for on the prosthetic side.
    """

    format: int
    program: str
    view: View
    prosthetic_sides: tuple[Side, ...]
    clip_sha256: str
    stages: dict[str, int]
    files: dict[str, str]


def is_landmark_file(path: Path) -> bool:
    """Whether a clip of a manifest is a landmark file, by its name."""
    return path.suffix.lower() == SUFFIX


def pack(
    folder: Path,
    target: Path,
    names: tuple[str, ...],
    *,
    view: View,
    prosthetic_sides: tuple[Side, ...],
    clip_sha256: str,
    stages: Mapping[str, int],
) -> None:
    """Write the landmark file of a measured clip; equal results give equal bytes.

    Parameters
    ----------
    folder : Path
        The clip's folder in the results.
    target : Path
        File to write, whole or not at all.
    names : tuple of str
        Files in the folder.
    view, prosthetic_sides, clip_sha256, stages
        As in `Made`.

    Raises
    ------
    OSError
        A file is missing.
    """
    contents = {name: (folder / name).read_bytes() for name in names}
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()}
    made = Made(FORMAT, __version__, view, prosthetic_sides, clip_sha256, dict(stages), hashes)
    buffer = io.BytesIO()
    # Arrays are compressed already.
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_STORED) as archive:
        for name, data in {RECORD: to_json(made, indent=1) + b"\n", **contents}.items():
            archive.writestr(zipfile.ZipInfo(name, NO_TIME), data)
    write_bytes(target, buffer.getvalue())


def unpack(
    path: Path,
    folder: Path,
    names: tuple[str, ...],
    *,
    view: View,
    prosthetic_sides: tuple[Side, ...],
    stages: Mapping[str, int],
    item: str,
) -> Made:
    """Put the files of a landmark file and its record into a clip's folder; return the record.

    Parameters
    ----------
    path : Path
    folder : Path
    names : tuple of str
        The files that are needed; no other is written.
    view, prosthetic_sides
        Those of the manifest, which must be those that the file was made for.
    stages : mapping of stage to version
        Of this program. Files of older versions are taken, those of newer ones are not understood.
    item : str
        What messages name.

    Raises
    ------
    VideoError
        No landmark file, damaged, of another form, of a newer program, or made for another view or side.
    """
    made, contents = _read(path, item)
    for what, found, wanted in (
        ("view", made.view, view),
        ("prosthetic side", _sides(made.prosthetic_sides), _sides(prosthetic_sides)),
    ):
        if found != wanted:
            raise VideoError(
                item,
                f"its landmark file was made for {what} {found}",
                f"the manifest says {wanted}",
                "Correct the manifest, or measure the clip again and make the file anew.",
            )
    newer = [stage for stage, number in made.stages.items() if stage not in stages or number > stages[stage]]
    if newer:
        raise VideoError(
            item,
            f"its landmark file was made by a newer program ({made.program}: {', '.join(newer)})",
            f"this is {__version__}",
            "Install the newer program.",
        )
    missing = [name for name in names if name not in contents]
    if missing:
        raise _damaged(item, f"{', '.join(missing)} is missing in it")
    for name in names:
        write_bytes(folder / name, contents[name])
    write_json(folder / RECORD, made)
    return made


def _read(path: Path, item: str) -> tuple[Made, dict[str, bytes]]:
    """The record and the files of a landmark file, each with the content that the record says."""
    try:
        with outside_archive(path) as archive:
            made = TypeAdapter(Made).validate_json(visible_json(read_member(archive, RECORD)))
            if made.format != FORMAT:
                raise _damaged(item, f"it is of format {made.format}, not {FORMAT}")
            contents = {name: read_member(archive, name) for name in made.files}
    except ValidationError as error:
        raise _damaged(item, f"its record has {error.error_count()} mistakes") from error
    except DAMAGED as error:
        raise _damaged(item, str(error)) from error
    changed = [name for name, data in contents.items() if hashlib.sha256(data).hexdigest() != made.files[name]]
    if changed:
        raise _damaged(item, f"{', '.join(changed)} in it was changed after it was made")
    return made, contents


def _damaged(item: str, why: str) -> VideoError:
    """The error of a file that cannot be used."""
    return VideoError(
        item,
        f"its landmark file cannot be used ({why})",
        "expected a file that `strideledger landmark-files` wrote",
        "Copy it again from where it was made, or measure the clip again and make the file anew.",
    )


def _sides(sides: tuple[Side, ...]) -> str:
    """Sides as the manifest words them."""
    return "both" if len(sides) == 2 else sides[0] if sides else "none"
