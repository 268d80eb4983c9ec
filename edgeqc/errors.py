"""The one tree of errors that edgeqc raises.

::

    EdgeqcError
    ├── UsageError        the command or call was put wrongly (exit code 2)
    │   ├── ProtocolError     a pipelines/*.toml file or a setting in it
    │   └── SheetError        the specimen sheet
    ├── ImageError        a picture cannot be read or is of no use
    │   ├── ScaleError        its pixel size is impossible
    │   └── HeightMapError    a height map or a stereo pair is of no use
    ├── MeasurementError  the input of a measurand is of no use (constant, empty, too short)
    ├── StudyError        a comparison of settings cannot be made from this table
    ├── OutputError       a result cannot be written
    └── ModelError        a zone model file is of no use

Each says what is wrong with which value of which file, the rule that it
breaks, and the remedy.
"""

from __future__ import annotations


class EdgeqcError(Exception):
    """Something edgeqc cannot work with, said so that the reader can mend it.

    Parameters
    ----------
    problem : str
        What is wrong, with the value, in one plain sentence.
    file : str, optional
        Name of the file concerned (no folders: paths may hold names of people).
    rule : str, optional
        The rule that the value breaks.
    remedy : str, optional
        What the reader can do.
    """

    def __init__(self, problem: str, *, file: str = "", rule: str = "", remedy: str = "") -> None:
        self.problem = problem
        self.file = file
        self.rule = rule
        self.remedy = remedy
        super().__init__(problem)

    def __str__(self) -> str:
        parts = [f"{self.file}: {self.problem}" if self.file else self.problem]
        if self.rule:
            parts.append(f"Rule: {self.rule}")
        if self.remedy:
            parts.append(f"Remedy: {self.remedy}")
        return " ".join(part if part.endswith((".", "!", "?")) else part + "." for part in parts)

    def __reduce__(self) -> tuple[object, ...]:
        # keyword-only arguments are lost by the default pickling across worker processes
        return (_rebuild, (type(self), self.problem, self.file, self.rule, self.remedy))


def _rebuild(
    kind: type[EdgeqcError], problem: str, file: str, rule: str, remedy: str
) -> EdgeqcError:
    return kind(problem, file=file, rule=rule, remedy=remedy)


class UsageError(EdgeqcError):
    """The command or call was put wrongly."""


class ProtocolError(UsageError):
    """A protocol file, or a setting in it, is wrong."""


class SheetError(UsageError):
    """The specimen sheet is wrong."""


class ImageError(EdgeqcError):
    """A picture cannot be read, or is of no use."""


class ScaleError(ImageError):
    """A picture's pixel size is impossible."""


class HeightMapError(ImageError):
    """A height map or stereo pair is of no use."""


class MeasurementError(EdgeqcError):
    """The input of a measurand is of no use (constant, empty, too short)."""


class StudyError(EdgeqcError):
    """A comparison of settings cannot be made from this table."""


class OutputError(EdgeqcError):
    """A result cannot be written."""


class ModelError(EdgeqcError):
    """A zone model file is of no use."""
