"""Whether a statement still is what the records say, and whether it was altered."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from reliability.ask.answers import Flight, FlightAnswer
from reliability.ask.asking import ask
from reliability.ask.sources import AnySource
from reliability.notes import BadInput, CannotAnswer
from reliability.report.content import Made, statement
from reliability.report.render import to_html, to_pdf
from reliability.report.seal import Seal, read_seal, seal_of


@dataclass(frozen=True)
class Verdict:
    """What became of a statement.

    Attributes
    ----------
    holds : bool
        Same facts, same methods, and the file is byte by byte what they give.
    sentence : str
    then, now : str
        The answer as the seal has it, and as it is now.
    changed : tuple of str
        What is otherwise, one thing each.
    """

    holds: bool
    sentence: str
    then: str
    now: str
    changed: tuple[str, ...]


def verify(path: Path, source: AnySource) -> Verdict:
    """Ask a statement's question again, of the records as they are now, and make the file anew.

    Raises
    ------
    BadInput
        Where the file carries no seal, or its question cannot be asked any more.
    """
    seal = read_seal(path)
    settings = {k: v for k, v in seal.asked.items() if k != "question" and v is not None}
    if seal.asked.get("question") != Flight.name:
        raise BadInput(f"the seal of {path.name} is of another question than a flight promise")
    question = Flight(**settings)
    try:
        now = ask(question, source)
    except CannotAnswer as e:
        return Verdict(False, f"This is no longer answered: {e}", seal.sentence, str(e), ("no answer",))  # fmt: skip
    assert isinstance(now, FlightAnswer)
    changed = _changed(seal, seal_of(now, seal.made, seal.by))
    if changed:
        same = "the answer is the same" if now.sentence == seal.sentence else "the answer is another now"  # fmt: skip
        return Verdict(False, f"Since it was made something has changed; {same}.", seal.sentence, now.sentence, changed)  # fmt: skip
    s = statement(now, question, source, Made(seal.made, seal.by))
    made = to_pdf(s) if path.suffix.lower() == ".pdf" else to_html(s).encode()
    if made != path.read_bytes():
        text = "The file is not what these records and methods give: it was altered, or made by another version or under another store's name."  # fmt: skip
        return Verdict(False, text, seal.sentence, now.sentence, ("the file itself",))
    text = "It holds: the same facts and methods give this file, byte by byte."
    return Verdict(True, text, seal.sentence, now.sentence, ())


def _changed(then: Seal, now: Seal) -> tuple[str, ...]:
    """What it rested on and rests on now, in words."""
    out = []
    before, after = {tuple(r) for r in then.rests_on}, {tuple(r) for r in now.rests_on}
    for rows, words in ((after - before, "come since"), (before - after, "no longer counts")):
        out += [f"{name} (sha256 {sha[:12]}) {words}" for name, sha in sorted(rows)]
    if then.method != now.method:
        out.append(f"methods {then.method}, now {now.method}")
    if not out and then.sentence != now.sentence:
        out.append("the sentence")
    return tuple(out)
