"""The invented demo community, put into a store."""

from __future__ import annotations

from pathlib import Path

from reliability.sheets.side import read_sheet
from reliability.shipped import DATASETS
from reliability.store.intake import Terms, store_sheet
from reliability.store.store import Store


def demo_folder() -> Path:
    """Where the invented sheets lie: in the package (datasets/demo of the source tree)."""
    return DATASETS / "demo"


def load_demo(box: Store) -> None:
    """Add every sheet of the demo, life sheets first; what is stored already stays."""
    for path in (
        *sorted(demo_folder().glob("life_*.csv")),
        demo_folder() / "wear.csv",
        demo_folder() / "misfires.csv",
        demo_folder() / "ignition.csv",
    ):
        store_sheet(box, read_sheet(path), Terms("the demo", licence="CC0-1.0"))
