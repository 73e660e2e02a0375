"""The pages of a pool: one a decision, asked of the very facts that the site offers to take away."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from reliability.ask.asking import ask
from reliability.ask.packing import Packed
from reliability.ask.published import bound_of
from reliability.ask.questions import QUESTIONS, question_class
from reliability.ask.sources import Files
from reliability.ask.texts import again, from_texts, is_flag
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.pool import Pool
from reliability.publish.evidence import evidence, table
from reliability.publish.page import Basis, Page
from reliability.safe_text import bounded
from reliability.words import counted

USUAL = "main_capacitor"
BENCH = frozenset(
    {"next_test", "demonstrate", "narrow", "accelerate", "derate", "wear", "module", "flight"}
)
MOST_NAMED = 12
"""builders named in a cell; all stand among the citations"""
NOT_RECORDED = "The pool holds no {} yet, so there is nothing to say."


@dataclass(frozen=True)
class Wanted:
    """A page to make: its file name, its title, the question it answers, and its words if somebody asked for it."""

    name: str
    title: str
    question: Any
    asked_for: str = ""


def usual_slot(pool: Pool) -> str:
    """The main capacitor, or else the slot with most failures (of equal ones, with most units)."""
    r = pool.records
    slots = sorted(set(r.slot.tolist()))
    if USUAL in slots:
        return USUAL
    own = {s: r.select(r.slot == s) for s in slots}
    return max(slots, key=lambda s: (own[s].failures, own[s].units))


def usual_pages(pool: Pool, shots: float) -> list[Wanted]:
    """One page for each decision that needs no module of the reader's own."""
    slot = usual_slot(pool)
    of = f" of the {slot.replace('_', ' ')}"

    def q(name: str, **settings: Any) -> Any:
        return question_class(name)(**settings)

    return [
        Wanted("module", "Module life", q("module")),
        Wanted("life", f"Life{of}", q("life", slot=(slot,))),
        Wanted("modes", f"Failure modes{of}", q("modes", slot=(slot,))),
        Wanted("derating", f"Derating{of}", q("derate", slot=(slot,), shots=shots)),
        Wanted("wear", "Wear", q("wear")),
        Wanted("misfires", "Misfires", q("misfires")),
        Wanted("builders", "Do builders agree?", q("builders", slot=(slot,))),
        Wanted("next-test", "Next test", q("demonstrate", slot=(slot,), demonstrate_shots=shots)),
    ]


def asked_page(text: str, number: int) -> Wanted:
    """A further page from a question as on the command line, such as ``flight --module m1 --days 3``.

    Raises
    ------
    BadInput
        If it is no question, or a setting cannot be read.
    """
    try:
        name, *words = shlex.split(text)
    except ValueError:
        raise BadInput(f"cannot read the question {text[:60]!r}") from None
    if name not in QUESTIONS:
        raise BadInput(f"no question {name[:40]!r}; there are: {', '.join(QUESTIONS)}")
    cls = question_class(name)
    settings = _settings(words, cls.settings())
    title = f"{name.capitalize()}: {_told_settings(settings, cls.settings())}"
    page = f"{name.replace('_', '-')}-{number}"
    return Wanted(page, bounded(title.rstrip(": "), 60), from_texts(cls, settings), text)


def _told_settings(settings: dict[str, list[str]], schemas: dict[str, Any]) -> str:
    """Settings as words of a title, such as ``module kite-01, shots 500``."""
    named = {k.replace("_", " "): "" if is_flag(schemas[k]) else " ".join(v) for k, v in settings.items()}  # fmt: skip
    return ", ".join(f"{k} {v}".strip() for k, v in named.items())


def _settings(words: Sequence[str], schemas: dict[str, Any]) -> dict[str, list[str]]:
    """Options and their values, as the command line reads them. Raises BadInput."""
    out: dict[str, list[str]] = {}
    rest = list(words)
    while rest:
        word = rest.pop(0)
        option, sign, value = word.partition("=")
        name = option.removeprefix("--").replace("-", "_")
        if not word.startswith("--") or name not in schemas:
            known = ", ".join("--" + n.replace("_", "-") for n in sorted(schemas))
            raise BadInput(f"no option {word[:40]!r}; there are: {known}")
        if is_flag(schemas[name]):
            value = "true"
        elif not sign:
            if not rest:
                raise BadInput(f"{option} needs a value")
            value = rest.pop(0)
        out.setdefault(name, []).append(value)
    return out


def decision_page(wanted: Wanted, pool: Pool, bundle: str) -> Page:
    """The page of one question: its sentence, pictures, tables, notes, and what it rests on.

    Where the pool cannot answer, the page says why.

    Raises
    ------
    BadInput
        If somebody asked for it and a setting names what the pool does not hold.
    """
    question = wanted.question
    missing = [k for k in question.needs if k != "ignition" and getattr(pool, k) is None]
    if missing and "life" not in question.needs:
        return Page(wanted.name, wanted.title, NOT_RECORDED.format(" and ".join(missing)))
    why = ""
    try:
        answer: Any = ask(question, pool)
    except CannotAnswer as e:
        why, answer = str(e), e.partial
    except BadInput as e:
        if wanted.asked_for:
            raise BadInput(f"--ask {wanted.asked_for[:60]!r}: {e}") from None
        return Page(wanted.name, wanted.title, f"Not to be answered here: {e}")
    if answer is None:
        return Page(wanted.name, wanted.title, f"These records do not carry an answer: {why}")
    pictures, tables = evidence(question.name, answer)
    notes: tuple[Note, ...] = (Note("cannot_answer", why),) if why else ()
    large = [p.title for p in pictures if not p.spec]
    if large:
        text = (
            f"Not drawn, since a page would be too heavy with all their points: {', '.join(large)}."
        )
        notes += (Note("too_many_points", text),)
    return Page(
        wanted.name, wanted.title, answer.sentence, figures=tuple(p for p in pictures if p.spec), tables=tables,
        code=_same(question, bundle),
        basis=_basis(answer), notes=(*notes, *answer.notes), bench=question.name in BENCH,
        citations=answer.basis.citations,
    )  # fmt: skip


def _same(question: Any, bundle: str) -> tuple[tuple[str, str], ...]:
    """The command that asks the same of the bundle among the downloads."""
    return (("The same on your own machine", again(question, Files((Path(bundle),))) + "\n"),)


def _basis(answer: Any) -> tuple[Basis, ...]:
    settings = {k: v for k, v in answer.asked.items() if k != "question" and v not in (None, [], "", False)}  # fmt: skip
    told = ", ".join(f"{k} {_told(v)}" for k, v in settings.items())  # fmt: skip
    return (
        Basis("Question", f"{answer.asked['question']}: {told}"),
        Basis("Method", answer.basis.method),
    )


def _told(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(_told, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def front_page(pages: Iterable[Page], packed: Packed, described: str) -> Page:
    """The overview: what the pool holds, and the sentence of every decision."""
    listed = list(pages)
    r = packed.records
    sides = f", with {', '.join(sorted(packed.sides))}" if packed.sides else ""
    held = (
        f"{counted(len(r), 'life record')} of {counted(len(packed.builders), 'builder')} "
        f"({counted(r.failures, 'failure')}){sides}, from {counted(len(packed.citations), 'contribution')}."
    )
    slots = sorted(set(r.slot.tolist()))
    rows = []
    for s in slots:
        own = r.select(r.slot == s)
        names = _some(sorted(set(own.builder.tolist())))
        rows.append((s.replace("_", " "), float(own.units), float(own.failures), names))
    return Page(
        "index", "Overview", listed[0].sentence, (described, held) if described else (held,),
        tables=(table("What the pool holds", "slot | units | failed | builders", rows),),
        contents=tuple((p.name, p.title, p.sentence) for p in listed), bench=True,
    )  # fmt: skip


def _some(names: Sequence[str]) -> str:
    """Names, and how many more there are."""
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} others" if more > 0 else "")


def published_page(pool: Pool, moved: bool, bundle: str) -> Page:
    """Published facts and sourced priors, kept apart; with ``moved``, how far they move the bounds."""
    from reliability.published_facts import facts, sourced_priors

    listed = facts()
    used = [f for f in listed if f.rows]
    text = (
        "Results from papers and agency reports, and priors on how life depends on stress. They are no builder's "
        "data and stand in no answer of this site but the ones below, if any; published results are those that "
        "somebody chose to publish.",
    )
    tables = (
        table("Facts", "what | it says | source | how we saw it | caution, or why it is no life record",
              ((f.title, f.says, f.source, f.seen, f.caution or f.why_not) for f in listed)),
        table("Priors", "name | stress | form | mean | sd | source | how we saw it | our choice in it",
              ((p.name, p.column, p.form, p.mean, p.sd, p.source, p.seen, p.choice) for p in sourced_priors())),
    )  # fmt: skip
    slots = sorted({r["slot"] for f in used for r in f.rows}) if moved else []
    compared = [
        _compared(slot, as_tested, pool, bundle) for slot in slots for as_tested in (False, True)
    ]
    head = "life that 90 % reach | at least, without them | at least, with them"
    found = table("How far they move the bound", head, (row for row, _ in compared))
    return Page(
        "published", "Published facts",
        f"{len(listed)} published facts, {len(used)} of which can be used as life records, and "
        f"{len(sourced_priors())} sourced priors; used only when asked for.",
        text, tables=(found, *tables) if compared else tables, code=tuple(code for _, code in compared),
        citations=tuple(f.citation for f in used) if moved else (),
    )  # fmt: skip


def _compared(
    slot: str, as_tested: bool, pool: Pool, bundle: str
) -> tuple[tuple[Any, ...], tuple[str, str]]:
    """The bound on a slot's lives without published facts and with them, as a row; and the command that asks it."""
    life = question_class("life")
    told = f"{slot.replace('_', ' ')}, {'as tested, parts and stresses mixed' if as_tested else 'at its operating point'}"

    def bound(**settings: Any) -> Any:
        try:
            return bound_of(ask(life(slot=(slot,), as_tested=as_tested, **settings), pool))
        except (BadInput, CannotAnswer) as e:
            return f"no answer: {e}"

    asked = again(
        life(slot=(slot,), as_tested=as_tested, with_published=True), Files((Path(bundle),))
    )
    return (told, bound(), bound(with_published=True)), (f"The same: {told}", asked + "\n")
