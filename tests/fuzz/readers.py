"""Fuzz the readers of files from outside, guided by which lines of the program an input reaches.

    pip install atheris
    PYTHONPATH=. python tests/fuzz/readers.py manifest -max_total_time=200 -rss_limit_mb=2048 -timeout=10
    PYTHONPATH=. python tests/fuzz/readers.py toml -max_total_time=200 -rss_limit_mb=2048 -timeout=10
    PYTHONPATH=. python tests/fuzz/readers.py landmarks -max_total_time=200 -rss_limit_mb=2048 -timeout=10

An input is a finding when a reader raises anything but a `PipelineError`, takes longer than ten seconds, or more than
2 GB of memory. Findings are kept as tests in `tests/test_fuzz.py`; `pipeline/docs/security.md` tells what the last
fuzzing found. Pytest does not collect this file.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import atheris

with atheris.instrument_imports(
    include=["pipeline", "tomllib", "zipfile", "csv", "tests"], exclude=["pipeline.metrics", "pipeline.report"]
):
    from pipeline import causes_file
    from pipeline.config import load_settings
    from pipeline.errors import PipelineError
    from pipeline.manifest import read_manifest
    from pipeline.recorded import load_measures
    from pipeline.thresholds import limits_from_text, load_limits
    from tests import hostile_files

SCRATCH = Path(tempfile.mkdtemp(prefix="fuzz-"))
CONFIGS = Path(__file__).parents[2] / "configs"
# The shipped limits are read once: they are not what is looked at.
causes_file.load_limits = cache(load_limits)  # type: ignore[attr-defined]


def of_manifest(data: bytes) -> None:
    """The study's table."""
    (SCRATCH / "manifest.csv").write_bytes(data)
    assert read_manifest(SCRATCH)


def of_toml(data: bytes) -> None:
    """Settings, causes, list of measures or limits, by the first byte."""
    path = SCRATCH / "own.toml"
    path.write_bytes(data[1:])
    kind = data[0] % 4 if data else 0
    if kind == 0:
        load_settings(path)
    elif kind == 1:
        causes_file.load_causes(path)
    elif kind == 2:
        load_measures(path)
    else:
        limits_from_text(data[1:].decode("utf-8", errors="surrogateescape"), "own")


def of_landmarks(data: bytes) -> None:
    """A landmark file as it is, or one whole but for a member that is spoilt, by the first byte."""
    path, folder = SCRATCH / "walk.landmarks", SCRATCH / "clip"
    if not data or data[0] % 2 == 0:
        path.write_bytes(data[1:])
    else:
        files = SCRATCH / "clip-of-seeds"
        name = hostile_files.NAMES[data[0] // 2 % len(hostile_files.NAMES)]
        whole, content = (files / name).read_bytes(), data[1:]
        if name.endswith(".npz") and len(data) > 1:
            arrays = hostile_files.members(whole)
            arrays[sorted(arrays)[data[1] % len(arrays)]] = data[2:]
            content = hostile_files.archive(arrays)
        (files / name).write_bytes(content)
        hostile_files.packed(files, path)
        (files / name).write_bytes(whole)
    hostile_files.read_landmark_file(path, folder)


TARGETS: dict[str, Callable[[bytes], None]] = {"manifest": of_manifest, "toml": of_toml, "landmarks": of_landmarks}


def seeds(target: str) -> list[bytes]:
    """Valid inputs to begin with."""
    if target == "manifest":
        return [hostile_files.MANIFEST.encode(), hostile_files.MANIFEST.replace(",", ";").encode()]
    if target == "toml":
        files = (None, CONFIGS / "causes.toml", CONFIGS / "recorded.toml", CONFIGS / "checks/vaulting.toml")
        texts = [file.read_bytes() if file else hostile_files.SETTINGS.encode() for file in files]
        return [bytes([kind]) + text for kind, text in enumerate(texts)]
    clip = hostile_files.small_clip(SCRATCH / "clip-of-seeds")
    found = [b"\0" + hostile_files.packed(clip, SCRATCH / "seed.landmarks").read_bytes()]
    for number, name in enumerate(hostile_files.NAMES):
        kind, content = bytes([2 * number + 1]), (clip / name).read_bytes()
        if name.endswith(".npz"):
            arrays = hostile_files.members(content)
            found += [kind + bytes([at]) + arrays[one][:400] for at, one in enumerate(sorted(arrays))]
        else:
            found.append(kind + content)
    return found


def main() -> None:
    """Fuzz one target until the time is over."""
    target = sys.argv.pop(1)
    corpus = SCRATCH / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(seeds(target)):
        (corpus / str(number)).write_bytes(seed)

    def one_input(data: bytes) -> None:
        try:
            TARGETS[target](data)
        except PipelineError as error:
            str(error)

    atheris.Setup([*sys.argv, str(corpus)], one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
