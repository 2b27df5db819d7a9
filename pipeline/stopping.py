"""Stopping from outside: Ctrl-C, and the request of a system to end, both once and cleanly.

The first signal raises; whatever is under way puts its things in order on the way out. A second one is passed over,
since it would break into that. Processes of single clips hear neither: the run ends them.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

# What a shell shows for a command that a signal ended (POSIX, 2.8.2: more than 128, by custom 128 + its number).
EXIT_BASE = 128


class Terminated(KeyboardInterrupt):
    """The system, or a closed terminal, asked the program to end; handled wherever Ctrl-C is."""

    def __init__(self, number: int = signal.SIGTERM) -> None:
        super().__init__()
        self.number = number


def exit_code(stopped: KeyboardInterrupt) -> int:
    """The exit code after a stop: 130 for Ctrl-C, 143 for a request to end."""
    return EXIT_BASE + (stopped.number if isinstance(stopped, Terminated) else signal.SIGINT)


def _signals() -> tuple[signal.Signals, ...]:
    """The signals that ask for an end; a closed terminal is known on POSIX only."""
    return tuple(
        getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if getattr(signal, name, None) is not None
    )


def _in_main_thread() -> bool:
    """Whether handlers can be set here at all."""
    return threading.current_thread() is threading.main_thread()


@contextmanager
def stoppable() -> Iterator[None]:
    """Let the first request to end raise `KeyboardInterrupt` or `Terminated`, and pass over any later one.

    What the process was told to ignore from its start, as `nohup` does, stays ignored.
    """
    if not _in_main_thread():
        yield
        return
    stopped = False

    def stop(number: int, _: FrameType | None) -> None:
        nonlocal stopped
        if stopped:
            return
        stopped = True
        raise KeyboardInterrupt if number == signal.SIGINT else Terminated(number)

    before = {number: signal.getsignal(number) for number in _signals()}
    for number, handler in before.items():
        if handler is not signal.SIG_IGN:
            signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)


@contextmanager
def starting_process() -> Iterator[None]:
    """Start a process inside that hears no request to end, and hear none here until it is known.

    A signal between its start and the note of its number would leave it behind. In a terminal Ctrl-C goes to
    every process of the group: one that heard it would print a traceback, or be taken for a failed clip. Signals that
    are blocked stay so in a process that is started.
    """
    if not _in_main_thread() or not hasattr(signal, "pthread_sigmask"):
        yield
        return
    came: list[int] = []
    # The mask alone is not enough: another thread may take the signal, and its handler runs in this one.
    before = {number: signal.getsignal(number) for number in _signals()}
    for number, handler in before.items():
        if handler is not signal.SIG_IGN:
            signal.signal(number, lambda caught, _: came.append(caught))
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, before)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for number, handler in before.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        for heard in came[:1]:
            signal.raise_signal(signal.Signals(heard))
