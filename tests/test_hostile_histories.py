"""300 hostile histories, each one fault in an otherwise sound sheet: refused in words that name both rows.

The rules are the life sheet's own (one unit, one place, one count at a time); no source.
"""

import re
from pathlib import Path

import numpy as np
import pytest

from reliability.sheets.life import read_life
from reliability.sheets.table import SheetError
from reliability.store import Store
from reliability.store.intake import put

HEAD = "builder,module,slot,unit,shots_from,shots_good,shots_failed,event,charge_V\n"
KINDS = ("overlap", "gap", "after death", "backwards", "lone suspect", "circular move")


def sound(rng, modules=4):
    """Rows of a sound builder: units of one to three stretches, some failed and swapped, one that moves."""
    rows = []
    for m in range(modules):
        for slot in ("main_capacitor", "igniter"):
            at = 0
            for k in range(int(rng.integers(1, 4))):
                end = at + int(rng.integers(200, 1500))
                rows.append([f"m{m}", slot, f"{slot[:3]}-{m}", at, end, "", "", 1200 + 100 * k])
                at = end
    return rows


def spoilt(kind, rng):
    """Rows with one fault, and the two that contradict each other (by index)."""
    rows = sound(rng)
    a = int(rng.integers(len(rows)))
    # the last stretch of some unit
    while a + 1 < len(rows) and rows[a + 1][2] == rows[a][2]:
        a += 1
    module, slot, unit, begun, end = rows[a][:5]
    step = int(rng.integers(1, 150))
    b = len(rows)
    new = [module, slot, unit, end, end + 500, "", "", 1500]
    if kind == "overlap":
        new[3] = max(begun, end - step) if rng.random() < 0.7 else begun
    elif kind == "gap":
        new[3] = end + step
        new[4] = end + step + 400
    elif kind == "after death":
        rows[a][5] = end if rng.random() < 0.5 else end + step
        new[3] = rows[a][5]
        new[4] = new[3] + 400
    elif kind == "backwards":
        new[4] = end - step
    elif kind == "lone suspect":
        rows[a][5], rows[a][6] = end, "e1"
        # the fault names the row of the same module whose last count is nearest: any of them will do
        return rows, (a, None)
    else:
        # out to another module, and back at a count that it had already
        away = f"m{(int(module[1:]) + 1) % 4}"
        rows.append([away, slot, unit, end, end + 300, "", "", 1500])
        new[3], new[4] = (end, end + 300) if rng.random() < 0.5 else (end, end + 700)
        rows.append(new)
        return rows, (b, b + 1)
    rows.append(new)
    return rows, (a, b)


def text_of(rows, order):
    return HEAD + "".join(",".join(map(str, ["kite", *rows[i]])) + "\n" for i in order)


@pytest.mark.parametrize("seed", range(300))
def test_refused_in_words_that_name_both_rows(seed):
    rng = np.random.default_rng([20261126, 300, seed])
    kind = KINDS[seed % len(KINDS)]
    rows, pair = spoilt(kind, rng)
    order = rng.permutation(len(rows))
    with pytest.raises(SheetError) as e:
        read_life(Path("hostile.csv"), text_of(rows, order).encode())
    where = {int(i): place + 2 for place, i in enumerate(order)}
    said = [
        (int(m[1]), {int(v) for v in re.findall(r"row (\d+)", m[2])})
        for m in re.finditer(r"hostile\.csv:(\d+):(.*)", str(e.value))
    ]
    named = [{row} | others for row, others in said]
    if pair[1] is None:
        module = {where[i] for i, r in enumerate(rows) if r[0] == rows[pair[0]][0] and i != pair[0]}
        assert any(where[pair[0]] in n and n & module for n in named), (kind, str(e.value))
    else:
        both = {where[pair[0]], where[pair[1]]}
        assert any(n >= both for n in named), (kind, both, str(e.value))
    assert "allowed" in str(e.value)


@pytest.mark.parametrize("kind", KINDS[:3])
def test_the_same_between_two_contributions_stores_nothing(kind, tmp_path):
    rng = np.random.default_rng([20261126, 7])
    rows, (a, b) = spoilt(kind, rng)
    box = Store(tmp_path / "s.duckdb")
    put(box, read_life(Path("first.csv"), text_of(rows, range(b)).encode()))
    with pytest.raises(SheetError, match=f"row {a + 2} of first.csv"):
        put(box, read_life(Path("second.csv"), text_of(rows, [b]).encode()))
    assert len(box.contributions()) == 1 and len(box.records()) == b


def test_the_sheets_are_sound_before_they_are_spoilt():
    for seed in range(20):
        rows = sound(np.random.default_rng(seed))
        assert len(read_life(Path("sound.csv"), text_of(rows, range(len(rows))).encode()).records)


OTHER_KINDS = (
    "two at once",
    "three in a ring",
    "of another rating",
    "twice dead",
    "cut short",
    "suspect twice",
)


def spoilt_otherwise(kind, rng):
    """Rows with one of the faults above that ``spoilt`` does not make, and the two that disagree."""
    rows = [[*row, ""] for row in sound(rng)]
    begun = [i for i, row in enumerate(rows) if row[3] == 0]
    a = int(rng.choice(begun))
    while a + 1 < len(rows) and rows[a + 1][2] == rows[a][2]:
        a += 1
    module, slot, unit, start, end = rows[a][:5]
    others = [f"m{k}" for k in range(4) if f"m{k}" != module]
    b, far = len(rows), int(rng.integers(100, 900))
    if kind == "two at once":
        x, y = rng.choice(others, 2, replace=False)
        rows.append([x, slot, unit, end, end + far, "", "", 1500, ""])
        rows.append([y, slot, unit, end, end + far + int(rng.integers(0, 50)), "", "", 1500, ""])
        return rows, (b, b + 1)
    if kind == "three in a ring":
        x, y = rng.choice(others, 2, replace=False)
        rows.append([x, slot, unit, end, end + far, "", "", 1500, ""])
        rows.append([y, slot, unit, end + far, end + 2 * far, "", "", 1500, ""])
        back = end + far + int(rng.integers(1, far))
        rows.append([module, slot, unit, back, back + far, "", "", 1500, ""])
        return rows, (b + 1, b + 2)
    new = [module, slot, unit, end, end + far, "", "", 1500, ""]
    if kind == "of another rating":
        rows[a][8], new[8] = 1600, 2000
    elif kind == "twice dead":
        rows[a][5], new[5] = end + int(rng.integers(0, 9)), end + far + 9
    elif kind == "cut short":
        new[3], new[4] = start + (end - start) // 3, start + (end - start) // 2
    else:
        rows[a][5], rows[a][6] = end, "e1"
        rows.append([module, "switch", "s", 0, end, end, "e1", 1500, ""])
        new[5], new[6] = end + far, "e2"
        rows.append(new)
        rows.append([module, "fuel", "f", 0, end + far, end + far, "e2", 1500, ""])
        return rows, (a, b + 1)
    rows.append(new)
    return rows, (a, b)


@pytest.mark.parametrize("seed", range(120))
def test_other_faults_are_refused_in_words_that_name_both_rows(seed):
    rng = np.random.default_rng([20261127, 14, seed])
    kind = OTHER_KINDS[seed % len(OTHER_KINDS)]
    rows, pair = spoilt_otherwise(kind, rng)
    order = rng.permutation(len(rows))
    head = HEAD.replace("charge_V", "charge_V,rated_V")
    text = head + "".join(",".join(map(str, ["kite", *rows[i]])) + "\n" for i in order)
    with pytest.raises(SheetError) as e:
        read_life(Path("hostile.csv"), text.encode())
    where = {int(i): place + 2 for place, i in enumerate(order)}
    both = {where[i] for i in pair}
    named = [
        {int(v) for v in re.findall(r"(?:row |csv:)(\d+)", line)}
        for line in str(e.value).splitlines()
    ]
    assert any(n >= both for n in named), (kind, both, str(e.value))
    assert "allowed" in str(e.value)


def test_a_unit_that_comes_back_when_its_count_fits_is_sound():
    """Out of a module and back into it is no fault in itself."""
    text = HEAD + (
        "kite,m0,igniter,i,0,100,,,1200\nkite,m1,igniter,i,100,300,,,1400\nkite,m0,igniter,i,300,500,,,1200\n"
    )
    assert len(read_life(Path("sound.csv"), text.encode()).records) == 3
