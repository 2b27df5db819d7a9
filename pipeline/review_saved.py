"""What a results folder holds that a person may correct: clips with the events in force, and all records."""

from __future__ import annotations

import difflib
import io
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.errors import ConfigError, StageError
from pipeline.filled_table import NAME
from pipeline.judgement import VisitReport
from pipeline.outside import DAMAGED, LARGEST_SAVED, read_outside
from pipeline.review import EVENT_WINDOW_S, SHORT_ID, Correction, Reviewed, near, standings
from pipeline.review_apply import events_in_force
from pipeline.review_files import (
    CORRECTIONS_FOLDER,
    FOUND_EVENTS_NAME,
    landmarks_of,
    read_corrections,
    reviewed,
)
from pipeline.store import nothing_saved, read_json, shown_path
from pipeline.strides import load as load_strides
from pipeline.tables import EVENTS, check_table

REPORT_NAME = "visit.json"
Row = dict[Hashable, Any]


@dataclass(frozen=True, slots=True)
class SavedClip:
    """A measured clip.

    Attributes
    ----------
    events : DataFrame, columns of `tables.EVENTS` and `review_apply.NAMES`
        In force with all records that count, also with those that wait to be applied.
    strides : DataFrame, columns of `tables.STRIDES`
        As they were measured last.
    walks : tuple of (start, end)
        The straight walks of the clip. [s]
    frontal : bool
        Seen from the front or behind.
    """

    clip_id: str
    events: pd.DataFrame
    strides: pd.DataFrame
    walks: tuple[tuple[float, float], ...]
    frontal: bool

    def like(self, side: str | None, kind: str) -> list[Row]:
        """Return the events of one kind of one foot."""
        return self.events[(self.events["side"] == side) & (self.events["kind"] == kind)].to_dict("records")

    def nearest(self, side: str | None, kind: str, time_s: float | None) -> Row:
        """Return the event of a foot at a time.

        Raises
        ------
        ConfigError
            None lies near enough.
        """
        rows = self.like(side, kind)
        moment_s = float("nan") if time_s is None else time_s
        row = min(rows, key=lambda one: abs(one["time_s"] - moment_s), default=None)
        if row is None or not near(row["time_s"], moment_s):
            # Who does not know that it was moved names it by the time that it had at first.
            row = next((one for one in rows if near(one["found_s"], moment_s)), None)
        if row is None:
            there = ", ".join(f"{one['time_s']:.2f}" for one in rows) or "none"
            raise ConfigError(
                "column time_s",
                f"no {kind} of the {side} foot lies within {EVENT_WINDOW_S} s of {moment_s:.2f} s",
                f"there are: {there}",
            )
        return row

    def outside(self, *times_s: float) -> str:
        """Return that a time or a span lies in no walk, and where these are; empty when it does."""
        if any(min(times_s) <= last_s and max(times_s) >= first_s for first_s, last_s in self.walks):
            return ""
        walks = ", ".join(f"{first_s:.2f} to {last_s:.2f} s" for first_s, last_s in self.walks)
        return f"{' to '.join(f'{one:.2f}' for one in times_s)} s lies in no straight walk of the clip ({walks})"


class SavedVisit:
    """What the results hold of one visit; `drafts` are records that are not saved, taken as if they were.

    Raises
    ------
    ConfigError
        There is no such visit.
    StageError
        A saved file is damaged.
    """

    def __init__(self, results: Path, subject: str, visit: str, drafts: Sequence[Correction] = ()) -> None:
        self.subject, self.visit = subject, visit
        name = f"sub-{subject}/ses-{visit}"
        there = {path.relative_to(results).as_posix(): path for path in sorted(results.glob("sub-*/ses-*"))}
        if name not in there:
            close = difflib.get_close_matches(name, there, n=1)
            found = f"visits in the results: {len(there)}"
            raise ConfigError(
                "columns subject and visit", f"no {name}", found, f"Did you mean {close[0]}?" if close else ""
            )
        self.folder = there[name]
        path = self.folder / REPORT_NAME
        self.report = read_json(path, VisitReport) if path.is_file() else None
        self.clip_ids = [path.parent.name for path in sorted(self.folder.glob("*/strides.csv"))]
        if self.report is not None:
            # Other folders are left from clips that failed since, or that the manifest names no more.
            done = {clip.clip_id for clip in self.report.clips if clip.state == "done"}
            self.clip_ids = [name for name in self.clip_ids if name in done]
        self.landmarks = landmarks_of(self.folder, self.clip_ids)
        saved = read_corrections(self.folder)
        self.records, self.damaged = (*saved.records, *drafts), saved.damaged
        self.counting, self.others = standings(self.records, self.landmarks)
        verdicts = None
        if self.report is not None:
            verdicts = {one.name: one.person.record if one.person else "" for one in self.report.faults}
        self.reviewed = reviewed(self.folder, self.clip_ids, lambda _: verdicts)[0]
        self._clips: dict[str, SavedClip] = {}

    def clip(self, clip_id: str) -> SavedClip:
        """Return a measured clip.

        Raises
        ------
        ConfigError
            There is no such clip.
        """
        if clip_id not in self.clip_ids:
            close = difflib.get_close_matches(clip_id, self.clip_ids, n=1)
            expected = f"measured clips: {', '.join(self.clip_ids) or 'none'}"
            raise ConfigError(
                "column clip", f'found "{clip_id}"', expected, f"Did you mean {close[0]}?" if close else ""
            )
        if clip_id not in self._clips:
            self._clips[clip_id] = self._load(clip_id)
        return self._clips[clip_id]

    def _load(self, clip_id: str) -> SavedClip:
        """A clip from its files."""
        folder = self.folder / clip_id
        strides = load_strides(folder).table
        bounds = strides.groupby("pass_number").agg({"start_s": "min", "end_s": "max"}).astype(float)
        walks = tuple(zip(bounds["start_s"], bounds["end_s"], strict=True))
        name = FOUND_EVENTS_NAME if (folder / FOUND_EVENTS_NAME).is_file() else "events.csv"
        about = [one for one in self.counting if one.clip_id == clip_id]
        try:
            found = pd.read_csv(io.BytesIO(read_outside(folder / name, LARGEST_SAVED)))
            events, _ = events_in_force(check_table(found, EVENTS, "events"), about, walks)
        except DAMAGED as error:
            do = "Run the study again into the same folder; what is missing is made anew."
            raise StageError(shown_path(folder / name), f"cannot be read ({error})", "expected events", do) from error
        return SavedClip(clip_id, events, strides, walks, bool((strides["view"] != "sagittal").any()))

    def named(self, text: str) -> Correction | None:
        """Return the one record with this id, or with these last six letters of it."""
        found = [one for one in self.records if text in (one.id, one.id[-SHORT_ID:])]
        return found[0] if len(found) == 1 else None


def list_corrections(results: Path | str, subject: str | None = None) -> tuple[tuple[Reviewed, ...], dict[str, str]]:
    """Return all records of a results folder with their states, and its damaged files by place.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `strideledger run --out`.
    subject : str, optional
        Only the records of this person.

    Returns
    -------
    records : tuple of Reviewed
        By visit, in the order of time.
    damaged : dict of place inside the folder to reason

    Raises
    ------
    ConfigError
        The folder holds no visit, or none of this subject; or the subject is no pseudonym.
    """
    results = Path(results)
    if subject is not None and not NAME.fullmatch(subject):
        do = "Without a subject all corrections are listed."
        raise ConfigError("subject", f"found {subject!a}", "expected a pseudonym of letters and digits", do)
    folders = sorted(path for path in results.glob(f"sub-{subject or '*'}/ses-*") if path.is_dir())
    if not folders:
        raise nothing_saved(results, f"no visit of {subject}" if subject else "no visit with saved results")
    found: list[Reviewed] = []
    damaged: dict[str, str] = {}
    for folder in folders:
        visit = SavedVisit(results, folder.parent.name.removeprefix("sub-"), folder.name.removeprefix("ses-"))
        found += visit.reviewed
        place = f"{folder.relative_to(results).as_posix()}/{CORRECTIONS_FOLDER}"
        damaged |= {f"{place}/{name}": reason for name, reason in visit.damaged.items()}
    return tuple(found), damaged


def clip_events(results: Path | str, subject: str, visit: str, clip_id: str) -> pd.DataFrame:
    """Return the events of a clip as they are in force with all records that count, also with those that wait.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `strideledger run --out`.
    subject, visit, clip_id : str
        As the results name them.

    Returns
    -------
    DataFrame, columns of `tables.EVENTS` and `review_apply.NAMES`
        `found_s` is when the pipeline itself found the event [s]; `added_by` and `changed_by` are ids of records.

    Raises
    ------
    ConfigError
        There is no such visit, or its clip is not measured.
    """
    return SavedVisit(Path(results), subject, visit).clip(clip_id).events


def clip_strides(results: Path | str, subject: str, visit: str, clip_id: str) -> pd.DataFrame:
    """Return the strides of a clip as they were measured last.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `strideledger run --out`.
    subject, visit, clip_id : str
        As the results name them.

    Returns
    -------
    DataFrame, columns of `tables.STRIDES`

    Raises
    ------
    ConfigError
        There is no such visit, or its clip is not measured.
    """
    return SavedVisit(Path(results), subject, visit).clip(clip_id).strides
