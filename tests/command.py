"""Running the command line as a user does."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def run(*args, store=None, code=0, env=None):
    """Run ``shotlife ARGS``; the exit code must be ``code``, and no traceback may show."""
    extra = ["--store", str(store)] if store else []
    p = subprocess.run(
        [sys.executable, "-m", "reliability.cli", *map(str, args), *extra],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, **(env or {})},
    )
    assert p.returncode == code, p.stderr + p.stdout
    assert "Traceback" not in p.stderr
    return p
