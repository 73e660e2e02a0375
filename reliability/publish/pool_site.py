"""All pages of a pool's site, in the order of its menu."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor

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
from reliability.publish.page import Page
from reliability.publish.standing import checks_page


def pool_pages(
    packed: Packed, bundle: str, shots: float = 3000.0, questions: Sequence[str] = (),
    with_published: bool = False, described: str = "",
) -> list[Page]:  # fmt: skip
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
    further = [asked_page(text, i) for i, text in enumerate(questions, 1)]
    pool = packed.pool()
    decided = _decided([*usual_pages(pool, shots), *further], pool, bundle)
    return [
        front_page(decided, packed, described), *decided, published_page(pool, with_published, bundle),
        checks_page(carry_out(c).as_dict() for c in checks()),
    ]  # fmt: skip


def _decided(wanted: Sequence[Wanted], pool: Pool, bundle: str) -> list[Page]:
    """The pages of questions, worked out side by side on all cores, in the order asked for."""
    n = len(wanted)
    with ProcessPoolExecutor() as crew:
        return list(crew.map(decision_page, wanted, [pool] * n, [bundle] * n))
