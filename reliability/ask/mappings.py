"""Column mappings kept by name beside the user's store."""

from __future__ import annotations

from pathlib import Path

from reliability.ask.sources import default_path
from reliability.sheets.mapping import load_mapping, parse_mapping, save_mapping

__all__ = ["load_mapping", "mapping_folder", "parse_mapping", "save_mapping"]


def mapping_folder() -> Path:
    """Where mappings are kept."""
    return default_path().parent / "mappings"
