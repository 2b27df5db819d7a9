"""What a clip's file says of itself without being decoded: how many frames it has, and whether it is all there.

Only the structure of the file is read, a few bytes of it, so that a damaged or hostile file costs nothing and cannot
crash a decoder here.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from pipeline.containers import (
    AUDIO_MARKS,
    BOX_HEADER_SIZE,
    COPY_AGAIN,
    DOCUMENT_MARKS,
    IMAGE_MARKS,
    LONG_BOX_HEADER_SIZE,
    describe_unreadable,
)
from pipeline.landmark_file import RECORD, is_landmark_file
from pipeline.outside import DAMAGED, outside_archive

# A file with more boxes in one level is damaged, or made to keep a reader busy. Own choice.
MOST_BOXES = 10_000
# A frame takes more than this; an index that lists more frames than fit is not believed. Own choice. [bytes]
SMALLEST_FRAME = 8
# First bytes of Matroska and WebM (RFC 8794, 11.2.1), and the id of the element that holds all the rest (RFC 9559).
EBML, SEGMENT = b"\x1a\x45\xdf\xa3", b"\x18\x53\x80\x67"


def count_frames(path: Path) -> int:
    """Frames that the index of an MP4 or MOV file lists for its video; 0 for another file, or without an index.

    Notes
    -----
    The number of samples in the sample table (ISO 14496-12, 8.7.3) of the track whose handler is `vide`.
    """
    try:
        with path.open("rb") as file:
            size = path.stat().st_size
            for start, end in _inside(file, 0, size, b"moov"):
                for track in _inside(file, start, end, b"trak"):
                    if count := _video_samples(file, *track):
                        return count if count * SMALLEST_FRAME <= size else 0
    except OSError:
        return 0
    return 0


def missing_part(path: Path) -> tuple[str, str]:
    """What keeps a file from being a whole clip, and what to do about it; two empty texts when nothing does.

    MP4, MOV, AVI, Matroska, WebM and landmark files tell how long they are; of other kinds of video the structure does
    not say it, and they count as whole. Raises OSError where the file cannot be read.
    """
    size = path.stat().st_size
    if size == 0:
        return "the file is empty (0 bytes)", COPY_AGAIN
    if is_landmark_file(path):
        return ("", "") if _has_record(path) else ("the landmark file is cut off, or none", "Copy it again.")
    with path.open("rb") as file:
        head = file.read(64)
        if head[4:8] == b"ftyp" or head[4:8] in (b"moov", b"mdat", b"wide"):
            boxes = list(_boxes(file, 0, size))
            kinds = {kind for kind, _, _ in boxes}
            if any(end > size for _, _, end in boxes):
                return "the file is cut off: it should be longer", COPY_AGAIN
            if b"moov" not in kinds:
                return "the recording is cut off: its index is missing", COPY_AGAIN
            return "", ""
        if head[:4] == b"RIFF" and head[8:12] == b"AVI ":
            return _shorter(int.from_bytes(head[4:8], "little") + 8, size)
        if head[:4] == EBML:
            return _shorter(_matroska_end(file), size)
    if head.startswith((*AUDIO_MARKS, *IMAGE_MARKS, *DOCUMENT_MARKS)) or not head.strip(b"\0"):
        return describe_unreadable(path)
    found, do = describe_unreadable(path)
    return (found, do) if "text file" in found else ("", "")


def _has_record(path: Path) -> bool:
    """Whether a landmark file is an archive with a record: one that is cut off may end as an archive inside it does."""
    try:
        with outside_archive(path) as archive:
            return RECORD in archive.namelist()
    except OSError:
        raise
    except DAMAGED:
        return False


def _shorter(announced: int, size: int) -> tuple[str, str]:
    """What to say of a file that is shorter than it announces."""
    return ("the file is cut off: it should be longer", COPY_AGAIN) if announced > size else ("", "")


def _boxes(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Kind, first byte of the content, and end of each box in a row (ISO 14496-12, 4.2); stops at the first wrong one.

    The last one may end after `end`: it is then cut off.
    """
    for _ in range(MOST_BOXES):
        if start + BOX_HEADER_SIZE > end:
            return
        file.seek(start)
        header = file.read(LONG_BOX_HEADER_SIZE)
        size, content = int.from_bytes(header[:4], "big"), start + BOX_HEADER_SIZE
        if size == 1:
            size, content = int.from_bytes(header[8:16], "big"), start + LONG_BOX_HEADER_SIZE
        elif size == 0:
            size = end - start
        if start + size < content:
            return
        yield header[4:8], content, start + size
        start += size


def _inside(file: BinaryIO, start: int, end: int, kind: bytes) -> Iterator[tuple[int, int]]:
    """First byte and end of the content of each whole box of a kind."""
    for found, first, last in _boxes(file, start, end):
        if found == kind and last <= end:
            yield first, last


def _video_samples(file: BinaryIO, start: int, end: int) -> int:
    """Samples of a track; 0 when it is no video."""
    for media in _inside(file, start, end, b"mdia"):
        for first, _ in _inside(file, *media, b"hdlr"):
            # Version and flags, a word that is always 0, then the kind of the track.
            file.seek(first + 8)
            if file.read(4) != b"vide":
                return 0
        for information in _inside(file, *media, b"minf"):
            for table in _inside(file, *information, b"stbl"):
                for kind in (b"stsz", b"stz2"):
                    for first, _ in _inside(file, *table, kind):
                        file.seek(first + 8)
                        return int.from_bytes(file.read(4), "big")
    return 0


def _matroska_end(file: BinaryIO) -> int:
    """Where a Matroska file should end; 0 where it does not say so, as in a live recording."""
    file.seek(4)
    length, known = _number(file)
    if not known:
        return 0
    file.seek(length, 1)
    if file.read(4) != SEGMENT:
        return 0
    length, known = _number(file)
    return file.tell() + length if known else 0


def _number(file: BinaryIO) -> tuple[int, bool]:
    """A number of variable length (RFC 8794, 4), and whether it is one: all bits set stand for an unknown length."""
    first = file.read(1)
    if not first or first == b"\0":
        return 0, False
    extra = 8 - first[0].bit_length()
    rest = file.read(extra)
    value = int.from_bytes(bytes([first[0] & ((1 << (7 - extra)) - 1)]) + rest, "big")
    return value, len(rest) == extra and value != (1 << (7 * (extra + 1))) - 1
