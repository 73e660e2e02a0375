"""Flight promise: what to promise for one flight unit, and the statement that goes with it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import streamlit as st

from dashboard.shared import (
    CAUTION,
    all_records,
    answer,
    chart,
    records_or_stop,
    show_notes,
    store,
    table,
    title,
    wear_readings,
)
from dashboard.words import plain_text
from reliability import figures
from reliability.decisions.flight import FlightAnswer, flight
from reliability.decisions.mission import Mission
from reliability.notes import BadInput, CannotAnswer
from reliability.report.content import statement
from reliability.report.render import to_html, to_pdf


@st.cache_resource(max_entries=32, show_spinner="Working out the promise …")
def solve(
    key: tuple[str, str],
    module: str,
    shots: float,
    survival: float,
    confidence: float,
    units: int,
    rate: float,
) -> FlightAnswer | str:
    """Flight answer, or why there is none."""
    try:
        return flight(
            all_records(*key),
            module,
            shots,
            survival=survival,
            confidence=confidence,
            units=units,
            readings=wear_readings(key),
            rate_Hz=rate,
        )
    except (CannotAnswer, BadInput) as e:
        return str(e)


top = title("Flight promise")
records, key = records_or_stop()
modules = sorted(set(records.module[records.right].tolist()))
left, middle, right = st.columns(3)
module = str(left.selectbox("Flight module", modules, key="module", bind="query-params"))
survival = middle.slider(
    "Survival of the promise", 0.5, 0.999, 0.9, 0.01, key="survival", bind="query-params"
)
confidence = right.select_slider(
    "Confidence (one-sided)",
    [0.8, 0.9, 0.95, 0.99],
    value=0.95,
    key="confidence",
    bind="query-params",
)
kind = st.radio(
    "Mission as",
    ["shots", "total impulse", "velocity change", "days"],
    horizontal=True,
    key="mission_kind",
    bind="query-params",
)
a, b, c, d = st.columns(4)
values: dict[str, float] = {"rate_Hz": 1 / 3}
if kind == "shots":
    values["shots"] = a.number_input(
        "Shots", 1.0, value=1000.0, step=100.0, key="mission_shots", bind="query-params"
    )
elif kind == "total impulse":
    values["total_impulse_Ns"] = a.number_input(
        "Total impulse (N s)", 1e-9, value=0.001, format="%.6f", key="total", bind="query-params"
    )
    values["impulse_bit_uNs"] = b.number_input(
        "Impulse bit (uN s)", 1e-6, value=0.65, key="bit", bind="query-params"
    )
elif kind == "velocity change":
    values["delta_v_m_s"] = a.number_input(
        "Velocity change (m/s)", 1e-9, value=0.001, format="%.6f", key="dv", bind="query-params"
    )
    values["mass_kg"] = b.number_input(
        "Satellite mass (kg)", 0.001, value=1.0, key="mass", bind="query-params"
    )
    values["impulse_bit_uNs"] = c.number_input(
        "Impulse bit (uN s)", 1e-6, value=0.65, key="bit", bind="query-params"
    )
else:
    values["days"] = a.number_input("Days", 0.001, value=1.0, key="days", bind="query-params")
    values["rate_Hz"] = 1 / b.number_input(
        "Seconds a shot", 0.01, value=3.0, key="seconds", bind="query-params"
    )
    values["duty"] = c.number_input(
        "Duty (share of the time)", 0.0001, 1.0, 0.05, key="duty", bind="query-params"
    )
units = int(d.number_input("Such modules", 1, 100, 1, key="units", bind="query-params"))
mission = Mission(**values)
try:
    shots = mission.in_shots()
except BadInput as e:
    answer("The mission is not stated in full.", top)
    st.warning(plain_text(str(e)))
    st.stop()
result = solve(key, module, shots, survival, float(confidence), units, values["rate_Hz"])
if isinstance(result, str):
    answer(f"Nothing can be promised for {module} yet.", top)
    st.warning(plain_text(result))
    st.stop()
answer(result.sentence, top)
left, right = st.columns([3, 2])
with left:
    st.markdown("### Share of such modules still good, from now on")
    x, estimate, lower = result.curve
    zero, one = np.array([0.0]), np.array([1.0])
    chart(
        figures.module_figure(
            np.concatenate((zero, x)),
            np.concatenate((one, estimate)),
            np.concatenate((one, lower)),
            np.concatenate((one, estimate)),
        ),
        "flight_survival",
        f"Estimate (solid) and lower bound at {confidence:.0%} (dashed), given that the module has lasted so far.",
    )
with right:
    st.markdown("### What ends it within the mission")
    chart(
        figures.ends_figure(
            [s.slot for s in result.by_slot], [s.ends_first for s in result.by_slot]
        ),
        "flight_ends",
        "Chance that the slot fails first, before the mission is over.",
    )
if units > 1:
    v = result.several
    st.markdown(
        f"Of **{units} such modules**, all last with probability {v['all']:.0%} (at least {v['all_lower']:.0%}); "
        f"at least one lasts with {v['one']:.1%} (at least {v['one_lower']:.1%})."
    )
st.markdown("### Life by slot")
table(pd.DataFrame(
        [
            {
                "slot": s.slot.replace("_", " "), "part": s.part, "shots so far": s.so_far,
                "failed in data": f"{s.failed:g} of {s.n:g}", "model": s.basis, "survival": s.survival,
                "at least": s.lower, "promise alone": s.promise, "ends first": s.ends_first,
            }
            for s in result.by_slot
        ]
    ), "slots", {
        **{k: st.column_config.NumberColumn(format="percent") for k in ("survival", "at least", "ends first")},
        **{k: st.column_config.NumberColumn(format="%,.0f") for k in ("shots so far", "promise alone")},
    })  # fmt: skip
st.markdown("### What more testing would change")
table(pd.DataFrame(
        [
            {
                "what": m.what, "shots": m.shots, "lasts it": m.survives_it, "survival after": m.survival,
                "at least": m.lower, "promise": m.promise,
            }
            for m in result.more
        ]
    ), "more", {
        **{k: st.column_config.NumberColumn(format="percent") for k in ("lasts it", "survival after", "at least")},
        **{k: st.column_config.NumberColumn(format="%,.0f") for k in ("shots", "promise")},
    })  # fmt: skip
contributions = [c.id for c in store().contributions() if c.status == "accepted"]
text = statement(
    result, mission, basis={"store": key[1], "contributions": contributions},
    builders=sorted(set(records.builder.tolist())), units=records.units, failed=records.failures, seed=1,
    command=f"shotlife report --module {module} --shots {shots:g} --survival {survival:g} --confidence {confidence:g}",
)  # fmt: skip
left, right, _ = st.columns([1, 1, 2])
left.download_button(
    "Statement as PDF",
    lambda: to_pdf(text),
    f"flight-{module}.pdf",
    "application/pdf",
    key="pdf",
    type="primary",
)
right.download_button(
    "Statement as HTML", lambda: to_html(text), f"flight-{module}.html", "text/html", key="html"
)
show_notes(result.notes)
st.caption(CAUTION)
