"""All pages of a pool's site, in the order of its menu."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

from reliability.ask.packing import Packed
from reliability.ledger import carry_out, checks
from reliability.pool import Pool
from reliability.publish.decisions import (
    Wanted,
    asked_page,
    decision_page,
    front_page,
    published_page,
    usual_pages,
)
from reliability.publish.figures import drawing_program
from reliability.publish.page import Page
from reliability.publish.standing import checks_page

_LONGEST = ("module", "derating", "life", "builders")
"""pages that are begun first, so that no core waits for one of them at the end"""


@dataclass(frozen=True)
class PoolSite:
    """The pages of a pool, and the program that draws their figures."""

    pages: tuple[Page, ...]
    program: bytes


def pool_site(
    packed: Packed, bundle: str, shots: float = 3000.0, questions: Sequence[str] = (),
    with_published: bool = False, described: str = "",
) -> PoolSite:  # fmt: skip
    """The front page, one page a decision, published facts, outside checks.

    Parameters
    ----------
    packed : Packed
    bundle : str
        Name of the bundle among the downloads.
    shots : float
        What derating and the next test are for.
    questions : sequence of str
        Further questions, as on the command line.
    with_published : bool
        Whether the page of published facts shows how far they move the bound.
    described : str
        A paragraph for the front page.

    Raises
    ------
    BadInput
        If a further question cannot be read.
    CannotAnswer
        Without records.
    """
    pool = packed.pool()
    wanted = [*usual_pages(pool, shots), *(asked_page(q, i) for i, q in enumerate(questions, 1))]
    work: dict[str, Callable[[], Any]] = {
        w.name: partial(_decided, w, bundle) for w in sorted(wanted, key=lambda w: w.name not in _LONGEST)
    }  # fmt: skip
    work = {"program": drawing_program, **work, "checks": _checked}
    work["published"] = partial(_published, with_published, bundle)
    made = _side_by_side(work, pool)
    decided = [made[w.name] for w in wanted]
    pages = (front_page(decided, packed, described), *decided, made["published"], made["checks"])
    return PoolSite(pages, made["program"])


_held: list[Pool] = []
"""in a process of the crew: the pool that all its pages are of"""


def _side_by_side(work: dict[str, Callable[[], Any]], pool: Pool) -> dict[str, Any]:
    """What each piece of work gives, on all cores; the pool goes to each process once."""
    with ProcessPoolExecutor(initializer=_held.append, initargs=(pool,)) as crew:
        begun = {name: crew.submit(piece) for name, piece in work.items()}
        return {name: piece.result() for name, piece in begun.items()}


def _decided(wanted: Wanted, bundle: str) -> Page:
    return decision_page(wanted, _held[0], bundle)


def _published(moved: bool, bundle: str) -> Page:
    return published_page(_held[0], moved, bundle)


def _checked() -> Page:
    return checks_page(carry_out(c).as_dict() for c in checks())
