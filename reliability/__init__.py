"""Shot life and reliability statistics for micro pulsed plasma thruster modules.

Build a question, ask it of a store, of files or of a pool of records, and read the answer:

>>> import reliability as rl
>>> lives = [17.88, 28.92, 33.0, 41.52, 42.12, 45.6, 48.4, 51.84, 51.96, 54.12]
>>> answer = rl.ask(rl.Life(at=(20,)), rl.Pool(rl.LifeRecords.of(lives, lives)))
>>> answer.sentence
'90 % of units last 28.4 shots or more as estimated, and at least 17.6 at 95 % confidence (10 of 10 units failed).'

Everything public is listed in ``__all__``; the rest may change.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.2.0"

_PUBLIC = {
    "ask.asking": ("ask",),
    "ask.sources": ("Files", "Stored", "demo", "read_pool"),
    "ask.plain": ("plain",),
    "ask.answers": (
        "Accelerate", "Answer", "Basis", "Builders", "BuildersAnswer", "Compare", "CompareAnswer", "Demonstrate",
        "DemonstrationAnswer", "Derate", "DerateMission", "DerateParts", "DeratingAnswer", "Flight", "FlightAnswer", "History",
        "HistoryAnswer", "LearningAnswer", "Life", "LifeAnswer",
        "MisfireAnswer", "Misfires", "MissionAnswer", "Modes", "ModesAnswer", "Module", "ModuleAnswer", "Narrow", "NextTest", "NextTestAnswer", "PartsAnswer", "Pool",
        "Progress", "ProgressAnswer", "Question", "Source", "Wear", "WearAnswer",
    ),
    "records": ("LifeRecords",),
    "readings": ("Recurrences", "SparkCounts", "WearReadings"),
    "notes": ("BadInput", "CannotAnswer", "Note"),
}  # fmt: skip
_WHERE = {name: module for module, names in _PUBLIC.items() for name in names}
__all__ = ["__version__", *sorted(_WHERE)]

if TYPE_CHECKING:
    from reliability.ask.answers import *  # noqa: F403
    from reliability.ask.asking import ask as ask
    from reliability.ask.plain import plain as plain
    from reliability.ask.sources import Files as Files
    from reliability.ask.sources import Stored as Stored
    from reliability.ask.sources import demo as demo
    from reliability.ask.sources import read_pool as read_pool
    from reliability.notes import BadInput as BadInput
    from reliability.notes import CannotAnswer as CannotAnswer
    from reliability.notes import Note as Note
    from reliability.readings import Recurrences as Recurrences
    from reliability.readings import SparkCounts as SparkCounts
    from reliability.readings import WearReadings as WearReadings
    from reliability.records import LifeRecords as LifeRecords


def __getattr__(name: str) -> Any:
    """Public names are imported when they are used, so that a command's help is quick."""
    if name not in _WHERE:
        raise AttributeError(f"module 'reliability' has no public name {name!r}")
    return getattr(importlib.import_module(f"reliability.{_WHERE[name]}"), name)


def __dir__() -> list[str]:
    return __all__
