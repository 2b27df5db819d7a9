"""The catalogue: every metric of one limb, and every comparison of limbs, in a written order."""

from __future__ import annotations

from pipeline.metrics.foot import FOOT
from pipeline.metrics.frontal import FRONTAL
from pipeline.metrics.heights import HEIGHTS
from pipeline.metrics.knee import KNEE
from pipeline.metrics.registry import Family, MetricSpec, PairSpec
from pipeline.metrics.spatial import SPATIAL
from pipeline.metrics.symmetry import PAIRS
from pipeline.metrics.temporal import TEMPORAL
from pipeline.metrics.trunk import TRUNK

FAMILIES: tuple[Family, ...] = (TEMPORAL, SPATIAL, KNEE, HEIGHTS, FOOT, TRUNK, FRONTAL)


def join_families(families: tuple[Family, ...], pairs: tuple[PairSpec, ...]) -> dict[str, MetricSpec | PairSpec]:
    """Return all declarations by id; a repeated id is a bug and fails."""
    joined: dict[str, MetricSpec | PairSpec] = {}
    for family in families:
        for spec in family.specs.values():
            if spec.id in joined:
                raise ValueError(f"metric {spec.id!r} is declared in two families")
            joined[spec.id] = spec
    for pair in pairs:
        if pair.id in joined:
            raise ValueError(f"comparison {pair.id!r} has the name of another metric")
        if pair.metric not in joined:
            raise ValueError(f"comparison {pair.id!r} needs the unknown metric {pair.metric!r}")
        joined[pair.id] = pair
    return joined


CATALOGUE = join_families(FAMILIES, PAIRS)
METRICS = {name: spec for name, spec in CATALOGUE.items() if isinstance(spec, MetricSpec)}
COMPARISONS = {name: spec for name, spec in CATALOGUE.items() if isinstance(spec, PairSpec)}
