"""How a metric is declared.

A metric is a function of strides; its declaration sits on it as a decorator and leaves it unchanged.
Everything else (limits, figures, pages, the catalogue command) reads the declaration.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from pipeline.model import FloatArray, StrideSet, View

UNITS = frozenset({"s", "m", "m/s", "steps/min", "leg lengths/s", "deg", "deg/s", "%", "% leg length", "1"})
StrideFunction = Callable[[StrideSet], FloatArray]
PairFunction = Callable[[float, float], float]


@dataclass(frozen=True, slots=True)
class MetricSpec:
    """All that the rest of the pipeline may know about one metric of one limb.

    `needs` names columns of the stride table and curves. `near_only` keeps the limb towards the camera, `sure_leg` and
    `sure_foot` the strides in which its leg or its foot was followed without doubt. A metric without `leg_needed` also
    takes strides in which only the leg's landmarks were lost. One read `early` needs nothing after 30 % of the stride:
    the stance after a pass's last contact counts too.
    """

    id: str
    title: str
    unit: str
    positive: str
    views: frozenset[View]
    needs: tuple[str, ...]
    source: str
    min_strides: int
    near_only: bool
    sure_leg: bool
    sure_foot: bool
    min_fps: float
    compute: StrideFunction
    version: int = 1
    leg_needed: bool = True
    early: bool = False

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f"metric {self.id!r}: unit {self.unit!r} is not known; use one of {sorted(UNITS)}")


@dataclass(frozen=True, slots=True)
class PairSpec:
    """A comparison of a metric's sides: prosthetic with sound, or left with right without a prosthesis."""

    id: str
    title: str
    unit: str
    positive: str
    metric: str
    source: str
    compute: PairFunction
    version: int = 1


Catalogue = Mapping[str, MetricSpec | PairSpec]


@dataclass(slots=True)
class Family:
    """One module's metrics, in the order in which they are written."""

    name: str
    specs: dict[str, MetricSpec] = field(default_factory=dict)

    def metric(
        self,
        *,
        title: str,
        unit: str,
        views: tuple[View, ...],
        needs: tuple[str, ...],
        source: str,
        positive: str = "",
        min_strides: int = 3,
        near_only: bool = False,
        sure_leg: bool = False,
        sure_foot: bool = False,
        min_fps: float = 0.0,
        version: int = 1,
        leg_needed: bool = True,
        early: bool = False,
    ) -> Callable[[StrideFunction], StrideFunction]:
        """Add the decorated function under its own name; the function is unchanged.

        Parameters
        ----------
        title : str
            What is measured, as the pages name it.
        unit : str
            One of `UNITS`.
        views : tuple of {"sagittal", "anterior", "posterior"}
            Views whose strides it may read.
        needs : tuple of str
            Columns of the stride table and curves that it reads.
        source : str
            Key of the bibliography, or `definition`.
        positive : str
            Which way is positive; empty where a size has no sign.
        min_strides : int
            Fewest strides for a value. [1]
        near_only : bool
            In a side view, only strides of the limb towards the camera.
        sure_leg, sure_foot : bool
            Only strides in which the leg, or the foot, was followed without doubt.
        min_fps : float
            Fewest frames a second. [1/s]
        version : int
            Raised when its results change: visits of different versions are not compared.
        leg_needed : bool
            False takes strides, too, in which only the leg's landmarks were lost.
        early : bool
            It needs nothing after 30 % of the stride: the stance after a pass's last contact counts too.

        Returns
        -------
        callable
            The decorator. It takes a function of a `StrideSet` that returns one value a stride, (n_strides,), NaN
            where it was not seen.

        Raises
        ------
        ValueError
            The name is taken, or the unit is unknown.
        """

        def add(function: StrideFunction) -> StrideFunction:
            name = function.__name__
            if name in self.specs:
                raise ValueError(f"metric {name!r} is declared twice in {self.name!r}")
            self.specs[name] = MetricSpec(
                id=name,
                title=title,
                unit=unit,
                positive=positive,
                views=frozenset(views),
                needs=needs,
                source=source,
                min_strides=min_strides,
                near_only=near_only,
                sure_leg=sure_leg,
                sure_foot=sure_foot,
                min_fps=min_fps,
                compute=function,
                version=version,
                leg_needed=leg_needed,
                early=early,
            )
            return function

        return add
