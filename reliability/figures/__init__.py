"""Every chart, once, for screen and paper (Altair): one file a decision, made from its answer.

Nothing is worked out here: the numbers stand in the answers. Colours stand out from light and dark
paper alike (contrast 3 or more, tested), are told apart by people with the common kinds of colour
blindness, and every series also differs by shape or dash.
"""

from reliability.figures.builders import curves_figure, forest_figure, influence_figure
from reliability.figures.comparison import ratio_figure, sides_figure
from reliability.figures.derating import (
    life_stress_figure,
    mission_figure,
    residual_figure,
    trade_figure,
)
from reliability.figures.export import can_export, to_png, to_svg
from reliability.figures.flight import flight_figure
from reliability.figures.history import history_figure, place_figure
from reliability.figures.kept import once, spec
from reliability.figures.life import probability_figure, survival_figure
from reliability.figures.misfires import ignition_figure, mean_count_figure
from reliability.figures.modes import incidence_figure
from reliability.figures.module import ends_figure, module_figure
from reliability.figures.plans import demonstration_figure, learning_figure, next_test_figure
from reliability.figures.remaining import paths_figure, remaining_figure
from reliability.figures.slots import flight_slots_figure, module_slots_figure
from reliability.figures.style import DASHES, SERIES

__all__ = [
    "DASHES", "SERIES", "can_export", "curves_figure", "demonstration_figure", "ends_figure", "flight_figure",
    "flight_slots_figure", "forest_figure", "history_figure", "ignition_figure", "incidence_figure",
    "influence_figure", "learning_figure", "life_stress_figure", "mean_count_figure", "mission_figure", "module_figure",
    "module_slots_figure", "next_test_figure", "paths_figure", "place_figure", "probability_figure", "ratio_figure", "remaining_figure",
    "residual_figure", "sides_figure", "spec", "survival_figure", "to_png", "to_svg", "trade_figure",
]  # fmt: skip

# pages of many people show the same answers
globals().update({name: once(globals()[name]) for name in __all__ if name.endswith("_figure")})
