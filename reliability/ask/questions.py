"""All questions by name; each is imported when it is asked for."""

from __future__ import annotations

import importlib

from reliability.decisions.question import Question
from reliability.notes import BadInput

QUESTIONS = {
    "life": "life:Life",
    "modes": "modes:Modes",
    "module": "module:Module",
    "flight": "flight:Flight",
    "derate": "derating:Derate",
    "derate_mission": "derating_mission:DerateMission",
    "derate_parts": "derating_parts:DerateParts",
    "wear": "remaining:Wear",
    "misfires": "misfiring:Misfires",
    "history": "history:History",
    "builders": "builders:Builders",
    "compare": "comparison:Compare",
    "next_test": "next_test:NextTest",
    "demonstrate": "demonstration:Demonstrate",
    "progress": "progress:Progress",
    "narrow": "learning:Narrow",
    "accelerate": "learning:Accelerate",
}
"""name: module of decisions and class in it"""


def question_class(name: str) -> type[Question]:
    """The question of that name. Raises BadInput."""
    if name not in QUESTIONS:
        raise BadInput(f"no question {name[:40]!r}; there are: {', '.join(QUESTIONS)}")
    module, _, cls = QUESTIONS[name].partition(":")
    found: type[Question] = getattr(importlib.import_module(f"reliability.decisions.{module}"), cls)
    return found
