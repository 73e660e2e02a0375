"""What the library alone does not bring: the screen, and statements on paper."""

from __future__ import annotations

import importlib
from types import ModuleType

from reliability.notes import CannotAnswer

# top package -> (what it is for, extra that brings it, word of .setup that brings it)
EXTRAS = {
    "altair": ("pictures", "screen", ""),
    "authlib": ("signing in", "screen", ""),
    "starlette": ("the JSON API", "screen", ""),
    "streamlit": ("the dashboard", "screen", ""),
    "uvicorn": ("the dashboard and the JSON API", "screen", ""),
    "typst": ("PDF statements", "paper", " paper"),
    "vl_convert": ("pictures as SVG, PNG, in statements", "paper", " paper"),
}


def extra_needed(error: BaseException) -> str | None:
    """In words what to install, if the error says that a package of an extra is missing."""
    if not isinstance(error, ModuleNotFoundError) or error.name is None:
        return None
    known = EXTRAS.get(error.name.partition(".")[0])
    if known is None:
        return None
    use, extra, word = known
    return (
        f"{use}: not installed here ({error.name} is missing). "
        f"Install it with 'sh .setup{word}' in a checkout, else with pip install 'shotlife[{extra}]'."
    )


def load(name: str) -> ModuleType:
    """The package of that name, which an extra brings.

    Raises
    ------
    CannotAnswer
        If it is not installed: which extra to install, and how.
    """
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as e:
        words = extra_needed(e)
        if words is None:
            raise
        raise CannotAnswer(words) from None
