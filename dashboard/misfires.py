"""Misfires: chance a shot, trend, comparison of igniters."""

from __future__ import annotations

import pandas as pd
import streamlit as st

from dashboard.controls import Controls, read_address
from dashboard.head import beside, title
from dashboard.keeping import take_along
from dashboard.shared import (
    asked,
    built,
    chart,
    choices,
    pool,
    show_notes,
    store,
    table,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.ask.answers import MisfireAnswer, Misfires
from reliability.words import p_text, percent_text

top = title("Misfires")
read_address(Misfires)
if pool().misfires is None:
    top.answer("No misfires recorded yet.")
    st.info(
        "Add on **Records** a table misfires.csv beside the life sheet: builder, module, slot, unit, shots, event; one row "
        "'misfire' at each count, and one row 'end' with the last count watched for each unit."
    )
    st.stop()
c = Controls(Misfires, choices())
wide, side = beside()
c.many(side, "builder", "Builders")
c.confidence(side)
question = built(c, top, "These misfires cannot be asked for.")
a = asked(question, top, "No misfires under these filters.")
assert isinstance(a, MisfireAnswer)
level = float(question.asked()["confidence"])
if a.curve:
    with wide:
        chart(
            figures.mean_count_figure(a),
            "mean_count",
            f"Misfires that a unit has had by a count, in the mean, with one-sided limits at {percent_text(level)} (band). Bending upwards: "
            "they come ever faster.",
        )
if a.growth is not None:
    g = a.growth
    st.caption(
        f"Power-law process: exponent {g.b:.2f} (1 = steady), trend {p_text(g.trend_p)}, Laplace {p_text(g.laplace_p)}."
    )
if a.groups:
    st.markdown("### Igniters compared")
    table(pd.DataFrame([{"part": r.first, "against": r.second, "times the misfires a shot": r.ratio, "p": r.p} for r in a.groups]), "group", {"times the misfires a shot": st.column_config.NumberColumn(format="%.2f"), "p": st.column_config.NumberColumn(format="%.3f")})  # fmt: skip
st.markdown("### Ignition voltage")
if a.ignition is not None:
    e = a.ignition
    st.write(plain_text(e.sentence))
    chart(
        figures.ignition_figure(e),
        "ignition",
        f"Chance of a misfire at {e.at_shots:,.0f} shots (line) with one-sided limits at {percent_text(level)} (band), from "
        f"{e.shots:,.0f} logged shots of {e.modules} modules. 1,000 shots more multiply the odds by {e.odds_per_1000.estimate:.2f}.",
    )
else:
    st.caption(
        "Shot logs with ignition_V tell how the chance of a misfire goes with ignition voltage: reduce them on Records, "
        "or with 'shotlife shots'."
    )
show_notes(a)
take_along(a, question, store())
