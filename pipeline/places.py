"""Where files lie: links that lead out of a folder, and folders that are for their owner alone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from pipeline.errors import ConfigError


def resolved(path: Path) -> Path:
    """Return the path with all links followed; of a ring of links as far as it can be followed."""
    # `Path.resolve` raises at a ring of links.
    return Path(os.path.realpath(path))


def lies_inside(path: Path, folder: Path) -> bool:
    """Return whether a path leads to a place inside a folder, links followed."""
    return resolved(path).is_relative_to(resolved(folder))


def leads_outside(name: str) -> ConfigError:
    """The error of a link in the results by which somebody else's files would be read, written or deleted."""
    do = "Remove the link, or give another folder with --out."
    return ConfigError("results folder", f"{name!r} leads outside of it", "expected a place inside", do)


def refuse_links_out(folder: Path) -> None:
    """Refuse a folder of results in which a link to a folder, at any depth, leads outside.

    A link to a file does no harm: files are replaced and deleted by their names, which leaves alone what a link names.

    Raises
    ------
    ConfigError
        There is such a link.
    """
    for parent, folders, _ in os.walk(folder):
        for path in (Path(parent, name) for name in folders):
            if path.is_symlink() and not lies_inside(path, folder):
                raise leads_outside(f"{folder.name}/{path.relative_to(folder).as_posix()}")


def make_private_folder(path: Path) -> None:
    """Make a folder, with its parents, for files that may show a person; the rights are those of private files."""
    # With these rights from the first moment; a group is let in afterwards.
    path.mkdir(mode=0o700, parents=True, exist_ok=True)
    path.chmod(0o2750 if is_shared(path.parent) else 0o700)


def make_results_folder(path: Path) -> None:
    """Make a folder for what is known of persons, private as their pictures are; one that is there stays as it is."""
    if not path.exists():
        make_private_folder(path)


def is_shared(folder: Path) -> bool:
    """Return whether a folder hands its group on to what is made in it."""
    return bool(folder.stat().st_mode & stat.S_ISGID)
