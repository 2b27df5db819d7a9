"""A run as numbers for a monitoring system: the open text exposition format, version 0.0.4.

Only counts, no name of a clip, a visit or a person.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

from pipeline.run_record import RunSummary

PREFIX = "strideledger_"
STATES = ("started", "done", "interrupted")


def metrics_text(run: RunSummary, *, waiting_files: int | None = None) -> str:
    """The text of a run. `waiting_files` are those that a watch waits for. [1]

    Notes
    -----
    Names end in their unit, counts that only grow in `_total` (the format's naming practice). What is not known is left
    out.
    """
    counts = {state: run.clips.get(state, 0) for state in ("done", "failed")}
    counts["at_work"] = sum(told.name.startswith("clip ") for told in run.at_work)
    counts["waiting"] = max(0, run.n_clips - sum(counts.values())) if run.state == "started" else 0
    started, alive, news = (_seconds(time) for time in (run.run.started, run.alive, run.news))
    until = _seconds(run.run.finished) if run.run.finished else alive
    parts = [
        _family("run_state", "gauge", "1 for the state of the run.", _by("state", {s: s == run.state for s in STATES})),
        _family("clips", "gauge", "Clips of the run by state.", _by("state", counts)),
        _family("clips_unchanged", "gauge", "Clips done that were taken over whole.", [("", run.unchanged)]),
        _family("visits", "gauge", "Visits by the state of their report.", _by("state", _visit_counts(run))),
        _family("frames_total", "counter", "Frames looked at in the run.", [("", run.frames)]),
        _family("start_timestamp_seconds", "gauge", "When the run started.", [("", started)]),
        _family("alive_timestamp_seconds", "gauge", "Last sign of life of the run.", [("", alive)]),
        _family("news_timestamp_seconds", "gauge", "When its work last told something.", [("", news)]),
        _family("duration_seconds", "gauge", "How long the run has been at work.", [("", max(0.0, until - started))]),
        _family("clip_peak_memory_bytes", "gauge", "Most memory of a clip's process.", [("", run.peak_bytes)]),
    ]
    if run.seconds_left is not None:
        parts.append(_family("time_left_seconds", "gauge", "Estimated time left.", [("", run.seconds_left)]))
    if waiting_files is not None:
        parts.append(_family("watch_waiting_files", "gauge", "Files that a watch waits for.", [("", waiting_files)]))
    return "".join(parts)


def _visit_counts(run: RunSummary) -> dict[str, int]:
    """Visits by state."""
    counts = {state: run.visits.get(state, 0) for state in ("done", "failed")}
    return {**counts, "waiting": max(0, run.n_visits - sum(counts.values()))}


def _by(label: str, values: Mapping[str, float]) -> list[tuple[str, float]]:
    """Samples told apart by a label."""
    return [(f'{{{label}="{name}"}}', value) for name, value in values.items()]


def _family(name: str, kind: str, about: str, samples: Iterable[tuple[str, float]]) -> str:
    """One metric with its help, type and samples."""
    lines = [f"# HELP {PREFIX}{name} {about}", f"# TYPE {PREFIX}{name} {kind}"]
    lines += [f"{PREFIX}{name}{labels} {float(value):.17g}" for labels, value in samples]
    return "\n".join(lines) + "\n"


def _seconds(time: str) -> float:
    """A time as `now_text` writes it, in seconds since 1970; 0 for none. [s]"""
    try:
        return datetime.strptime(time, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC).timestamp()
    except ValueError:
        return 0.0
