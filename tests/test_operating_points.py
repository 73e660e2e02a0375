"""What is asked for at an operating point that records do not carry is refused, in the same words by every question."""

import numpy as np
import pytest

from reliability.notes import BadInput, CannotAnswer
from reliability.records import LifeRecords
from reliability.slots.carried import refuse_far
from tests.asking import asked


def two_stresses() -> LifeRecords:
    """Made up: two builders' units at two voltages and two temperatures, the humidity always the same."""
    rng = np.random.default_rng(19)
    volts, warm, builder = (
        a.ravel() for a in np.meshgrid([1300.0, 1500.0], [20.0, 60.0], ["ash", "elm"])
    )
    life = 4000 * (volts / 1400) ** -7.0 * 2 ** (-(warm - 20) / 40) * rng.weibull(2.5, (5, 8))
    n = life.size
    covariates = {
        "charge_V": np.tile(volts, 5), "temp_C": np.tile(warm, 5), "humidity": np.full(n, 40.0), "batch": np.tile([1.0, 2.0], n // 2),
    }  # fmt: skip
    return LifeRecords.of(
        life.ravel(), life.ravel(), slot=["main_capacitor"] * n, builder=np.tile(builder, 5), covariates=covariates
    )  # fmt: skip


BOTH = ("charge_V:power", "temp_C:arrhenius")
ASKED = [
    ("derate", {"shots": 500, "stress": BOTH}),
    ("accelerate", {"accelerate_to": 1200, "stress": BOTH}),
    ("builders", {"stress": BOTH}),
]
BY_THE_SLOT = [
    ("life", {}),
    ("module", {}),
    ("narrow", {"within_factor": 5}),
    ("demonstrate", {"demonstrate_shots": 500}),
    ("accelerate", {"accelerate_to": 1200, "stress": BOTH[:1]}),
    ("compare", {"by": "voltage"}),
    ("compare", {"by": "builder"}),
]


@pytest.mark.parametrize(("question", "settings"), ASKED)
def test_a_far_level_of_a_stress_that_is_adjusted_for(question, settings):
    with pytest.raises(CannotAnswer, match="90 deg C is more than 5 K beyond the tested 20 to 60 deg C; no law is trusted that far"):  # fmt: skip
        asked(question, two_stresses(), use=("temp_C=90",), **settings)


@pytest.mark.parametrize(("question", "settings"), [ASKED[2], *BY_THE_SLOT[:3], BY_THE_SLOT[6]])
def test_a_far_voltage(question, settings):
    with pytest.raises(CannotAnswer, match=r"9,000 V is more than 1\.5 times beyond the tested 1,300 to 1,500 V; no law is trusted that far"):  # fmt: skip
        asked(question, two_stresses(), use=("charge_V=9000",), **settings)


@pytest.mark.parametrize(("question", "settings"), [*ASKED, *BY_THE_SLOT[:2], BY_THE_SLOT[4]])
def test_a_column_that_nothing_takes(question, settings):
    """Of what no record says, of what was never varied, of what is varied and not modelled."""
    own = two_stresses()
    for use, words in (
        ("salt=3", "use salt has no effect here: no record of main capacitor says it"),
        ("humidity=50", "use humidity has no effect here: all records of main capacitor that say it have one humidity, 40"),
        ("batch=2", "use batch has no effect here: (it is no term of the stress model|the slot's model does not take it)"),
    ):  # fmt: skip
        if question in ("life", "module"):
            words = "use names charge_V or temp_C or rate_Hz or part here"
        with pytest.raises(BadInput, match=words):
            asked(question, own, use=(use,), **settings)


@pytest.mark.parametrize(("question", "settings"), BY_THE_SLOT)
def test_a_pace_that_no_record_says(question, settings):
    with pytest.raises(BadInput, match="use rate_Hz has no effect here: no record of main capacitor says it"):  # fmt: skip
        asked(question, two_stresses(), use=("rate_Hz=1",), **settings)


def test_a_level_that_need_not_be_above_nought():
    """Within 1.5 times the tests away from 0, wherever they lie: at -8 to -4, -12 to -2.7; at -4 to 6, -6 to 9."""
    for low, high, inside, outside in (
        (-8, -4, (-11, -8, -3), (-13, -2)),
        (-4, 6, (-5, 0, 8), (-7, 10)),
        (0, 2, (0, 2.9), (-0.1, 3.1)),
    ):
        for level in inside:
            refuse_far("offset", level, low, high)
        for level in outside:
            with pytest.raises(CannotAnswer, match=r"Offset .* no law is trusted that far"):
                refuse_far("offset", level, low, high)
