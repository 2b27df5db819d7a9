"""An incoming folder: clips are measured as they have been copied, with the same guarantees as a run.

A pass measures the visits to which something new came, and is a run like any other. Between passes nothing is
written but the watch's own record. What was seen is remembered by size, times and inode within the process, so that
nothing is hashed again that did not change.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Collection
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import TracebackType

from pipeline.errors import PipelineError
from pipeline.model import Clip
from pipeline.run_record import BEAT_S
from pipeline.stage_record import read_record
from pipeline.store import OutputTree, now_text
from pipeline.study_result import StudyResult
from pipeline.watch_files import FileKey, Incoming
from pipeline.watch_record import MOST_NAMES, WatchRecord, new_watch, write_watch
from pipeline.watch_tables import StudyTables, Tables

VisitKey = tuple[str, str]
# How often the folders are listed, and how long a file must not change. Own choices: a copy over a network may pause
# for some seconds. [s]
EVERY_S, SETTLE_S = 5.0, 10.0


class Watch:
    """A watch of an incoming folder; used as a context, in which its record is kept up to date.

    Parameters
    ----------
    tables : Tables
        Of the study.
    out : Path
        The results folder.
    settle_s : float
        A file that did not change for this time is no longer being copied. [s]
    has_work : callable
        Whether something is to be done for the clips of a visit, all of them whole: called with the tables and them.
    measure : callable
        Measures these clips, by id, and the visits that they belong to.
    tell : callable
        Called with each line for the user.
    finish_first : bool
        The last run did not end: all is gone through once, although no clip may be new.
    """

    def __init__(
        self,
        tables: Tables,
        out: Path,
        *,
        settle_s: float,
        has_work: Callable[[StudyTables, list[Clip]], bool],
        measure: Callable[[Collection[str]], StudyResult],
        tell: Callable[[str], None],
        finish_first: bool = False,
    ) -> None:
        self.tables = tables
        self.tree = OutputTree(out)
        self.incoming = Incoming(settle_s)
        self.has_work = has_work
        self.measure = measure
        self.tell = tell
        self.finish_first = finish_first
        self.seen: dict[str, tuple[FileKey, Clip]] = {}
        self.judged: dict[VisitKey, object] = {}
        self.due: set[VisitKey] = set()
        self.told: dict[str, object] = {}
        self.record = new_watch()
        self.lock = threading.Lock()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._beat, daemon=True)

    def __enter__(self) -> Watch:
        self._write(self.record)
        self.thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop.set()
        self.thread.join()
        self._write(replace(self.record, state="ended"))

    def go_on(self, every_s: float) -> None:
        """Look every so many seconds, until the process is stopped."""
        while True:
            self.step(time.monotonic())
            time.sleep(every_s)

    def step(self, now_s: float) -> StudyResult | None:
        """Look once, and measure what is new and whole; None where there was nothing. `now_s` is monotonic. [s]"""
        tables = self.tables.look(now_s)
        if tables is None:
            self._note({}, (), {})
            return None
        self.incoming.look((clip.path for clip in tables.clips), now_s)
        visits: dict[VisitKey, list[Clip]] = {}
        for clip in tables.clips:
            visits.setdefault((clip.subject, clip.visit), []).append(clip)
        whole = {clip.clip_id: file for clip in tables.clips if (file := self.incoming.whole(clip.path))}
        for key, clips in visits.items():
            self._look_at(tables, key, clips, whole)
        self._tell_waiting(tables, whole)
        return self._pass(tables, visits, whole) if self.due else None

    def _look_at(self, tables: StudyTables, key: VisitKey, clips: list[Clip], whole: dict[str, FileKey]) -> None:
        """Find out whether a visit is due: a whole clip is new or changed, or what the tables say of the visit."""
        there = [clip for clip in clips if clip.clip_id in whole]
        for clip in clips:
            if not self.incoming.is_there(clip.path):
                # Should it come back, it is looked at again.
                self.seen.pop(clip.clip_id, None)
        if key in self.due or not there:
            return
        facts = _facts(tables, key, clips)
        new = any(self.seen.get(clip.clip_id) != (whole[clip.clip_id], clip) for clip in there)
        if not new and self.judged.get(key) == facts:
            return
        if self.finish_first or self.has_work(tables, self._taken(clips, whole)):
            self.due.add(key)
        else:
            self._remember(tables, key, clips, whole)

    def _taken(self, clips: list[Clip], whole: dict[str, FileKey]) -> list[Clip]:
        """Clips of a visit that its report is made of: whole ones, and those that were measured before they went."""
        return [clip for clip in clips if clip.clip_id in whole or self._was_measured(clip)]

    def _was_measured(self, clip: Clip) -> bool:
        """Whether a clip that is not there was measured: its visit's report then says that it is gone."""
        if self.incoming.is_there(clip.path):
            return False
        folder = self.tree.clip_folder(clip.subject, clip.visit, clip.clip_id)
        return bool(read_record(folder).stages)

    def _pass(
        self, tables: StudyTables, visits: dict[VisitKey, list[Clip]], whole: dict[str, FileKey]
    ) -> StudyResult | None:
        """Measure the visits that are due; where nothing can be measured now, they stay due."""
        keys = [key for key in visits if key in self.due]
        taken = [clip for key in keys for clip in self._taken(visits[key], whole)]
        if not taken:
            self.due.clear()
            return None
        try:
            result = self.measure([clip.clip_id for clip in taken])
        except (PipelineError, OSError) as error:
            # A table that was saved again just now, or a full disk.
            self._tell_once("pass", str(error))
            return None
        self.told.pop("pass", None)
        self.finish_first = False
        for key in keys:
            self._remember(tables, key, visits[key], whole)
        self.due -= set(keys)
        return result

    def _remember(self, tables: StudyTables, key: VisitKey, clips: list[Clip], whole: dict[str, FileKey]) -> None:
        """Remember a visit as it was before its pass: what changed meanwhile makes it due again."""
        self.seen.update({clip.clip_id: (whole[clip.clip_id], clip) for clip in clips if clip.clip_id in whole})
        self.judged[key] = _facts(tables, key, clips)

    def _tell_waiting(self, tables: StudyTables, whole: dict[str, FileKey]) -> None:
        """Tell of files that are no whole clip, once until they change; and note what is waited for."""
        counts: Counter[str] = Counter()
        names, unreadable = [], {}
        for clip in tables.clips:
            if clip.clip_id in whole:
                counts["to be measured"] += (clip.subject, clip.visit) in self.due
                continue
            found, do = self.incoming.fault(clip.path)
            if found:
                message = f"clip {clip.clip_id}: {found}; it is measured once it has changed. {do}"
                unreadable[clip.clip_id] = message
                self._tell_once(clip.clip_id, message, self.incoming.files[clip.path].key)
                continue
            there = self.incoming.is_there(clip.path)
            counts["being copied" if there else "not there"] += 1
            names.append(clip.clip_id)
        waiting = {name: count for name, count in counts.items() if count}
        if waiting or "waiting" in self.told:
            text = ", ".join(f"{count} {name}" for name, count in waiting.items()) or "nothing"
            self._tell_once("waiting", f"waiting: {text}")
        self._note(waiting, tuple(names[:MOST_NAMES]), unreadable)

    def _tell_once(self, about: str, text: str, key: object = None) -> None:
        """Tell a line unless it was told last about this."""
        if self.told.get(about) != (text, key):
            self.told[about] = (text, key)
            self.tell(text)

    def _note(self, waiting: dict[str, int], names: tuple[str, ...], unreadable: dict[str, str]) -> None:
        """Put what is known now into the record."""
        with self.lock:
            record = replace(
                self.record, waiting=waiting, names=names, unreadable=unreadable, problem=self.tables.problem
            )
            changed, self.record = record != self.record, record
        if changed:
            self._write(record)

    def _write(self, record: WatchRecord) -> None:
        """Write the record; a full disk is told by a pass."""
        with suppress(OSError):
            write_watch(self.tree.root, replace(record, alive=now_text()))

    def _beat(self) -> None:
        """Give a sign of life, also during a pass."""
        while not self.stop.wait(BEAT_S):
            self._write(self.record)


def _facts(tables: StudyTables, key: VisitKey, clips: list[Clip]) -> object:
    """What the tables say of a visit: which clips it has, and what stands beside them."""
    return [clip.clip_id for clip in clips], tables.recorded.get(key, ()), tables.goals.get(key[0])
