"""What the flight life statement says, once, for PDF and HTML."""

from __future__ import annotations

import datetime as dt
import os
import shlex
from dataclasses import dataclass

from reliability import __version__, figures
from reliability.ask.answers import Basis, Flight, FlightAnswer, FlightSlot
from reliability.ask.sources import AnySource
from reliability.ask.texts import again
from reliability.report.seal import as_text, seal_of
from reliability.words import bench_cell, percent_text, shots_text, so_many_shots

CAUTIONS = (
    "High voltage stays in capacitors after power-off: discharge and short every bank before touching it, "
    "keep one hand away, use current-limited supplies.",
    "Test in ventilated rooms: fluoropolymers give off harmful products when they decompose; vacuum can harm.",
    "Local codes, the launch provider's rules and licensed practice come before anything written here.",
)
ASSUMPTIONS = (
    "Slots fail independently of each other, and the first failure ends the module.",
    "Flight conditions other than those named below (pressure, reversal, storage) are like those of the tests.",
    "Each slot's life follows a Weibull law, its voltage a power law; see the model checks.",
    "Bounds are one-sided at the stated confidence; survival is given that the module has lasted so far.",
)


def today() -> str:
    """The day, UTC; SOURCE_DATE_EPOCH stands for it where it is set."""
    given = os.environ.get("SOURCE_DATE_EPOCH", "")
    moment = dt.datetime.fromtimestamp(int(given), dt.UTC) if given.isdigit() else dt.datetime.now(dt.UTC)  # fmt: skip
    return moment.date().isoformat()


@dataclass(frozen=True)
class Made:
    """When a statement was made, as a date (ISO 8601), and by whom."""

    date: str
    by: str


@dataclass(frozen=True)
class Statement:
    """All texts, tables and charts of a statement; plain data only.

    Attributes
    ----------
    title, answer : str
    facts : list of (name, value)
        Mission and promise.
    slots : list of rows (list of str)
        With ``slot_head`` above.
    more : list of rows
        With ``more_head`` above.
    configuration : list of (slot, what is in it)
    checks : list of str
        How well each model fits.
    notes, assumptions, cautions : lists of str
    basis : list of (name, value)
        Data behind it, and how to make it again.
    charts : dict of name to SVG text
    citations : list of str
        Contributions that the answer rests on.
    made, by, seal : str
        Date, who made it, and what verifies it later.
    signatures : list of str
        Who has yet to sign.
    """

    title: str
    answer: str
    facts: list[list[str]]
    slot_head: list[str]
    slots: list[list[str]]
    more_head: list[str]
    more: list[list[str]]
    configuration: list[list[str]]
    checks: list[str]
    notes: list[str]
    assumptions: list[str]
    cautions: list[str]
    basis: list[list[str]]
    charts: dict[str, str]
    citations: list[str]
    made: str
    by: str
    seal: str
    signatures: list[str]


def _configuration(s: FlightSlot) -> str:
    """Part, unit and settings of one slot in words."""
    names = {
        "charge_V": "charged to {:g} V", "rated_V": "rated {:g} V", "capacitance_uF": "{:g} uF each",
        "bank_parallel": "{:g} in parallel", "bank_series": "{:g} in series", "temp_C": "{:g} deg C",
        "rate_Hz": "{:.3g} shots a second", "peak_A": "{:g} A peak", "energy_J": "{:g} J a shot",
    }  # fmt: skip
    settings = [text.format(s.stress[k]) for k, text in names.items() if k in s.stress]
    return (
        ", ".join([x for x in (s.part, f"unit {s.unit}" if s.unit else "") if x] + settings)
        or "as recorded"
    )


def _checks(a: FlightAnswer) -> list[str]:
    """What each slot's model rests on, and what of the operating point the records carry."""
    out = [
        f"{s.slot.replace('_', ' ')}: {s.basis}, {s.failed:g} of {s.n:g} units failed"
        + (f"; shape {s.shape:.2g}." if s.shape == s.shape else ".")
        for s in a.by_slot
    ]
    return out + [
        f"{c.slot.replace('_', ' ')}, {c.stress}: {c.status}; {c.text}." for c in a.carried
    ]


def statement(a: FlightAnswer, question: Flight, source: AnySource | None, made: Made) -> Statement:
    """Put the answer into words and tables; ``source`` tells the command that makes it again."""
    return Statement(
        f"Flight life statement: module {a.module}", a.sentence, _facts(a), SLOT_HEAD, _slots(a), MORE_HEAD, _more(a),
        [[s.slot.replace("_", " "), _configuration(s)] for s in a.by_slot], _checks(a), [n.text for n in a.notes],
        list(ASSUMPTIONS), list(CAUTIONS),
        [
            ["Data", _where(a.basis)],
            ["Builders", ", ".join(a.builders)],
            ["Records", f"{a.pool_units:g} units, {a.pool_failed:g} failed"],
            ["Made with", f"shotlife {__version__}, method {a.basis.method}, seed {question.seed}"],
            ["Command", f"{again(question, source, 'report')} {again_made(made)} --to statement.pdf"],
            ["Verified later by", "shotlife report --verify statement.pdf"],
        ],
        {
            "survival": figures.to_svg(
                figures.flight_figure(a).properties(width=300, height=190)
            ),
            "ends": figures.to_svg(
                figures.ends_figure([s.slot for s in a.by_slot], [s.ends_first for s in a.by_slot]).properties(width=230)
            ),
        },
        [c.text for c in a.basis.citations], made.date, made.by, as_text(seal_of(a, made.date, made.by)),
        ["Checked by", "Approved by"],
    )  # fmt: skip


def again_made(made: Made) -> str:
    """The options that give a statement the same date and name again."""
    return shlex.join(["--date", made.date, "--by", made.by])


SLOT_HEAD = [
    "slot", "part", "shots so far", "failed in data", "model", "survival", "at least", "ends first",
]  # fmt: skip
MORE_HEAD = ["what", "shots", "bench", "lasts it", "survival after", "at least", "promise"]


def _facts(a: FlightAnswer) -> list[list[str]]:
    """Mission and promise."""
    p, s, v = a.promise, a.survival, a.several
    facts = [
        ["Mission", f"{a.mission} = {so_many_shots(a.mission_shots)}"],
        ["Promised life", f"{so_many_shots(p.shots)} from now"],
        ["at survival and confidence", f"{percent_text(p.survival)}, {percent_text(p.confidence)}"],
        ["Margin to the mission", f"{a.margin_shots:+,.0f} shots"],
        ["Survival of the mission", f"{percent_text(s.estimate)} estimated, at least {percent_text(s.lower)}"],
    ]  # fmt: skip
    if v.units > 1:
        text = (
            f"{v.working} or more last: {percent_text(v.enough)} (at least {percent_text(v.enough_lower)}); "
            f"all last: {percent_text(v.all)} (at least {percent_text(v.all_lower)}); "
            f"one at least: {percent_text(v.one)} (at least {percent_text(v.one_lower)})"
        )
        facts.append([f"{v.units} such modules", text])
    return facts


def _slots(a: FlightAnswer) -> list[list[str]]:
    return [
        [
            s.slot.replace("_", " "), s.part, f"{s.so_far:,.0f}", f"{s.failed:g} of {s.n:g}", s.basis,
            percent_text(s.survival), percent_text(s.lower), percent_text(s.ends_first),
        ]
        for s in a.by_slot
    ]  # fmt: skip


def _more(a: FlightAnswer) -> list[list[str]]:
    return [
        [
            m.what, f"{m.shots:,.0f}", bench_cell(m.days), percent_text(m.survives_it), percent_text(m.survival), percent_text(m.lower),
            shots_text(m.promise),
        ]
        for m in a.more
    ]  # fmt: skip


def _where(basis: Basis) -> str:
    """Where the data are."""
    if basis.files:
        return "; ".join(f"{f.file} (sha256 {f.sha256[:12]})" for f in basis.files)
    numbers = ", ".join(str(c.id) for c in basis.contributions)
    return f"store state {basis.store}, contributions {numbers}"
