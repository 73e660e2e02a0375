"""Where the invented demo community lies in the source tree."""

from __future__ import annotations

from pathlib import Path


def demo_folder() -> Path:
    """Folder of the demo's life sheets."""
    return Path(__file__).resolve().parents[2] / "datasets" / "demo"
