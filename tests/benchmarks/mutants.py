"""Are wrong numbers found? Figures, pages and commands are changed one place at a time; tests must fail.

    python tests/benchmarks/mutants.py [--jobs 2] [--only figures]

Each mutant is one wrong number or name: a bound drawn from the estimate, a setting not passed on, a
default of its own, a count halved. It is made in a copy of the tree; the tests of the shells run there.
Printed: each mutant and whether it was killed, and the share killed.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Mutant:
    """A text in a file, and the wrong one in its place; the tests that should notice."""

    file: str
    right: str
    wrong: str
    tests: str


FIGURES, PAGES, COMMANDS = (
    "tests/test_figures.py",
    "tests/test_ask.py -k page",
    "tests/test_ask.py -k command_line",
)
MUTANTS = (
    # the four that the first version let through, in their present places
    Mutant("reliability/figures/module.py", '"lower": curve.lower', '"lower": curve.estimate', FIGURES),
    Mutant("reliability/figures/derating.py", 'y=along(y, "lower"), tooltip', 'y=along(y, "shots"), tooltip', FIGURES),
    Mutant("dashboard/controls.py", "self.values[name] = float(picked)", "self.values[name] = 0.8", PAGES),
    Mutant("dashboard/derating.py", "question = built(c,", 'c.set(shots=c.values["shots"] / 2)\n    question = built(c,', PAGES),
    # figures
    Mutant("reliability/figures/flight.py", 'Line("promise", p.shots', 'Line("promise", a.mission_shots', FIGURES),
    Mutant("reliability/figures/flight.py", 'Line("wanted", p.survival', 'Line("wanted", p.confidence', FIGURES),
    Mutant("reliability/figures/module.py", 'Line("promise", a.life.lower', 'Line("promise", a.life.shots', FIGURES),
    Mutant("reliability/figures/style.py", 'y=along(y, "lower"), tooltip', 'y=along(y, "estimate"), tooltip', FIGURES),
    Mutant("reliability/figures/slots.py", '"to": k.promise', '"to": k.so_far', FIGURES),
    Mutant("reliability/figures/style.py", "shown = [(max(a, low)", "shown = [(max(a - 100, low)", FIGURES),
    Mutant("reliability/figures/module.py", '"slot": labels, "share": known', '"slot": labels, "share": sorted(known)', FIGURES),
    Mutant("reliability/figures/life.py", '"survival": s.survival}', '"survival": s.lower}', FIGURES),
    Mutant("reliability/figures/life.py", "math.log(-math.log(s))", "math.log(s)", FIGURES),
    Mutant("reliability/figures/derating.py", 'Line("allowed", a.allowed.level', 'Line("allowed", a.tested[0]', FIGURES),
    Mutant("reliability/figures/derating.py", 'Line("required", a.shots', 'Line("required", a.shots * 2', FIGURES),
    Mutant("reliability/figures/remaining.py", "if relative else a.limit_value", "if relative else 1.1 * a.limit_value", FIGURES),
    Mutant("reliability/figures/misfires.py", 'along(y, "mean")', 'along(y, "lower")', FIGURES),
    Mutant("reliability/figures/modes.py", "zip(a.at, m.shares", "zip(a.at, a.modes[0].shares", FIGURES),
    Mutant("reliability/figures/builders.py", 'Line("pool", a.pool_shots', 'Line("pool", a.new_builder.lower', FIGURES),
    Mutant("reliability/figures/builders.py", '"at": b.without_shots', '"at": b.shots', FIGURES),
    Mutant("reliability/figures/comparison.py", 'Line(f"promise_{i}", s.lower', 'Line(f"promise_{i}", s.shots', FIGURES),
    Mutant("reliability/figures/comparison.py", '"estimate": e, "lower": low}', '"estimate": e, "lower": e}', FIGURES),
    # pages
    Mutant("dashboard/helps.py", '"lasts it": t.survives_it', '"lasts it": 1 - t.survives_it', PAGES),
    Mutant("dashboard/campaign.py", '{"then promised": "promise"}', '{"then promised": "shots"}', PAGES),
    Mutant("dashboard/flight.py", "question = built(c,", "c.set(survival=0.5)\nquestion = built(c,", PAGES),
    Mutant("dashboard/life_curves.py", 'c.set(mode=mode or "")', 'c.set(family="lognormal", mode=mode or "")', PAGES),
    Mutant("dashboard/my_module.py", "question = built(c,", "c.set(fraction=0.2)\nquestion = built(c,", PAGES),
    Mutant("dashboard/failure_modes.py", "question = built(c,", "c.set(builder=('lynx',))\nquestion = built(c,", PAGES),
    Mutant("dashboard/wear.py", "question = built(c,", "c.set(limit_factor=0.5)\nquestion = built(c,", PAGES),
    Mutant("dashboard/misfires.py", "question = built(c,", "c.set(builder=('kite',))\nquestion = built(c,", PAGES),
    Mutant("dashboard/builders.py", "question = built(c,", "c.set(fraction=0.5)\nquestion = built(c,", PAGES),
    Mutant("dashboard/campaign.py", "question = built(c,", "c.set(survival=0.8)\nquestion = built(c,", PAGES),
    Mutant("dashboard/shared.py", "found = worked_out(question, store(),", "found = worked_out(type(question)(**{**question.model_dump(), 'received': True}), store(),", PAGES),
    Mutant("dashboard/shared.py", "top.answer(found.sentence)", "top.answer(found.sentence.replace('1', '7'))", PAGES),
    # the lane of a slot beside the bound of life
    Mutant("reliability/decisions/life_beside.py", "would be {so_many_shots(own)}", "would be {so_many_shots(b.lower)}", "tests/test_life_doubts.py -k own_bound"),
    # commands
    Mutant("reliability/commands/common.py", "elif isinstance(value, tuple) and value:", "elif isinstance(value, tuple) and len(value) > 1:", COMMANDS),
    Mutant("reliability/commands/common.py", "question = from_texts(cls, texts)", 'question = from_texts(cls, {k: v for k, v in texts.items() if k != "shots" or cls.name != "derate"})', COMMANDS),
    Mutant("reliability/ask/texts.py", 'return short if', 'return f"{v:.2g}" if', "tests/test_ask.py -k texts_and_back"),
    Mutant("reliability/ask/asking.py", "return complete(question.answer(pool))", "return complete(type(question)(**{**question.model_dump(), 'confidence': 0.9}).answer(pool))", "tests/test_ask.py -k no_setting"),
    Mutant("reliability/api/routes.py", "from_texts, cls, {k: q.getlist(k) for k in q}", "from_texts, cls, {k: q.getlist(k)[:1] for k in q}", "tests/test_ask.py -k api_gives"),
    Mutant("reliability/store/store.py", "WHERE c.status IN ({marks}) ORDER BY 1, 2", "WHERE c.status IN ({marks}) OR c.status = 'superseded' ORDER BY 1, 2", "tests/test_ask.py -k correction"),
)  # fmt: skip


def killed(m: Mutant) -> bool | None:
    """Whether the tests notice; None if the mutant's place is no longer there."""
    text = (ROOT / m.file).read_text()
    if text.count(m.right) < 1:
        return None
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "tree"
        shutil.copytree(
            ROOT, copy, symlinks=True, ignore=shutil.ignore_patterns(".venv", ".git", "__pycache__")
        )
        (copy / m.file).write_text(text.replace(m.right, m.wrong, 1))
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *m.tests.split()],
            cwd=copy, capture_output=True, env={**os.environ, "PYTHONPATH": str(copy), "OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
    return done.returncode == 1


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--only", default="", help="Only mutants whose file has this in its name.")
    a = p.parse_args()
    chosen = [m for m in MUTANTS if a.only in m.file]
    found = []
    with ThreadPoolExecutor(a.jobs) as pool:
        for m, k in zip(chosen, pool.map(killed, chosen), strict=True):
            found.append(k)
            said = "gone" if k is None else "killed" if k else "SURVIVED"
            print(f"{said}: {m.file}: {m.right[:60]} -> {m.wrong[:60]}", flush=True)
    there = [k for k in found if k is not None]
    print(f"killed {sum(there)} of {len(there)} mutants ({sum(there) / max(len(there), 1):.0%})")


if __name__ == "__main__":
    main()
