"""Controls made from a question's settings, and questions made from the address and the controls.

Type, range, default, unit and help come from the question, so that page, command line and API agree.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NoReturn

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.words import OF_SETTING, meaning, plain_text
from reliability.ask.answers import Question
from reliability.ask.texts import from_texts, read_texts
from reliability.notes import BadInput, NoEffect

SESSION = ("confidence", "builder", "part", "slot", "module", "use", "shots", "survival")
"""settings that stay as they were when the page is changed: one confidence, one operating point, one mission"""
MOST_OFFERED = 2000
"""labels offered by one control; more would be slow, and nobody reads them"""
_REFUSED = "refused_link"
CONFIDENCES = [0.8, 0.9, 0.95, 0.99]


def read_address(*questions: type[Question], also: Sequence[str] = ()) -> None:
    """Look at a link before anything is shown: what is unknown or cannot be read is said, and nothing
    else is shown. What controls have written into the address since, the question refuses beside them.

    ``also`` are names that the page itself uses.
    """
    if not _of_a_link():
        return
    schemas: dict[str, type[Question]] = {}
    for q in questions:
        schemas |= {k: q for k in q.settings() if k not in schemas}
    for name in st.query_params:
        if name in also:
            continue
        if name not in schemas:
            known = ", ".join(sorted([*schemas, *also]))
            there = f"there are: {known}" if known else "this page has none"
            unreadable(f"the address has no setting {name[:40]!r}; {there}")
        _read(schemas[name], name)


def _of_a_link() -> bool:
    """Whether the address came as a link, and not from the page's own controls."""
    return bool(st.session_state.get("turned")) or st.session_state.get(_REFUSED) == _address()


def _address() -> list[tuple[str, list[str]]]:
    return [(name, st.query_params.get_all(name)) for name in sorted(st.query_params)]


def _read(cls: type[Question], name: str) -> None:
    """Say so and show nothing else if one setting of the address cannot be read."""
    try:
        _one(cls, name)
    except BadInput as e:
        unreadable(str(e))


def unreadable(why: str) -> NoReturn:
    """Say what is wrong with the address, and show nothing else, as long as it stays."""
    st.session_state[_REFUSED] = _address()
    st.error(f"This link cannot be read: {plain_text(why)}")
    st.stop()
    raise AssertionError("the page has ended")


def one_of(name: str, allowed: Sequence[str]) -> str | None:
    """What the address says of a choice that the page itself has, or None."""
    given = st.query_params.get_all(name)
    if not given:
        return None
    if len(given) > 1 or given[0] not in allowed:
        unreadable(f"{name} is one of {', '.join(allowed)}, not {', '.join(given)[:60]!r}")
    return given[0]


def kind_of_question(
    place: DeltaGenerator, kinds: Mapping[str, str], first: str, on_change: Callable[[], None] | None = None
) -> str:  # fmt: skip
    """Which of a page's questions is asked, each with its label; the address says it too, unless it is the usual one."""
    if st.session_state.get("turned") or st.session_state.get("kind") not in kinds:
        st.session_state["kind"] = first
    picked = place.radio("What for", list(kinds), format_func=lambda k: kinds.get(k, k), key="kind", on_change=on_change)  # fmt: skip
    if picked != next(iter(kinds)):
        st.query_params["kind"] = picked
    elif "kind" in st.query_params:
        del st.query_params["kind"]
    return str(picked)


def _one(cls: type[Question], name: str) -> None:
    """Raise BadInput unless one setting can be read: by itself (the others at a value that is surely
    allowed), or with what the address says beside it, where it needs that.

    Whether all go together is seen once all are known.
    """
    filler = {k: _FILL.get(k, "1") for k, f in cls.model_fields.items() if f.is_required()}
    given: dict[str, Sequence[str]] = {k: [v] for k, v in filler.items()}
    there = {k: _texts(cls, k) for k in cls.settings() if k in st.query_params}
    try:
        from_texts(cls, given | {name: there[name]})
    except NoEffect:
        return
    except BadInput as e:
        if name in str(e):
            with contextlib.suppress(NoEffect):
                from_texts(cls, given | there)


def _texts(cls: type[Question], name: str) -> list[str]:
    """A setting's texts in the address; of a list also several in one, as controls write them."""
    texts = st.query_params.get_all(name)
    if len(texts) == 1 and _many(cls, name):
        return [t for t in texts[0].split(",") if t.strip()] or texts
    return texts


_FILL = {"module": "x", "shots": "1000", "demonstrate_shots": "1000", "within_factor": "2"}


def _many(cls: type[Question], name: str) -> bool:
    return cls.settings()[name].get("type") == "array"


def _of_one(schema: Mapping[str, Any]) -> Mapping[str, Any]:
    """What is given where a setting is given at all."""
    return next((s for s in schema.get("anyOf", []) if s.get("type") != "null"), schema)


def _within(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


class Controls:
    """Controls of one question on a page; what they hold becomes the question.

    Parameters
    ----------
    cls : Question class
    choices : mapping of column to values
        What can be chosen of labels in the pool, such as ``slot``.
    """

    def __init__(
        self, cls: type[Question], choices: Mapping[str, Sequence[str]] | None = None
    ) -> None:
        self.cls, self.schemas = cls, cls.settings()
        self.choices = dict(choices or {})
        self.values: dict[str, Any] = {}
        self.drawn: set[str] = set()
        if _of_a_link():
            for name in (
                self.schemas
            ):  # by this question; the page looked at the first that has the setting
                if name in st.query_params:
                    _read(cls, name)
        self._refuse_unknown()
        self.turned = bool(st.session_state.get("turned"))

    def _refuse_unknown(self) -> None:
        """A label in the address that is not in the pool is said, and nothing else is shown."""
        for name, schema in self.schemas.items():
            known = self.choices.get(schema.get("of", ""))
            if name not in st.query_params or known is None:
                continue
            texts = [t for t in _texts(self.cls, name) if t]
            for text in texts:
                if text not in known:
                    there = ", ".join(known[:12]) + (" …" if len(known) > 12 else "")
                    unreadable(f"there is no {name} {text[:60]!r} in the store; there are: {there}")

    def _label(self, name: str, label: str) -> str:
        self.drawn.add(name)
        unit = self.schemas[name].get("unit")
        return f"{label} ({unit})" if unit and unit not in label.lower() else label

    def many(self, place: DeltaGenerator, name: str, label: str) -> None:
        """Several labels of the pool; none stands for all."""
        known = list(self.choices.get(self.schemas[name].get("of", name), []))
        self.settle(name, "many", [], lambda v: isinstance(v, list) and set(v) <= set(known))
        picked = place.multiselect(
            label, known, key=name, bind="query-params", placeholder="all", help=self._help(name)
        )
        self._keep(name, "many", picked, [])
        self.values[name] = tuple(picked)

    def one(
        self, place: DeltaGenerator, name: str, label: str, first: str = "", empties: Sequence[str] = (), anew: Sequence[str] = (),
    ) -> None:  # fmt: skip
        """One label of the pool, as the only one of a setting that may have several; a change empties other controls, and
        sets those ``anew`` to what is then offered first."""
        known = list(self.choices.get(self.schemas[name].get("of", name), []))
        known.sort(key=lambda k: k != first)  # what is offered first stands first
        self.settle(name, "one", known[0] if known else None, lambda v: v in known)
        picked = place.selectbox(
            label, known, index=0 if known else None, key=name, bind="query-params", help=self._help(name),
            on_change=_empty, args=(tuple(empties), tuple(anew)),
        )  # fmt: skip
        self._keep(name, "one", picked, known[0] if known else None)
        listed = self.schemas[name].get("type") == "array"
        if picked is not None:
            self.values[name] = (picked,) if listed else picked

    def one_or_none(self, place: DeltaGenerator, name: str, label: str, within: str = "") -> None:
        """One label of the pool, or none; long lists are narrowed to those that hold ``within``."""
        known = [k for k in self.choices.get(self.schemas[name].get("of", name), []) if within in k]
        self.settle(name, "one")
        stated = st.session_state.get(name) or st.query_params.get(name)
        if stated and stated not in known:
            known = [stated, *known]
        picked = place.selectbox(
            label, known[:MOST_OFFERED], index=None, key=name, bind="query-params", placeholder="none",
            help=self._help(name),
        )  # fmt: skip
        if picked:
            self.values[name] = picked

    def label(
        self, place: DeltaGenerator, name: str, label: str, known: Sequence[str], free: bool
    ) -> None:
        """One of these labels, or nothing; another one may be typed where it is ``free``."""
        self.settle(name, "one")
        stated = st.session_state.get(name) or st.query_params.get(name)
        offered = [*dict.fromkeys([*([stated] if stated else []), *known])][:MOST_OFFERED]
        picked = place.selectbox(
            label, offered, index=None, key=name, bind="query-params", placeholder="most units",
            accept_new_options=free, help=self._help(name),
        )  # fmt: skip
        if picked and picked.strip():
            self.values[name] = picked.strip()

    def enum(
        self, place: DeltaGenerator, name: str, label: str, empties: Sequence[str] = (), first: str | None = None
    ) -> None:  # fmt: skip
        """One of a setting's values, at first its default or ``first``; a change of it empties other controls, whose
        values go with the old one."""
        schema = self.schemas[name]
        options = list(_of_one(schema)["enum"])
        start = schema["default"] if first is None else first
        self.settle(name, "one", start)
        picked = place.selectbox(
            label, options, index=None if start is None else options.index(start), key=name, bind="query-params",
            help=self._help(name), placeholder="nothing yet", on_change=_empty, args=(tuple(empties),),
        )  # fmt: skip
        if picked is not None:
            self.values[name] = picked

    def flag(self, place: DeltaGenerator, name: str, label: str) -> None:
        """On or off."""
        self.settle(name, "flag", False)
        self.values[name] = place.checkbox(
            label, key=name, bind="query-params", help=self._help(name)
        )

    def confidence(self, place: DeltaGenerator, name: str = "confidence") -> None:
        """The confidence, the same on every page of the session."""
        stated = [float(t) for t in st.query_params.get_all(name)]
        kept = [
            v for v in (st.session_state.get("kept", {}).get((name, "slider")),) if v is not None
        ]
        options = sorted({*CONFIDENCES, *stated, *kept})
        self.settle(name, "slider", 0.95, lambda v: v in options)
        picked = place.select_slider(
            "Confidence (one-sided)", options, value=0.95, key=name, bind="query-params", help=self._help(name)
        )  # fmt: skip
        self._keep(name, "slider", picked, 0.95)
        self.values[name] = float(picked)

    def number(
        self, place: DeltaGenerator, name: str, label: str, value: float | None = None, step: float | None = None
    ) -> None:  # fmt: skip
        """A number within the setting's limits; empty where the setting may be left out."""
        schema = self.schemas[name]
        core = _of_one(schema)
        whole = core.get("type") == "integer"
        low = core.get("minimum", core.get("exclusiveMinimum"))
        high = core.get("maximum", core.get("exclusiveMaximum"))
        start = schema.get("default") if value is None else value
        # above a limit is from just beyond it on
        if low is not None and "exclusiveMinimum" in core:
            low = float(low) + 1e-9
        if high is not None and "exclusiveMaximum" in core and high < 1e6:
            high = float(high) - 1e-9
        self.settle(
            name, "number", start, lambda v: isinstance(v, (int, float)) and _within(v, low, high)
        )
        # a field of whole numbers would make 3 of 3.7 and 1 of 1e99: the question refuses these instead
        low, high, start, step = (None if v is None else float(v) for v in (low, high, start, step))
        given = place.number_input(
            self._label(name, label), min_value=low, max_value=high, value=start, step=step, format="%.10g", key=name,
            bind="query-params", help=self._help(name),
        )  # fmt: skip
        self._keep(name, "number", given, start)
        if given is not None:
            self.values[name] = int(given) if whole and given.is_integer() else given

    def pairs(self, name: str) -> Pairs:
        """A setting of ``column=level`` texts, each column with a control of its own."""
        return Pairs(self, name)

    def text(self, place: DeltaGenerator, name: str, label: str, value: str = "") -> None:
        """A text."""
        self.settle(name, "text", value)
        given = place.text_input(
            label, value=value, key=name, bind="query-params", help=self._help(name)
        )
        if given.strip():
            self.values[name] = given.strip()

    def words(self, place: DeltaGenerator, name: str, label: str, more: str = "") -> None:
        """A list setting as one text, its members apart by spaces or commas; ``more`` is help."""
        self.settle(name, "text", "")
        given = place.text_input(label, key=name, bind="query-params", help=more or None)
        self.set(**{name: split_words(given)})

    def set(self, **values: Any) -> None:
        """Settings that the page gives itself."""
        self.values |= values
        self.drawn |= set(values)

    def question(self) -> Question:
        """The question as the controls stand, with what the address says besides. Raises BadInput."""
        more = [k for k in self.schemas if k in st.query_params and k not in self.drawn]
        if not more:
            return self.cls(**self.values)
        left, right = st.columns([5, 1])
        said = "; ".join(f"{k} = {', '.join(_texts(self.cls, k))}" for k in more)
        left.caption(f"From the link besides: {plain_text(said)}.")
        if right.button("Leave out", key="leave_out"):
            for k in more:
                del st.query_params[k]
            st.rerun()
        return self.cls(
            **read_texts(self.cls, {k: _texts(self.cls, k) for k in more}), **self.values
        )

    def _help(self, name: str) -> str:
        self.drawn.add(name)
        text = str(self.schemas[name].get("description", ""))
        word = OF_SETTING.get(name)
        return plain_text(text if word is None else f"{text} {meaning(word)}")

    def settle(
        self, name: str, kind: str, start: Any = None, sound: Callable[[Any], bool] = lambda v: False
    ) -> None:  # fmt: skip
        """What a control holds that another page, or another kind of control, has left under its name.

        Pages share these names, since they are the settings' in the address. Of the session's settings the control
        gets what was last chosen of its kind, where that is ``sound`` here; of all others, what it starts with. The
        address goes before.
        """
        last = st.session_state.setdefault("drawn", {})
        here = (st.session_state.get("page"), kind)
        left = last.get(name, here) != here
        last[name] = here
        held = st.session_state.get(name)
        if name not in st.session_state or not (left or (held is None and start is not None)):
            return
        kept = st.session_state.get("kept", {}).get((name, kind))
        wanted = kept if name in SESSION and sound(kept) else start
        if wanted != start and name not in st.query_params:
            st.session_state[name] = wanted
        elif held != start:
            del st.session_state[name]

    def _keep(self, name: str, kind: str, value: Any, start: Any = None) -> None:
        """Keep for other pages what was chosen; what a page starts with is its own."""
        kept = st.session_state.setdefault("kept", {})
        if name in SESSION and value != start:
            kept[name, kind] = value
        else:
            kept.pop((name, kind), None)


def _empty(names: Sequence[str], anew: Sequence[str] = ()) -> None:
    """Empty controls by their names; those ``anew`` go back to what is offered first."""
    for name in names:
        st.session_state[name] = None
    for name in anew:
        st.session_state.pop(name, None)


class Pairs:
    """Controls for a setting of ``column=level`` texts, such as the operating point.

    One text holds them all, and stands in the address; each control reads its level from there, and
    writes it back. Its key is not the setting's name: another page may have a number of that name.
    """

    def __init__(self, controls: Controls, name: str) -> None:
        self.controls, self.name, self.key = controls, name, f"{name}_pairs"
        self.aside: dict[str, str] = {}
        self.fresh = controls.turned or self.key not in st.session_state
        self.linked = self.fresh and name in st.query_params
        if self.linked:
            st.session_state[self.key] = " ".join(_texts(controls.cls, name))
        elif self.fresh:
            st.session_state[self.key] = st.session_state.get("kept", {}).get((name, "pairs"), "")
        self.said = _levels(st.session_state[self.key])

    def narrow(self, bears: Callable[[str, str], bool]) -> dict[str, str]:
        """Set aside levels that bear on nothing on this page, and keep them for the others; returns them.

        What a link says stays, for the question to refuse.
        """
        left = f"{self.key}_aside"
        known = ({} if self.fresh else st.session_state.get(left, {})) | self.said
        if not self.linked:
            self.said = {k: v for k, v in known.items() if bears(k, v)}
            self.aside = {k: v for k, v in known.items() if k not in self.said}
            # what is no pair stays too, for the question to refuse
            rest = [w for w in split_words(st.session_state[self.key]) if "=" not in w]
            st.session_state[self.key] = " ".join([_joined(self.said), *rest]).strip()
        st.session_state[left] = self.aside
        return self.aside

    def number(self, place: DeltaGenerator, column: str, label: str, step: float) -> None:
        """A number, or nothing where the data's own stands."""
        key = f"{self.key}_{column}"
        try:
            st.session_state[key] = float(self.said[column]) if column in self.said else None
        except ValueError:
            st.session_state[key] = None
        place.number_input(
            label, key=key, step=step, format="%.10g", placeholder="as recorded", on_change=_say, args=(self.key, column)
        )  # fmt: skip

    def choice(self, place: DeltaGenerator, column: str, label: str, known: Sequence[str]) -> None:
        """One of these labels, or nothing where the data's own stands."""
        key = f"{self.key}_{column}"
        said = self.said.get(column)
        st.session_state[key] = said if said in known else None
        place.selectbox(
            label, list(known), index=None, key=key, placeholder="as recorded", on_change=_say, args=(self.key, column)
        )  # fmt: skip

    def text(self, place: DeltaGenerator, label: str) -> None:
        """All of them as one text, as the address has it; the question gets it as it stands."""
        c = self.controls
        given = place.text_input(label, key=self.key, help=c._help(self.name)).strip()
        c._keep(self.name, "pairs", _joined(self.aside | _levels(given)) if self.aside else given)
        if given:
            st.query_params[self.name] = given
        elif self.name in st.query_params:
            del st.query_params[self.name]
        c.set(**{self.name: split_words(given)})


def split_words(text: str) -> tuple[str, ...]:
    """Words apart by spaces or commas."""
    return tuple(text.replace(",", " ").split())


def _levels(text: str) -> dict[str, str]:
    """Levels by column in a text of ``column=level`` pairs; what is no pair is left to the question to refuse."""
    parts = (p.partition("=") for p in split_words(text))
    return {column: level for column, sign, level in parts if sign}


def _say(key: str, column: str) -> None:
    """Write what a control holds into the text of them all."""
    given = st.session_state.get(f"{key}_{column}")
    levels = _levels(st.session_state.get(key) or "")
    levels.pop(column, None)
    if given is not None:
        levels[column] = f"{given:.10g}" if isinstance(given, float) else str(given)
    st.session_state[key] = _joined(levels)


def _joined(levels: Mapping[str, str]) -> str:
    return " ".join(f"{k}={v}" for k, v in levels.items())
