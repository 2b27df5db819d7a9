"""The exception tree.

Every message has four parts in this order: the item, what was found, what was expected, what to do.
Expected trouble inside a measurement (too few strides, a hidden leg) is a status with a reason, never
an exception.
"""

from __future__ import annotations

from pipeline.plain_text import one_line, visible

# More problems of one file are counted, not told: nobody reads them. Own choice.
MOST_TOLD = 200


class PipelineError(Exception):
    """A fault that the person at the keyboard can act on.

    Parameters
    ----------
    item : str
        What the message is about: a clip, a file, a setting. Ids and relative paths only.
    found : str
        What was found.
    expected : str
        What was expected. May be empty.
    do : str
        What to do about it. May be empty.
    """

    def __init__(self, item: str, found: str, expected: str = "", do: str = "") -> None:
        # Names and cells of others stand in these words.
        self.item, self.found, self.expected = one_line(item), one_line(found), one_line(expected)
        self.do = visible(do)
        super().__init__(self.item, self.found, self.expected, self.do)

    def __str__(self) -> str:
        text = f"{self.item}: {self.found}"
        if self.expected:
            text += f"; {self.expected}"
        text += "."
        return f"{text} {self.do}" if self.do else text


class ConfigError(PipelineError):
    """A settings or limits file is wrong."""


class ManifestError(PipelineError):
    """The study's manifest is wrong."""


class ModelError(PipelineError):
    """A pose model file is missing or not the one that was shipped."""


class VideoError(PipelineError):
    """A clip cannot be opened or decoded."""


class QualityError(PipelineError):
    """A clip can be decoded but not measured."""


class QueryError(PipelineError):
    """A question to the tables of a study is wrong, or asks for more than to read them."""


class StageError(PipelineError):
    """A stage failed in a way that none of the above describes: a crash, a hang, a bug."""


class ClusterError(PipelineError):
    """The other machines of a run cannot be used, or are gone."""


class ManyProblems(PipelineError):  # noqa: N818 - it is several errors
    """Several problems of one file, shown together, one per line."""

    def __init__(self, item: str, problems: list[str], do: str = "") -> None:
        self.problems = tuple(map(one_line, problems))
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        super().__init__(item, f"{count} found", "", do)

    def __str__(self) -> str:
        lines = [f"{self.item}: {self.found}."]
        lines += [f"  {problem}" for problem in self.problems[:MOST_TOLD]]
        if len(self.problems) > MOST_TOLD:
            lines.append(f"  ... and {len(self.problems) - MOST_TOLD} more.")
        if self.do:
            lines.append(self.do)
        return "\n".join(lines)
