"""Published facts and sourced priors: what papers and agency reports say, kept apart from builders' data.

Data: ``datasets/published_facts``. Used only when asked for; results that were published are those that
somebody chose to publish, so an answer with them shows the answer without them beside it.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from functools import cache
from typing import Any

from reliability.citations import Citation
from reliability.notes import BadInput, CannotAnswer, Note
from reliability.records import LifeRecords
from reliability.shipped import dataset

BUILDER = "published"
SEEN = ("read", "quoted", "from memory")
FORMS = ("power", "arrhenius")


@dataclass(frozen=True)
class Fact:
    """Something published about lives.

    Attributes
    ----------
    id, title, source : str
    seen : str
        Of ``SEEN``.
    says : str
        In our own words.
    rows : tuple of dict
        Life records it gives; empty if it gives none, and then ``why_not`` says why.
    caution, why_not : str
    """

    id: str
    title: str
    source: str
    seen: str
    says: str
    rows: tuple[dict[str, Any], ...]
    caution: str = ""
    why_not: str = ""

    @property
    def citation(self) -> Citation:
        """The fact as it is cited; facts carry no licence."""
        return Citation(self.title, (self.source,), "", f"published fact {self.id}")


@dataclass(frozen=True)
class SourcedPrior:
    """Normal prior on a stress coefficient, cut at 0.

    Attributes
    ----------
    name, column, form : str
        ``form``: ``power`` (n in life ~ stress^-n) or ``arrhenius`` (activation energy, eV).
    mean, sd : float
    source, seen : str
    choice : str
        What in it is our choice and not the source's.
    """

    name: str
    column: str
    form: str
    mean: float
    sd: float
    source: str
    seen: str
    choice: str


def _book(name: str) -> dict[str, Any]:
    return tomllib.loads(dataset("published_facts", name).read_text("utf-8"))


@cache
def version() -> str:
    """Hash of the facts, so that no kept answer outlives a change of them."""
    return hashlib.sha256(dataset("published_facts", "facts.toml").read_bytes()).hexdigest()[:12]


@cache
def facts() -> tuple[Fact, ...]:
    """Every published fact.

    Raises
    ------
    BadInput
        If the file breaks its own rules.
    CannotAnswer
        If this installation has no published facts.
    """
    out = []
    for f in _book("facts.toml")["fact"]:
        rows = tuple(f.get("record", ()))
        if f["seen"] not in SEEN or bool(rows) == bool(f.get("why_not")):
            raise BadInput(
                f"published fact {f['id']}: 'seen' unknown, or neither records nor why not"
            )
        out.append(
            Fact(
                f["id"], f["title"], f["source"], f["seen"], f["says"], rows, f.get("caution", ""),
                f.get("why_not", ""),
            )
        )  # fmt: skip
    return tuple(out)


def published_records(slot: str | None = None) -> tuple[LifeRecords, tuple[Fact, ...]]:
    """Life records of the published facts, of one slot or all, and the facts they are from.

    Builder is ``published``, so that they can be told from everybody's; the fact's id is the label
    ``fact``.

    Raises
    ------
    CannotAnswer
        If none is published for that slot.
    """
    rows = [(f, r) for f in facts() for r in f.rows if slot is None or r["slot"] == slot]
    if not rows:
        raise CannotAnswer(f"No published life of a {slot} is known here.")
    names = ("module", "slot", "unit", "part")
    known = {k for _, r in rows for k in r} - {*names, "shots_good", "shots_failed"}
    records = LifeRecords.of(
        [float(r["shots_good"]) for _, r in rows],
        [float(r.get("shots_failed", float("inf"))) for _, r in rows],
        builder=[BUILDER] * len(rows),
        **{n: [r.get(n, "") for _, r in rows] for n in names},
        covariates={k: [float(r.get(k, float("nan"))) for _, r in rows] for k in sorted(known)},
        labels={"fact": [f.id for f, _ in rows]},
    )
    ids = {f.id for f, _ in rows}
    return records, tuple(f for f in facts() if f.id in ids)


def note_on_published(used: tuple[Fact, ...]) -> Note:
    """What is to be said where published facts are used."""
    told = " ".join(f"{f.title} ({f.source}): {f.says} {f.caution}".strip() for f in used)
    return Note(
        "published_facts",
        f"Published results are those that somebody chose to publish, at stresses that may not be yours. {told}",
    )


@cache
def sourced_priors() -> tuple[SourcedPrior, ...]:
    """Every sourced prior. Raises BadInput if the file breaks its own rules."""
    out = tuple(SourcedPrior(**p) for p in _book("priors.toml")["prior"])
    for p in out:
        if p.seen not in SEEN or p.form not in FORMS or not p.sd > 0 or not p.choice:
            raise BadInput(f"prior {p.name} of {p.column}: 'seen', form, sd or choice is amiss")
    keys = [(p.name, p.column, p.form) for p in out]
    if len(set(keys)) < len(keys):
        raise BadInput("a prior stands twice")
    return out
