"""Small valid files of every kind that the program reads, to be spoilt by tests."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.landmark_file import pack, unpack
from pipeline.model import LandmarkTrack, VideoInfo
from pipeline.outline import GRID_CELLS, Outlines, bits_of, load_outlines, save_outlines
from pipeline.picture_stages import STAGE_VERSIONS, picture_files
from pipeline.pixels import PictureFacts
from pipeline.pylon import PylonTrack, load_pylon, save_pylon
from pipeline.store import read_json, write_json
from pipeline.track_file import load_track, save_track

MANIFEST = (
    "subject,visit,date,clip,view,prosthetic_side,height_m,known_length_m,known_length_px,level,aid,footwear,"
    "walker_at,changes\n"
    "P01,01,2026-03-14,clips/P01-01-side.mp4,sagittal,left,1.72,2.0,412,transfemoral,stick,own trainers,"
    "2.0 640 410,heel softer\n"
    "P01,02,2026-04-14,clips/P01-02-front.landmarks,anterior,left,1.72,,,,none,,,\n"
)
SETTINGS = '[signals]\ncutoff_hz = 5.5\n\n[run]\nworkers = 2\nkeep_pictures = "none"\nlanguage = "en"\n'
NAMES = picture_files("sagittal")
N_FRAMES = 4


def small_clip(folder: Path) -> Path:
    """A folder with the files of a clip of four frames from the side, filled with made-up numbers."""
    folder.mkdir(parents=True, exist_ok=True)
    time_s = np.arange(N_FRAMES) / 30.0
    track = LandmarkTrack(
        time_s=time_s,
        xy_px=np.full((N_FRAMES, 33, 2), 100.0),
        visibility=np.ones((N_FRAMES, 33)),
        world_m=np.zeros((N_FRAMES, 33, 3)),
        n_people=np.ones(N_FRAMES, dtype=np.int64),
        width_px=640,
        height_px=480,
        model="heavy",
        model_sha256="0" * 64,
        mediapipe_version="0",
        opencv_version="0",
    )
    save_track(folder / "landmarks.npz", track)
    masks = np.zeros((N_FRAMES, *GRID_CELLS), dtype=bool)
    save_outlines(folder / "outlines.npz", Outlines(bits_of(masks), np.zeros((N_FRAMES, 2)), np.ones(N_FRAMES)))
    save_pylon(folder / "pylon.npz", PylonTrack(np.zeros((N_FRAMES, 2, 2)), np.zeros(N_FRAMES)))
    write_json(folder / "video.json", VideoInfo(640, 480, N_FRAMES, N_FRAMES, 0.13, 30.0, 30.0, 0, False, True))
    write_json(folder / "pictures.json", PictureFacts(0.5, 0.5, 0.5))
    return folder


def packed(folder: Path, target: Path) -> Path:
    """The landmark file of a clip's folder."""
    pack(
        folder, target, NAMES, view="sagittal", prosthetic_sides=("left",), clip_sha256="0" * 64, stages=STAGE_VERSIONS
    )
    return target


def read_landmark_file(path: Path, folder: Path) -> None:
    """Take everything out of a landmark file, as a run does, and read it."""
    unpack(
        path,
        folder,
        NAMES,
        view="sagittal",
        prosthetic_sides=("left",),
        stages=STAGE_VERSIONS,
        item="clip walk",
    )
    read_clip(folder)


def read_clip(folder: Path) -> None:
    """Read the files of a clip's folder."""
    read_json(folder / "video.json", VideoInfo)
    read_json(folder / "pictures.json", PictureFacts)
    track = load_track(folder / "landmarks.npz")
    assert track.xy_px.shape == (len(track.time_s), 33, 2)
    load_outlines(folder / "outlines.npz")
    load_pylon(folder / "pylon.npz")


def members(data: bytes) -> dict[str, bytes]:
    """Content of an archive by name."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def archive(contents: dict[str, bytes], compression: int = zipfile.ZIP_STORED, **entry: Any) -> bytes:
    """An archive of files; `entry` changes what the list at its end says of each."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", compression) as made:
        for name, data in contents.items():
            made.writestr(name, data)
        for info in made.infolist():
            for key, value in entry.items():
                setattr(info, key, value)
    return buffer.getvalue()
