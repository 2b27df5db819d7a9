"""Why a file could not be opened as a video, read from its first bytes and its box structure.

The decoder only says that it failed. A person needs to know whether to copy the clip again, to pick
another file or to convert it.
"""

from __future__ import annotations

from pathlib import Path

BOX_HEADER_SIZE = 8
LONG_BOX_HEADER_SIZE = 16
# A clip's index is a few kilobytes for each minute; more than this is not read. [bytes]
LARGEST_INDEX = 64 << 20
# First bytes of common files of other kinds.
AUDIO_MARKS = (b"ID3", b"fLaC", b"OggS", b"\xff\xfb", b"\xff\xf3", b"\xff\xf1")
IMAGE_MARKS = (b"\xff\xd8\xff", b"\x89PNG")
DOCUMENT_MARKS = (b"%PDF", b"PK\x03\x04", b"\xd0\xcf\x11\xe0")

COPY_AGAIN = "Copy the clip from the camera again."
OTHER_FILE = "Check that the manifest names the right file."
CONVERT = "Export the clip as MP4 with H.264."


def describe_unreadable(path: Path) -> tuple[str, str]:
    """What was found in a file that does not open as a video, and what to do about it.

    Parameters
    ----------
    path : Path
        An existing, readable file of at least one byte.

    Returns
    -------
    found, do : str
        Two parts of an error's message.

    Notes
    -----
    A file of the MP4 family is a row of boxes (ISO 14496-12, 4.2). Recorders write the index (``moov``)
    last, so a recording or a copy that was cut off has none; each stream's kind is in a ``hdlr`` box.
    """
    with path.open("rb") as handle:
        head = handle.read(512)
    if head[4:8] == b"ftyp":
        index = _read_box(path, b"moov")
        if index is None:
            return "the recording is cut off: its index is missing", COPY_AGAIN
        if b"vide" not in index and b"soun" in index:
            return "it has sound but no video stream", OTHER_FILE
        return "its video stream is damaged or of an unknown kind", CONVERT
    if head.startswith(AUDIO_MARKS) or (head[:4] == b"RIFF" and head[8:12] == b"WAVE"):
        return "it is a sound file", OTHER_FILE
    if head.startswith(IMAGE_MARKS):
        return "it is a picture", OTHER_FILE
    if head.startswith(DOCUMENT_MARKS):
        return "it is a document or archive", OTHER_FILE
    if _is_text(head):
        return "it is a text file", OTHER_FILE
    return "it is no video, or a damaged one", f"{OTHER_FILE} {COPY_AGAIN}"


def is_picture(path: Path) -> bool:
    """Whether the file is a still picture, which the decoder opens as a clip of one frame."""
    with path.open("rb") as handle:
        return handle.read(8).startswith(IMAGE_MARKS)


def _is_text(head: bytes) -> bool:
    """Whether the first bytes read as text."""
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        # The last character may be cut in two by the end of what was read.
        if error.start < len(head) - 3:
            return False
        text = head[: error.start].decode("utf-8")
    return all(character.isprintable() or character.isspace() for character in text)


def _read_box(path: Path, kind: bytes) -> bytes | None:
    """Content of the first top-level box of a kind; None where the file ends before it."""
    size_of_file = path.stat().st_size
    with path.open("rb") as handle:
        start = 0
        while start + BOX_HEADER_SIZE <= size_of_file:
            handle.seek(start)
            header = handle.read(LONG_BOX_HEADER_SIZE)
            size = int.from_bytes(header[:4], "big")
            if size == 1:
                size = int.from_bytes(header[8:16], "big")
            elif size == 0:
                size = size_of_file - start
            if size < BOX_HEADER_SIZE or start + size > size_of_file:
                return None
            if header[4:8] == kind:
                handle.seek(start)
                return handle.read(min(size, LARGEST_INDEX))
            start += size
    return None
