"""A measured study without its pictures: landmark files in place of the clips, and the manifest that names them."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from pipeline.config import Settings
from pipeline.errors import ConfigError, ManyProblems, PipelineError, StageError
from pipeline.filled_table import FilledColumn, FilledTable, read_filled, split_table
from pipeline.goals import COLUMNS as GOAL_COLUMNS
from pipeline.goals import GOALS_NAME
from pipeline.landmark_file import SUFFIX, is_landmark_file, pack
from pipeline.manifest import HELP, read_manifest
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.model import Clip
from pipeline.outside import LARGEST_PACKED, LARGEST_TABLE, read_outside
from pipeline.picture_stages import (
    STAGE_VERSIONS,
    ClipJob,
    landmarks_fingerprint,
    picture_files,
    picture_fingerprints,
    picture_stages,
)
from pipeline.places import make_results_folder
from pipeline.recorded import COLUMNS as RECORDED_COLUMNS
from pipeline.recorded import RECORDED_NAME, VisitKey
from pipeline.stage_record import is_unchanged, read_record
from pipeline.store import OutputTree, file_sha256, shown_path, write_bytes, write_text
from pipeline.track_file import load_track

# Tables that stand beside the manifest, and whose rows name its persons and visits.
BESIDE = {RECORDED_NAME: RECORDED_COLUMNS, GOALS_NAME: GOAL_COLUMNS}


@dataclass(frozen=True, slots=True)
class Exported:
    """The files that were written, the manifest last; and what was left out, by path in the study: a clip, or rows.

    Of what was recorded and of the goals the rows about visits that were written are copied; a goal keeps its target
    where its baseline is not among these.
    """

    files: tuple[Path, ...]
    failures: dict[str, str]


def export_landmarks(study: Path, results: Path, out: Path, settings: Settings) -> Exported:
    """Write a landmark file for every measured clip of a study, and their manifest.

    Parameters
    ----------
    study : Path
        Folder with `manifest.csv` and the clips.
    results : Path
        Folder with the results of a run of this study.
    out : Path
        Folder for the new study; one that has no manifest yet.
    settings : Settings
        Those of the run; the pose model is read from the results.

    Raises
    ------
    PipelineError
        The manifest, `recorded.csv` or `goals.csv` is wrong, or the folder holds a manifest already. A clip that is
        not measured, or was changed since, is among the failures, and its row is left out of the new manifest.
    """
    clips = read_manifest(study)
    beside = [_read_beside(study / name, columns) for name, columns in BESIDE.items() if (study / name).exists()]
    manifest = out / MANIFEST_NAME
    if manifest.exists():
        raise ConfigError(
            shown_path(manifest), "is there already", "expected a folder without a manifest", "Give a new folder."
        )
    tree = OutputTree(results)
    make_results_folder(out)
    files: dict[str, Path] = {}
    failures: dict[str, str] = {}
    for clip in clips:
        target = out / PurePosixPath(clip.relative_path).with_suffix(SUFFIX)
        try:
            _write(clip, tree.clip_folder(clip.subject, clip.visit, clip.clip_id), target, settings)
        except PipelineError as error:
            failures[clip.relative_path] = str(error)
        except OSError as error:
            failures[clip.relative_path] = str(_refused(clip, error))
        else:
            files[clip.relative_path] = target
    if not files:
        return Exported((), failures)
    visits = {(clip.subject, clip.visit) for clip in clips if clip.relative_path in files}
    for table, rows in beside:
        kept, n_missing = _rows_of(rows, visits)
        buffer = io.StringIO()
        writer = csv.DictWriter(buffer, table.header, delimiter=table.separator, lineterminator="\n")
        writer.writeheader()
        writer.writerows(kept)
        write_text(out / table.name, buffer.getvalue())
        if n_missing:
            found = "rows or baselines that name a person or a visit of which no clip was written"
            failures[table.name] = f"{found}: {n_missing}"
    write_text(manifest, _manifest_text(study, set(files)))
    return Exported((*files.values(), *(out / table.name for table, _ in beside), manifest), failures)


def _refused(clip: Clip, error: OSError) -> StageError:
    """The error of a clip when a file cannot be read or written, without the folders above it."""
    item, name = f"clip {clip.clip_id}", Path(str(error.filename)).name if error.filename else "a file"
    if str(error.filename) == str(clip.path):
        name = clip.relative_path
        if isinstance(error, FileNotFoundError):
            do = "Copy the file back to its place, or correct its path in the manifest."
            return StageError(item, f"there is no file {name} in the study", "expected the clip that was measured", do)
    do = "Check free space, the right to read the study, and the right to write into the folder given with --out."
    return StageError(item, f"{name} cannot be read or written ({error.strerror})", "", do)


def _write(clip: Clip, folder: Path, target: Path, settings: Settings) -> None:
    """Write the landmark file of one clip."""
    item = f"clip {clip.clip_id}"
    if is_landmark_file(clip.path):
        write_bytes(target, read_outside(clip.path, LARGEST_PACKED))
        return
    do = "Run the study into this results folder first, with the settings that are given here."
    stages = read_record(folder).stages
    wanted = picture_stages(clip.view)
    missing = [name for name in wanted if name not in stages]
    if missing:
        raise StageError(item, f"is not measured (no stage {', '.join(missing)})", "expected a measured clip", do)
    model = load_track(folder / "landmarks.npz").model
    landmarks = settings.landmarks.model_copy(update={"model": model})
    job = ClipJob(clip, folder, settings.model_copy(update={"landmarks": landmarks}))
    same = picture_fingerprints(job, landmarks_fingerprint(job, file_sha256(job.clip.path)))
    changed = [name for name in wanted if not is_unchanged(folder, stages[name], same[name])]
    if changed:
        found = f"has changed since it was measured, or its results have (stage {', '.join(changed)})"
        raise StageError(item, found, "expected the results of this file", do)
    pack(
        folder,
        target,
        picture_files(clip.view),
        view=clip.view,
        prosthetic_sides=clip.prosthetic_sides,
        clip_sha256=file_sha256(clip.path),
        stages={name: STAGE_VERSIONS[name] for name in wanted},
    )


def _read_beside(path: Path, columns: Sequence[FilledColumn]) -> tuple[FilledTable, list[dict[str, str]]]:
    """A table that stands beside the manifest, and its rows by column."""
    table = read_filled(path, columns, one_row="value", do=HELP, inside=path.parent)
    problems = table.column_problems(columns)
    rows = [cells for _, _, cells in table.cells(problems)]
    if problems:
        raise ManyProblems(table.name, problems, HELP)
    return table, rows


def _rows_of(rows: Sequence[dict[str, str]], visits: set[VisitKey]) -> tuple[list[dict[str, str]], int]:
    """The rows about some visits and their persons, and how many others there are, or name another baseline."""
    kept, n_missing, subjects = [], 0, {subject for subject, _ in visits}
    for row in rows:
        subject, baseline = row["subject"], row.get("baseline", "")
        is_kept = subject in subjects and ("visit" not in row or (subject, row["visit"]) in visits)
        lacks_baseline = bool(baseline) and (subject, baseline) not in visits
        n_missing += not is_kept or lacks_baseline
        if is_kept and not lacks_baseline:
            kept.append(row)
        elif is_kept and row["measure"]:
            # A target holds without the baseline.
            kept.append(row | {"baseline": ""})
    return kept, n_missing


def _manifest_text(study: Path, written: set[str]) -> str:
    """The study's manifest with the clips that were written under their new names."""
    records, separator = split_table(read_outside(study / MANIFEST_NAME, LARGEST_TABLE).decode("utf-8-sig"))
    column = records[0].index("clip")
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=separator, lineterminator="\n")
    writer.writerow(records[0])
    for row in records[1:]:
        # As the manifest is read: a cell may say `./clips//a.mp4`.
        path = PurePosixPath(row[column] if len(row) > column else "")
        if path.as_posix() in written:
            writer.writerow([*row[:column], path.with_suffix(SUFFIX).as_posix(), *row[column + 1 :]])
    return buffer.getvalue()
