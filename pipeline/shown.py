"""Records that a notebook shows as a small table: how stands in `notebook`, so that records stay without behaviour."""

from __future__ import annotations

from importlib import import_module


class Shown:
    """A record with a table of its own in a notebook."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        # By name, and only when a notebook asks: records lie below all that the words of a table come from.
        return str(import_module("pipeline.notebook").html_of(self))
