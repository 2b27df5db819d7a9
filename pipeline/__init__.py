"""Strideledger: measured gait faults from ordinary clips of a prosthetic fitting visit.

For notebooks and scripts: `run_study` measures a folder of clips, `load_visit` reads one visit's results.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.batch import StudyResult, run_study
    from pipeline.config import load_settings
    from pipeline.manifest import read_manifest
    from pipeline.report.parts import load_parts as load_visit

__all__ = ["StudyResult", "__version__", "load_settings", "load_visit", "read_manifest", "run_study"]
__version__ = "0.1.0"

_PLACES = {
    "StudyResult": ("pipeline.batch", "StudyResult"),
    "load_settings": ("pipeline.config", "load_settings"),
    "load_visit": ("pipeline.report.parts", "load_parts"),
    "read_manifest": ("pipeline.manifest", "read_manifest"),
    "run_study": ("pipeline.batch", "run_study"),
}


def __getattr__(name: str) -> Any:
    """Import what is asked for at its first use, so that `import pipeline` itself stays light."""
    try:
        module, attribute = _PLACES[name]
    except KeyError:
        raise AttributeError(f"module 'pipeline' has no attribute {name!r}") from None
    return getattr(import_module(module), attribute)
