"""The landmark step opens no internet socket, watched from below the native code that reads the video."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests import socket_guard
from tests.clip_files import example_clip

ROOT = Path(__file__).parents[1]
GUARD = ROOT / "tests" / "socket_guard.py"

# Twenty frames of a person walking, so that detector and landmark model both run; saved and loaded again.
LANDMARK_STEP = """
import sys
from itertools import islice
from pathlib import Path
from pipeline.landmarks import detect_landmarks
from pipeline.track_file import load_track, save_track
from pipeline.pictures import blur_faces, save_picture
from pipeline.video import chosen_pictures, read_frames

clip, folder = Path(sys.argv[1]), Path(sys.argv[2])
middle = sum(1 for _ in read_frames(clip)) // 2
track = detect_landmarks(islice(read_frames(clip), middle, middle + 20), model="full")
save_track(folder / "landmarks.npz", track)
seen = load_track(folder / "landmarks.npz").n_people
save_picture(folder / "frame.png", blur_faces(dict(chosen_pictures(clip, [middle]))[middle], track.xy_px[0]))
print("people:", seen.sum())
"""
NATIVE_SOCKET = "import ctypes; ctypes.CDLL(None).socket({family}, 1, 0)"
SOCKETS = {
    "native IPv4": NATIVE_SOCKET.format(family=2),
    "native IPv6": NATIVE_SOCKET.format(family=10),
    "native, in a thread": "import ctypes, threading; t = threading.Thread("
    "target=lambda: ctypes.CDLL(None).socket(2, 2, 0)); t.start(); t.join()",
    "Python": "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM).close()",
    # Answered from the machine's own table of hosts; the C library asks which protocols the machine has.
    "name look-up": "import socket; socket.getaddrinfo('localhost', 80, flags=socket.AI_ADDRCONFIG)",
    "in a child process": "import subprocess, sys; sys.exit(subprocess.run([sys.executable, '-c', "
    "'import socket; socket.socket()']).returncode)",
}

guarded = pytest.mark.skipif(not socket_guard.is_supported(), reason="written for Linux on x86_64 and aarch64")


def run(program: str, folder: Path, *before: str, guard: bool) -> subprocess.CompletedProcess[str]:
    """Run a program's text in a process of its own, with the example clip and a folder as arguments."""
    script = folder / "program.py"
    script.write_text(program, encoding="utf-8")
    arguments = [str(script), str(example_clip()), str(folder)]
    command = [*before, sys.executable, *([str(GUARD)] if guard else []), *arguments]
    environment = {"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False)


@guarded
@pytest.mark.parametrize("kind", SOCKETS)
def test_the_guard_catches_a_socket(kind: str, tmp_path: Path) -> None:
    """Without the guard the same program ends well, so it is the guard that ends it."""
    assert run(SOCKETS[kind], tmp_path, guard=False).returncode == 0
    caught = run(SOCKETS[kind], tmp_path, guard=True).returncode
    # The grandchild is killed, and its parent passes its negative status on as an unsigned byte.
    assert caught in (-signal.SIGSYS, 256 - signal.SIGSYS)


@guarded
def test_the_guard_lets_a_socket_inside_the_machine_pass(tmp_path: Path) -> None:
    done = run("import socket; socket.socket(socket.AF_UNIX).close(); print('ok')", tmp_path, guard=True)
    assert (done.returncode, done.stdout) == (0, "ok\n")


@guarded
def test_the_landmark_step_opens_no_internet_socket(tmp_path: Path) -> None:
    done = run(LANDMARK_STEP, tmp_path, guard=True)
    assert done.returncode == 0, done.stderr
    # Somebody was seen, so the whole estimator ran, and the native log lines stay off the screen.
    assert re.fullmatch(r"people: [1-9]\d*\n", done.stdout)
    assert done.stderr == ""


@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_a_system_call_trace_shows_no_internet_socket(tmp_path: Path) -> None:
    """Outside check of the guard: strace lists the network calls of every thread and child."""
    strace = [str(shutil.which("strace")), "-f", "-e", "trace=network", "-o", str(tmp_path / "trace.txt")]
    internet = re.compile(r"AF_INET6?|AF_NETLINK|AF_PACKET")
    run(SOCKETS["Python"], tmp_path, *strace, guard=False)
    assert internet.search((tmp_path / "trace.txt").read_text(encoding="utf-8"))
    done = run(LANDMARK_STEP, tmp_path, *strace, guard=False)
    assert done.returncode == 0, done.stderr
    assert not internet.search((tmp_path / "trace.txt").read_text(encoding="utf-8"))
