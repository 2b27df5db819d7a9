"""Where a person's names stand in a folder: in names of files, in texts, inside archives, pages and PDFs."""

from __future__ import annotations

import base64
import io
import mmap
import os
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.person_names import Content, Pattern
from pipeline.store import without_home

# Pictures inside pages and their data. Shorter runs are words, hashes and paths; own choice. [characters]
BASE64 = re.compile(rb"[A-Za-z0-9+/]{400,}={0,2}")
PDF_STREAM = re.compile(rb"stream\r?\n(.*?)endstream", re.DOTALL)
ZIP, GZIP, PDF = b"PK\x03\x04", b"\x1f\x8b", b"%PDF"
# Packed in ways that are not unpacked here; what they hold is told as not searched.
CLOSED = {
    b"PAR1": "Parquet",
    b"\xfd7zXZ": "xz",
    b"BZh": "bzip2",
    b"7z\xbc\xaf": "7z",
    b"\x28\xb5\x2f\xfd": "Zstandard",
    b"Rar!": "RAR",
}
# First bytes of pictures, clips, numbers and fonts, which hold no text, so that a short name in them is chance; and of
# text in wide codings, in which every name is searched for.
TEXTLESS = (
    *(b"\xff\xfe", b"\xfe\xff"),
    *(b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"RIFF", b"\x93NUMPY", b"wOF2", b"wOFF", b"\0\1\0\0", b"OTTO"),
    *(b"\x1a\x45\xdf\xa3", b"\0\0\1\xba", b"\0\0\1\xb3", b"\x30\x26\xb2\x75"),
)
# MP4 and its kin tell their kind behind the length of their first box; a Mac's list of a folder is in a wide coding.
TEXTLESS_BEHIND = (b"ftyp", b"moov", b"mdat", b"wide", b"Bud1")
# How much of a file tells whether it is text. [bytes]
HEAD = 1 << 16
# Far above what one file of the results holds, or one member of an archive. [bytes]
LARGEST = 1 << 28
DEEPEST = 4


@dataclass(slots=True)
class Searched:
    """What was searched, and what was found: names by place; `unread` are places with the reason."""

    files: int = 0
    size_bytes: int = 0
    unpacked_bytes: int = 0
    found: dict[str, tuple[str, ...]] = field(default_factory=dict)
    unread: dict[str, str] = field(default_factory=dict)

    @property
    def is_clean(self) -> bool:
        """Whether everything could be read and nothing was found."""
        return not self.found and not self.unread


def search_folder(root: Path, pattern: Pattern, *, skip: frozenset[str] = frozenset()) -> Searched:
    """Search every byte of a folder for a person's names; links are not followed, but their targets' names are read.

    Parameters
    ----------
    root : Path
    pattern : Pattern
    skip : set of str
        Names of files directly in the folder that are left out.

    Returns
    -------
    Searched
        Places are paths inside the folder; a member of an archive stands behind a `!`.
    """
    searched = Searched()

    def refused(error: OSError) -> None:
        place = Path(error.filename).relative_to(root).as_posix()
        searched.unread[place] = error.strerror or type(error).__name__

    for folder, folders, files in os.walk(root, onerror=refused):
        for name in sorted([*folders, *files]):
            path = Path(folder) / name
            place = path.relative_to(root).as_posix()
            if place in skip:
                continue
            found = pattern.in_text(os.fsencode(name))
            try:
                if path.is_symlink():
                    found += pattern.in_text(os.fsencode(path.readlink()))
                elif name in files:
                    _search_file(path, place, pattern, searched)
            except (OSError, ValueError) as error:
                searched.unread[place] = without_home(str(getattr(error, "strerror", "") or error))
            _note(searched, place, found)
    return searched


def _note(searched: Searched, place: str, found: list[str]) -> None:
    """Add names to those of a place."""
    if found:
        searched.found[place] = tuple(dict.fromkeys([*searched.found.get(place, ()), *found]))


def _search_file(path: Path, place: str, pattern: Pattern, searched: Searched) -> None:
    """Search one file, and what is packed in it."""
    if not path.is_file():
        searched.unread[place] = "is no file"
        return
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        searched.files += 1
        searched.size_bytes += size
        if size <= LARGEST:
            _search_data(file.read(), place, pattern, searched, 0)
        else:
            with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
                _search_data(data, place, pattern, searched, 0)


def _search_data(
    data: Content,
    place: str,
    pattern: Pattern,
    searched: Searched,
    depth: int,
    *,
    is_text: bool | None = None,
) -> None:
    """Search what a file or a part of one holds, and what is packed in that."""
    head = bytes(data[:HEAD])
    if depth > DEEPEST:
        searched.unread[place] = f"is packed more than {DEEPEST} times"
        return
    if _is_text(head) if is_text is None else is_text:
        hidden = tuple(match.span() for match in BASE64.finditer(data))
        for start, end in hidden:
            inner = data[start:end].rstrip(b"=")
            # Four letters are three bytes; one letter more is none.
            inner = inner[:-1] if len(inner) % 4 == 1 else inner
            unpacked = base64.b64decode(inner + b"=" * (-len(inner) % 4))
            searched.unpacked_bytes += len(unpacked)
            _search_data(unpacked, place, pattern, searched, depth + 1, is_text=False)
        _note(searched, place, pattern.in_text(data, hidden))
        return
    _note(searched, place, pattern.in_binary(data))
    told = place in searched.found or place.partition("!")[0] in searched.unread
    if is_text is None and pattern.has_short and not (told or _is_known(head)):
        searched.unread[place] = "is of a kind in which so short a name cannot be searched for"
    for name, unpacked in _unpacked(data, head, place, searched):
        searched.unpacked_bytes += len(unpacked)
        inside = f"{place}!{name}" if name else place
        _note(searched, inside, pattern.in_text(name.encode()))
        # Letters of a PDF are numbers of glyphs, and names of its fonts such as F1 are no text.
        _search_data(unpacked, inside, pattern, searched, depth + 1, is_text=None if name else False)


def _is_text(head: bytes) -> bool:
    """Whether a file that begins so is text, in any coding of one byte for a plain letter."""
    return b"\0" not in head and not head.startswith((ZIP, GZIP, PDF, *CLOSED))


def _is_known(head: bytes) -> bool:
    """Whether a file that begins so is unpacked here, told as closed, or known to hold no text."""
    return head.startswith((ZIP, GZIP, PDF, *CLOSED, *TEXTLESS)) or head[4:8] in TEXTLESS_BEHIND


def _unpacked(data: Content, head: bytes, place: str, searched: Searched) -> Iterator[tuple[str, bytes]]:
    """What is packed in an archive, a gzip file or a PDF: name and content, no name for a stretch of the file."""
    if head.startswith(ZIP):
        try:
            with zipfile.ZipFile(io.BytesIO(data[:])) as archive:
                for entry in archive.infolist():
                    if entry.file_size > LARGEST:
                        searched.unread[f"{place}!{entry.filename}"] = "is too large to be unpacked"
                    else:
                        yield entry.filename, archive.read(entry)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
            searched.unread[place] = f"is a damaged archive ({error})"
    elif head.startswith(GZIP):
        yield from _inflated(data[:], zlib.MAX_WBITS | 16, "content", place, searched)
    elif head.startswith(PDF):
        for match in PDF_STREAM.finditer(data):
            yield from _inflated(match.group(1), zlib.MAX_WBITS, "", place, searched)
    for start, form in CLOSED.items():
        if head.startswith(start):
            searched.unread[place] = f"is packed as {form}, which is not unpacked"


def _inflated(data: bytes, window: int, name: str, place: str, searched: Searched) -> Iterator[tuple[str, bytes]]:
    """What is packed by deflate, unpacked; nothing where it is packed otherwise, as pictures of a PDF are.

    A file that has a name must be whole.
    """
    packed = zlib.decompressobj(window)
    try:
        unpacked = packed.decompress(data, LARGEST)
    except zlib.error as error:
        if name:
            searched.unread[place] = f"is damaged ({error})"
        return
    if packed.unconsumed_tail and not packed.eof:
        searched.unread[place] = "is too large to be unpacked"
    elif name and (packed.unused_data or not packed.eof):
        searched.unread[place] = "is damaged, or holds more than one file"
    yield name, unpacked
