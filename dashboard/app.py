"""Entry of the dashboard: navigation in the order of the job."""

from __future__ import annotations

import streamlit as st

from dashboard.look import LOOK
from dashboard.sign_in import gate
from dashboard.words import GLOSSARY, HELP, TERMS, plain_text

st.set_page_config(page_title="shotlife", page_icon=":material/bolt:", layout="wide")

st.html(f"<style>{LOOK}</style>")
gate()
page = st.navigation(
    {
        "Life": [
            st.Page("my_module.py", title="My module", icon=":material/bolt:", default=True),
            st.Page("life_curves.py", title="Life curves", icon=":material/show_chart:"),
            st.Page("history.py", title="History", icon=":material/view_timeline:"),
            st.Page("failure_modes.py", title="Failure modes", icon=":material/troubleshoot:"),
        ],
        "Wear": [
            st.Page("wear.py", title="Wear", icon=":material/trending_down:"),
            st.Page("misfires.py", title="Misfires", icon=":material/flash_off:"),
        ],
        "Decide": [
            st.Page("derating.py", title="Derating", icon=":material/tune:"),
            st.Page("comparison.py", title="Choose between", icon=":material/compare_arrows:"),
            st.Page("flight.py", title="Flight promise", icon=":material/rocket_launch:"),
            st.Page("campaign.py", title="Next test", icon=":material/experiment:"),
            st.Page("decisions.py", title="Kept decisions", icon=":material/bookmark:"),
        ],
        "Data": [
            st.Page("guide.py", title="Guide", icon=":material/help:"),
            st.Page("builders.py", title="Builders", icon=":material/groups:"),
            st.Page("records.py", title="Records", icon=":material/table_rows:"),
        ],
    }
)
st.session_state["turned"] = st.session_state.get("page") != page.title
st.session_state["page"] = page.title
page.run()
with st.expander("What this page and its words mean", icon=":material/help:"):
    st.write(HELP[page.title])
    for word in TERMS[page.title]:
        st.markdown(f"- **{plain_text(word)}**: {plain_text(GLOSSARY[word])}")
    st.page_link("guide.py", label="All words and cautions: Guide")
