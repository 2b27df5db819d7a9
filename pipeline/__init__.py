"""Strideledger: measured gait faults from ordinary clips of a prosthetic fitting visit.

For notebooks and scripts. The names here are stable, those inside the modules are not: see `pipeline/docs/api.md`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.agreement_files import read_reports
    from pipeline.agreement_table import agreement_table as compare_raters
    from pipeline.agreement_table import size_agreement as compare_sizes
    from pipeline.batch import run_study
    from pipeline.checks import Person
    from pipeline.cluster_crew import Cluster
    from pipeline.config import load_settings
    from pipeline.errors import PipelineError
    from pipeline.forget import forget_subject
    from pipeline.manifest import read_manifest
    from pipeline.metrics import CATALOGUE
    from pipeline.metrics.reading import average, peak, percent_of_stride, window
    from pipeline.metrics.registry import Family
    from pipeline.model import OwnError
    from pipeline.notebook import show
    from pipeline.plots import plot_curve, plot_differences, plot_fault, plot_visits
    from pipeline.precheck import check_study
    from pipeline.ratings import Rating, rating_sheet, read_ratings
    from pipeline.report.parts import load_parts as load_visit
    from pipeline.report.track import track_subject, track_table
    from pipeline.review_requests import Request as CorrectionRequest
    from pipeline.review_requests import record as record_corrections
    from pipeline.review_saved import clip_events, clip_strides, list_corrections
    from pipeline.review_widget import Viewer
    from pipeline.stages import judge_visit
    from pipeline.study_export import export_tables
    from pipeline.study_files import visit_folders
    from pipeline.study_query import query
    from pipeline.study_result import StudyResult
    from pipeline.study_tables import study_tables as load_tables
    from pipeline.thresholds import limits_from_text, load_limits
    from pipeline.tracking_rules import load_tracking_rules

__version__ = "0.1.0"
# Every public name: its module, and its name there. In the order of the API page.
PLACES = {
    "read_manifest": "pipeline.manifest:read_manifest",
    "check_study": "pipeline.precheck:check_study",
    "run_study": "pipeline.batch:run_study",
    "Cluster": "pipeline.cluster_crew:Cluster",
    "StudyResult": "pipeline.study_result:StudyResult",
    "load_settings": "pipeline.config:load_settings",
    "load_limits": "pipeline.thresholds:load_limits",
    "PipelineError": "pipeline.errors:PipelineError",
    "visit_folders": "pipeline.study_files:visit_folders",
    "load_visit": "pipeline.report.parts:load_parts",
    "read_reports": "pipeline.agreement_files:read_reports",
    "show": "pipeline.notebook:show",
    "load_tables": "pipeline.study_tables:study_tables",
    "query": "pipeline.study_query:query",
    "export_tables": "pipeline.study_export:export_tables",
    "forget_subject": "pipeline.forget:forget_subject",
    "track_subject": "pipeline.report.track:track_subject",
    "track_table": "pipeline.report.track:track_table",
    "load_tracking_rules": "pipeline.tracking_rules:load_tracking_rules",
    "Viewer": "pipeline.review_widget:Viewer",
    "clip_events": "pipeline.review_saved:clip_events",
    "clip_strides": "pipeline.review_saved:clip_strides",
    "CorrectionRequest": "pipeline.review_requests:Request",
    "record_corrections": "pipeline.review_requests:record",
    "list_corrections": "pipeline.review_saved:list_corrections",
    "rating_sheet": "pipeline.ratings:rating_sheet",
    "read_ratings": "pipeline.ratings:read_ratings",
    "Rating": "pipeline.ratings:Rating",
    "compare_raters": "pipeline.agreement_table:agreement_table",
    "compare_sizes": "pipeline.agreement_table:size_agreement",
    "plot_curve": "pipeline.plots:plot_curve",
    "plot_fault": "pipeline.plots:plot_fault",
    "plot_visits": "pipeline.plots:plot_visits",
    "plot_differences": "pipeline.plots:plot_differences",
    "Family": "pipeline.metrics.registry:Family",
    "window": "pipeline.metrics.reading:window",
    "peak": "pipeline.metrics.reading:peak",
    "average": "pipeline.metrics.reading:average",
    "percent_of_stride": "pipeline.metrics.reading:percent_of_stride",
    "OwnError": "pipeline.model:OwnError",
    "limits_from_text": "pipeline.thresholds:limits_from_text",
    "Person": "pipeline.checks:Person",
    "judge_visit": "pipeline.stages:judge_visit",
    "CATALOGUE": "pipeline.metrics:CATALOGUE",
}
__all__ = [
    "CATALOGUE",
    "Cluster",
    "CorrectionRequest",
    "Family",
    "OwnError",
    "Person",
    "PipelineError",
    "Rating",
    "StudyResult",
    "Viewer",
    "__version__",
    "average",
    "check_study",
    "clip_events",
    "clip_strides",
    "compare_raters",
    "compare_sizes",
    "export_tables",
    "forget_subject",
    "judge_visit",
    "limits_from_text",
    "list_corrections",
    "load_limits",
    "load_settings",
    "load_tables",
    "load_tracking_rules",
    "load_visit",
    "peak",
    "percent_of_stride",
    "plot_curve",
    "plot_differences",
    "plot_fault",
    "plot_visits",
    "query",
    "rating_sheet",
    "read_manifest",
    "read_ratings",
    "read_reports",
    "record_corrections",
    "run_study",
    "show",
    "track_subject",
    "track_table",
    "visit_folders",
    "window",
]


def __getattr__(name: str) -> Any:
    """Import what is asked for at its first use, so that `import pipeline` itself stays light."""
    if name not in PLACES:
        raise AttributeError(f"module 'pipeline' has no attribute {name!r}")
    module, _, attribute = PLACES[name].partition(":")
    return getattr(import_module(module), attribute)


def __dir__() -> list[str]:
    """Every public name, for the completion of a notebook."""
    return list(__all__)
