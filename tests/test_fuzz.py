"""Readers of files from outside, given spoilt ones: a valid object or a `PipelineError`, and nothing else.

The same examples in every run. `tests/fuzz/readers.py` looks further, guided by the lines that an input reaches; what
it found stands at the end as tests with the smallest input.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.causes_file import load_causes
from pipeline.config import load_settings
from pipeline.errors import ManyProblems, PipelineError
from pipeline.judgement import VisitReport
from pipeline.manifest import read_manifest
from pipeline.plain_text import UNSEEN
from pipeline.ratings import read_ratings
from pipeline.recorded import load_measures
from pipeline.review_files import read_corrections
from pipeline.review_table import ASKED, read_requests
from pipeline.stage_record import read_record
from pipeline.store import read_json, write_json
from pipeline.thresholds import limits_from_text
from pipeline.tracking_rules import load_tracking_rules
from tests import hostile_files
from tests import report_fixture as fixture

CONFIGS = Path(__file__).parents[1] / "configs"
few = settings(derandomize=True, database=None, deadline=None, max_examples=30)
many = settings(few, max_examples=80)

# What readers have stumbled over elsewhere, as a cell, a value or a key.
NASTY = [
    *(
        "",
        "\x00",
        "\x1b[2J",
        "\u202e",
        "\ufeff",
        "\n",
        '"',
        "'",
        ",",
        ";",
        "=1+1",
        "\ud7ff",
        "\U0010ffff",
        "ß",
        "$x$",
        "../",
    ),
    *(
        "1e999",
        "-0",
        "nan",
        "inf",
        "1_0",
        "٣",
        "9" * 5000,
        "1979-05-27",
        "true",
        "null",
        "[",
        "{",
        "[" * 300,
        "x" * 2000,
    ),
    *("2026-02-30", "0000-00-00", "P01", "left", "both", "%s", "{0}", "\\", "\\ud800", "CON", "a/b", "🦿"),
]
NASTY_VALUES: list[Any] = [*NASTY, None, True, -1, 0, 10**30, 1e308, [], {}, [[]], {"a": {}}, "NaN"]


@st.composite
def spoilt(draw: st.DrawFn, whole: bytes) -> bytes:
    """A file with up to four changes: a bit turned, a stretch left out, written twice or replaced, the end cut off."""
    data = whole
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, max(0, len(data) - 1)))
        stop = min(len(data), start + draw(st.sampled_from([1, 2, 4, 30, len(data)])))
        kind = draw(st.sampled_from(["bit", "out", "twice", "other", "cut"]))
        if kind == "bit" and data:
            data = data[:start] + bytes([data[start] ^ (1 << draw(st.integers(0, 7)))]) + data[start + 1 :]
        elif kind == "out":
            data = data[:start] + data[stop:]
        elif kind == "twice":
            data = data[:stop] + data[start:stop] + data[stop:]
        elif kind == "other":
            other = draw(st.one_of(st.binary(max_size=12), st.sampled_from(NASTY).map(str.encode)))
            data = data[:start] + other + data[stop:]
        elif kind == "cut":
            data = data[:start]
    return data


@st.composite
def spoilt_cells(draw: st.DrawFn, whole: str) -> bytes:
    """A table with some cells, of the header too, replaced, and quoted as a spreadsheet does."""
    rows = [line.split(",") for line in whole.splitlines()]
    for _ in range(draw(st.integers(1, 3))):
        row = draw(st.sampled_from(rows))
        row[draw(st.integers(0, len(row) - 1))] = draw(st.one_of(st.sampled_from(NASTY), st.text(max_size=8)))
    quoted = ("," if draw(st.booleans()) else ";").join
    lines = (quoted('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows)
    return "\n".join(lines).encode("utf-8", "surrogatepass")


@st.composite
def spoilt_json(draw: st.DrawFn, whole: Any) -> bytes:
    """A record with one to three of its values replaced, at any depth, or their keys left out."""
    value = json.loads(json.dumps(whole))
    for _ in range(draw(st.integers(1, 3))):
        here, key = {"": value}, ""
        while isinstance(here[key], dict | list) and here[key] and draw(st.integers(0, 4)):
            here = here[key]
            keys = list(here) if isinstance(here, dict) else range(len(here))
            key = draw(st.sampled_from(keys))
        if here is not value and draw(st.booleans()) and isinstance(here, dict) and key:
            del here[key]
        else:
            here[key] = draw(st.sampled_from(NASTY_VALUES))
            value = here[key] if key == "" and "" in here and len(here) == 1 else value
    return json.dumps(value).encode()


@contextmanager
def written(name: str, data: bytes) -> Iterator[Path]:
    """A file in a folder of its own."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        yield path


def survives(read: Callable[[Path], object], name: str, data: bytes) -> None:
    """Read a file; a refusal is a message that can be shown on any screen."""
    with written(name, data) as path:
        try:
            read(path)
        except PipelineError as error:
            words = str(error)
            assert not UNSEEN.search(words) and words.encode("utf-8")


# --- tables


def of_study(path: Path) -> None:
    """The manifest of a study: what comes back is safe to name files and to be shown."""
    for clip in read_manifest(path.parent):
        assert clip.path.is_relative_to(path.parent.resolve())
        assert clip.clip_id.isascii() and clip.subject.isalnum() and not UNSEEN.search(clip.changes)


CORRECTIONS = (
    ",".join(column.name for column in ASKED)
    + "\nP01,01,move event,walk,left,contact,1.63,1.70,,,,AB,heel is down later"
    + "\nP01,01,overrule verdict,,,,,,vaulting,present,,AB,seen\n"
)
RATINGS = "rater,subject,visit,fault,verdict,side,size,unit\nAB,P01,01,vaulting,present,left,2.5,cm\n"


@many
@given(st.one_of(spoilt_cells(hostile_files.MANIFEST), spoilt(hostile_files.MANIFEST.encode()), st.binary(max_size=80)))
def test_manifest(data: bytes) -> None:
    survives(of_study, "manifest.csv", data)


@many
@given(st.one_of(spoilt_cells(CORRECTIONS), spoilt(CORRECTIONS.encode())))
def test_corrections(data: bytes) -> None:
    survives(read_requests, "corrections.csv", data)


@few
@given(st.one_of(spoilt_cells(RATINGS), spoilt(RATINGS.encode())))
def test_rating_sheets(data: bytes) -> None:
    survives(lambda path: read_ratings([path], ["vaulting"]), "sheet.csv", data)


# --- TOML


@many
@given(st.one_of(spoilt(hostile_files.SETTINGS.encode()), st.text(max_size=60).map(lambda text: text.encode("utf-8"))))
def test_settings(data: bytes) -> None:
    survives(load_settings, "own.toml", data)


@few
@given(spoilt((CONFIGS / "checks/vaulting.toml").read_bytes()))
def test_limits(data: bytes) -> None:
    survives(lambda path: limits_from_text(path.read_bytes().decode("utf-8", "surrogateescape"), "own"), "a.toml", data)


@cache
def short(name: str, n_lines: int) -> bytes:
    """The beginning of a file of settings."""
    return b"".join((CONFIGS / name).read_bytes().splitlines(keepends=True)[:n_lines])


@few
@given(spoilt(short("recorded.toml", 60)))
def test_list_of_measures(data: bytes) -> None:
    survives(load_measures, "own.toml", data)


@few
@given(spoilt((CONFIGS / "tracking.toml").read_bytes()))
def test_rules_of_tracking(data: bytes) -> None:
    survives(load_tracking_rules, "own.toml", data)


@settings(few, max_examples=15)
@given(spoilt((CONFIGS / "causes.toml").read_bytes()))
def test_causes(data: bytes) -> None:
    survives(load_causes, "own.toml", data)


# --- landmark files and saved results


@cache
def clip_members() -> dict[str, bytes]:
    """The files of a small clip by name."""
    with TemporaryDirectory() as folder:
        clip = hostile_files.small_clip(Path(folder) / "clip")
        return {name: (clip / name).read_bytes() for name in hostile_files.NAMES}


@cache
def landmark_file() -> bytes:
    """A small landmark file."""
    with TemporaryDirectory() as folder:
        return hostile_files.packed(hostile_files.small_clip(Path(folder) / "a"), Path(folder) / "b").read_bytes()


def taken_out(path: Path) -> None:
    """A landmark file unpacked and read; nothing appears outside of the clip's folder."""
    try:
        hostile_files.read_landmark_file(path, path.parent / "clip")
    finally:
        assert {one.name for one in path.parent.iterdir()} <= {path.name, "clip"}


@few
@given(st.data())
def test_landmark_file(data: st.DataObject) -> None:
    survives(taken_out, "walk.landmarks", data.draw(spoilt(landmark_file())))


@few
@given(st.data())
def test_landmark_file_whose_record_is_spoilt(data: st.DataObject) -> None:
    members = hostile_files.members(landmark_file())
    members["made.json"] = data.draw(spoilt_json(json.loads(members["made.json"])))
    survives(taken_out, "walk.landmarks", hostile_files.archive(members))


@few
@given(st.data())
def test_a_file_of_a_clip_that_is_spoilt_inside_its_archive(data: st.DataObject) -> None:
    """The archive is whole and one member is not, which no checksum tells."""
    members = dict(clip_members())
    name = data.draw(st.sampled_from(sorted(members)))
    if name.endswith(".npz"):
        arrays = hostile_files.members(members[name])
        one = data.draw(st.sampled_from(sorted(arrays)))
        kept = data.draw(st.sampled_from([128, len(arrays[one])]))
        arrays[one] = data.draw(spoilt(arrays[one][:kept])) + arrays[one][kept:]
        members[name] = hostile_files.archive(arrays)
    else:
        members[name] = data.draw(spoilt(members[name]))

    def read(path: Path) -> None:
        for other, content in members.items():
            (path.parent / other).write_bytes(content)
        hostile_files.read_clip(path.parent)

    survives(read, "started", b"")


@cache
def saved(kind: str) -> Any:
    """A saved report, or a correction, as JSON."""
    with TemporaryDirectory() as folder:
        write_json(
            Path(folder) / "a.json", fixture.report() if kind == "report" else fixture.corrections()[0].correction
        )
        return json.loads((Path(folder) / "a.json").read_bytes())


@few
@given(st.data())
def test_saved_report(data: st.DataObject) -> None:
    survives(lambda path: read_json(path, VisitReport), "visit.json", data.draw(spoilt_json(saved("report"))))


@few
@given(st.data())
def test_saved_correction(data: st.DataObject) -> None:
    def read(path: Path) -> None:
        found = read_corrections(path.parents[1])
        assert len(found.records) + len(found.damaged) == 1

    survives(read, "corrections/a.json", data.draw(spoilt_json(saved("correction"))))


RECORD = {
    "state": "done",
    "format": 1,
    "stages": {"a": {"fingerprint": "x", "finished": "now", "seconds": 1.0, "outputs": {"a.csv": "0"}}},
}


@many
@given(st.one_of(spoilt_json(RECORD), spoilt(json.dumps(RECORD).encode())))
@example(json.dumps(RECORD).encode())
def test_record_of_a_folder(data: bytes) -> None:
    with written("record.json", data) as path:
        for stage in read_record(path.parent).stages.values():
            assert all(not Path(name).is_absolute() and ".." not in Path(name).parts for name in stage.outputs)


# --- findings of tests/fuzz/readers.py, each with the smallest input


def test_limits_as_text_with_half_a_character_are_refused() -> None:
    """Found on 2026-11-26: the text of a notebook was encoded before anything looked at it."""
    with pytest.raises(ManyProblems, match="not TOML"):
        limits_from_text("\udcff", "own")
