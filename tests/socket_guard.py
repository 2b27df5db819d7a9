"""Run a Python program under a kernel filter that kills it when anything in it opens an internet socket.

``python tests/socket_guard.py FILE.py ARGUMENTS`` or ``python tests/socket_guard.py -m MODULE ARGUMENTS``.

A guard written in Python sees Python's sockets only; the libraries that read patient video are native code.
The filter (Linux seccomp, mode 2) sits in the kernel, holds for every thread and child process, and cannot be
taken off again. Allowed are sockets inside the machine (AF_UNIX). Killed, with signal SIGSYS, is whoever
asks for IPv4, IPv6, raw packets, or the netlink socket with which the C library prepares a name look-up,
and whoever sets up io_uring, which can open sockets past the filter.
"""

from __future__ import annotations

import ctypes
import platform
import runpy
import struct
import sys
from pathlib import Path

# Numbers of linux/audit.h, asm/unistd.h, linux/filter.h, linux/seccomp.h and linux/socket.h.
AUDIT_ARCH = {"x86_64": 0xC000003E, "aarch64": 0xC00000B7}
SOCKET_CALL = {"x86_64": 41, "aarch64": 198}
IO_URING_SETUP_CALL = 425
FORBIDDEN_FAMILIES = (2, 10, 16, 17)  # AF_INET, AF_INET6, AF_NETLINK, AF_PACKET
LOAD, JUMP_IF_EQUAL, RETURN = 0x20, 0x15, 0x06
ALLOW, KILL_PROCESS = 0x7FFF0000, 0x80000000
PR_SET_NO_NEW_PRIVS, PR_SET_SECCOMP, SECCOMP_MODE_FILTER = 38, 22, 2
# Offsets in struct seccomp_data.
CALL_OFFSET, ARCH_OFFSET, FIRST_ARGUMENT_OFFSET = 0, 4, 16


def is_supported() -> bool:
    """Whether the filter is written for this system."""
    return sys.platform == "linux" and platform.machine() in AUDIT_ARCH


def filter_program(machine: str) -> list[tuple[int, int, int, int]]:
    """Instructions (code, jump if true, jump if false, value); the last two are the verdicts."""
    head = [
        (LOAD, 0, 0, ARCH_OFFSET),
        # Another architecture's calls have other numbers: refuse them all.
        (JUMP_IF_EQUAL, 1, 0, AUDIT_ARCH[machine]),
        (RETURN, 0, 0, KILL_PROCESS),
        (LOAD, 0, 0, CALL_OFFSET),
    ]
    n_families = len(FORBIDDEN_FAMILIES)
    calls = [
        (JUMP_IF_EQUAL, n_families + 3, 0, IO_URING_SETUP_CALL),
        (JUMP_IF_EQUAL, 0, n_families + 1, SOCKET_CALL[machine]),
        (LOAD, 0, 0, FIRST_ARGUMENT_OFFSET),
    ]
    families = [(JUMP_IF_EQUAL, n_families - index, 0, family) for index, family in enumerate(FORBIDDEN_FAMILIES)]
    return [*head, *calls, *families, (RETURN, 0, 0, ALLOW), (RETURN, 0, 0, KILL_PROCESS)]


def install() -> None:
    """Put the filter on this process; OSError where the kernel refuses it."""
    program = filter_program(platform.machine())
    instructions = b"".join(struct.pack("=HBBI", *instruction) for instruction in program)
    buffer = ctypes.create_string_buffer(instructions, len(instructions))

    class Program(ctypes.Structure):
        _fields_ = (("length", ctypes.c_ushort), ("instructions", ctypes.c_void_p))

    libc = ctypes.CDLL(None, use_errno=True)
    header = Program(len(program), ctypes.addressof(buffer))
    if libc.prctl(PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) or libc.prctl(
        PR_SET_SECCOMP, SECCOMP_MODE_FILTER, ctypes.byref(header), 0, 0
    ):
        raise OSError(ctypes.get_errno(), "the kernel refuses the socket filter")


def main() -> None:
    """Install the filter, then run what the command line names as if it had been started alone."""
    arguments = sys.argv[1:]
    install()
    sys.path.insert(0, str(Path.cwd()))
    if arguments[0] == "-m":
        sys.argv = arguments[1:]
        runpy.run_module(arguments[1], run_name="__main__", alter_sys=True)
    else:
        sys.argv = arguments
        runpy.run_path(arguments[0], run_name="__main__")


if __name__ == "__main__":
    main()
