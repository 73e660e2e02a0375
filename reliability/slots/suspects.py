"""Draws where it is not known whose some failures were: whose they were is drawn as well.

Gibbs sampling (Tanner & Wong 1987, J. Am. Stat. Assoc. 82, 528-540): given whose each failure was, laws of
all causes are drawn; given the laws, each failure falls to one of its suspects by their hazards then. The
sample of a module is made of equal shares from a number of such readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import gammaincinv

from reliability.slots.causes import Causes, decided
from reliability.slots.draws import (
    DRAWS,
    Fitted,
    ModuleDraws,
    Sampling,
    SlotDraws,
    draw_module,
    fitted,
)
from reliability.slots.exposure import Array, SlotData
from reliability.slots.grid import BURN_OUT, HALF, exposed, exposure_of

FEWEST_READINGS = 3
"""readings that tell what a cause found out would change"""
FIRST, READINGS = 8, 16
"""readings on the way (one cause a suspect), and readings kept"""


Known = dict[tuple[int, bytes, bool], Fitted]
"""grids worked out, by the units (the array of their ends), which failed, and whether early causes are looked for"""


class Readings:
    """Draws over whose failures were.

    Parameters
    ----------
    causes : Causes
    middle : float
        Shots of a mission as in the tests.
    sampling : Sampling
    known : dict
        Grids worked out already; those worked out here are put there.

    Attributes
    ----------
    draws : ModuleDraws
    shares : list of arrays
        Of each event the share of the readings in which each suspect's it was.
    chosen : int array (readings, events)
        Whose each was, in the readings that the draws are made of, in turn.
    """

    def __init__(self, causes: Causes, middle: float, sampling: Sampling, known: Known) -> None:
        self.causes, self.middle, self.sampling = causes, middle, sampling
        self._fitted = known
        # whose failures they were changes, the units do not
        self._exposed = [exposed(p) for p in causes.parts]
        rng = np.random.default_rng(sampling.seed)
        whose = [int(rng.integers(len(e.suspects))) for e in causes.events]
        kept: list[ModuleDraws] = []
        chosen: list[list[int]] = []
        counts = [np.zeros(len(e.suspects)) for e in causes.events]
        for i in range(FIRST + READINGS):
            early = i >= FIRST
            parts = decided(causes.parts, causes.events, whose)
            size = DRAWS // READINGS
            at = int(rng.integers(size))
            # on the way one draw is all that is wanted
            how = replace(sampling, seed=sampling.seed + i, size=size, only=None if early else at)
            own = draw_module(parts, self._fits(parts, early), middle, how)
            chosen += [whose] if early else []
            whose = self._fall(parts, own, at if early else 0, rng)
            if early:
                kept.append(own)
                for c, k in zip(counts, whose, strict=True):
                    c[k] += 1
        self.draws = _joined(kept)
        self.shares = [c / c.sum() for c in counts]
        self.chosen = np.array(chosen)

    def if_of(self, event: int, suspect: int) -> tuple[float, Array | None]:
        """Share of the readings in which a failure was a suspect's, and the weight of each draw if that were known:
        the readings in which it was count, the others do not. None where they are too few."""
        met = self.chosen[:, event] == suspect
        weight = np.repeat(met.astype(float), DRAWS // READINGS)
        return float(met.mean()), weight if met.sum() >= FEWEST_READINGS else None

    def _fits(self, parts: Sequence[SlotData], early: bool) -> list[Fitted]:
        """Grids of the parts, each worked out once."""
        keys = [(id(p.units.end), p.units.failed.tobytes(), early) for p in parts]
        for key, p, on in zip(keys, parts, self._exposed, strict=True):
            if key not in self._fitted:
                self._fitted[key] = fitted(p, early, on)
        return [self._fitted[key] for key in keys]

    def _fall(
        self, parts: Sequence[SlotData], drawn: ModuleDraws, at: int, rng: np.random.Generator
    ) -> list[int]:
        """Whose each failure was, by the hazards in one of the draws."""
        few = rng.random(len(parts))
        out = []
        for event in self.causes.events:
            hazards = [
                _hazard(parts[k], drawn.slots[k], at, row, few[k]) for k, row in event.suspects
            ]
            sums = np.cumsum(hazards)
            out.append(int(np.searchsorted(sums[:-1], rng.random() * sums[-1])))
        return out

    def likeliest(self) -> ModuleDraws:
        """Draws as if the likeliest suspect of each failure were known to be it."""
        parts = decided(
            self.causes.parts, self.causes.events, [int(s.argmax()) for s in self.shares]
        )
        return draw_module(
            parts, self._fits(parts, True), self.middle, replace(self.sampling, seed=1)
        )


def _hazard(part: SlotData, d: SlotDraws, at: int, row: int, u: float) -> float:
    """Hazard of a unit at its end, per shot, in one draw; a cause without failures takes its prior."""
    b, e, law = float(d.shape[at]), float(d.exponent[at]), int(d.law[at])
    z = exposure_of(part, row, e, d.scale)
    gamma = float(d.gamma[at]) or float(gammaincinv(HALF, u))
    own = gamma * float(d.unit[at]) * b * z ** (b - 1)
    if law >= 0:
        w = float(d.width[at])
        own += float(d.rate[at]) / w * (np.exp(-z / w) if law < len(BURN_OUT) else 1.0)
    return float(own * np.exp(e * part.x[part.units.level[row]]) / d.scale + 1e-300)


def _joined(samples: Sequence[ModuleDraws]) -> ModuleDraws:
    """Samples of one module as one."""
    slots = []
    for own in zip(*(s.slots for s in samples), strict=True):
        arrays = {
            name: np.concatenate([getattr(d, name) for d in own])
            for name in (
                "shape",
                "exponent",
                "unit",
                "gamma",
                "age",
                "law",
                "rate",
                "width",
                "pace",
            )
        }
        slots.append(
            replace(
                own[0],
                **arrays,
                count=float(np.mean([d.count for d in own])),
                spoken=bool(np.mean([d.spoken for d in own]) > 0.5),
            )
        )
    seen = np.mean([s.seen_early for s in samples], axis=0) > 0.5
    return ModuleDraws(slots, np.concatenate([s.extra for s in samples], axis=1), seen.tolist())
