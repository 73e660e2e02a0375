"""Shot logs against a plain row-by-row count in Python, physics, and statsmodels."""

import csv
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reliability.decisions.misfiring import ignition_effect
from reliability.notes import BadInput
from reliability.readings import SparkCounts
from reliability.sheets.life import read_life
from reliability.sheets.shots.counter import Stretch, run_on
from reliability.sheets.shots.reduce import reduce_logs
from reliability.sheets.shots.sheets import life_rows, log_sheets
from reliability.sheets.table import SheetError
from reliability.sheets.write import rows_csv
from tests.command import run


def log(module="m1", shots=3000, first=1, volts=1300.0, every=400, seed=1, capacitance=1.0):
    """A clean log with a misfire every so many shots; energy put in makes the capacitance come out."""
    rng = np.random.default_rng(seed)
    shot = np.arange(first, first + shots)
    before = volts + rng.uniform(-5, 5, shots)
    hit = shot % every == 0
    after = np.where(hit, 0.95 * before, 0.02 * before)
    start = np.concatenate(([0.0], after[:-1]))
    c = capacitance * (1 - 1e-5 * shot)
    return pd.DataFrame(
        {
            "module": module, "shot": shot, "main_V_before": before, "main_V_after": after,
            "ignition_V": 900 + rng.uniform(-20, 20, shots), "time_s": 3.0 * np.arange(shots),
            "charge_J": 0.5e-6 * c * (before**2 - start**2),
        }
    )  # fmt: skip


def write(frame, path):
    if path.suffix == ".csv":
        frame.to_csv(path, index=False)
    else:
        frame.to_parquet(path, index=False)
    return path


def one(paths, **more):
    r = reduce_logs(paths, **more)
    assert len(r.modules) == 1
    return r.modules[0], r


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_clean_log(tmp_path, ending):
    frame = log()
    m, r = one([write(frame, tmp_path / f"a{ending}")])
    assert (m.commanded, m.misfires, m.shots, m.lost, m.repeated) == (3000, 7, 2993, 0, 0)
    assert [e["shots"] for e in r.misfires if e["event"] == "misfire"] == list(
        range(400, 3000, 400)
    )
    fired = frame[frame.main_V_after < 0.5 * frame.main_V_before]
    assert m.charge_V == pytest.approx(frame.main_V_before.mean(), rel=1e-12)
    squares = (fired.main_V_before**2 - fired.main_V_after**2).mean()
    assert m.energy_J == pytest.approx(0.5e-6 * m.capacitance_uF * squares, rel=1e-12)
    assert m.rate_Hz == pytest.approx(1 / 3)
    assert r.notes == ()


def test_capacitance_by_energy_balance(tmp_path):
    """E = C (V^2 - V0^2) / 2 (physics): a bank losing 1 % in 1,000 shots, V0 what the shot before left."""
    _, r = one([write(log(), tmp_path / "a.parquet")])
    assert len(r.wear) == 6
    for row in r.wear:
        assert row["value"] == pytest.approx(1 - 1e-5 * row["shots"], abs=2e-5)


def test_capacitance_by_charge_slope(tmp_path):
    """C = I / (dV/dt) (physics): 2 mA into 0.5 uF gives 4,000 V/s."""
    frame = log().drop(columns="charge_J").assign(charge_mA=2.0, charge_V_s=4000.0)
    m, _ = one([write(frame, tmp_path / "a.csv")])
    assert m.capacitance_uF == pytest.approx(0.5, rel=1e-12)


def test_logged_start_voltage_is_used(tmp_path):
    frame = log()
    frame["main_V_start"] = 100.0
    frame["charge_J"] = 0.5e-6 * 0.7 * (frame.main_V_before**2 - 100.0**2)
    m, _ = one([write(frame, tmp_path / "a.parquet")])
    assert m.capacitance_uF == pytest.approx(0.7, rel=1e-9)


def test_gap_is_counted(tmp_path):
    frame = log()
    frame = frame[(frame.shot < 1001) | (frame.shot > 1100)]
    m, r = one([write(frame, tmp_path / "a.parquet")])
    assert (m.commanded, m.lost) == (3000, 100)
    assert "100 shots counted but not logged, 100 of them after count 1,000" in r.notes[0].text


def test_reset_runs_on(tmp_path):
    a, b = log(shots=1500), log(shots=700, every=100)
    b["time_s"] += a.time_s.iloc[-1] + 60
    m, r = one([write(pd.concat([a, b]), tmp_path / "a.parquet")])
    assert m.commanded == 2200
    assert m.misfires == 3 + 7
    assert [e["shots"] for e in r.misfires if e["event"] == "misfire"] == [
        400, 800, 1200, *range(1600, 2201, 100),
    ]  # fmt: skip
    assert "begins anew after 1,500 shots" in r.notes[0].text


def test_reset_with_the_clock_in_pieces(tmp_path):
    """A power cut sets counter and clock to their beginning: a new file that starts at 1 again."""
    paths = [write(log(shots=600, seed=k), tmp_path / f"{k}.csv") for k in range(3)]
    m, r = one(paths)
    assert m.commanded == 1800
    assert sum(n.code == "log_reset" for n in r.notes) == 2


def test_counter_from_zero(tmp_path):
    m, _ = one([write(log(first=0, shots=500), tmp_path / "a.csv")])
    assert (m.shots_from, m.commanded) == (0, 500)


def test_late_start_is_late_entry(tmp_path):
    m, r = one([write(log(first=601, shots=400), tmp_path / "a.csv")])
    assert (m.shots_from, m.commanded) == (600, 1000)
    rows = life_rows(r, "me", {}, ["igniter"])
    assert rows[0]["shots_from"] == 600


def test_repeated_rows_count_once(tmp_path):
    frame = log()
    twice = pd.concat([frame[:1200], frame[1000:1200], frame[1200:]])
    m, r = one([write(twice, tmp_path / "a.parquet")])
    assert (m.commanded, m.misfires, m.repeated) == (3000, 7, 200)
    assert any(n.code == "log_repeats" for n in r.notes)


def test_pieces_that_overlap(tmp_path):
    frame = log()
    paths = [
        write(frame[:1300], tmp_path / "a.parquet"),
        write(frame[1100:], tmp_path / "b.csv"),
    ]
    m, _ = one(paths)
    assert (m.commanded, m.misfires, m.repeated, m.shots) == (3000, 7, 200, 2993)


def test_rows_out_of_order(tmp_path):
    frame = log()
    mixed = pd.concat([frame[:1000], frame[2000:], frame[1000:2000]])
    m, _ = one([write(mixed, tmp_path / "a.parquet")])
    assert (m.commanded, m.misfires, m.lost, m.late) == (3000, 7, 0, 1000)


def test_shuffled_rows_are_put_in_order_by_time(tmp_path):
    frame = log().sample(frac=1, random_state=3)
    m, r = one([write(frame, tmp_path / "a.csv")])
    assert (m.commanded, m.misfires, m.lost) == (3000, 7, 0)
    assert r.notes[0].code == "log_reordered"


def test_modules_mixed_row_by_row(tmp_path):
    a, b = log("m1"), log("m2", every=300, seed=2)
    mixed = pd.concat([a, b]).sort_values(["shot", "module"])
    r = reduce_logs([write(mixed, tmp_path / "a.parquet")])
    assert [(m.module, m.shots, m.misfires) for m in r.modules] == [
        ("m1", 2993, 7),
        ("m2", 2990, 10),
    ]


def test_bank_that_stops_charging(tmp_path):
    """Shorted capacitor: the voltage stays down from shot 2,501 on; the count ends at the last charge."""
    frame = log()
    dead = frame.shot > 2500
    frame.loc[dead, "main_V_before"] = 12.0
    frame.loc[dead, "main_V_after"] = 11.0
    path = write(frame, tmp_path / "a.parquet")
    m, r = one([path])
    assert (m.commanded, m.shots, m.misfires, m.dead_from) == (2500, 2494, 6, 2501)
    # one slot alone cannot be said to have failed; of two one did, and it is not known which
    assert life_rows(r, "me", {}, ["main_capacitor"]) == []
    both = life_rows(r, "me", {}, ["main_capacitor", "igniter"])
    assert [(w["slot"], w["shots_good"], w["shots_failed"], w["event"]) for w in both] == [
        ("main_capacitor", 2494, 2494, "log-ends-dead"), ("igniter", 2494, 2494, "log-ends-dead"),
    ]  # fmt: skip
    sheet = read_life(Path("life.csv"), rows_csv(both).encode())
    assert sheet.records.failures == 1 and sheet.records.units == 2
    rows = life_rows(r, "me", {"m1": ("main_capacitor", "short")}, ["igniter"])
    assert [(w["slot"], w["shots_good"], w["shots_failed"]) for w in rows] == [
        ("igniter", 2494, ""), ("main_capacitor", 2494, 2494),
    ]  # fmt: skip


def test_uncharged_shots_in_between_do_not_count(tmp_path):
    frame = log()
    low = frame.shot.between(1001, 1050)
    frame.loc[low, ["main_V_before", "main_V_after"]] = [5.0, 5.0]
    m, _ = one([write(frame, tmp_path / "a.parquet")])
    assert (m.uncharged, m.misfires, m.shots, m.dead_from) == (50, 7, 3000 - 50 - 7, None)


def test_missing_voltages_are_taken_as_fired(tmp_path):
    frame = log()
    frame.loc[frame.shot.between(101, 120), "main_V_after"] = np.nan
    m, _ = one([write(frame, tmp_path / "a.parquet")])
    assert (m.unread, m.misfires, m.shots) == (20, 7, 2993)


def test_against_a_plain_count_on_random_logs(tmp_path):
    """Lost, repeated and reset rows at random, against the truth that made them."""
    rng = np.random.default_rng(8)
    for trial in range(25):
        parts, commanded, misses, lost, clock = [], 0, 0, 0, 0.0
        for _ in range(int(rng.integers(1, 4))):
            n = int(rng.integers(700, 4000))
            part = log(shots=n, every=int(rng.integers(50, 500)), seed=int(rng.integers(1e9)))
            part["time_s"] += clock
            clock = part.time_s.iloc[-1] + 30
            gone = np.zeros(n, bool)
            for _ in range(int(rng.integers(0, 3))):
                at = int(rng.integers(1, n - 40))
                gone[at : at + int(rng.integers(1, 30))] = True
            gone[-1] = False
            kept = part[~gone]
            misses += int((kept.main_V_after > 0.5 * kept.main_V_before).sum())
            lost += int(gone.sum())
            commanded += n
            k = int(rng.integers(0, len(kept) - 20))
            parts += [kept[: k + 10], kept[k : k + 10], kept[k + 10 :]]
        m, r = one([write(pd.concat(parts), tmp_path / f"{trial}.parquet")])
        print(trial, r.notes)
        assert (m.commanded, m.misfires, m.lost, m.repeated) == (
            commanded, misses, lost, 10 * len(parts) // 3,
        )  # fmt: skip


def test_stopped_run_goes_on_where_it_was(tmp_path):
    frame = log()
    a, b = write(frame[:1500], tmp_path / "a.parquet"), tmp_path / "b.csv"
    b.write_text("module,shot\nm1,x\n")
    with pytest.raises(SheetError):
        reduce_logs([a, b], keep=tmp_path / "kept")
    write(frame[1500:], b)
    r = reduce_logs([a, b], keep=tmp_path / "kept")
    assert r.kept == 1
    assert r.modules == reduce_logs([a, b]).modules


def test_damaged_kept_sums_are_made_again(tmp_path):
    a = write(log(), tmp_path / "a.parquet")
    reduce_logs([a], keep=tmp_path / "kept")
    for f in (tmp_path / "kept").iterdir():
        f.write_bytes(b"PK\x03\x04 broken")
    assert reduce_logs([a], keep=tmp_path / "kept").kept == 0


@pytest.mark.parametrize(
    "text, row, column, words",
    [
        ("module,shot\nm1,1\nm1,two\n", 3, "shot", "Could not convert"),
        ("module,shot\nm1,1\n,2\n", 3, "module", "empty"),
        ("module,shot\nm1,1.5\n", 2, "shot", "whole number"),
        ("module,shot\nm1,-3\n", 2, "shot", "whole number"),
        ("module,shot\nm1,\n", 2, "shot", "empty"),
        ("module,count\nm1,1\n", 1, "shot", "missing"),
        ("module,shot,shot\nm1,1,1\n", 1, "shot", "twice"),
        ("module,shot\n", 2, "", "no rows"),
        ("module,shot\nm1,1,5\n", 2, "", ""),
    ],
)  # fmt: skip
def test_faults_are_named(tmp_path, text, row, column, words):
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(SheetError) as e:
        reduce_logs([path])
    fault = e.value.faults[0]
    assert fault.row == row and words in fault.message
    assert not column or fault.column == column


def test_quotes_in_names_do_no_harm(tmp_path):
    """SQL in a module's or a file's name is only a name."""
    frame = log("m'; DROP TABLE cells; --", shots=600)
    m, _ = one([write(frame, tmp_path / "a';--.csv")])
    assert m.module == "m'; DROP TABLE cells; --"
    assert m.commanded == 600


def test_same_file_twice_is_refused(tmp_path):
    a = write(log(), tmp_path / "a.parquet")
    with pytest.raises(BadInput, match="once"):
        reduce_logs([a, a])


def test_conflicting_row_keeps_the_count():
    """The same count twice with other values: no reset."""
    s = [Stretch(0, 1, 500, 0, 1497), Stretch(0, 500, 900, 1498, 2700)]
    c = run_on(s)
    assert (c.total, c.conflicts, c.resets) == (900, 1, [])


def test_command_makes_sheets_that_the_others_take(tmp_path):
    paths = []
    for k in range(5):
        frame = log(f"m{k}", shots=4000 + 100 * k, every=150 + 20 * k, seed=k)
        paths.append(str(write(frame, tmp_path / f"{k}.csv")))
    store = tmp_path / "s.duckdb"
    r = run(
        "shots",
        *paths,
        "--builder",
        "me",
        "--failed",
        "m1=igniter:no_spark",
        "--add",
        "--json",
        store=store,
    )
    assert json.loads(r.stdout)["modules"][4]["shots"] == 4400 - 4400 // 230
    r = run("life", "--slot", "igniter", "--json", store=store)
    assert json.loads(r.stdout)["failed"] == 1
    run("wear", "--json", store=store)
    answer = json.loads(run("misfires", "--json", store=store).stdout)
    assert answer["ignition"]["modules"] == 5
    # a later piece: the sheets made before are superseded, not added to
    more = write(log("m5", shots=900), tmp_path / "5.csv")
    r = run("shots", *paths, more, "--builder", "me", "--add", store=store)
    assert "5 of 6 files were reduced before" in r.stdout
    found = json.loads(run("records", "--json", store=store).stdout)["contributions"]
    assert sum(c["status"] == "accepted" for c in found) == 4


def test_ignition_effect_equals_statsmodels():
    """statsmodels GLM binomial with cluster-robust covariance, as Liang & Zeger (1986): the factor that
    library puts on top, (N - 1) / (N - k), taken off."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    module = np.repeat(np.arange(12), 20)
    volts = rng.uniform(850, 950, module.size)
    shots = rng.uniform(0, 5000, module.size)
    n = rng.integers(200, 900, module.size)
    eta = -5 - 0.02 * (volts - 900) + 1e-4 * shots + 0.3 * rng.normal(size=12)[module]
    hit = rng.binomial(n, 1 / (1 + np.exp(-eta)))
    name = np.array([f"m{m}" for m in module], object)
    s = SparkCounts(
        np.full(module.size, "b", object), name, shots, volts, n.astype(float), hit.astype(float)
    )
    a = ignition_effect(s, 0.95)
    x = sm.add_constant(np.column_stack((volts - 900, shots / 1000)))
    fit = sm.GLM(np.column_stack((hit, n - hit)), x, family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": np.array([int(m[1:]) for m in name])}, tol=1e-12
    )
    assert np.log(a.odds_per_10V.estimate) == pytest.approx(10 * fit.params[1], rel=1e-6)
    assert np.log(a.odds_per_1000.estimate) == pytest.approx(fit.params[2], rel=1e-6)
    k = (module.size - 1) / (module.size - 3)
    se = np.log(a.odds_per_10V.upper / a.odds_per_10V.estimate) / 1.6448536269514722
    assert se == pytest.approx(10 * fit.bse[1] / np.sqrt(k), rel=1e-5)


def test_sheets_are_csv_that_read_back(tmp_path):
    _, r = one([write(log(), tmp_path / "a.parquet")])
    sheets = log_sheets(r, "me", {}, ["igniter"])
    assert set(sheets) == {"life", "wear", "misfires", "ignition"}
    rows = list(csv.DictReader(sheets["ignition"].decode().splitlines()))
    assert sum(int(w["misfires"]) for w in rows) == 7
    assert sum(int(w["commanded"]) for w in rows) == 3000
