"""Files made to do harm: each is refused with a message; none hangs the program, fills the memory or leads out."""

from __future__ import annotations

import os
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest

from pipeline import outside
from pipeline.causes_file import load_causes
from pipeline.config import load_settings
from pipeline.errors import ConfigError, ManifestError, ManyProblems, PipelineError, StageError, VideoError
from pipeline.filled_table import LONGEST_CELL, MOST_PROBLEMS, MOST_ROWS
from pipeline.kept import remove_pictures
from pipeline.landmark_file import RECORD
from pipeline.manifest import read_manifest
from pipeline.plain_text import one_line, visible, visible_json
from pipeline.ratings import read_ratings
from pipeline.recorded import load_measures
from pipeline.review_table import read_requests
from pipeline.stage_record import FolderRecord, StageRecord, read_record, run_stage
from pipeline.store import OutputTree, file_sha256, read_json, write_json
from pipeline.strides import load as load_strides
from pipeline.thresholds import limits_from_text, load_limits
from pipeline.toml_record import DEEPEST, MOST_VALUES, toml_values
from pipeline.track_file import load_track
from pipeline.tracking_rules import load_tracking_rules
from pipeline.video import KINDS, probe_video
from tests import hostile_files
from tests.clip_files import example_clip
from tests.studies import make_study, run_command

posix = pytest.mark.skipif(os.name != "posix", reason="pipes, devices and links are POSIX here")
GB = 1 << 30

# Every reader of a file that a person names or that lies in a study, by what it reads.
READERS: dict[str, Callable[[Path], object]] = {
    "manifest.csv": lambda path: read_manifest(path.parent),
    "ratings.csv": lambda path: read_ratings([path], ["vaulting"]),
    "corrections.csv": read_requests,
    "settings.toml": load_settings,
    "causes.toml": load_causes,
    "recorded.toml": load_measures,
    "tracking.toml": load_tracking_rules,
    "limits.toml": lambda path: load_limits(path.parent),
    "walk.landmarks": lambda path: hostile_files.read_landmark_file(path, path.parent / "clip"),
    "landmarks.npz": load_track,
    "visit.json": lambda path: read_json(path, dict[str, str]),
    "strides.csv": lambda path: load_strides(path.parent),
}
readers = pytest.mark.parametrize("name", READERS)


def refused(name: str, path: Path) -> str:
    """The message with which a reader refuses a file; it takes less than two seconds."""
    started_s = time.process_time()
    with pytest.raises(PipelineError) as caught:
        READERS[name](path)
    assert time.process_time() - started_s < 2.0
    return str(caught.value)


LEAD_OUT = ["../walk.mp4", "/etc/passwd", "a/../../walk.mp4", "C:/walk.mp4", "a\\walk.mp4", "..", ".", "a//../../b.mp4"]
SHELL = [
    "$(reboot).mp4",
    "a;b.mp4",
    "-r.mp4",
    "`id`.mp4",
    "a b.mp4",
    "'a'.mp4",
    "walk\u0430.mp4",
    "%d.png",
    "http://a/b?c",
]
BAD_TOML = [
    *("a = 1e999", "[signals]\ncutoff_hz = 1e999", "[signals]\ncutoff_hz = nan", "a = " + "[" * 9000, "a = 1\na = 1"),
    *("a = 0x" + "f" * 5000, '"\x1b[2J" = 1', '"' + "k" * 10_000 + '" = 1', "signals = 1", "[[check]]\n" * 999),
]


# --- size and kind of a file


@readers
def test_a_file_of_a_gigabyte_is_refused_before_it_is_read(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    with path.open("wb") as file:
        file.truncate(GB)
    words = refused(name, path)
    assert "cannot be" in words and "has 1024 MB; at most" in words


@posix
@readers
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "ring of links"])
def test_what_is_no_file_is_refused_and_not_waited_for(tmp_path: Path, name: str, kind: str) -> None:
    path = tmp_path / name
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(Path("/dev/zero") if kind == "device" else path)
    assert refused(name, path)


@posix
def test_a_clip_that_became_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "walk.mp4")
    with pytest.raises(VideoError, match=r"walk\.mp4: no ordinary file; expected a video file"):
        probe_video(tmp_path / "walk.mp4")
    with pytest.raises(OSError, match="is no ordinary file"):
        file_sha256(tmp_path / "walk.mp4")


# --- tables that a person fills in


def manifest_of(folder: Path, **cells: str) -> Path:
    """A study whose one row has these cells."""
    folder.mkdir(exist_ok=True)
    return make_study(folder / "study", {"walk.mp4": "01"}, **cells)


@pytest.mark.parametrize("column", ["changes", "footwear", "subject", "clip"])
def test_a_cell_of_ten_thousand_characters_is_refused_without_repeating_it(tmp_path: Path, column: str) -> None:
    with pytest.raises(ManyProblems) as caught:
        read_manifest(manifest_of(tmp_path, **{column: "x" * 10_000}))
    assert f"row 2, column {column}: found 10000 characters; expected up to {LONGEST_CELL}." in str(caught.value)
    assert "xxxxx" not in str(caught.value).replace("10000", "") or column in ("footwear",)
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize("mark", ["\u202e", "\u2067", "\u200f", "\u200b", "\u2028", "\x1b", "\x00", "\x9b", "\ufeff"])
@pytest.mark.parametrize("column", ["changes", "footwear", "subject", "clip"])
def test_a_mark_that_cannot_be_seen_is_refused_and_named(tmp_path: Path, mark: str, column: str) -> None:
    with pytest.raises(ManyProblems) as caught:
        read_manifest(manifest_of(tmp_path, **{column: f"a{mark}b"}))
    assert f"column {column}: found the sign U+{ord(mark):04X}, which cannot be seen" in str(caught.value)
    assert mark not in str(caught.value)


def test_words_of_other_languages_pass(tmp_path: Path) -> None:
    """Hebrew, Persian with its joiner of no width, Hindi with its own, Chinese, an emoji, letters with accents."""
    words = "עקב רך יותר; می\u200cخواهم; क्\u200dष; 鞋跟更软; \U0001f9bf\ufe0f; Füße müde"
    assert read_manifest(manifest_of(tmp_path, changes=words))[0].changes == words


def test_a_line_break_in_a_cell_becomes_a_space_and_nothing_else_changes(tmp_path: Path) -> None:
    assert read_manifest(manifest_of(tmp_path / "a", changes="heel softer,\r\nfoot\tturned"))[0].changes == (
        "heel softer, foot turned"
    )
    # As earlier versions had it: results of such a visit stay valid.
    assert read_manifest(manifest_of(tmp_path / "b", changes="two  spaces"))[0].changes == "two  spaces"


@pytest.mark.parametrize("clip", [*LEAD_OUT, *SHELL])
def test_names_that_lead_out_or_speak_to_a_shell_are_refused(tmp_path: Path, clip: str) -> None:
    with pytest.raises(ManyProblems, match="row 2, column clip: found"):
        read_manifest(make_study(tmp_path / "study", {clip: "01"}))


@posix
def test_links_out_of_the_study_are_refused_for_clip_folder_and_table(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "walk.mp4").write_bytes(b"theirs")
    study = make_study(tmp_path / "study", {"walk.mp4": "01"})
    (study / "walk.mp4").symlink_to(elsewhere / "walk.mp4")
    with pytest.raises(ManyProblems, match=r'"walk\.mp4" is a link that leads outside'):
        read_manifest(study)
    study = make_study(tmp_path / "other", {"clips/walk.mp4": "01"})
    (study / "clips").symlink_to(elsewhere)
    with pytest.raises(ManyProblems, match=r'"clips/walk\.mp4" is a link that leads outside'):
        read_manifest(study)
    (study / "manifest.csv").rename(elsewhere / "manifest.csv")
    (study / "manifest.csv").symlink_to(elsewhere / "manifest.csv")
    with pytest.raises(
        ManifestError, match=r"manifest.csv: is a link that leads outside; expected a file in the study"
    ):
        read_manifest(study)


@posix
def test_a_ring_of_links_is_a_clip_without_its_file(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study", {"walk.mp4": "01"})
    (study / "walk.mp4").symlink_to(study / "walk.mp4")
    assert not read_manifest(study)[0].path.is_file()


def test_a_table_full_of_mistakes_ends(tmp_path: Path) -> None:
    """Ten thousand wrong rows; megabytes of columns, of rows beyond all need, and of one cell."""
    names = ",".join(hostile_files.MANIFEST.partition("\n")[0].split(","))
    (tmp_path / "manifest.csv").write_text(names + "\n" + "x\n" * 10_000)
    with pytest.raises(ManyProblems) as caught:
        read_manifest(tmp_path)
    assert len(caught.value.problems) < MOST_PROBLEMS + 20 and "were not looked at" in caught.value.problems[-1]
    assert str(caught.value).count("\n") < 210
    for content in ("," * 15_000_000, "\n" * (MOST_ROWS + 1), '"' + "x" * 15_000_000):
        (tmp_path / "manifest.csv").write_text(content)
        assert "is not a table" in refused("manifest.csv", tmp_path / "manifest.csv")


# --- TOML


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = " + "[" * 50_000, "nested too deeply"),
        ("a = " + "[" * (DEEPEST + 2) + "]" * (DEEPEST + 2), "nested too deeply"),
        (".".join("a" * 90) + " = 1", "nested too deeply"),
        (" . ".join("a" * 500_000) + " = 1", "more than 100 dots"),
        ("a = " + "9" * 5000, "integer string conversion"),
        ("a = 0x" + "f" * 5000, "a whole number beyond 64 bits"),
        (f"a = [{'1,' * MOST_VALUES}]", f"more than {MOST_VALUES} values"),
        ('a = "\u202e"', "U+202E"),
        ('a = "\\u001b[2J"', "U+001B"),
        ('"\u200b" = 1', "U+200B"),
        ("a = 1\na = 2", "Cannot overwrite a value"),
        ("[a]\n[a]", "Cannot declare"),
        ('a = "\\ud800"', "not a Unicode scalar value"),
        ("a = \x00", "Invalid value"),
    ],
    ids=range(14),
)
def test_toml_that_no_message_or_page_could_show_is_refused(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=words.replace("+", r"\+")):
        toml_values(text.encode())


@pytest.mark.parametrize("name", [name for name in READERS if name.endswith(".toml")])
@pytest.mark.parametrize("text", BAD_TOML, ids=range(len(BAD_TOML)))
def test_every_reader_of_toml_says_what_is_wrong_in_a_few_lines(tmp_path: Path, name: str, text: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    words = refused(name, path)
    assert "\x1b" not in words and max(map(len, words.splitlines())) < 4200


def test_a_limit_without_bounds_is_refused() -> None:
    with pytest.raises(ManyProblems, match="not TOML"):
        limits_from_text("a = " + "[" * 9000, "own")
    with pytest.raises(ManyProblems):
        limits_from_text("\ud800", "own")


# --- archives


def test_a_landmark_file_that_swells_is_refused(tmp_path: Path) -> None:
    """600 MB of zeros in 0.6 MB."""
    path = tmp_path / "walk.landmarks"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as made, made.open("bomb", "w") as member:
        for _ in range(60):
            member.write(bytes(10_000_000))
    assert "its files have 572 MB; at most 500 MB are unpacked" in refused("walk.landmarks", path)


def test_no_more_is_unpacked_than_an_archive_announces(tmp_path: Path) -> None:
    """An archive may say that a member has 10 bytes when it has 50 million."""
    path = tmp_path / "bomb.zip"
    path.write_bytes(hostile_files.archive({"a": bytes(50_000_000)}, zipfile.ZIP_DEFLATED, file_size=10))
    with outside.outside_archive(path) as archive, suppress(outside.DAMAGED):
        assert len(outside.read_member(archive, "a")) <= 10


def test_arrays_that_announce_more_than_they_have_are_refused(tmp_path: Path) -> None:
    """A header of a terabyte, of Python objects, and a member that is no array."""
    clip = hostile_files.small_clip(tmp_path)
    arrays = hostile_files.members((clip / "landmarks.npz").read_bytes())
    for header in (
        b"{'descr': '<f8', 'fortran_order': False, 'shape': (137438953472,), }",
        b"{'descr': '|O', 'shape': ()}",
    ):
        padded = header + b" " * (117 - len(header)) + b"\n"
        bomb = b"\x93NUMPY\x01\x00" + len(padded).to_bytes(2, "little") + padded
        for content in (bomb, b"no array", b""):
            (clip / "landmarks.npz").write_bytes(hostile_files.archive({**arrays, "time_s.npy": content}))
            with pytest.raises(StageError, match=r"landmarks.npz: cannot be read \("):
                load_track(clip / "landmarks.npz")


def test_an_array_file_that_is_a_single_array_is_refused(tmp_path: Path) -> None:
    with (tmp_path / "landmarks.npz").open("wb") as file:
        np.save(file, np.zeros(3))
    assert "cannot be read" in refused("landmarks.npz", tmp_path / "landmarks.npz")


@pytest.mark.parametrize("name", ["xy_px", "visibility", "world_m", "n_people", "time_s"])
@pytest.mark.parametrize("value", [np.zeros((4, 32, 2)), np.array(["a"]), np.zeros(0), np.array(np.nan)], ids=range(4))
def test_landmarks_of_another_form_are_refused(tmp_path: Path, name: str, value: np.ndarray) -> None:
    clip = hostile_files.small_clip(tmp_path)
    with np.load(clip / "landmarks.npz") as stored:
        arrays = dict(stored)
    np.savez(clip / "landmarks.npz", **{**arrays, name: value})
    with pytest.raises(StageError, match=r"landmarks.npz: cannot be read \("):
        load_track(clip / "landmarks.npz")


def test_a_list_of_millions_of_members_is_not_read(tmp_path: Path) -> None:
    """Forty thousand members of no content: the list alone has two megabytes; and the mark of a list for 64 bits."""
    path = tmp_path / "walk.landmarks"
    path.write_bytes(hostile_files.archive({f"{number:06d}": b"" for number in range(40_000)}))
    assert "its list of files is too long" in refused("walk.landmarks", path)
    whole = hostile_files.archive({"a": b""})
    path.write_bytes(whole[:-22] + b"PK\x06\x07" + bytes(16) + whole[-22:])
    assert "its list of files is too long" in refused("walk.landmarks", path)


def test_a_landmark_file_of_an_unknown_stage_is_of_a_newer_program(tmp_path: Path) -> None:
    clip = hostile_files.small_clip(tmp_path / "clip")
    files = hostile_files.members(hostile_files.packed(clip, tmp_path / "walk.landmarks").read_bytes())
    files[RECORD] = files[RECORD].replace(b'"pylon": 1', b'"arms": 0')
    (tmp_path / "walk.landmarks").write_bytes(hostile_files.archive(files))
    assert "made by a newer program" in refused("walk.landmarks", tmp_path / "walk.landmarks")


# --- videos


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("walk.m3u8", "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:5,\n{clip}\n#EXT-X-ENDLIST\n"),
        ("walk.mp4", "ffconcat version 1.0\nfile {clip}\n"),
        ("walk.sdp", "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 5004 RTP/AVP 96\n"),
    ],
)
def test_a_list_that_names_other_files_is_no_clip(tmp_path: Path, name: str, text: str) -> None:
    """The decoder would follow it, out of the study and into the network."""
    (tmp_path / "theirs.mp4").write_bytes(example_clip().read_bytes())
    (tmp_path / name).write_text(text.format(clip="theirs.mp4"))
    with pytest.raises(VideoError, match=f"{name}: it is a text file"):
        probe_video(tmp_path / name)
    assert not {"hls", "concat", "dash", "sdp", "rtsp", "image2"} & set(KINDS.split(","))


def spoilt_header(path: Path, mark: bytes, at: int, value: bytes) -> Path:
    """A copy of an example clip with other bytes after the last place of a mark."""
    data = bytearray(example_clip().read_bytes())
    start = data.rindex(mark) + at
    data[start : start + len(value)] = value
    path.write_bytes(bytes(data))
    return path


def test_a_header_that_announces_a_huge_picture_or_endless_frames_is_survived(tmp_path: Path) -> None:
    """The size in the track header (ISO 14496-12, 8.3.2, 16.16 fixed) and in the sample entry; the count of samples."""
    huge = (60_000).to_bytes(2, "big")
    spoilt_header(tmp_path / "size.mp4", b"avc1", 28, huge + huge)
    spoilt_header(tmp_path / "count.mp4", b"stsz", 12, (10**9).to_bytes(4, "big"))
    for name in ("size.mp4", "count.mp4"):
        try:
            info = probe_video(tmp_path / name)
        except VideoError:
            continue
        assert info.width_px * info.height_px <= outside.LARGEST_PICTURE and info.n_frames < 1000


def test_a_picture_beyond_the_limit_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.video.LARGEST_PICTURE", 1000)
    with pytest.raises(VideoError, match=r"its pictures have \d+ x \d+ pixels; at most 0 million are read"):
        probe_video(example_clip())


# --- results that somebody else made


@contextmanager
def theirs(tmp_path: Path) -> Iterator[Path]:
    """A folder of somebody else with one file, which must still be there afterwards, as the only one."""
    folder = tmp_path / "theirs"
    folder.mkdir()
    (folder / "photo.jpg").write_bytes(b"theirs")
    yield folder
    assert [(path.name, path.read_bytes()) for path in folder.iterdir()] == [("photo.jpg", b"theirs")]


@pytest.mark.parametrize("name", ["../theirs/photo.jpg", "/etc/passwd", "a/../../theirs/photo.jpg", "a\\b", "a\0b"])
def test_a_record_that_names_files_elsewhere_is_not_believed(tmp_path: Path, name: str) -> None:
    """What a record names is deleted before the stage runs again."""
    clip = tmp_path / "clip"
    with theirs(tmp_path):
        write_json(clip / "record.json", FolderRecord("done", stages={"a": StageRecord("x", "now", 0.0, {name: "0"})}))
        assert read_record(clip) == FolderRecord("damaged")
        run_stage(clip, "a", wanted_fingerprint="y", stale=(), work=lambda: ())
        remove_pictures(clip)


@posix
def test_a_link_in_the_results_leads_nowhere_else(tmp_path: Path) -> None:
    visit = tmp_path / "results/sub-P01/ses-01"
    visit.mkdir(parents=True)
    with theirs(tmp_path) as elsewhere:
        (visit / "frames").symlink_to(elsewhere)
        with pytest.raises(ConfigError, match="'ses-01/frames' leads outside of it; expected a place inside"):
            remove_pictures(visit)
        with pytest.raises(ConfigError, match="leads outside"):
            run_stage(visit, "a", wanted_fingerprint="y", stale=("frames/*",), work=lambda: ())
    (visit / "frames").unlink()
    (tmp_path / "other/ses-01").mkdir(parents=True)
    (tmp_path / "other/ses-01/visit.json").write_text("{}")
    (tmp_path / "results/sub-P02").symlink_to(tmp_path / "other")
    with pytest.raises(ConfigError, match="'sub-P02/ses-01' leads outside of it"):
        OutputTree(tmp_path / "results").visit_folders()


# --- messages, logs, the screen


@pytest.mark.parametrize("text", ["a\x1b[2Jb", "a\nurgent: none", "a\rb", "a\u202eb", "a\udcffb", "a\u2029b", "a\x07"])
def test_a_message_is_one_line_and_steers_nothing(text: str) -> None:
    error = PipelineError(text, text, text)
    many = ManyProblems("file", [text])
    assert str(error).isprintable() and str(error).encode("utf-8")
    assert str(many).count("\n") == 1 and str(many).replace("\n", "").isprintable()


def test_marks_in_a_saved_record_are_written_out_wherever_they_stand(tmp_path: Path) -> None:
    nasty = {"plain": "ok\nß°", "a\x1bb": ["\u202e", {"deep": "\udcff\u200b"}]}
    path = tmp_path / "visit.json"
    path.write_bytes(b'{"plain": "ok\\n\xc3\x9f\xc2\xb0", "a\\u001bb": ["\xe2\x80\xae", {"deep": "\\udcff\\u200b"}]}')
    assert read_json(path, dict[str, object]) == {
        "plain": nasty["plain"],
        "a\\x1bb": ["\\u202e", {"deep": "\\udcff\\u200b"}],
    }
    clean = '{"a": "Füße \\\\ \\n"}'.encode()
    assert visible_json(clean) is clean
    assert visible("tab\tand\nline") == "tab\tand\nline" and one_line("tab\tand\nline") == "tab\\tand\\nline"


@posix
def test_a_file_name_of_no_letters_steers_neither_screen_nor_message(tmp_path: Path) -> None:
    """A folder whose name is no UTF-8 and holds an escape sequence, given at the command line."""
    done = run_command("run", "a\x1b[31m\udcff", "--out", "out\x1b[2J", folder=tmp_path)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert done.stderr == (
        "error: a\\x1b[31m\\udcff: no such folder; expected a study folder with manifest.csv. "
        "`strideledger manifest` lists the columns and what goes into them.\n"
    )
