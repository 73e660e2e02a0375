"""Where the data that travel with the program lie: one place to change when packaging does."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from reliability.notes import CannotAnswer

DATASETS = Path(str(files("reliability"))) / "shipped-data"


def dataset(*parts: str) -> Path:
    """A file of the shipped data, such as ``dataset("published", "genfan.csv")``.

    Raises
    ------
    CannotAnswer
        If this installation does not have it.
    """
    path = DATASETS.joinpath(*parts)
    if not path.is_file():
        raise CannotAnswer(f"The data set {'/'.join(parts)} is not part of this installation.")
    return path
