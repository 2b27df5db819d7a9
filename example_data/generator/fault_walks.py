"""The people of the fault benchmark: each shows one fault of a wanted size, none, or several.

One fault is filmed where it shows; so that it can be seen whether it raises others, some show it clearly in every view.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .body import Look
from .clip import ClipSpec
from .conditions import Conditions
from .draws import PARTS, draw_person, pick, usual_step_m
from .fault_kinds import KIND, KINDS, SIZE_LABELS, clash, with_sizes
from .settings import WalkerSettings
from .skeleton import SIDES

NONE, SEVERAL, EVERY_VIEW = "none", "several", "every view"
# Own choices: bodies and speeds at which every fault still looks human, and clips that ask nothing of the filming.
HEIGHTS_M, SPEEDS_M_S = (1.55, 1.90), (0.8, 1.3)
_SEVERAL_COUNTS = (2, 4)
# Side view: metres of the walkway across the picture, but no more than leave the body 255 px high.
_ACROSS_M, _LEAST_BODY_PX, _WIDTH_PX = 8.3, 255.0, 1280.0
# Whole strides of each limb in a clip.
_FEWEST_STRIDES = {"sagittal": 4, "anterior": 3, "posterior": 3}
_MOST_DRAWS = 60
_SEED_STRIDE = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultCell:
    """Which walker of the benchmark: everything that its draw follows from.

    Parameters
    ----------
    fault : str
        Name in the catalogue, "none" or "several".
    size : "mild", "clear", "severe", "none", "several" or "every view"
        The last is clear in size.
    number : int
        From 0 on, within fault and size.
    """

    fault: str
    size: str
    number: int

    @property
    def subject(self) -> str:
        """Made-up person; the same however many are asked for."""
        letter, cells = ("E", CELLS_IN_EVERY_VIEW) if self.size == EVERY_VIEW else ("F", CELLS)
        return f"{letter}{self.number * len(cells) + cells.index((self.fault, self.size)) + 1:04d}"

    @property
    def name(self) -> str:
        """Name of the walk, as F_vaulting_clear_03."""
        return f"F_{self.fault}_{self.size.replace(' ', '_')}_{self.number + 1:02d}"


# Every fault at every size, then the walkers without and with several.
CELLS: tuple[tuple[str, str], ...] = (
    *((kind.name, size) for kind in KINDS for size in SIZE_LABELS),
    (NONE, NONE),
    (SEVERAL, SEVERAL),
)
CELLS_IN_EVERY_VIEW: tuple[tuple[str, str], ...] = tuple((kind.name, EVERY_VIEW) for kind in KINDS)
# A cell's place is part of its seed: what is new goes to the end.
ALL_CELLS = (*CELLS, *CELLS_IN_EVERY_VIEW)


@dataclass(frozen=True, slots=True, kw_only=True)
class Injected:
    """One fault of one walker.

    Parameters
    ----------
    fault : str
    wanted, realised : float
        In the metric's unit; realised in a quick walk, whose strides are not exactly those of the clips.
    parameter : str
        Field of `Faults`.
    value : float
        Its size, in the unit of its name.
    """

    fault: str
    wanted: float
    realised: float
    parameter: str
    value: float

    @property
    def unit(self) -> str:
        """Unit of the metric."""
        return KIND[self.fault].unit


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultWalk:
    """One visit of one walker.

    Parameters
    ----------
    cell : FaultCell
    injected : tuple of Injected
        None, one, or several faults.
    clips : tuple of ClipSpec
        One person and one way of walking; every clip has strides of its own.
    """

    cell: FaultCell
    injected: tuple[Injected, ...]
    clips: tuple[ClipSpec, ...]


def fault_cells(
    *, per_size: int = 12, without: int = 40, several: int = 20, every_view: int = 2, only: Sequence[str] = ()
) -> list[FaultCell]:
    """Return the walkers of a benchmark in an order that makes a part of it useful: walker 1 of everything first.

    Parameters
    ----------
    per_size : int
        Walkers for each fault and size.
    without, several : int
        Walkers without faults, and with two to four.
    every_view : int
        Walkers for each fault, clear in size, that are filmed in every view.
    only : sequence of str
        Faults to take, "none" and "several" among them; all if empty.

    Raises
    ------
    ValueError
        If a name is unknown or a number is negative.
    """
    known = [*KIND, NONE, SEVERAL]
    wrong = [name for name in only if name not in known]
    if wrong or min(per_size, without, several, every_view) < 0:
        raise ValueError(
            f"fault walks: only is {', '.join(only) or 'empty'}, counts are {per_size}, {without}, {several}, "
            f"{every_view}; names of {', '.join(known)} and counts from 0 on are expected. Correct these."
        )
    counts = {NONE: without, SEVERAL: several, EVERY_VIEW: every_view}
    cells = [
        (number / counts.get(size, per_size), index, FaultCell(fault=fault, size=size, number=number))
        for index, (fault, size) in enumerate(ALL_CELLS)
        if not only or fault in only
        for number in range(counts.get(size, per_size))
    ]
    return [cell for _, _, cell in sorted(cells, key=lambda entry: entry[:2])]


def draw_walk(seed: int, part: str, cell: FaultCell) -> FaultWalk:
    """Return one walk: the first drawn body and speed that can show the wanted sizes. It takes a few seconds.

    Parameters
    ----------
    seed : int
    part : "tuning" or "test"
        The two parts share no walker.
    cell : FaultCell

    Raises
    ------
    ValueError
        If the part is unknown.
    RuntimeError
        If no draw fits.
    """
    if part not in PARTS:
        raise ValueError(f"fault walks: part is {part}; {' or '.join(PARTS)} is expected. Choose one of these.")
    place = ALL_CELLS.index((cell.fault, cell.size))
    reason = ""
    for attempt in range(_MOST_DRAWS):
        rng = np.random.default_rng([seed, PARTS.index(part), place, cell.number, attempt])
        try:
            return _draw(rng, cell, part)
        except ValueError as error:
            reason = str(error)
    raise RuntimeError(f"fault walks: {cell.name} did not fit in {_MOST_DRAWS} draws; one was expected to. {reason}")


def _draw(rng: np.random.Generator, cell: FaultCell, part: str) -> FaultWalk:
    """One draw; ValueError if it does not fit."""
    look, dress = draw_person(rng, walker=True)
    if look.prosthetic_side is None or not HEIGHTS_M[0] <= look.height_m <= HEIGHTS_M[1]:
        raise ValueError(f"fault walk: {look.limb}, {look.height_m} m; a prosthesis and {HEIGHTS_M} m are expected.")
    person = _draw_settings(rng, look)
    light = pick(rng, ("even", "side"))
    wanted = _wanted(rng, cell)
    views = _views(cell, look.prosthetic_side)
    films = [
        replace(
            _draw_filming(rng, view, look.height_m),
            frame_rate_hz=_rate_hz(cell, view, wanted),
            light=light,
            dress=dress,
        )
        for view, _ in views
    ]
    labels = {"part": part, "subject": cell.subject, "walk": cell.name, "fault": cell.fault, "size": cell.size}

    def specs(settings: WalkerSettings) -> list[ClipSpec]:
        return [
            ClipSpec(
                look=look, settings=replace(settings, seed=settings.seed + number), view=view, leftward=leftward,
                labels=labels, conditions=film,
            )
            for number, ((view, leftward), film) in enumerate(zip(views, films, strict=True))
        ]  # fmt: skip

    # Cheap first: the same person without faults must fit into the pictures.
    _check_strides(specs(person))
    settings, walked = with_sizes(specs(person)[0].body().skeleton, person, wanted)
    clips = tuple(specs(settings))
    _check_strides(clips)
    injected = tuple(
        Injected(
            fault=name, wanted=size, realised=KIND[name].measure(walked), parameter=KIND[name].parameter,
            value=float(getattr(settings.faults, KIND[name].parameter)),
        )
        for name, size in wanted.items()
    )  # fmt: skip
    return FaultWalk(cell=cell, injected=injected, clips=clips)


def _rate_hz(cell: FaultCell, view: str, wanted: Iterable[str]) -> int:
    """Frames a second: 30, and 60 where a quick event is to be seen, or to be found absent in every second walker."""
    quick = max([30, *(KIND[name].frame_rate_hz for name in wanted if cell.fault != SEVERAL)])
    if cell.size in (NONE, EVERY_VIEW) and view == "sagittal" and cell.number % 2 == 1:
        return 60
    return quick


def _draw_settings(rng: np.random.Generator, look: Look) -> WalkerSettings:
    """Draw speed, a cadence that goes with it, and habits; without faults."""
    speed_m_s = float(rng.uniform(*SPEEDS_M_S))
    step_m = usual_step_m(look.height_m, speed_m_s) * float(rng.uniform(0.95, 1.05))
    return WalkerSettings(
        speed_m_s=round(speed_m_s, 3),
        cadence_steps_min=round(60.0 * speed_m_s / step_m, 2),
        prosthetic_side=look.prosthetic_side,
        seed=_SEED_STRIDE * int(rng.integers(2**27)),
        step_width_m=round(float(rng.uniform(0.08, 0.16)), 3),
        toe_out_deg=round(float(rng.uniform(2.0, 11.0)), 1),
        arm_swing_deg=round(float(rng.uniform(14.0, 26.0)), 1),
    )


def _wanted(rng: np.random.Generator, cell: FaultCell) -> dict[str, float]:
    """Faults of a walker and their sizes in the metric's unit."""
    if cell.fault == NONE:
        return {}
    if cell.fault != SEVERAL:
        size = "clear" if cell.size == EVERY_VIEW else cell.size
        return {cell.fault: KIND[cell.fault].wanted(size, cell.number)}
    count = int(rng.integers(_SEVERAL_COUNTS[0], _SEVERAL_COUNTS[1] + 1))
    chosen: list[str] = []
    for name in rng.permutation([kind.name for kind in KINDS]):
        if len(chosen) < count and not any(clash(str(name), other) for other in chosen):
            chosen.append(str(name))
    return {name: KIND[name].wanted("clear", cell.number) for name in chosen}


def _views(cell: FaultCell, prosthetic_side: str) -> list[tuple[str, bool]]:
    """View and direction of the clips of a visit."""
    both = [("sagittal", False), ("sagittal", True)]
    if cell.size in (NONE, SEVERAL, EVERY_VIEW):
        return [*both, ("anterior", False), ("posterior", False)]
    asked = KIND[cell.fault].views
    if asked == "both":
        return both
    if asked == "near":
        # The camera stands to the right of the way: it is the right side of who walks rightward.
        return [("sagittal", prosthetic_side == "left")]
    return [(asked, False)]


def _draw_filming(rng: np.random.Generator, view: str, height_m: float) -> Conditions:
    """Draw a clean recording: camera nearly square and level, nothing and nobody in the way, no motion blur."""
    if view == "sagittal":
        focal_share = float(rng.uniform(0.90, 1.05))
        across_m = min(_ACROSS_M, _WIDTH_PX * height_m / _LEAST_BODY_PX) * float(rng.uniform(0.97, 1.0))
        distance_m = focal_share * across_m
    else:
        focal_share = float(rng.uniform(0.80, 0.95))
        distance_m = float(rng.uniform(5.2, 6.0))
    return Conditions(
        distance_m=round(distance_m, 2),
        camera_height_m=round(float(rng.uniform(0.85, 1.15)), 2),
        yaw_deg=round(float(rng.uniform(-4.0, 4.0)), 2),
        roll_deg=round(float(rng.uniform(-1.0, 1.0)), 2),
        focal_share=round(focal_share, 3),
    )


def _check_strides(specs: Sequence[ClipSpec]) -> None:
    """Raise ValueError for clips that the walker cannot walk or that show too few whole strides of a limb."""
    for spec in specs:
        _, gait = spec.walk(spec.body())
        contacts = [event.side for event in gait.events if event.kind == "contact"]
        fewest, needed = min(contacts.count(side) for side in SIDES) - 1, _FEWEST_STRIDES[spec.view]
        if fewest < needed:
            raise ValueError(f"fault walk: {fewest} strides in the {spec.view} clip; {needed} are needed. Draw again.")
