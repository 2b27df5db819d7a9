"""Command line of the clip generator: ``python -m generator study``, ``clip``, ``set`` and ``faults``."""

from __future__ import annotations

import argparse
import sys
from dataclasses import fields
from pathlib import Path

from .body import PALETTES, Look
from .clip import ClipSpec, make_clip
from .draws import PARTS
from .fault_set import make_fault_set
from .fault_walks import fault_cells
from .faults import Faults
from .prosthesis import LIMBS
from .scene import VIEWS
from .sequence import Sequence
from .settings import WalkerSettings
from .study import LATER_FOLDER, STUDY_FOLDER, TRUTH_FOLDER, make_study
from .variety import make_set


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="python -m generator", description="Make rendered walking clips with known truth."
    )
    commands = top.add_subparsers(dest="command", required=True)
    study = commands.add_parser("study", help="make the example study again, clips, truth files and manifest")
    study.add_argument("--folder", type=Path, default=STUDY_FOLDER, help="where the clips and manifest.csv go")
    study.add_argument("--truth-folder", type=Path, default=TRUTH_FOLDER, help="where the truth files go")
    study.add_argument(
        "--later-folder", type=Path, default=LATER_FOLDER, help="where the clips go of which only landmarks are kept"
    )
    study.add_argument("--seed", type=int, default=20260300, help="the n-th clip walks with SEED + n")
    clip = commands.add_parser("clip", help="make one clip")
    clip.add_argument("video", type=Path, help="the clip to write, ending in .mp4; its truth file is written beside it")
    clip.add_argument("--truth", type=Path, help="the truth file to write instead of VIDEO.truth.json")
    clip.add_argument("--view", choices=VIEWS, default="sagittal")
    clip.add_argument("--leftward", action="store_true", help="side view only: walk from right to left")
    clip.add_argument("--build", choices=("man", "woman"), default="man")
    clip.add_argument("--height-m", type=float, default=1.74)
    clip.add_argument("--limb", choices=("sound", *LIMBS), default="sound")
    clip.add_argument("--prosthetic-side", choices=("left", "right"))
    clip.add_argument("--palette", choices=tuple(PALETTES), default="blue")
    clip.add_argument("--speed-m-s", type=float, default=1.1)
    clip.add_argument("--cadence-steps-min", type=float, default=104.0)
    clip.add_argument("--seed", type=int, default=0)
    clip.add_argument("--stand", type=float, default=0.0, metavar="SECONDS", help="stand still before the first step")
    clip.add_argument("--turn", action="store_true", help="turn round at the far end and walk back")
    clip.add_argument("--stand-end", type=float, default=0.0, metavar="SECONDS", help="stand still after the last step")
    varied = commands.add_parser("set", help="make one half of a benchmark set of varied clips")
    varied.add_argument("folder", type=Path, help="takes clips/, truth/ and manifest.csv; what is there is kept")
    varied.add_argument("--seed", type=int, default=1)
    varied.add_argument("--count", type=int, default=60, help="clips of the whole set; a half has half of them")
    varied.add_argument("--part", choices=PARTS, default="tuning")
    varied.add_argument("--workers", type=int, default=1, help="processes at a time")
    fault = commands.add_parser("faults", help="make one part of the fault benchmark")
    fault.add_argument("--out", type=Path, required=True, help="takes clips/, truth/, manifest.csv and walks.csv")
    fault.add_argument("--seed", type=int, default=1)
    fault.add_argument("--part", choices=PARTS, default="tuning")
    fault.add_argument("--per-size", type=int, default=12, help="walkers for each fault and size")
    fault.add_argument("--without", type=int, default=40, help="walkers without faults")
    fault.add_argument("--several", type=int, default=20, help="walkers with two to four faults")
    fault.add_argument("--every-view", type=int, default=2, help="walkers for each fault, filmed in every view")
    fault.add_argument("--only", default="", help="faults to take, joined by commas; none and several are names too")
    fault.add_argument("--workers", type=int, default=1, help="processes at a time")
    names = ", ".join(part.name for part in fields(Faults))
    clip.add_argument(
        "--fault", action="append", default=[], metavar="NAME=SIZE", help=f"may be repeated; names: {names}"
    )
    return top


def read_faults(pairs: list[str]) -> Faults:
    """Return the faults of NAME=SIZE pairs.

    Raises
    ------
    ValueError
        If a pair has no number, or a name is unknown.
    """
    names = [part.name for part in fields(Faults)]
    sizes: dict[str, float] = {}
    for pair in pairs:
        name, _, size = pair.partition("=")
        if name not in names:
            raise ValueError(
                f"--fault {pair}: {name} is unknown; one of {', '.join(names)} is expected. Correct the name."
            )
        try:
            sizes[name] = float(size)
        except ValueError:
            raise ValueError(
                f"--fault {pair}: the size is {size!r}; a number is expected. Write {name}=NUMBER."
            ) from None
    return Faults(**sizes)


def main(arguments: list[str] | None = None) -> int:
    """Run a command; return 0, or 2 after telling what is wrong."""
    given = parser().parse_args(arguments)
    try:
        if given.command == "study":
            make_study(given.folder, given.truth_folder, given.later_folder, seed=given.seed)
            return 0
        if given.command == "set":
            make_set(given.folder, given.seed, given.count, part=given.part, workers=given.workers)
            return 0
        if given.command == "faults":
            cells = fault_cells(
                per_size=given.per_size, without=given.without, several=given.several, every_view=given.every_view,
                only=[name for name in given.only.split(",") if name],
            )  # fmt: skip
            make_fault_set(given.out, given.seed, given.part, cells, workers=given.workers)
            return 0
        if given.video.suffix != ".mp4":
            raise ValueError(f"clip: the file is {given.video.name}; a name ending in .mp4 is expected. Rename it.")
        sequence = Sequence(stand_s=given.stand, turn=given.turn, stand_end_s=given.stand_end)
        spec = ClipSpec(
            look=Look(
                build=given.build,
                height_m=given.height_m,
                limb=given.limb,
                prosthetic_side=given.prosthetic_side,
                palette=given.palette,
            ),
            settings=WalkerSettings(
                speed_m_s=given.speed_m_s,
                cadence_steps_min=given.cadence_steps_min,
                prosthetic_side=given.prosthetic_side,
                seed=given.seed,
                faults=read_faults(given.fault),
            ),
            view=given.view,
            leftward=given.leftward,
            sequence=None if sequence == Sequence() else sequence,
        )
        make_clip(spec, given.video, given.truth or given.video.with_suffix(".truth.json"))
    except (ValueError, RuntimeError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
