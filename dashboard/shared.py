"""What the pages share: the store, answers, the way an answer is shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.head import Head
from dashboard.keeping import take_along
from dashboard.sign_in import allowed
from dashboard.waiting import Stopped, offer_again, worked_out
from dashboard.words import OF_COLUMN, meaning, plain_text
from reliability import figures
from reliability.ask.admission import Busy
from reliability.ask.answers import Answer, FlightSlot, Pool, Question, SlotLife
from reliability.ask.asking import GRAVE
from reliability.ask.records import SheetError, StoreError, frame_csv, load_demo
from reliability.ask.sources import Stored, read_pool, state_of_store
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.words import unit_label

CAUTION = (
    "High voltage stays in capacitors after power-off. Discharge and short every bank before touching "
    "it, keep one hand away, use current-limited supplies, ventilate. Local codes, the launch provider "
    "and licensed practice come first. Estimates here are from test data; they are no qualification."
)

BURNED_IN = "No early failures: burned in"


TEMPLATE = (
    "builder,module,slot,unit,shots_good,shots_failed,mode,charge_V,note\n"
    "me,m1,main_capacitor,c1,4120,4120,short,1400,example: failed at shot 4120 (write over)\n"
    "me,m1,igniter,i1,6000,,,,example: still good at 6000 (write over)\n"
)


def store() -> Stored:
    """The store that this dashboard looks at."""
    return Stored.default()


def state() -> str:
    """State of the store's accepted contributions, "" where there is no store yet."""
    return state_of_store(store())


@st.cache_resource(max_entries=4, show_spinner=False)
def _pool(path: str, version: str) -> Pool:
    return read_pool(Stored.default())


def pool() -> Pool:
    """All accepted facts, read once for each state of the store; shared by all users, never to be changed."""
    return _pool(str(store().path), state())


def choices() -> dict[str, list[str]]:
    """Labels that can be chosen in the pool."""
    return dict(_choices(str(store().path), state()))


@st.cache_resource(max_entries=4, show_spinner=False)
def _choices(path: str, version: str) -> dict[str, list[str]]:
    p = _pool(path, version)
    out: dict[str, list[str]] = {}
    if p.life is not None:
        r = p.life
        for name in ("slot", "part", "builder", "module"):
            out[name] = options(getattr(r, name).tolist())
        out["mode"] = options(r.mode[r.failed].tolist())
        parts = zip(
            r.builder.tolist(), r.module.tolist(), r.slot.tolist(), r.unit.tolist(), strict=True
        )
        out["unit"] = options([unit_label(row) for row in parts if row[3]])
    if p.wear is not None:
        out["quantity"] = options(p.wear.quantity.tolist())
    return out


def pool_or_stop(top: Head) -> Pool:
    """The pool, or a screen that says what to do first."""
    try:
        found = pool()
    except (StoreError, SheetError, BadInput) as e:
        top.answer("The store cannot be read.")
        st.error(plain_text(str(e)))
        st.stop()
    if found.life is None or not len(found.life):
        top.answer("No accepted records yet.")
        first_steps()
        st.stop()
    return found


def options(values: Sequence[str]) -> list[str]:
    """Sorted distinct labels."""
    return sorted({str(v) for v in values} - {""})


def asked(question: Question, top: Head, nothing: str, present: bool = False) -> Answer:
    """The answer, its sentence and grave notes shown at the top; or in words why there is none, and stop.

    ``nothing`` is said where the data cannot answer. A part that could be answered is shown. ``present``
    takes no older answer while the present one is worked out: where a statement is made from it.
    """
    try:
        with top.work:
            found = worked_out(question, store(), None if present else top.alarms)
    except (Busy, Stopped) as e:
        top.answer("Nothing was worked out." if isinstance(e, Stopped) else "Not worked out now.")
        with top.alarms:
            offer_again(e)
        st.stop()
    except CannotAnswer as e:
        partial = e.partial if isinstance(e.partial, Answer) else None
        top.answer(partial.sentence if partial else nothing)
        top.warning(str(e))
        if partial is None:
            take_along(None, question, store())
            st.stop()
        assert partial is not None
        return partial
    except (BadInput, SheetError, StoreError) as e:
        top.answer(nothing)
        top.warning(str(e))
        st.stop()
    top.answer(found.sentence)
    top.alarm([n for n in found.notes if n.code in GRAVE])
    return found


def built(controls: Any, top: Head, nothing: str) -> Question:
    """The question of the controls; or in words what is wrong with it, and stop."""
    try:
        found: Question = controls.question()
    except BadInput as e:
        top.answer(nothing)
        top.warning(str(e))
        st.stop()
    return found


def first_steps() -> None:
    """What to do on an empty store."""
    st.markdown(
        "A **life sheet** is a table with one row a unit: builder, module, slot, shots_good, and shots_failed where it "
        "failed. Three ways to begin:"
    )
    a, b, c = st.columns(3)
    with a.container(border=True):
        st.markdown("### Look around")
        st.caption("An invented community of six builders; nothing in it is real.")
        if not allowed("maintainer"):
            st.caption("A maintainer of this service can load it.")
        elif st.button("Load the invented demo", key="demo"):
            with st.spinner("Loading the invented demo …"):
                load_demo(store())
            st.rerun()
    with b.container(border=True):
        st.markdown("### Start with a template")
        st.caption("A sheet with the right columns and two example rows to write over.")
        st.download_button("Empty life sheet", TEMPLATE, "life.csv", "text/csv", key="template")
    with c.container(border=True):
        st.markdown("### Add my data")
        st.caption("CSV, Parquet, XLSX, ODS or a bundle; one record by hand; or a shot log.")
        st.page_link("records.py", label="Go to Records", icon=":material/table_rows:")


def table(frame: pd.DataFrame, key: str, columns: dict[str, Any] | None = None) -> None:
    """A table with its download, safe to open in a spreadsheet; heads that the glossary knows say what it says."""
    known = {k: meaning(OF_COLUMN[k]) for k in frame.columns if k in OF_COLUMN}
    columns = dict(columns or {})
    for name, said in known.items():
        columns[name] = {**(columns.get(name) or st.column_config.Column()), "help": said}
    st.dataframe(
        frame,
        hide_index=True,
        width="stretch",
        key=f"{key}_table",
        column_config=columns,
        placeholder="–",
    )
    st.download_button(
        "CSV", lambda: frame_csv(frame), f"{key}.csv", "text/csv", key=f"{key}_csv",
        icon=":material/download:", type="tertiary", help=f"Download this table ({len(frame):,} rows)",
    )  # fmt: skip


def show_siblings(slots: Sequence[SlotLife | FlightSlot]) -> None:
    """What slots alone would be promised if their units failed as their siblings do, where that can be said."""
    for s in slots:
        if s.as_siblings is not None:
            name = s.slot.replace("_", " ").capitalize()
            st.markdown(
                plain_text(f"{name}, a second figure, never the promise: {s.as_siblings.text}")
            )


def folded(label: str) -> DeltaGenerator:
    """A fold for what comes after plain words: tables, and the statistician's words."""
    return st.expander(label, icon=":material/unfold_more:")


def show_notes(found: Answer) -> None:
    """The notes that are not shown at the top, and whom to cite, below the evidence."""
    notes: list[Note] = [n for n in found.notes if n.code not in GRAVE]
    if notes:
        st.markdown("### Notes")
    for n in notes:
        st.markdown(f"- {plain_text(n.text)}")
    cited = found.basis.citations
    if cited:
        with st.expander(f"Whom to cite ({len(cited)})"):
            st.markdown("\n".join(f"- {plain_text(c.text)}" for c in cited))


def show_opinion(found: Any) -> None:
    """The second opinion, where it was asked for."""
    if (said := found.second_opinion) is not None:
        st.markdown("### Second opinion")
        st.markdown(plain_text(said.sentence))
        for n in said.notes:
            st.markdown(f"- {plain_text(n.text)}")


LETTERS = {"light": "#111518", "dark": "#e6e4df"}
"""words on charts, in the browser's colours"""


PAPER = {"light": "#fbfaf8", "dark": "#15191c"}
"""the page behind them, as the service sets it"""


def lettered(spec: dict[str, Any]) -> dict[str, Any]:
    """A chart whose words stand out from the page, light or dark, and from the lines below them."""
    theme = str(st.context.theme.type)
    spec["config"] = {**spec.get("config", {}), "text": {"color": LETTERS.get(theme, "#757c82")}}
    return haloed(spec, PAPER[theme]) if theme in PAPER else spec


def haloed(spec: dict[str, Any], paper: str) -> dict[str, Any]:
    """The chart with its words on top, and the colour of the page around them, so that no line runs through a letter."""
    layers = spec.get("layer", [])
    words = [one for one in layers if _is_words(one)]
    if words:
        marks = [one for one in layers if not _is_words(one)]
        spec["layer"] = [
            *marks,
            *(_halo(one, paper) for one in words if not _on_a_bar(one)),
            *words,
        ]
    return spec


def _is_words(layer: dict[str, Any]) -> bool:
    mark = layer.get("mark")
    return isinstance(mark, dict) and mark.get("type") == "text"


def _on_a_bar(words: dict[str, Any]) -> bool:
    """Whether words stand on a bar, in the ink that stands out from it: the page around them would hide them."""
    colour = words.get("encoding", {}).get("color", {})
    return bool(colour.get("field") == "ink")


def _halo(words: dict[str, Any], paper: str) -> dict[str, Any]:
    around = {"fill": paper, "stroke": paper, "strokeWidth": 4, "strokeJoin": "round"}
    placed = {k: v for k, v in words["encoding"].items() if k not in ("color", "tooltip")}
    kept = {k: v for k, v in words.items() if k != "params"}
    name = f"{words.get('name', 'words')}_halo"
    return {**kept, "name": name, "mark": {**words["mark"], **around}, "encoding": placed}


def chart(figure: Any, key: str, caption: str, clicks: bool = False) -> None:
    """A chart with its description and downloads; ``clicks`` runs the page again when a mark is clicked."""
    st.vega_lite_chart(
        lettered(figures.spec(figure)),
        width="stretch",
        key=key,
        on_select="rerun" if clicks else "ignore",
    )
    said, save = st.columns([4, 1], vertical_alignment="top")
    said.caption(plain_text(caption))
    with save.popover(
        "Save",
        icon=":material/download:",
        key=f"save_{key}",
        help="Save the chart as a file",
        type="tertiary",
    ):
        if not figures.can_export():
            st.caption(
                "Charts as files need one more package: sh .setup paper, or pip install 'shotlife[paper]'."
            )
            return
        st.download_button(
            "SVG", lambda: figures.to_svg(figure), f"{key}.svg", "image/svg+xml", key=f"svg_{key}"
        )
        st.download_button(
            "PNG", lambda: figures.to_png(figure), f"{key}.png", "image/png", key=f"png_{key}"
        )
