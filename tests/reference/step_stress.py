"""The step-stress rows of the ledger, by a likelihood written out for scipy: python tests/reference/step_stress.py

Cumulative exposure (Nelson 1990, ch. 10): a unit raised at time c has used c / scale_1 of its life by then.
"""

import tomllib
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.stats import weibull_min

LEDGER = Path(__file__).parents[2] / "reliability" / "ledger" / "ledger.toml"


def main() -> None:
    """Print shape, both scales and the log-likelihood."""
    data = tomllib.loads(LEDGER.read_text())["data"]["hot_components"]
    first, raised = np.array(data["first"], float), np.array(data["raised"], float)
    at = float(data["raised_at"])

    def minus(theta: np.ndarray) -> float:
        shape, one, two = np.exp(theta)
        used = at / one + (raised - at) / two
        return -float(
            weibull_min.logpdf(first, shape, scale=one).sum()
            + (weibull_min.logpdf(used, shape) - np.log(two)).sum()
        )

    best = minimize(
        minus, np.log([1.0, 1000.0, 100.0]), method="Nelder-Mead",
        options={"xatol": 1e-11, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000},
    )  # fmt: skip
    print(*(f"{v:.7g}" for v in np.exp(best.x)), f"{-best.fun:.7f}")


if __name__ == "__main__":
    main()
