"""Hundreds of clips, some damaged, measured for an hour or more while processes are killed at random."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Annotated

import pandas as pd
import psutil
import typer

from pipeline.bench.soak_study import DAMAGES, persons, soak_study, unnumbered
from pipeline.bench.speed import EXAMPLE
from pipeline.bench.tables import markdown
from pipeline.config import ModelChoice
from pipeline.errors import ConfigError
from pipeline.store import HANDING, JOBS, PARTS

REFERENCE = 0
# Between two kills, and between two looks at the memory. [s] Own choices.
BETWEEN_KILLS_S = (20.0, 400.0)
LOOK_EVERY_S = 0.5
# The start of a process is left out of its memory's growth. [s]
STARTED_S = 60.0
# Which process is killed: the one that was started, that one with all of its own, or one of its own alone.
MAIN, GROUP, ONE = "the run", "the run and its processes", "the process of a clip"
TRACEBACK = "Traceback (most recent call last)"


@dataclass(slots=True)
class Seen:
    """What was seen over all runs: kills, starts, and memory [bytes] at times from the beginning [s]."""

    kills: Counter[str] = field(default_factory=Counter)
    starts: int = 0
    main: list[list[tuple[float, int]]] = field(default_factory=list)
    workers: list[tuple[float, int]] = field(default_factory=list)


def soak(
    out: Annotated[Path, typer.Option(help="A new folder for the studies, results and what the runs printed.")],
    clips: Annotated[
        int, typer.Option(min=1, max=5000, help="Clips at least; whole copies of the example are taken.")
    ] = 500,
    hours: Annotated[float, typer.Option(help="Goes on with new results folders until so much time is over.")] = 1.0,
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.heavy,
    seed: Annotated[int, typer.Option(help="Of the times of kills.")] = 1,
    study: Annotated[Path, typer.Option(help="Study whose clips are copied.")] = EXAMPLE,
) -> None:
    """Print what was lost, wrong or left over after runs whose processes were killed at random, and their memory."""
    if out.exists():
        raise ConfigError("--out", f"{out.name} is there already", "expected a new folder", "Give another name.")
    out.mkdir(parents=True)
    a_copy = sum(len(rows) for rows, _ in persons(study))
    copies = range(REFERENCE + 1, REFERENCE + 1 + -(-clips // a_copy))
    soak_study(study, out / "one", [REFERENCE])
    n_clips = soak_study(study, out / "many", copies)
    undisturbed = _start(out, "one", "reference", model)
    undisturbed.wait()
    wanted = unnumbered(out / "reference")[f"{REFERENCE:02d}"]
    typer.echo(f"reference done, {len(wanted)} files", err=True)
    draw, seen, began_s = random.Random(seed), Seen(), time.monotonic()
    rounds: list[dict[str, int]] = []
    while not rounds or time.monotonic() - began_s < 3600.0 * hours:
        results = f"results-{len(rounds) + 1}"
        _run_to_the_end(out, results, model, draw, seen, began_s)
        rounds.append(compared(out / results, copies, wanted))
        shutil.rmtree(out / results)
        typer.echo(f"{results}: {rounds[-1]}", err=True)
    took_s = time.monotonic() - began_s
    typer.echo(markdown(_table(rounds, seen, n_clips, len(copies) * len(DAMAGES), took_s, out)))


def _start(out: Path, study: str, results: str, model: ModelChoice) -> subprocess.Popen[bytes]:
    """The command as a user starts it, in a group of processes of its own; what it prints is kept."""
    command = [sys.executable, "-m", "pipeline", "run", study, "--out", results, "--model", model.value]
    root = Path(__file__).resolve().parents[2]
    with (out / f"{results}.log").open("ab") as log:
        return subprocess.Popen(
            command, cwd=out, env={**os.environ, "PYTHONPATH": str(root)}, start_new_session=True,
            stdout=log, stderr=subprocess.STDOUT,
        )  # fmt: skip


def _run_to_the_end(
    out: Path, results: str, model: ModelChoice, draw: random.Random, seen: Seen, began_s: float
) -> None:
    """Run and kill, and run again until a run ends that lost no process."""
    disturbed = True
    while disturbed:
        disturbed = False
        run = _start(out, "many", results, model)
        seen.starts += 1
        seen.main.append([])
        kill_at_s = time.monotonic() + draw.uniform(*BETWEEN_KILLS_S)
        while run.poll() is None:
            _look(run.pid, seen, began_s)
            if time.monotonic() > kill_at_s:
                what = draw.choice([MAIN, GROUP, ONE])
                if _kill(run, what, draw):
                    seen.kills[what] += 1
                    disturbed = True
                kill_at_s = time.monotonic() + draw.uniform(*BETWEEN_KILLS_S)
            time.sleep(LOOK_EVERY_S)


def _kill(run: subprocess.Popen[bytes], what: str, draw: random.Random) -> bool:
    """Kill; whether there was something to kill."""
    try:
        if what == GROUP:
            os.killpg(run.pid, signal.SIGKILL)
        elif what == MAIN:
            run.kill()
        else:
            draw.choice(psutil.Process(run.pid).children()).kill()
    except (psutil.NoSuchProcess, ProcessLookupError, IndexError):
        return False
    return True


def _look(pid: int, seen: Seen, began_s: float) -> None:
    """Note the memory of a run and of its processes."""
    with suppress(psutil.NoSuchProcess):
        main = psutil.Process(pid)
        now_s = time.monotonic() - began_s
        seen.main[-1].append((now_s, main.memory_info().rss))
        most = 0
        for child in main.children(recursive=True):
            with suppress(psutil.NoSuchProcess):
                most = max(most, child.memory_info().rss)
        seen.workers.append((now_s, most))


def compared(results: Path, copies: range, wanted: dict[str, str]) -> dict[str, int]:
    """Count files that are missing, too many, or other than those of the undisturbed run, and what was left over."""
    found = unnumbered(results)
    counts: Counter[str] = Counter()
    for copy in copies:
        here = found.get(f"{copy:02d}", {})
        counts["files compared"] += len(wanted)
        counts["missing"] += len(wanted.keys() - here.keys())
        counts["too many"] += len(here.keys() - wanted.keys())
        differing = sorted(name for name in wanted.keys() & here.keys() if here[name] != wanted[name])
        counts["different"] += len(differing)
        for name in differing[:10]:
            typer.echo(f"{results.name}: copy {copy:02d}: {name} differs", err=True)
    counts["left over"] = sum(1 for pattern in (PARTS, f"{JOBS}*", f"{HANDING}*") for _ in results.rglob(pattern))
    return dict(counts)


def _table(
    rounds: list[dict[str, int]], seen: Seen, n_clips: int, n_damaged: int, took_s: float, out: Path
) -> pd.DataFrame:
    """The figures."""
    total = Counter[str]()
    for one in rounds:
        total.update(one)
    printed = "".join(path.read_text(encoding="utf-8", errors="replace") for path in out.glob("*.log"))
    rows: list[tuple[str, float, str]] = [
        ("clips", n_clips, ""),
        ("damaged, among them", n_damaged, ""),
        ("results folders filled", len(rounds), ""),
        ("time", took_s / 3600.0, "h"),
        ("starts", seen.starts, ""),
        *((f"kills of {what}", seen.kills[what], "") for what in (MAIN, GROUP, ONE)),
        *((f"files {name}" if name != "files compared" else name, count, "") for name, count in total.items()),
        ("tracebacks printed", printed.count(TRACEBACK), ""),
        *_memory(seen),
    ]
    return pd.DataFrame(rows, columns=["figure", "value", "unit"])


def _memory(seen: Seen) -> list[tuple[str, float, str]]:
    """Growth of the run that lived longest, and the most memory of a clip's process early and late."""
    longest = max(seen.main, key=len)
    late = [size for at_s, size in longest if at_s > longest[0][0] + STARTED_S] or [size for _, size in longest]
    part = max(1, len(late) // 10)
    half_s = seen.workers[-1][0] / 2
    first, second = ([size for at_s, size in seen.workers if (at_s > half_s) is after] for after in (False, True))
    return [
        ("longest run without a kill", (longest[-1][0] - longest[0][0]) / 60.0, "min"),
        ("its memory, first tenth after a minute", median(late[:part]) / 1e6, "MB"),
        ("its memory, last tenth", median(late[-part:]) / 1e6, "MB"),
        ("most memory of a run", max(size for one in seen.main for _, size in one) / 1e6, "MB"),
        ("most memory of a clip's process, first half", max(first, default=0) / 1e6, "MB"),
        ("most memory of a clip's process, second half", max(second, default=0) / 1e6, "MB"),
    ]
