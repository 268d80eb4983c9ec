"""Settings of the folder pipeline: which files, how many workers, how long and how much memory."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FolderSettings:
    """How a folder is run; none of these changes a measured value.

    Parameters
    ----------
    patterns : tuple of str
        File patterns of pictures, capitals or not.
    subfolders : bool
        Search the subfolders too.
    sheet : str
        Name of the specimen sheet looked for in the folder; an XLSX file of the same stem is
        taken where there is no such CSV.
    workers : int
        Number of pictures examined at once; 0 for one a core, as far as the memory allows.
    time_limit_s : float
        Longest time for one picture; a picture that takes longer is a failed row.
    memory_limit_mb : int
        Most memory for one worker; a picture that needs more is a failed row.
    specimen_protocol : str
        Protocol that the specimens are examined by, relative to the folder protocol's own
        place; empty for the one that comes with the package.
    """

    patterns: tuple[str, ...] = ("*.tif", "*.tiff", "*.png", "*.jpg", "*.jpeg", "*.bmp")
    subfolders: bool = True
    sheet: str = "specimens.csv"
    workers: int = 0
    time_limit_s: float = 600.0
    memory_limit_mb: int = 6144
    specimen_protocol: str = ""

    def __post_init__(self) -> None:
        if not self.patterns:
            raise ValueError("patterns must name at least one pattern")
        if self.workers < 0:
            raise ValueError(f"workers must be 0 or more, got {self.workers}")
        if self.time_limit_s <= 0:
            raise ValueError(f"time_limit_s must be positive, got {self.time_limit_s}")
        if self.memory_limit_mb < 512:
            # the libraries alone take some 300 MB
            raise ValueError(f"memory_limit_mb must be at least 512, got {self.memory_limit_mb}")
