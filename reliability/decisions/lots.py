"""Lots: do they differ, and what does that mean for a unit of a lot not seen yet?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from reliability.histories import lives_of
from reliability.life.bounds import Bounder
from reliability.life.families import normal_quantile
from reliability.life.few import PriorBounder
from reliability.life.fit import LifeFit
from reliability.life.pooling import fit_pooled
from reliability.life.sample import log_centre
from reliability.notes import Note
from reliability.records import LifeRecords
from reliability.words import percent_text, so_many_shots

MOST_UNITS = 2000
"""units above which the spread of lots is not worked out (a choice, for time)"""


@dataclass(frozen=True)
class NewLot:
    """The life that 1 - fraction of a new lot's units reach, and its lower bound (lots' spread included).

    Attributes
    ----------
    lots : int
        Lots recorded, builders and parts apart.
    spread : float
        Standard deviation of lots' log life to reckon with, its own uncertainty included.
    p : float
        For no spread at all (likelihood ratio; half a chi-square).
    fraction, shots, lower : float
    """

    lots: int
    spread: float
    p: float
    fraction: float
    shots: float
    lower: float


def lot_labels(records: LifeRecords) -> NDArray[np.object_]:
    """Lot of each record with its builder and part, "" where it is not recorded, (n,)."""
    rows = zip(records.builder, records.part, records.lot, strict=True)
    return np.array([f"{b}/{p}/{lot}" if lot else "" for b, p, lot in rows], object)


def new_lot(
    records: LifeRecords, fit: LifeFit, bounder: Bounder | PriorBounder, fraction: float
) -> NewLot | None:
    """A unit of a lot not seen yet; None with fewer than two lots recorded, or two that failed none.

    The lots are a random effect on log life (``pooling.fit_pooled``). The bound is that of the pool, widened
    by their spread: on the log scale the two add up as independent errors do, the spread's quantile by
    Student's t with one degree of freedom less than lots.
    """
    labels = lot_labels(records)
    known = labels != ""
    k = len(set(labels[known].tolist()))
    if k < 2 or records.units > MOST_UNITS or not records.failed[known].any():
        return None
    own = records.select(known)
    confidence = bounder.confidence
    x = np.empty((len(own), 0))
    # the pool's parameters as they start the search, on the centre of these records
    found = fit_pooled(own, fit.family, labels[known], x, _recentred(fit, own), confidence)
    b = bounder.quantile(fraction)
    z = float(normal_quantile(confidence))
    wide = float(stdtrit(k - 1, confidence)) if k > 2 else 2.0 * z
    spread = found.tau_mean * float(np.sqrt(1 + 1 / k))
    down = np.hypot(np.log(b.estimate / max(b.lower, 1e-300)), min(wide, 2.0 * z) * spread)
    return NewLot(
        k, found.tau_mean, found.p, fraction, b.estimate, float(b.estimate * np.exp(-down))
    )


def _recentred(fit: LifeFit, own: LifeRecords) -> NDArray[np.float64]:
    phi = fit.phi.copy()
    phi[1] += phi[0] * (log_centre(lives_of(own)) - fit.sample.centre)
    return np.asarray(phi)


def lot_notes(records: LifeRecords, found: NewLot | None = None) -> tuple[Note, ...]:
    """What is known of lots, in words."""
    if found is not None:
        differ = "differ more than chance allows" if found.p < 0.05 else "do not differ visibly"
        text = (
            f"{found.lots} lots are recorded; they {differ} (p = {found.p:.2f}), and their log life is reckoned to spread by "
            f"{found.spread:.2f}. Of a new lot {percent_text(1 - found.fraction)} last at least {so_many_shots(found.lower)}."
        )
        return (Note("new_lot", text),)
    lots = set(lot_labels(records).tolist()) - {""}
    if len(lots) > 1:
        return ()
    which = "one lot only" if lots else "no lot"
    text = (
        f"The records name {which}: units of a lot not tested may live shorter than the bound allows for. Record lot with the "
        "units."
    )
    return (Note("lots_unknown", text),)
