"""How long a pool of 500 contributions of 200 records each takes to pack and to become a site (without the
answers' own time), and how large it gets: python -m tests.benchmarks.publish"""

import time

import altair as alt
import numpy as np
import pandas as pd

from reliability.citations import Citation
from reliability.publish import Figure, Page, SiteAbout, Table, site, total_size
from reliability.records import LifeRecords
from reliability.sheets.bundle import About, download_files

CONTRIBUTIONS, EACH, DECISIONS = 500, 200, 12


def pool() -> LifeRecords:
    """Invented lives."""
    rng = np.random.default_rng(1)
    n = CONTRIBUTIONS * EACH
    life = 4000 * rng.weibull(2, n)
    good = np.minimum(life, 3500.0).round()
    return LifeRecords.of(
        good, np.where(life <= 3500, good, np.inf), builder=[f"b{i // EACH}" for i in range(n)],
        module=[f"m{i // 4}" for i in range(n)], slot=["main_capacitor"] * n,
        covariates={"charge_V": rng.choice([1200.0, 1400.0], n)},
    )  # fmt: skip


def decision(number: int) -> Page:
    """A page with two pictures of 400 points."""
    data = pd.DataFrame({"x": np.arange(400.0), "y": np.linspace(1, 0, 400)})
    chart = alt.Chart(data).mark_line().encode(x="x", y="y").interactive().to_dict()
    table = Table("Numbers", ("x", "y"), tuple((i, round(i / 7, 3)) for i in range(30)))
    name = "index" if number == 0 else f"decision-{number}"
    figures = (Figure("One", chart, "falls"), Figure("Two", chart, "falls"))
    return Page(name, f"Decision {number}", "An invented answer.", figures=figures, tables=(table,))


def main() -> None:
    """Print the times and sizes."""
    began = time.perf_counter()
    records = pool()
    made = time.perf_counter()
    files = download_files(records, About("pool", "CC0-1.0", created="2026-01-02"))
    packed = time.perf_counter()
    cited = tuple(
        Citation(f"Lives of b{i}", (f"b{i}",), "CC0-1.0", f"urn:{i}") for i in range(CONTRIBUTIONS)
    )
    about = SiteAbout("Pool", "May be used as CC0-1.0.", "1", cited)
    whole = site([decision(i) for i in range(DECISIONS)], about, files)
    done = time.perf_counter()
    light = total_size({k: v for k, v in whole.items() if not k.startswith("data/")})
    print(f"{len(records)} records made in {made - began:.1f} s, packed in {packed - made:.1f} s")
    print(
        f"site of {len(whole)} files in {done - packed:.1f} s; {light / 1e6:.2f} MB of pages, {total_size(whole) / 1e6:.1f} MB with downloads"
    )


if __name__ == "__main__":
    main()
