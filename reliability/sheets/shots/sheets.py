"""Reduced logs as life, wear, misfire and ignition sheets: what the other commands take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from reliability.notes import BadInput
from reliability.sheets.shots.module_log import Reduced
from reliability.sheets.write import rows_csv

DEAD = "log-ends-dead"
"""label of the failure that ended a log"""


FROM_LOG = "from shot log"
"""note of life records that a log gave"""


def life_rows(
    reduced: Reduced, builder: str, failed: Mapping[str, tuple[str, str]], slots: Sequence[str],
    parts: Mapping[str, str] | None = None,
) -> list[dict[str, Any]]:  # fmt: skip
    """Rows of a life sheet: each slot good at the last count, the failed one failed there.

    Where a log ends dead and it is not said which part failed, every slot that the log covers is a suspect
    of one failure (``event``). With one slot only there is no row: nobody knows that it was that one.

    Parameters
    ----------
    reduced : Reduced
    builder : str
    failed : dict
        Module: (slot, mode) of the part that ended it.
    slots : sequence of str
        Slots watched by the log, one unit each from the first row to the last.
    parts : dict, optional
        Slot: the part in it.

    Raises
    ------
    BadInput
        If a module in ``failed`` is not in the log.
    """
    known = {m.module for m in reduced.modules}
    for name in failed:
        if name not in known:
            raise BadInput(
                f"no module {name!r} in the log; there are: {', '.join(sorted(known)[:20])}"
            )
    rows: list[dict[str, Any]] = []
    dead = any(m.dead_from is not None for m in reduced.modules)
    for m in reduced.modules:
        slot_failed, mode = failed.get(m.module, ("", ""))
        suspects = m.dead_from is not None and not slot_failed
        if suspects and len(set(slots)) < 2:
            continue  # it may have been a part that the log does not cover
        for slot in dict.fromkeys((*slots, *([slot_failed] if slot_failed else []))):
            ended = suspects or slot == slot_failed
            rows.append(
                {
                    "builder": builder, "module": m.module, "slot": slot,
                    "shots_from": m.shots_from or "", "shots_good": m.shots,
                    "shots_failed": m.shots if ended else "", "mode": mode if ended else "",
                    **({"event": DEAD if suspects else ""} if dead else {}),
                    "charge_V": _cell(m.charge_V), "energy_J": _cell(m.energy_J), "rate_Hz": _cell(m.rate_Hz),
                    "note": FROM_LOG,
                    **({"part": parts.get(slot, "")} if parts else {}),
                }
            )  # fmt: skip
    return rows


def _cell(value: float) -> Any:
    return float(f"{value:.6g}") if np.isfinite(value) and value > 0 else ""


def log_sheets(
    reduced: Reduced, builder: str, failed: Mapping[str, tuple[str, str]], slots: Sequence[str],
    parts: Mapping[str, str] | None = None,
) -> dict[str, bytes]:  # fmt: skip
    """The sheets that logs give, as CSV by kind: ``life``, ``wear``, ``misfires``, ``ignition``.

    Kinds without a row are left out. Arguments and errors as ``life_rows``.
    """
    head = {"builder": builder}
    made = {
        "life": life_rows(reduced, builder, failed, slots, parts),
        "wear": [{**head, "module": r["module"], "slot": r["slot"], "unit": "", **{k: r[k] for k in ("shots", "quantity", "value", "uncertainty")}} for r in reduced.wear],
        "misfires": [{**head, "module": r["module"], "slot": "igniter", "unit": "", "shots": r["shots"], "event": r["event"]} for r in reduced.misfires],
        "ignition": [{**head, **r} for r in reduced.ignition],
    }  # fmt: skip
    return {kind: rows_csv(rows).encode() for kind, rows in made.items() if rows}
