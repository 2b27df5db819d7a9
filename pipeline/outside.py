"""Files that others made, read so that none of them hangs the program or fills the memory.

All limits of size stand here. They lie far beyond real files, so that nobody meets them by an honest one.
"""

from __future__ import annotations

import errno
import lzma
import math
import os
import stat
import struct
import tokenize
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

MB = 1 << 20
# Settings, limits, causes, lists: the largest that ships has 40 kB. All limits here are own choices. [bytes]
LARGEST_TOML = MB
# Tables that a person fills in: 16 MB are about 150,000 clips. [bytes]
LARGEST_TABLE = 16 * MB
# Records and tables of saved results: those of a visit have 0.3 MB. [bytes]
LARGEST_SAVED = 64 * MB
# Arrays and landmark files as they lie on the disk, and unpacked: a walk of ten minutes has 25 MB. [bytes]
LARGEST_PACKED = 256 * MB
LARGEST_UNPACKED = 500 * MB
# The list of files at the end of an archive: ours have twelve files at most, this is enough for ten thousand. [bytes]
LARGEST_DIRECTORY = MB
# A picture: 8K has 33 million pixels. [pixels]
LARGEST_PICTURE = 1 << 26

# The end of a ZIP archive (APPNOTE 4.3.15 and 4.3.16): the last record with the longest comment and the record that
# stands before it in large archives; their marks and lengths. [bytes]
END_MARK, LARGE_END_MARK = b"PK\x05\x06", b"PK\x06\x07"
END_LENGTH, LARGE_END_LENGTH = 22, 20
TAIL = (1 << 16) + END_LENGTH + LARGE_END_LENGTH
# What reading a damaged archive of arrays raises: found by hand and by fuzzing.
DAMAGED = (
    OSError,
    EOFError,
    ValueError,
    KeyError,
    TypeError,
    IndexError,
    OverflowError,
    MemoryError,
    RuntimeError,
    SyntaxError,
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    tokenize.TokenError,
)


def open_outside(path: Path) -> BinaryIO:
    """Open a file to read; what is no file, such as a pipe or a device, is refused and never waited for.

    Raises
    ------
    OSError
        It cannot be read, or is no ordinary file.
    """
    try:
        # A pipe would be waited for until somebody writes into it.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except ValueError:
        raise OSError(errno.EINVAL, "no file can have this name", path.name) from None
    kind = os.fstat(handle).st_mode
    if stat.S_ISREG(kind):
        return os.fdopen(handle, "rb")
    os.close(handle)
    if stat.S_ISDIR(kind):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    raise OSError(errno.EINVAL, "is no ordinary file", str(path))


def read_outside(path: Path, largest: int) -> bytes:
    """Return a file's content.

    Parameters
    ----------
    path : Path
    largest : int
        A larger file is not read. [bytes]

    Raises
    ------
    OSError
        It cannot be read, is no ordinary file, or is too large.
    """
    with open_outside(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size <= largest:
            data = file.read(size + 1)
            if len(data) > size:  # it grew meanwhile
                data += file.read(largest)
            size = len(data)
    if size > largest:
        raise OSError(errno.EFBIG, f"has {size / MB:.0f} MB; at most {largest / MB:.0f} MB are read", str(path))
    return data


@contextmanager
def outside_archive(path: Path) -> Iterator[zipfile.ZipFile]:
    """Give an archive whose files, unpacked, fit into the memory.

    Raises
    ------
    OSError, BadZipFile, or another of `DAMAGED`
        It cannot be read, is no archive, or is too large.
    """
    with open_outside(path) as file:
        size = file.seek(0, os.SEEK_END)
        if size > LARGEST_PACKED:
            found = f"has {size / MB:.0f} MB; at most {LARGEST_PACKED / MB:.0f} MB are read"
            raise OSError(errno.EFBIG, found, str(path))
        file.seek(max(0, size - TAIL))
        if _directory_size(file.read()) > LARGEST_DIRECTORY:
            raise zipfile.BadZipFile("its list of files is too long")
        with zipfile.ZipFile(file) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
            if unpacked > LARGEST_UNPACKED:
                most = f"at most {LARGEST_UNPACKED / MB:.0f} MB are unpacked"
                raise zipfile.BadZipFile(f"its files have {unpacked / MB:.0f} MB; {most}")
            yield archive


def _directory_size(tail: bytes) -> int:
    """Length of an archive's list of files, which would fill the memory by itself; huge where 64 bits are needed."""
    end = len(tail) - END_LENGTH
    # As the reader looks for it: without a comment first, else the last mark.
    if tail[end : end + 4] != END_MARK or tail[-2:] != b"\0\0":
        end = tail.rfind(END_MARK)
    if end < 0:
        raise zipfile.BadZipFile("it is no archive, or cut off")
    before = max(0, end - LARGE_END_LENGTH)
    if tail[before : before + 4] == LARGE_END_MARK:
        return 1 << 64
    return int.from_bytes(tail[end + 12 : end + 16], "little")


def read_member(archive: zipfile.ZipFile, name: str) -> bytes:
    """Return the content of a file of an archive, never more than the archive announces.

    Raises
    ------
    KeyError, or another of `DAMAGED`
        There is none of this name, or it is damaged.
    """
    # `archive.read` unpacks first and cuts afterwards.
    with archive.open(name) as member:
        return member.read(archive.getinfo(name).file_size)


@contextmanager
def outside_arrays(path: Path) -> Iterator[Any]:
    """Give the arrays of an npz file by name, each as long as its header says, none of Python objects.

    Raises
    ------
    OSError, BadZipFile, or another of `DAMAGED`
        It cannot be read, or is damaged.
    """
    with outside_archive(path) as archive:
        for entry in archive.infolist():
            with archive.open(entry) as member:
                _check_header(member, entry)
        assert archive.fp is not None
        archive.fp.seek(0)
        with np.load(archive.fp, allow_pickle=False) as stored:
            yield stored


def _check_header(member: Any, entry: zipfile.ZipInfo) -> None:
    """Refuse what is no array, or announces another size than it has: room is made for the announced one."""
    if np.lib.format.read_magic(member) != (1, 0):
        raise ValueError(f"{entry.filename} is of an unknown form")
    shape, _, kind = np.lib.format.read_array_header_1_0(member)
    if kind.hasobject or member.tell() + math.prod(shape) * kind.itemsize != entry.file_size:
        raise ValueError(f"{entry.filename} is not as long as it says")
