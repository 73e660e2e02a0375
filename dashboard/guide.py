"""Guide: where to begin, the words used, the cautions."""

from __future__ import annotations

import streamlit as st

from dashboard.controls import read_address
from dashboard.head import title
from dashboard.shared import CAUTION, first_steps, pool
from dashboard.words import GLOSSARY, plain_text
from reliability.ledger import SEEN, by_how_seen, carry_out, checks


@st.cache_data(show_spinner="Working out every outside value again ...")
def outcomes() -> list[dict[str, object]]:
    """Every outside check carried out, as rows."""
    return [carry_out(c).as_dict() for c in checks()]


top = title("Guide")
read_address()
records = pool().life
if records is None or not len(records):
    top.answer("Nothing is stored yet: load the invented demo, or add a life sheet.")
    first_steps()
else:
    top.answer(
        f"{records.units:g} units are stored, {records.failures:g} of them failed: ask one question a page."
    )
st.markdown("### In the order of the job")
for target, name, text in (
    ("records.py", "Records", "Add a life sheet: one row a unit, good at a count, failed by a count."),
    ("my_module.py", "My module", "See how long a module lives and what ends it."),
    ("life_curves.py", "Life curves", "Look at the weakest slot: does the family fit, how wide is the bound?"),
    ("derating.py", "Derating", "Choose the voltage that lasts the mission."),
    ("flight.py", "Flight promise", "Promise a count for one flight module, and print the statement."),
    ("campaign.py", "Next test", "Plan the next test: how many units, how many shots."),
    ("builders.py", "Builders", "Compare and pool builders' data."),
):  # fmt: skip
    left, right = st.columns([1, 4], vertical_alignment="center")
    left.page_link(target, label=name)
    right.caption(text)
st.markdown("### Words")
lines = [f"| **{plain_text(word)}** | {plain_text(said)} |" for word, said in GLOSSARY.items()]
st.markdown("\n".join(["| word | meaning |", "| --- | --- |", *lines]))
st.markdown("### Checked against")
seen = by_how_seen()
st.markdown(
    f"{len(checks())} values of handbooks, papers and reference libraries are worked out again by this program's tests. "
    "How they were seen: " + "; ".join(f"{seen[k]} {k} ({text})" for k, text in SEEN.items()) + "."
)
if st.toggle("Work them out again, here and now", key="outside_checks"):
    rows = outcomes()
    apart = sum(not r["agrees"] for r in rows)
    st.markdown(f"{len(rows) - apart} agree, {apart} disagree.")
    st.dataframe(rows, hide_index=True)
st.markdown("### How far promises can be trusted")
st.markdown(
    "Promises at 95 % confidence in simulated communities whose truth is known (100 or more each): how many were true, and "
    "how long they were beside what the truth would allow. README has every case."
)
st.table(
    {
        "communities": [
            "four slots, shapes 1 to 6, ten modules",
            "four slots of shape 0.7: many early failures",
            "seven slots, hardly a failure",
            "flown below the tested voltages (two)",
            "wear-out that comes late, beside chance",
            "12 % of weak units, new ones flown",
        ],
        "true": ["99.8 %", "89 %", "100 %", "96 %", "94 %", "61 %"],
        "median length": ["0.35", "0.63", "0.21", "0.33", "0.46", "0.26"],
    }
)
st.markdown(
    "Limits: weak units that no test has shown (burn in what flies), slots of shape below 1 with few failures, lots that are "
    "not recorded. Another part, temperature or a voltage far outside the tests is refused."
)
st.markdown("### Cautions")
st.warning(CAUTION)
