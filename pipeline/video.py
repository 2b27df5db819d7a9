"""Clips in, upright RGB frames with their own timestamps out.

Only this module, `pictures.py` and `skeleton.py` use OpenCV. Times are the frames' own: phones record at a variable
rate, and frame number divided by a nominal rate can be off by more than a whole gait event.
"""

from __future__ import annotations

import os
from collections.abc import Container, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.containers import describe_unreadable, is_picture
from pipeline.errors import VideoError
from pipeline.model import FloatArray, VideoInfo
from pipeline.outside import LARGEST_PICTURE, open_outside

UInt8Array = NDArray[np.uint8]

# Own choice: the rate is called variable when more than this share of the intervals is off the median by
# more than a tenth, beyond what rounding to whole milliseconds (as some recorders do) can explain.
VARIABLE_SHARE = 0.01
VARIABLE_DEVIATION = 0.1
ROUNDING_S = 0.0011
# Files that hold a video themselves, by the decoder's names; playlists name files outside of the study.
KINDS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,mpegvideo,asf,flv,ogg,mxf,h264,hevc,m4v,dv,yuv4mpegpipe"
# A rate beyond this is a time base mistaken for a rate (seen in AVI). [1/s]
HIGHEST_FPS = 1000.0


@dataclass(frozen=True, slots=True)
class Frame:
    """One decoded frame.

    Attributes
    ----------
    index : int
        Frame number from 0, in the order of showing. [1]
    time_s : float
        From the clip's first frame. [s]
    image : (height_px, width_px, 3) uint8
        Upright picture, channels in the order red, green, blue; contiguous.
    """

    index: int
    time_s: float
    image: UInt8Array


def probe_video(path: Path, *, item: str = "") -> VideoInfo:
    """What a clip turns out to be, after all of it was decoded once.

    Parameters
    ----------
    path : Path
        The clip.
    item : str
        How messages name the clip; by default its file name.

    Returns
    -------
    VideoInfo
        Size is that of the upright frame. [px] ``rotation_deg`` is what the file asked to turn it by,
        clockwise, already applied. [deg] ``duration_s`` reaches to the end of the last frame. [s]
        ``n_frames < n_frames_announced`` is a clip that breaks off or lost frames.
        ``timestamps_from_file`` is False where the file's timestamps do not increase, so that times are
        frame number over nominal rate.

    Raises
    ------
    VideoError
        No such file, empty file, not a video, broken off before its index, no video stream, no frame
        that can be decoded, pixels that are not square, or no usable times.

    Notes
    -----
    Only files of the MP4 family store a frame count. For the others the announced count is the announced
    duration times the measured rate, so it may be off by a frame.
    """
    return probe_times(path, item=item)[0]


def probe_times(path: Path, *, item: str = "") -> tuple[VideoInfo, FloatArray]:
    """As `probe_video`, together with the time of each frame from the first one, (n_frames,). [s]"""
    item = item or path.name
    with _opened(path, item) as capture:
        _refuse_odd_pixels(capture, item)
        announced = capture.get(cv2.CAP_PROP_FRAME_COUNT)
        fps_nominal = capture.get(cv2.CAP_PROP_FPS)
        rotation_deg = round(capture.get(cv2.CAP_PROP_ORIENTATION_META))
        width_px = round(capture.get(cv2.CAP_PROP_FRAME_WIDTH))
        height_px = round(capture.get(cv2.CAP_PROP_FRAME_HEIGHT))
        stamps_ms = _decode_timestamps(capture)
    if not stamps_ms.size:
        raise VideoError(
            item,
            f"none of the {max(0, round(announced))} frames that the file announces can be decoded",
            "expected at least one",
            "Copy the clip from the camera again.",
        )
    time_s, from_file = _checked_times(stamps_ms, fps_nominal, item)
    interval_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else 1.0 / max(fps_nominal, 1.0)
    duration_s = float(time_s[-1]) + interval_s
    fps_measured = (time_s.size - 1) / float(time_s[-1]) if time_s.size > 1 else fps_nominal
    if not _has_box_structure(path):
        announced_s = announced / fps_nominal if fps_nominal > 0 and announced > 0 else duration_s
        announced = announced_s * fps_measured
    info = VideoInfo(
        width_px=width_px,
        height_px=height_px,
        n_frames=time_s.size,
        n_frames_announced=round(announced),
        duration_s=duration_s,
        fps_nominal=fps_nominal,
        fps_measured=fps_measured,
        rotation_deg=rotation_deg,
        variable_rate=from_file and is_variable_rate(time_s),
        timestamps_from_file=from_file,
    )
    return info, time_s


def read_frames(
    path: Path, *, info: VideoInfo | None = None, item: str = "", wanted: Container[int] | None = None
) -> Iterator[Frame]:
    """Every frame of a clip that can be decoded, or the chosen ones, in order.

    Parameters
    ----------
    path : Path
        The clip.
    info : VideoInfo, optional
        From `probe_video`; without it the clip is probed first, which decodes it once more.
    item : str
        How messages name the clip; by default its file name.
    wanted : container of int, optional
        Numbers of the frames to give; by default all.

    Yields
    ------
    Frame
        Times increase strictly. A clip that breaks off ends early; `VideoInfo` tells by how much.

    Raises
    ------
    VideoError
        As `probe_video`.
    """
    item = item or path.name
    info = info or probe_video(path, item=item)
    with _opened(path, item) as capture:
        for index, since_ms, image in _decoded(capture, info.n_frames, wanted):
            yield Frame(index, since_ms / 1000.0 if info.timestamps_from_file else index / info.fps_nominal, image)


def chosen_pictures(path: Path, indices: Iterable[int], *, item: str = "") -> Iterator[tuple[int, UInt8Array]]:
    """Give the chosen frames' numbers and pictures in order; numbers that the clip does not reach are left out.

    The clip is decoded from its start, since jumping lands on the wrong frame in many phone clips.
    Pictures are as in `Frame`. Raises `VideoError` where the clip cannot be opened.
    """
    wanted = set(indices)
    if not wanted:
        return
    with _opened(path, item or path.name) as capture:
        for index, _, image in _decoded(capture, max(wanted) + 1, wanted):
            yield index, image


def _decoded(
    capture: cv2.VideoCapture, n_frames: int, wanted: Container[int] | None
) -> Iterator[tuple[int, float, UInt8Array]]:
    """Number, time from the first frame [ms] and picture of the wanted ones of the first frames, to where it ends."""
    start_ms = 0.0
    for index in range(n_frames):
        if not capture.grab():
            return
        stamp_ms = capture.get(cv2.CAP_PROP_POS_MSEC)
        if index == 0:
            start_ms = stamp_ms
        if wanted is None or index in wanted:
            decoded, image = capture.retrieve()
            if not decoded:
                return
            yield index, stamp_ms - start_ms, _to_rgb(image)


def is_variable_rate(time_s: FloatArray) -> bool:
    """Whether the intervals between frames differ by more than rounding.

    Parameters
    ----------
    time_s : (n_frames,)
        Increasing frame times. [s] Fewer than three give False.
    """
    if time_s.size < 3:
        return False
    interval_s = np.diff(time_s)
    median_s = float(np.median(interval_s))
    tolerance_s = max(VARIABLE_DEVIATION * median_s, ROUNDING_S)
    return bool(np.mean(np.abs(interval_s - median_s) > tolerance_s) > VARIABLE_SHARE)


def _to_rgb(image: cv2.typing.MatLike) -> UInt8Array:
    """OpenCV's blue-green-red picture as contiguous red-green-blue."""
    return np.ascontiguousarray(cv2.cvtColor(image, cv2.COLOR_BGR2RGB), dtype=np.uint8)


@contextmanager
def _opened(path: Path, item: str) -> Iterator[cv2.VideoCapture]:
    """An open clip, with a clear error where it does not open."""
    _refuse_missing(path, item)
    # The decoder reports each damaged block on standard error; the loss is counted in VideoInfo instead.
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    os.environ["OPENCV_FFMPEG_CAPTURE_OPTIONS"] = f"protocol_whitelist;file|format_whitelist;{KINDS}"
    capture = cv2.VideoCapture(str(path), cv2.CAP_FFMPEG)
    try:
        if not capture.isOpened() or is_picture(path):
            raise _reason_not_opened(path, item)
        _refuse_huge_pictures(capture, item)
        capture.set(cv2.CAP_PROP_ORIENTATION_AUTO, 1)
        yield capture
    finally:
        capture.release()


def _refuse_missing(path: Path, item: str) -> None:
    """Raise where there is no file with content that may be read."""
    expected, do = "expected a video file", "Check the file's path in the manifest."
    if not path.is_file():
        there = "no ordinary file" if path.exists() else "no such file"
        raise VideoError(item, "the path is a folder" if path.is_dir() else there, expected, do)
    try:
        with open_outside(path) as handle:
            empty = not handle.read(1)
    except OSError as error:
        do = "Ask for the right to read it."
        raise VideoError(item, f"the file cannot be read ({error.strerror})", expected, do) from error
    if empty:
        do = "Copy the clip from the camera again."
        raise VideoError(item, "the file is empty (0 bytes)", expected, do)


def _refuse_huge_pictures(capture: cv2.VideoCapture, item: str) -> None:
    """Raise where a header announces a picture that no camera takes: room is made for it."""
    width_px, height_px = (capture.get(key) for key in (cv2.CAP_PROP_FRAME_WIDTH, cv2.CAP_PROP_FRAME_HEIGHT))
    if width_px * height_px > LARGEST_PICTURE:
        found = f"its pictures have {width_px:.0f} x {height_px:.0f} pixels"
        expected = f"at most {LARGEST_PICTURE / 1e6:.0f} million are read"
        raise VideoError(item, found, expected, "Export the clip with smaller pictures.")


def _refuse_odd_pixels(capture: cv2.VideoCapture, item: str) -> None:
    """Raise where a pixel is wider or narrower than high: every angle would be wrong."""
    wide, high = capture.get(cv2.CAP_PROP_SAR_NUM), capture.get(cv2.CAP_PROP_SAR_DEN)
    # 0 stands for unknown, which players show as square.
    if wide > 0 and high > 0 and wide != high:
        raise VideoError(
            item,
            f"its pixels are not square ({wide:.0f}:{high:.0f})",
            "expected square pixels, since angles are measured in the picture",
            "Export the clip with square pixels.",
        )


def _decode_timestamps(capture: cv2.VideoCapture) -> FloatArray:
    """(n_frames,) timestamps of all frames that can be decoded, as the file has them. [ms]"""
    stamps_ms: list[float] = []
    while capture.grab():
        stamps_ms.append(capture.get(cv2.CAP_PROP_POS_MSEC))
    return np.asarray(stamps_ms, dtype=np.float64)


def _checked_times(stamps_ms: FloatArray, fps_nominal: float, item: str) -> tuple[FloatArray, bool]:
    """Times from the first frame [s], and whether they are the file's own."""
    time_s = (stamps_ms - stamps_ms[0]) / 1000.0
    if np.all(np.isfinite(time_s)) and np.all(np.diff(time_s) > 0):
        return time_s, True
    if not 0 < fps_nominal <= HIGHEST_FPS:
        raise VideoError(
            item,
            f"its timestamps do not increase and its frame rate is {fps_nominal:g}",
            "expected increasing timestamps or a frame rate",
            "Export the clip as MP4.",
        )
    return np.arange(stamps_ms.size) / fps_nominal, False


def _has_box_structure(path: Path) -> bool:
    """Whether the file is of the MP4 family (ISO 14496-12), by its first box."""
    with path.open("rb") as handle:
        return handle.read(12)[4:8] == b"ftyp"


def _reason_not_opened(path: Path, item: str) -> VideoError:
    """The error that says why the decoder found no video in a file."""
    found, do = describe_unreadable(path)
    return VideoError(item, found, "expected a video that can be decoded, such as MP4 with H.264", do)


def opencv_version() -> str:
    """Release of the installed OpenCV package, to the last figure: its video decoder changes with it."""
    for package in ("opencv-python-headless", "opencv-python"):
        try:
            return version(package)
        except PackageNotFoundError:
            continue
    return str(cv2.__version__)
