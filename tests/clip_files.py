"""Real clips for tests, whole and broken, written with PyAV or by patching a file's bytes."""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

EXAMPLE_STUDY = Path(__file__).parents[1] / "example_data" / "study"
EXAMPLE_TRUTH = EXAMPLE_STUDY.parent / "truth"
ONE = 0x10000
# Display matrices of the track header (ISO 14496-12, 6.2.2 and 8.3.2.3): rows a b u, c d v, x y w, where the
# shown point is (a x + c y, b x + d y), y down. So 0 1, -1 0 sends right to down: a quarter turn clockwise.
DISPLAY_MATRIX = {
    90: (0, ONE, 0, -ONE, 0, 0, 0, 0, 1 << 30),
    180: (-ONE, 0, 0, 0, -ONE, 0, 0, 0, 1 << 30),
    270: (0, -ONE, 0, ONE, 0, 0, 0, 0, 1 << 30),
}


def test_picture(index: int, width_px: int, height_px: int) -> NDArray[np.uint8]:
    """Grey, a bar on the left that grows from frame to frame, and a red corner at the top left."""
    picture = np.full((height_px, width_px, 3), 40, np.uint8)
    picture[:, : 20 + 2 * index] = 200
    picture[:24, :24] = (255, 0, 0)
    return picture


# Not a test, whatever its name says.
test_picture.__test__ = False  # type: ignore[attr-defined]


def write_clip(
    path: Path,
    times_ms: Sequence[int],
    *,
    pictures: Sequence[NDArray[np.uint8]] | None = None,
    size_px: tuple[int, int] = (320, 240),
    codec: str = "libx264",
    pixel_aspect: Fraction | None = None,
    options: dict[str, str] | None = None,
) -> Path:
    """Write a clip whose frames are shown at the given times."""
    if pictures is not None:
        size_px = (pictures[0].shape[1], pictures[0].shape[0])
    with av.open(str(path), "w", options=options or {}) as container:
        stream = container.add_stream(codec, rate=30)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = stream.time_base = Fraction(1, 1000)
        if pixel_aspect is not None:
            stream.codec_context.sample_aspect_ratio = pixel_aspect
        for index, time_ms in enumerate(times_ms):
            picture = test_picture(index, *size_px) if pictures is None else pictures[index]
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = time_ms, Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def write_sound(path: Path) -> Path:
    """Write a second of silence without any picture."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=16000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 16000), np.float32), format="fltp", layout="mono")
        frame.sample_rate, frame.pts = 16000, 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def tagged_copy(source: Path, target: Path, tags: dict[str, str]) -> Path:
    """Copy a clip's pictures as they are, with tags in the container and on the stream."""
    with av.open(str(source)) as old, av.open(str(target), "w", options={"movflags": "use_metadata_tags"}) as new:
        stream = new.add_stream_from_template(old.streams.video[0])
        new.metadata.update(tags)
        stream.metadata.update({"handler_name": tags["handler_name"]} if "handler_name" in tags else {})
        for packet in old.demux(old.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                new.mux(packet)
    return target


def set_display_matrix(path: Path, rotation_deg: int) -> Path:
    """Patch the track header of an MP4 so that players turn it clockwise."""
    content = bytearray(path.read_bytes())
    # Version 0 of the box: flags 4, times and ids 20, reserved 8, layer to reserved 8 bytes, matrix.
    start = content.find(b"tkhd") + 4
    assert content[start] == 0, "the track header is of another version"
    content[start + 40 : start + 76] = struct.pack(">9i", *DISPLAY_MATRIX[rotation_deg])
    path.write_bytes(content)
    return path


def example_clip(view: str = "sagittal") -> Path:
    """The first example clip of a view; the example study must be there."""
    clips = sorted(EXAMPLE_STUDY.rglob(f"*{view}*.mp4"))
    assert clips, f"example_data/study holds no {view} clip"
    return clips[0]


def true_points_px(clip: Path) -> dict[str, NDArray[np.float64]]:
    """Where the rendered walker's points really were: name to (n_frames, 2), x right, y down. [px]"""
    (path,) = EXAMPLE_TRUTH.rglob(f"{clip.stem}.truth.json")
    points = json.loads(path.read_text(encoding="utf-8"))["joints_px"]
    return {name: np.array(values, dtype=float) for name, values in points.items()}
