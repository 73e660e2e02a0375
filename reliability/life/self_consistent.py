"""The distribution that maximises the likelihood of intervals, without a family.

Turnbull (1976, J. R. Statist. Soc. B 38, 290-295), with the innermost intervals of late entry after
Frydman (1994, J. R. Statist. Soc. B 56, 71-74). Every record and every late entry covers a run of
neighbouring innermost intervals, so sums over them are differences of cumulative sums.

Ours rather than lifelines': that refuses late entry, takes both ends of an interval as possible
failures, so that ties differ from R's survfit by 0.07 and more, and is some hundred times slower.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.notes import CannotAnswer
from reliability.records import LifeRecords

Array = NDArray[np.float64]
Index = NDArray[np.intp]
# order of what happens at one count: a failure there, the end of an interval (good, count], the
# beginning of one (count, ...
POINT, END, BEGIN = 0, 1, 2
# largest relative breach of the conditions of a maximum; largest number of rounds
_TOLERANCE, _ROUNDS = 1e-9, 1000
# masses up to which the curvature is worth a matrix; beyond, how still the curve must stand
_DENSE, _STILL = 600, 1e-6
# shares of the mass that the first Newton step begins with
_SHARES = 150


@dataclass(frozen=True)
class Cells:
    """Innermost intervals (left, right], or points where left equals right, rising."""

    left: Array
    right: Array


@dataclass(frozen=True)
class Seen:
    """What was seen: records alike taken together.

    Attributes
    ----------
    first, stop : index arrays (n,)
        The cells ``first <= j < stop`` in which the failure may lie.
    entered : index array (n,)
        First cell that could be seen at all, given late entry.
    weight : array (n,)
        Units.
    """

    first: Index
    stop: Index
    entered: Index
    weight: Array


def innermost(records: LifeRecords) -> tuple[Cells, Seen]:
    """The only places that can hold probability, and which of them each record covers."""
    lo, hi, begun, exact = (
        records.shots_good, records.shots_failed, records.shots_from, records.exact
    )  # fmt: skip
    values, code = np.unique(np.concatenate((lo, hi, begun)), return_inverse=True)
    low, high, start = 3 * code.reshape(3, -1)
    left_key = np.where(exact, high + POINT, low + BEGIN)
    right_key = np.where(exact, high + POINT, high + END)
    entry_key = start + BEGIN
    late = begun > 0
    lefts = np.unique(left_key)
    # mass before a late entry was never seen by that unit: a cell does not reach across it
    rights = np.unique(np.concatenate((right_key, start[late] + END)))
    # a cell: the last beginning before an end, and the first end from there
    nxt = np.searchsorted(rights, lefts)
    inside = nxt < rights.size
    closest = inside & np.append(nxt[:-1] != nxt[1:], True)
    begin, end = lefts[closest], rights[nxt[closest]]
    cells = Cells(values[begin // 3], values[end // 3])
    runs = np.column_stack(
        (
            np.searchsorted(begin, left_key),
            np.searchsorted(end, right_key, side="right"),
            np.where(late, np.searchsorted(begin, entry_key), 0),
        )
    )
    alike, which = np.unique(runs, axis=0, return_inverse=True)
    weight = np.bincount(which.ravel(), weights=records.count).astype(np.float64)
    return cells, Seen(alike[:, 0], alike[:, 1], alike[:, 2], weight)


def _within(seen: Seen, p: Array) -> tuple[Array, Array]:
    """Probability of each record's run, and of all that it could be seen in."""
    c: Array = np.concatenate(([0.0], np.cumsum(p)))
    own: Array = c[seen.stop] - c[seen.first]
    could: Array = c[-1] - c[seen.entered]
    return own, could


def _loglik(seen: Seen, p: Array) -> float:
    own, could = _within(seen, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        return float((seen.weight * (np.log(own) - np.log(could))).sum())


def _slopes(seen: Seen, p: Array) -> tuple[Array, Array]:
    """Sums over records of weight/own and of weight/could, at each cell."""
    own, could = _within(seen, p)
    m = p.size + 1
    a = seen.weight / np.maximum(own, 1e-300)
    e = seen.weight / np.maximum(could, 1e-300)
    up = np.bincount(seen.first, a, m) - np.bincount(seen.stop, a, m)
    down = np.bincount(seen.entered, e, m)
    return np.cumsum(up)[:-1], np.cumsum(down)[:-1].astype(np.float64)


def _sweep(seen: Seen, p: Array) -> Array:
    """One step of self-consistency; units never seen are put back where they may have failed."""
    up, down = _slopes(seen, p)
    q = p * np.maximum(up + (down[-1] - down), 0.0)
    return np.asarray(q / q.sum())


def _leap(seen: Seen, p: Array) -> Array:
    """Two sweeps and a squared extrapolation (Varadhan & Roland 2008, Scand. J. Statist. 35, 335)."""
    p1 = _sweep(seen, p)
    p2 = _sweep(seen, p1)
    r, v = p1 - p, p2 - 2 * p1 + p
    norm = float(np.sqrt(v @ v))
    if norm == 0.0:
        return p2
    step = min(-1.0, -float(np.sqrt(r @ r)) / norm)
    trial = np.maximum(p - 2 * step * r + step * step * v, 0.1 * p2)
    p3 = _sweep(seen, trial / trial.sum())
    return p3 if _loglik(seen, p3) >= _loglik(seen, p2) else p2


def _curvature(seen: Seen, p: Array, live: Index) -> Array:
    """Observed information of the live masses, (k, k)."""
    own, could = _within(seen, p)
    at = live[None, :]
    ga = ((at >= seen.first[:, None]) & (at < seen.stop[:, None])) / own[:, None]
    ge = (at >= seen.entered[:, None]) / could[:, None]
    w = seen.weight[:, None]
    return np.asarray((ga * w).T @ ga - (ge * w).T @ ge)


def _candidates(p: Array, slope: Array) -> Index:
    """Cells with mass, and between each two of them the one that gains most from some."""
    live = np.flatnonzero(p > 0)
    gap = np.cumsum(p > 0)
    order = np.lexsort((-slope, gap))
    best = order[np.append(True, np.diff(gap[order]) > 0)]
    return np.union1d(live, best[slope[best] > 0])


def _newton(seen: Seen, p: Array, slope: Array) -> Array | None:
    """A Newton step that keeps masses at 0 or more (active set); None if it does not ascend."""
    at = _candidates(p, slope)
    info = _curvature(seen, p, at)
    # a whisper of a ridge: where the likelihood is flat in some masses, they stay
    info += 1e-13 * np.trace(info) * np.eye(at.size)
    aim = slope[at] + info @ p[at]
    q, free = p[at].copy(), np.ones(at.size, dtype=bool)
    while True:
        k = int(free.sum())
        system = np.ones((k + 1, k + 1))
        system[:k, :k], system[k, k] = info[np.ix_(free, free)], 0.0
        try:
            wanted = np.linalg.solve(system, np.append(aim[free], 1.0))[:k]
        except np.linalg.LinAlgError:
            return None
        here = q[free]
        down = wanted <= 0
        if not down.any():
            q[free] = wanted
            break
        # as far as the first mass that would fall below 0, which leaves
        reach = np.min(here[down] / (here[down] - wanted[down] + 1e-300))
        here = here + reach * (wanted - here)
        here[down & (here <= 1e-15)] = 0.0
        q[free] = here
        leaves = np.flatnonzero(free)[down & (here == 0.0)]
        if leaves.size == 0:
            leaves = np.flatnonzero(free)[[int(np.argmin(np.where(down, here, np.inf)))]]
        q[leaves] = 0.0
        free[leaves] = False
    target = np.zeros_like(p)
    target[at] = q / q.sum()
    before, size = _loglik(seen, p), 1.0
    for _ in range(12):
        new = p + size * (target - p)
        # near the top the gain drowns in rounding
        if _loglik(seen, new) > before - 1e-13 * abs(before):
            return new
        size /= 2
    return None


def _start(seen: Seen, m: int) -> Array:
    """Some sweeps, then the heaviest cell of each share of the mass; every record keeps one."""
    p = np.full(m, 1.0 / m)
    for _ in range(10):
        p = _leap(seen, p)
    share = np.floor(_SHARES * np.cumsum(p))
    order = np.lexsort((-p, share))
    kept = np.zeros(m, dtype=bool)
    kept[order[np.append(True, np.diff(share[order]) > 0)]] = True
    # points of exact failures hold mass
    kept |= np.bincount(seen.first[seen.stop == seen.first + 1], minlength=m) > 0
    empty = np.concatenate(([0], np.cumsum(kept)))
    for i in np.flatnonzero(empty[seen.stop] == empty[seen.first]):
        run = slice(seen.first[i], seen.stop[i])
        if not kept[run].any():
            kept[seen.first[i] + int(np.argmax(p[run]))] = True
    p = np.where(kept, p, 0.0)
    return np.asarray(p / p.sum())


def _given_entry(seen: Seen, h: Array, rounds: int, still: float) -> tuple[Array, bool]:
    """Hazard of each cell by expectation and maximisation over what each unit saw after its entry.

    In hazards late entry needs no guess of who was never seen, and a count at which all units then
    watched have failed is no trouble for those that enter later. Also says whether it stands still.
    """
    m, w, cells = h.size, seen.weight, np.arange(h.size)
    waiting = np.bincount(seen.entered, w, m + 1) - np.bincount(seen.first, w, m + 1)
    before = np.cumsum(waiting)[:-1]
    for _ in range(rounds):
        # survival begins anew after a cell that nobody outlives
        over = h >= 1.0 - 1e-12
        log_s = np.concatenate(
            ([0.0], np.cumsum(np.where(over, 0.0, np.log1p(-np.where(over, 0.0, h)))))
        )
        reset = np.concatenate(([0], np.maximum.accumulate(np.where(over, cells + 1, 0))))
        p = h * np.exp(log_s[:-1] - log_s[reset[:-1]])
        end = np.minimum.accumulate(np.append(np.where(over, cells + 1, m), m)[::-1])[::-1]
        stop = np.minimum(seen.stop, end[seen.first])
        c = np.concatenate(([0.0], np.cumsum(p)))
        rate = w / np.maximum(c[stop] - c[seen.first], 1e-300)
        cover = np.bincount(seen.first, rate, m + 1) - np.bincount(stop, rate, m + 1)
        reach = rate * c[stop]
        later = np.bincount(seen.first, reach, m + 1) - np.bincount(stop, reach, m + 1)
        here = np.cumsum(cover)[:-1]
        at_risk = before + np.cumsum(later)[:-1] - c[:-1] * here
        new = np.clip(np.divide(p * here, at_risk, out=np.zeros(m), where=at_risk > 1e-9), 0.0, 1.0)
        gap = float(np.abs(np.cumprod(1.0 - new) - np.cumprod(1.0 - h)).max())
        h = new
        if gap < still:
            return h, True
    return h, False


def _late(seen: Seen, m: int) -> Array:
    """Masses where units entered late; raises CannotAnswer if they do not settle."""
    h, total = 1.0 / (m - np.arange(m)), seen.weight.sum()
    for rounds, still in ((300, 1e-7), (20_000, 1e-9)):
        h, settled = _given_entry(seen, h, rounds, still)
        p = h * np.concatenate(([1.0], np.cumprod(1.0 - h)[:-1]))
        p = np.where(p > 1e-12, p, 0.0)
        own, _ = _within(seen, p)
        if (own <= 0).any() or (p > 0).sum() > _DENSE:
            continue
        polished: Array | None = p
        for _ in range(30):
            if polished is None:
                break
            p = polished
            up, down = _slopes(seen, p)
            if _breach(p, up - down) <= _TOLERANCE * total:
                return p
            polished = _newton(seen, p, up - down)
    if settled:
        return np.asarray(h * np.concatenate(([1.0], np.cumprod(1.0 - h)[:-1])))
    raise _unsettled(m)


def _breach(p: Array, slope: Array) -> float:
    """At the maximum no cell gains from more mass, and none with mass has a slope."""
    return max(float(slope.max()), float((p * np.abs(slope)).sum()))


def _unsettled(m: int) -> CannotAnswer:
    return CannotAnswer(
        f"the curve of these intervals without a family did not settle ({m} innermost intervals)"
    )


def masses(seen: Seen, m: int) -> Array:
    """Probability of each of ``m`` cells.

    Newton steps over the cells that hold mass (as in Wang 2008, Comput. Statist. Data Anal. 52,
    2388-2402, by an active set), sweeps where such a step does not ascend or would be too large.

    Raises
    ------
    CannotAnswer
        If it does not settle.
    """
    if (seen.entered > 0).any():
        return _late(seen, m)
    total = seen.weight.sum()
    p = _start(seen, m)
    for _ in range(_ROUNDS):
        up, down = _slopes(seen, p)
        slope = up - down
        if _breach(p, slope) <= _TOLERANCE * total:
            return p
        new = _newton(seen, p, slope) if (p > 0).sum() <= _DENSE else None
        if new is None:
            before, large = p, (p > 0).sum() > _DENSE
            p = np.where(slope > 0, np.maximum(p, 1e-9), p)
            for _ in range(3):
                p = _leap(seen, p / p.sum())
            if large and np.abs(np.cumsum(p - before)).max() < _STILL:
                return p
        else:
            p = new
    raise _unsettled(m)


def mass_variance(seen: Seen, p: Array) -> Array:
    """Variance of the cumulative mass from the observed information, (m,); nan where unknown."""
    live = p > 1e-8
    k = int(live.sum())
    own, _ = _within(seen, p)
    if k < 2 or k > _DENSE or (own <= 0).any():
        return np.full(p.size, np.nan)
    info = _curvature(seen, p, np.flatnonzero(live))
    basis = np.vstack((np.eye(k - 1), -np.ones(k - 1)))
    try:
        cov = basis @ np.linalg.inv(basis.T @ info @ basis) @ basis.T
    except np.linalg.LinAlgError:
        return np.full(p.size, np.nan)
    cum = np.tril(np.ones((k, k)))
    var_live = np.maximum(np.einsum("ij,ij->i", cum @ cov, cum), 0.0)
    at = np.cumsum(live) - 1
    return np.asarray(np.where(at >= 0, var_live[np.maximum(at, 0)], 0.0))
