"""Writes the demo: an INVENTED community of six builders. No real thruster, part or person.

    python datasets/demo/make_demo.py

The numbers are drawn from the known truth below (also written to truth.json), so that estimates
can be compared with it. Orders of magnitude are common practice: main capacitors fail first, after
some thousands of shots at 1.1 to 1.7 kV, while the fuel is hardly touched at a microgram a shot.
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
SEED = 20261125

SLOTS = {
    # slot: shape, scale in shots, modes with their share
    "main_capacitor": (2.4, 6500.0, {"short": 0.75, "capacitance_loss": 0.25}),
    "ignition_capacitor": (2.0, 45000.0, {"short": 1.0}),
    "igniter": (1.4, 30000.0, {"no_spark": 0.6, "carbon_short": 0.4}),
    "fuel": (8.0, 110000.0, {"fuel_spent": 0.8, "charring": 0.2}),
    "switch": (1.0, 90000.0, {"short": 1.0}),
    "converter": (1.0, 120000.0, {"open": 1.0}),
}
REFERENCE_V = 1400.0
EXPONENT = 7.0  # main capacitor: life ~ V^-7
PART_FACTOR = {"film-a": 1.0, "ceramic-b": 0.6, "mica-c": 1.4}
BUILDER_SD = 0.12
BUILDERS = {
    # code: modules, part, rated V, uF each, voltages, how failures are found, test length, shots on it at first log
    "kite": (14, "film-a", 2000, 0.5, (1200, 1400, 1600), "watched", 6000, 0),
    "lynx": (12, "film-a", 2000, 0.5, (1300, 1500), "inspected", 5000, 0),
    "moss": (12, "ceramic-b", 2000, 1.0, (1100, 1300, 1500), "watched", 4500, 600),
    "nova": (12, "film-a", 2000, 0.5, (1400, 1700), "mixed", 8000, 0),
    "orca": (10, "mica-c", 2500, 0.33, (1500, 1700), "watched", 7000, 300),
}
WREN = {
    # steps of the voltage: shots on the module at which each ends, and the volts
    "plans": (((1500, 1200), (3000, 1400), (4600, 1600)), ((2000, 1300), (4200, 1500))),
    "modules": 12,
    "lots": 4,
    "suspected": 0.35,  # share of capacitor and switch failures of which it is not known which it was
    "bench_units": 8,  # capacitors run side by side at 1,600 V
    "bench_ends_at": 4,  # failures; one more unit is withdrawn at each of the first two
}
LOT_SD = 0.25
IGNITION_ODDS_10V = 0.9  # factor on the odds of a misfire for 10 V more on the igniter
INSPECT_EVERY = 500
RATE_HZ = 1 / 3
COLUMNS = [
    "builder", "module", "slot", "unit", "part", "shots_from", "shots_good", "shots_failed", "mode",
    "charge_V", "rated_V", "capacitance_uF", "bank_parallel", "rate_Hz", "temp_C", "pressure_Pa",
    "fuel", "revision", "note",
]  # fmt: skip
WREN_COLUMNS = [*COLUMNS[:-1], "lot", "event", "removed", "note"]


def life_of(slot, part, volts, builder_effect, rng, after=0.0):
    """One life in shots, given that the unit already has ``after`` shots."""
    shape, scale, _ = SLOTS[slot]
    if slot == "main_capacitor":
        scale *= (volts / REFERENCE_V) ** -EXPONENT * PART_FACTOR[part] * math.exp(builder_effect)
    start = (after / scale) ** shape
    return scale * (start - math.log(rng.random())) ** (1 / shape)


def observe(life, begun, end, how):
    """shots_good and shots_failed of a unit with this life, watched or inspected up to ``end``."""
    if how == "watched":
        return (math.floor(end), "") if life > end else (math.ceil(life), math.ceil(life))
    last = math.floor(end / INSPECT_EVERY) * INSPECT_EVERY
    if life > last:
        return max(last, begun), ""
    found = math.ceil(life / INSPECT_EVERY) * INSPECT_EVERY
    return max(found - INSPECT_EVERY, begun), found


def build(code, rng, effect):
    """All life records of one builder."""
    count, part, rated, each, volts, how, length, first = BUILDERS[code]
    rows = []
    for m in range(1, count + 1):
        v = float(volts[(m - 1) % len(volts)])
        name = f"{code}-{m:02d}"
        end = length * rng.uniform(0.55, 1.1)
        begun = first if m % 2 else 0
        see = ("inspected" if m % 3 == 0 else "watched") if how == "mixed" else how
        temp = float(rng.choice([20.0, 25.0, 35.0]))
        for slot in SLOTS:
            shots_run, serial, start = begun, 1, begun
            while True:
                label = {"main_capacitor": part, "fuel": "ptfe-rod"}.get(slot, f"{slot}-std")
                life = life_of(slot, label, v, effect, rng, start)
                limit = end - (shots_run - start)  # in the unit's own shots
                good, failed = observe(life, start, limit, see)
                modes = SLOTS[slot][2]
                mode = ""
                if failed != "":
                    mode = str(rng.choice(list(modes), p=list(modes.values())))
                    if rng.random() < 0.12:
                        mode = "unknown"
                main = slot == "main_capacitor"
                if good > start or failed != "":
                    rows.append({
                        "builder": code, "module": name, "slot": slot, "unit": f"{slot[:3]}{serial}",
                        "part": label, "shots_from": start or "", "shots_good": good,
                        "shots_failed": failed, "mode": mode, "charge_V": v if main else "",
                        "rated_V": rated if main else "", "capacitance_uF": each if main else "",
                        "bank_parallel": 2 if main else "", "rate_Hz": round(RATE_HZ, 3),
                        "temp_C": temp, "pressure_Pa": 0.02, "fuel": "ptfe" if slot == "fuel" else "",
                        "revision": "A" if m <= count // 2 else "B", "note": "invented",
                    })  # fmt: skip
                if failed == "" or slot == "fuel":
                    break
                # the broken part is swapped and the module goes on
                shots_run += failed - start
                start, serial = 0, serial + 1
                if end - shots_run < 200 or serial > 4:
                    break
    # dead at its first inspection: two units of early revision
    if how in ("inspected", "mixed"):
        for k in (1, 2):
            rows.append({
                **dict.fromkeys(COLUMNS, ""), "builder": code, "module": f"{code}-{90 + k}",
                "slot": "main_capacitor", "unit": "mai1", "part": part, "shots_good": 0,
                "shots_failed": INSPECT_EVERY * (2 + k), "mode": "short", "charge_V": max(volts) * 1.0,
                "rated_V": rated, "capacitance_uF": each, "bank_parallel": 2, "temp_C": 25.0,
                "note": "invented; found dead at its first inspection",
            })  # fmt: skip
    return rows


def stepped_life(lot_effect, age, plan, run, rng):
    """Shots on the module at which a capacitor fails, by cumulative exposure; it came at ``run`` with ``age`` 0."""
    shape, scale, _ = SLOTS["main_capacitor"]
    left = (-math.log(rng.random())) ** (1 / shape) * scale * math.exp(lot_effect) - age
    for end, volts in plan:
        rate = (volts / REFERENCE_V) ** EXPONENT
        room = max(end - run, 0.0) * rate
        if left <= room:
            return run + left / rate
        left, run = left - room, max(run, end)
    return math.inf


def wren_row(module, slot, unit, **more):
    """A record of wren."""
    main = slot == "main_capacitor"
    part = {"main_capacitor": "film-a", "fuel": "ptfe-rod"}.get(slot, f"{slot}-std")
    return {
        **dict.fromkeys(WREN_COLUMNS, ""), "builder": "wren", "module": module, "slot": slot, "unit": unit, "part": part,
        "rated_V": 2000 if main else "", "capacitance_uF": 0.5 if main else "", "bank_parallel": 2 if main else "",
        "rate_Hz": round(RATE_HZ, 3), "temp_C": 25.0, "pressure_Pa": 0.02, "fuel": "ptfe" if slot == "fuel" else "",
        "revision": "A", "note": "invented", **more,
    }  # fmt: skip


def wren_stretches(module, unit, lot, run, end, plan):
    """Rows of a capacitor that came when the module had ``run`` shots and was last seen at ``end``."""
    rows, begun = [], run
    for stop, volts in plan:
        if begun >= min(stop, end):
            continue
        upto = min(stop, end)
        rows.append(
            wren_row(module, "main_capacitor", unit, lot=lot, charge_V=float(volts),
                     shots_from=begun - run or "", shots_good=upto - run)
        )  # fmt: skip
        begun = upto
    return rows


def wren_module(m, lot_effects, rng, truth):
    """A module whose voltage is raised on the way; what failed is not always known."""
    name, plan = f"wren-{m:02d}", WREN["plans"][m % 2]
    lot = f"W{(m - 1) % WREN['lots'] + 1}"
    rows, run, serial, event = [], 0, 1, 0
    switch, switched, last = 1, 0, plan[-1][0]
    switch_life = SLOTS["switch"][1] * rng.exponential()
    while run < last - 200:
        dies = math.ceil(min(stepped_life(lot_effects[lot], 0.0, plan, run, rng), 1e9))
        gone = math.ceil(switched + switch_life)
        first = min(dies, gone, last)
        if first == last:
            rows += wren_stretches(name, f"mai{serial}", lot, run, last, plan)
            run = last
            break
        hidden = rng.random() < WREN["suspected"]
        culprit = "main_capacitor" if dies <= gone else "switch"
        if hidden:
            event += 1
            truth[f"{name}/e{event}"] = culprit
        mark = {"event": f"e{event}"} if hidden else {"mode": "short"}
        if hidden or culprit == "main_capacitor":
            own = wren_stretches(name, f"mai{serial}", lot, run, first, plan)
            own[-1] |= {"shots_failed": first - run, **mark}
            rows, run, serial = rows + own, first, serial + 1
        if hidden or culprit == "switch":
            row = wren_row(
                name,
                "switch",
                f"swi{switch}",
                shots_good=first - switched,
                shots_failed=first - switched,
            )
            rows.append(row | mark)
            switch, switched, switch_life = (
                switch + 1,
                first,
                SLOTS["switch"][1] * rng.exponential(),
            )
        if culprit == "switch" and not hidden:
            # the capacitor goes on beside the new switch
            rows += wren_stretches(name, f"mai{serial}", lot, run, last, plan)
            run = last
    if last - switched > 0:
        rows.append(wren_row(name, "switch", f"swi{switch}", shots_good=last - switched))
    return rows + wren_others(name, m, last, rng)


def wren_others(name, m, last, rng):
    """The other slots; igniters that look worn are taken out before they fail; one igniter moves on."""
    rows = []
    for slot in ("ignition_capacitor", "igniter", "fuel", "converter"):
        shape, scale, modes = SLOTS[slot]
        life = math.ceil(scale * rng.weibull(shape))
        unit = f"{slot[:3]}1"
        if slot == "igniter" and m in (11, 12):
            begun = 0 if m == 11 else WREN["plans"][1][-1][0]
            rows.append(
                wren_row(name, slot, "ign-moved", shots_from=begun or "", shots_good=begun + last)
            )
        elif life >= last:
            rows.append(wren_row(name, slot, unit, shots_good=last))
        elif slot == "igniter":
            seen = math.floor(0.9 * life)
            rows.append(wren_row(name, slot, unit, shots_good=seen, removed="suspect"))
            rows.append(wren_row(name, slot, f"{slot[:3]}2", shots_good=last - seen))
        else:
            rows.append(
                wren_row(
                    name, slot, unit, shots_good=life, shots_failed=life, mode=next(iter(modes))
                )
            )
            rows.append(wren_row(name, slot, f"{slot[:3]}2", shots_good=last - life))
    return rows


def wren_bench(lot_effects, rng):
    """Capacitors side by side at 1,600 V: at each of the first two failures a good one is withdrawn too."""
    shape, scale, _ = SLOTS["main_capacitor"]
    scale *= (1600 / REFERENCE_V) ** -EXPONENT
    lots = [f"W{k % WREN['lots'] + 1}" for k in range(WREN["bench_units"])]
    lives = [math.ceil(scale * math.exp(lot_effects[lot]) * rng.weibull(shape)) for lot in lots]
    good, ends = set(range(len(lives))), {}
    for failed in range(1, WREN["bench_ends_at"] + 1):
        k = min(good, key=lambda i: lives[i])
        good.remove(k)
        ends[k] = {"shots_good": lives[k], "shots_failed": lives[k], "mode": "short"}
        out = (
            good.copy()
            if failed == WREN["bench_ends_at"]
            else {int(rng.choice(sorted(good)))}
            if failed < 3
            else set()
        )
        for i in out:
            ends[i] = {"shots_good": lives[k], "removed": "failure"}
        good -= out
    return [
        wren_row(
            f"wren-b{k + 1}", "main_capacitor", "mai1", lot=lots[k], charge_V=1600.0, **ends[k]
        )
        for k in sorted(ends)
    ]


def wren_rows(rng, truth):
    """All life records of wren: stretches, suspects, withdrawals, lots, a unit that moves."""
    effects = {f"W{k + 1}": float(rng.normal(0, LOT_SD)) for k in range(WREN["lots"])}
    truth["lot_log_effect"], truth["suspects"] = effects, {}
    rows = []
    for m in range(1, WREN["modules"] + 1):
        rows += wren_module(m, effects, rng, truth["suspects"])
    return rows + wren_bench(effects, rng)


def last_counts(rows):
    """Last count at which each unit is known, good or failed."""
    out = {}
    for r in rows:
        key = (r["builder"], r["module"], r["slot"], r["unit"])
        out[key] = max(out.get(key, 0), r["shots_good"], r["shots_failed"] or 0)
    return out


def wear_rows(rng, known):
    """Invented readings: capacitance of main capacitors, mass of fuel, spark voltage of igniters."""
    rows = []
    for code, (count, _part, _, each, _, _, length, _) in BUILDERS.items():
        for m in range(1, min(count, 6) + 1):
            name, end = f"{code}-{m:02d}", length * rng.uniform(0.6, 1.0)
            # readings stop where the unit does
            own = {
                s: min(end, known[code, name, s, f"{s[:3]}1"]) for s in ("main_capacitor", "fuel")
            }
            at = np.round(np.linspace(0, own["main_capacitor"], 6))
            loss = each * rng.normal(1.6e-5, 4e-6)  # uF a shot
            start = each * rng.normal(1.0, 0.02)
            for t in at:
                value = start - loss * t + rng.normal(0, 0.002 * each)
                rows.append(
                    (
                        code,
                        name,
                        "main_capacitor",
                        "mai1",
                        int(t),
                        "capacitance_uF",
                        round(value, 5),
                    )
                )
            at = np.round(np.linspace(0, own["fuel"], 6))
            mass, used = rng.normal(100.0, 3.0), rng.normal(0.9e-3, 0.1e-3)  # mg, mg a shot
            for t in at:
                rows.append(
                    (
                        code,
                        name,
                        "fuel",
                        "fue1",
                        int(t),
                        "fuel_mass_mg",
                        round(mass - used * t + rng.normal(0, 0.05), 3),
                    )
                )
    return rows


def impulse_rows(rng):
    """Invented impulse bits of new modules: 0.65 uN s at 1 J, power 1.2 of the energy, 4 % error."""
    rows = []
    for code, (count, _, _, each, volts, *_) in BUILDERS.items():
        for m in range(1, min(count, 6) + 1):
            energy = 0.5e-6 * 2 * each * volts[(m - 1) % len(volts)] ** 2
            bit = 0.65 * energy**1.2 * math.exp(rng.normal(0, 0.04))
            rows.append(
                (code, f"{code}-{m:02d}", "module", "", 0, "impulse_bit_uNs", round(bit, 4))
            )
    return rows


def misfire_rows(rng, known):
    """Invented misfires of igniters: ever more with shots (power-law process, exponent 1.6)."""
    rows = []
    for code, (count, *_, length, _) in BUILDERS.items():
        for m in range(1, count + 1):
            end = int(length * rng.uniform(0.55, 1.0))
            mean = (end / 2600.0) ** 1.6 * (1.8 if code == "moss" else 1.0)
            times = np.sort(end * rng.random(rng.poisson(mean)) ** (1 / 1.6))
            head = (code, f"{code}-{m:02d}", "igniter", "ign1")
            # watched no longer than the igniter lived
            end = min(end, int(known[head]))
            times = times[np.ceil(times) <= end]
            part = "needle-b" if code == "moss" else "needle-a"
            rows += [(*head, int(np.ceil(t)), "misfire", part) for t in times] + [
                (*head, end, "end", part)
            ]
    return rows


def ignition_rows(rng):
    """Shots and misfires of kite's modules by ignition voltage, as its shot logs would give them."""
    rows = []
    for m in range(1, BUILDERS["kite"][0] + 1):
        own = 0.25 * rng.normal()
        for shots in (500, 1500, 2500):
            for volts in (840, 870, 900, 930, 960):
                odds = math.log(IGNITION_ODDS_10V) / 10 * (volts - 900)
                chance = 1 / (1 + math.exp(6.6 - odds - 1.5e-4 * shots - own))
                n = int(rng.integers(150, 260))
                rows.append(
                    ("kite", f"kite-{m:02d}", shots, volts, n, int(rng.binomial(n, chance)))
                )
    return rows


def log_rows(rng):
    """A short shot log of two modules: one lost stretch, one counter reset, a misfire now and then."""
    rows = []
    for name, volts, farad in (("kite-15", 1400.0, 0.5e-6), ("kite-16", 1200.0, 0.5e-6)):
        clock, shot, rest = 0.0, 0, 0.0
        for k in range(900):
            clock += 3.0
            shot = 1 if name == "kite-16" and k == 500 else shot + 1
            before = volts + rng.normal(0, 3)
            after = before * (0.97 if rng.random() < 1 / 150 else 0.02)
            lost = name == "kite-15" and 300 <= k < 312
            energy = 0.5 * farad * (1 - 1.6e-5 * k) * (before**2 - rest**2)
            rest = round(after, 1)
            if not lost:
                rows.append(
                    (
                        name,
                        shot,
                        round(before, 1),
                        rest,
                        round(900 + rng.normal(0, 20), 1),
                        clock,
                        f"{energy:.5f}",
                    )
                )
    return rows


def write(name, head, rows):
    """One CSV beside this file."""
    with (HERE / name).open("w", newline="") as f:
        writer = csv.writer(f, lineterminator="\n")
        writer.writerow(head)
        writer.writerows(rows)


def main():
    """Write life_<builder>.csv for each builder, and the truth."""
    rng = np.random.default_rng(SEED)
    effects = {code: float(rng.normal(0, BUILDER_SD)) for code in BUILDERS}
    known = {}
    for code in BUILDERS:
        rows = build(code, rng, effects[code])
        known |= last_counts(rows)
        with (HERE / f"life_{code}.csv").open("w", newline="") as f:
            writer = csv.DictWriter(f, COLUMNS, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    of_wren = {}
    with (HERE / "life_wren.csv").open("w", newline="") as f:
        writer = csv.DictWriter(f, WREN_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(wren_rows(np.random.default_rng(SEED + 5), of_wren))
    side = np.random.default_rng(SEED + 1)
    write(
        "wear.csv",
        ("builder", "module", "slot", "unit", "shots", "quantity", "value"),
        wear_rows(side, known) + impulse_rows(np.random.default_rng(SEED + 2)),
    )
    write(
        "misfires.csv",
        ("builder", "module", "slot", "unit", "shots", "event", "part"),
        misfire_rows(side, known),
    )
    write(
        "ignition.csv",
        ("builder", "module", "shots", "ignition_V", "commanded", "misfires"),
        ignition_rows(np.random.default_rng(SEED + 3)),
    )
    write(
        "shotlog.csv",
        ("module", "shot", "main_V_before", "main_V_after", "ignition_V", "time_s", "charge_J"),
        log_rows(np.random.default_rng(SEED + 4)),
    )
    truth = {
        "invented": True,
        "seed": SEED,
        "slots": {k: {"shape": s, "scale": a, "modes": m} for k, (s, a, m) in SLOTS.items()},
        "main_capacitor_exponent": EXPONENT,
        "reference_V": REFERENCE_V,
        "part_factor": PART_FACTOR,
        "builder_log_effect": effects,
        "capacitance_loss_per_shot_share": 1.6e-5,
        "fuel_mg_per_shot": 0.9e-3,
        "misfire_exponent": 1.6,
        "impulse_uNs_at_1_J": 0.65,
        "impulse_exponent": 1.2,
        "misfire_ratio_moss": 1.8,
        "misfire_odds_for_10_V_more": IGNITION_ODDS_10V,
        "lot_log_sd": LOT_SD,
        "wren": of_wren,
    }
    (HERE / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")


if __name__ == "__main__":
    main()
