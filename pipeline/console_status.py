"""The status of a results folder on the screen."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from pipeline.console import plain_console, show_table
from pipeline.run_record import BEAT_S, AtWork, seconds_since
from pipeline.status import NoReport, Status
from pipeline.time_left import in_words
from pipeline.watch_record import WatchRecord

# Visits without a report that are named for one reason. Own choice.
MOST_NAMED = 5


def status_lines(status: Status) -> Iterator[str]:
    """The lines above and below the tables of `show_status`."""
    yield f"run {status.run_id}: {_state_words(status)}"
    if status.watch is not None:
        yield f"watch: {_watch_words(status)}"
        yield from status.watch.unreadable.values()
        if status.watch.problem:
            yield status.watch.problem
    clips = status.clips
    unchanged = f" ({clips['unchanged']} of them unchanged)" if clips["unchanged"] else ""
    yield (
        f"clips: {clips['done']} done{unchanged}, {clips['failed']} failed, {clips['at work']} at work, "
        f"{clips['not ended']} waiting"
    )
    visits = status.visits
    yield f"visits: {visits['done']} reports, {visits['failed']} failed, {visits['waiting']} waiting"
    memory = f", most memory of one process {status.peak_bytes / 1e6:.0f} MB" if status.peak_bytes else ""
    yield f"frames looked at: {status.frames}{memory}"
    low = "; that is little: make room before it is used up" if status.low_space else ""
    yield f"free disk space: {status.free_bytes / 1e9:.1f} GB{low}"


def show_status(status: Status) -> None:
    """Print the state of the latest run, what it is at, what failed with what to do, and what has no report."""
    console = plain_console()
    for line in status_lines(status):
        console.print(line, soft_wrap=True)
    if status.at_work:
        console.print()
        show_table(("at work", "stage", "frames", "since"), [_work_row(told) for told in status.at_work])
    if status.failures:
        console.print()
        show_table(
            ("failed", "what was found", "for example", "what to do"),
            [(str(kind.count), kind.found, ", ".join(kind.examples), kind.do) for kind in status.failures],
        )
    if status.without_report:
        console.print("\nwithout a report")
        for line in _missing_lines(status.without_report):
            console.print(line, soft_wrap=True)


def _state_words(status: Status) -> str:
    """The state with what belongs to it."""
    if status.state == "at work":
        ago_s = seconds_since(status.news)
        quiet = f"; nothing new for {ago_s:.0f} s" if ago_s > 10 * BEAT_S else ""
        return f"at work since {status.started}, {in_words(status.seconds_left)}{quiet}"
    if status.state == "killed":
        return (
            f"killed: no sign of life since {status.alive or status.started}. "
            "The same command goes on from what is finished."
        )
    if status.state == "interrupted":
        return f"interrupted at {status.finished}. The same command goes on from what is finished."
    return f"done at {status.finished}"


def _watch_words(status: Status) -> str:
    """The state of the watch, and what it waits for."""
    watch: WatchRecord | None = status.watch
    if watch is None:
        return ""
    if status.watch_state == "killed":
        return f"killed: no sign of life since {watch.alive}. The same command goes on."
    if status.watch_state == "ended":
        return f"ended at {watch.alive}"
    waiting = ", ".join(f"{count} {name}" for name, count in watch.waiting.items()) or "nothing"
    names = f" ({', '.join(watch.names)})" if watch.names else ""
    return f"at work since {watch.started}; waits for: {waiting}{names}"


def _work_row(told: AtWork) -> tuple[str, ...]:
    """A line about a clip or a visit at work."""
    frames = f"{told.done} of {told.total}" if told.total else ""
    return (told.name, told.stage, frames, told.since)


def _missing_lines(missing: tuple[NoReport, ...]) -> Iterator[str]:
    """What has no report, by the reason; the visits themselves where the reason is theirs alone."""
    counts = Counter(one.why for one in missing)
    for why, count in counts.items():
        names = [one.name for one in missing if one.why == why]
        more = f" and {count - MOST_NAMED} more" if count > MOST_NAMED else ""
        yield f"{', '.join(names[:MOST_NAMED])}{more}: {why}"
