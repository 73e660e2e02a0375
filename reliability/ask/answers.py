"""Questions and answers by name, as the library and the shells use them."""

from __future__ import annotations

from reliability.decisions.builders import BuilderLife, Builders, BuildersAnswer
from reliability.decisions.comparison import Compare
from reliability.decisions.comparison_answer import CompareAnswer, Side
from reliability.decisions.comparison_choices import Choices, choices_in, usual
from reliability.decisions.demonstration import Demonstrate, DemonstrationAnswer
from reliability.decisions.derating import Derate
from reliability.decisions.derating_answer import CurvePoint, DeratingAnswer
from reliability.decisions.derating_mission import DerateMission
from reliability.decisions.derating_parts import DerateParts, PartsAnswer
from reliability.decisions.flight import Flight
from reliability.decisions.flight_answer import FlightAnswer, FlightSlot
from reliability.decisions.history import History, HistoryAnswer
from reliability.decisions.lanes import Stretch
from reliability.decisions.learning import Accelerate, LearningAnswer, LearningPlan, Narrow
from reliability.decisions.life import Life
from reliability.decisions.life_answer import LifeAnswer
from reliability.decisions.misfiring import IgnitionEffect, MisfireAnswer, Misfires
from reliability.decisions.mission_plans import MissionAnswer, MissionPlan
from reliability.decisions.modes import Modes, ModesAnswer
from reliability.decisions.module import Module, ModuleAnswer, SlotLife
from reliability.decisions.next_test import NextTest, NextTestAnswer
from reliability.decisions.parts import Curve, Step
from reliability.decisions.progress import Progress, ProgressAnswer
from reliability.decisions.question import Answer, Question
from reliability.decisions.remaining import Wear, WearAnswer
from reliability.pool import Basis, Pool, Source

__all__ = [
    "Accelerate", "Answer", "Basis", "BuilderLife", "Builders", "BuildersAnswer", "Choices", "Compare", "CompareAnswer",
    "Curve", "CurvePoint", "Demonstrate", "DemonstrationAnswer", "Derate", "DerateMission", "DerateParts", "DeratingAnswer", "Flight",
    "FlightAnswer", "FlightSlot", "History", "HistoryAnswer", "IgnitionEffect", "LearningAnswer", "LearningPlan",
    "Life", "LifeAnswer", "MisfireAnswer", "Misfires", "MissionAnswer", "MissionPlan", "Modes", "ModesAnswer", "Module", "ModuleAnswer", "Narrow", "NextTest", "NextTestAnswer",
    "PartsAnswer", "Pool", "Progress", "ProgressAnswer", "Question", "Side", "SlotLife", "Source", "Step", "Stretch", "Wear",
    "WearAnswer", "choices_in", "usual",
]  # fmt: skip
