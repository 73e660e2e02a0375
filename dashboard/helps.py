"""What would help most: tests without failure, and what each would make of the answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd
import streamlit as st

from dashboard.shared import table

SHOTS = st.column_config.NumberColumn(format="%,.0f")
PERCENT = st.column_config.NumberColumn(format="percent")
DAYS = st.column_config.NumberColumn(format="%.2f")


def helps(
    tests: Sequence[Any], then: Mapping[str, str], shares: Mapping[str, str] | None = None
) -> None:
    """The tests, most shots gained a bench day first; nothing where none helps.

    ``then`` and ``shares`` are what a test makes of the answer, in counts or volts and in shares: name of the
    column, attribute of the test.
    """
    if not tests:
        return
    st.markdown("### What would help most")
    st.caption("Tests in which nothing fails; most shots gained a bench day first.")
    shares = shares or {}
    rows = [
        {
            "what": t.what, "shots each": t.shots, "bench days": t.days, "lasts it": t.survives_it,
            **{name: getattr(t, of) for name, of in (*shares.items(), *then.items())}, "gain a day": t.gain_a_day,
        }
        for t in tests
    ]  # fmt: skip
    columns = {
        **dict.fromkeys(("lasts it", *shares), PERCENT), **dict.fromkeys(("shots each", "gain a day", *then), SHOTS),
        "bench days": DAYS,
    }  # fmt: skip
    table(pd.DataFrame(rows), "more", columns)


def finds(found: Sequence[Any]) -> None:
    """Causes found out, records completed and sources, most shots gained first; nothing where none helps."""
    if not found:
        return
    st.caption(
        "Without the bench: causes found out, records completed, sources. The chance that it helps, and what is "
        "promised then in the mean over what may be found."
    )
    rows = [
        {"found out": f.what, "longer with": f.longer, "in the mean": f.promise, "gain": f.gain}
        for f in found
    ]
    columns = {"longer with": PERCENT, "in the mean": SHOTS, "gain": SHOTS}
    table(pd.DataFrame(rows), "found", columns)
