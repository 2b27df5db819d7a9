"""The files that a run has put into the store for its jobs: each once, and deleted when no job needs it any more."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from pipeline.object_store import Place
from pipeline.parcels import Parcel, clips_of_job
from pipeline.picture_stages import ClipJob


class SentFiles:
    """What lies in the store under `in/`, by SHA-256, and for which jobs."""

    def __init__(self, place: Place, *, travel: bool) -> None:
        self._place, self._travel = place, travel
        self._uses: Counter[str] = Counter()
        # A visit looks at its clips again for the pictures that it keeps: they are not sent twice.
        self._for_visit: dict[Path, set[str]] = {}

    def put(self, parcel: Parcel) -> None:
        """Put a job's files into the store, where they travel that way.

        Raises
        ------
        ClusterError
            The store cannot be used.
        """
        if not self._travel:
            return
        waiting = set().union(*self._for_visit.values())
        for sha256, path in _files(parcel).items():
            if not self._uses[sha256] and sha256 not in waiting:
                self._place.put(f"in/{sha256}", path)
            self._uses[sha256] += 1

    def drop(self, parcel: Parcel, *, is_over: bool) -> None:
        """Delete what no other job needs; `is_over` says that this one is not done again."""
        if not self._travel:
            return
        visit = parcel.job.folder.parent if isinstance(parcel.job, ClipJob) else parcel.job.folder
        kept = self._for_visit.setdefault(visit, set())
        if isinstance(parcel.job, ClipJob):
            if not is_over or parcel.job.settings.run.keep_pictures != "none":
                kept |= set((parcel.clips or {}).values())
        elif is_over:
            kept = self._for_visit.pop(visit)
        for sha256 in _files(parcel):
            self._uses[sha256] -= 1
        waiting = set().union(*self._for_visit.values())
        for sha256 in {*_files(parcel), *kept} - waiting:
            if self._uses[sha256] <= 0:
                del self._uses[sha256]
                self._place.remove(f"in/{sha256}")


def _files(parcel: Parcel) -> dict[str, Path]:
    """Where the files of a parcel lie on this machine, by SHA-256."""
    paths = [clip.path for clip in clips_of_job(parcel.job)]
    files = {item.sha256: parcel.root / name for name, item in parcel.items.items()}
    return files | {sha256: paths[number] for number, sha256 in (parcel.clips or {}).items()}
