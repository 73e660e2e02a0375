"""Every console example of the README is run; its output must be what the README shows.

python tests/test_readme.py --write    puts the present output into the README
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
BLOCK = re.compile(r"```console\n(.*?)```", re.S)


def run_block(block: str) -> str:
    """The block with the output of its commands, on an empty store of its own."""
    with tempfile.TemporaryDirectory() as folder:
        return _run(block, folder)


def _run(block: str, folder: str) -> str:
    out = []
    env = {
        **os.environ,
        "SHOTLIFE_STORE": f"{folder}/store.duckdb",
        "T": folder,
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "COLUMNS": "100",
    }
    for line in block.splitlines():
        if line.startswith("$ "):
            p = subprocess.run(
                line[2:], shell=True, capture_output=True, text=True, cwd=ROOT, env=env
            )
            text = (p.stdout + p.stderr).rstrip("\n").replace(folder, "$T")
            out.append(line + ("\n" + text if text else ""))
    return "\n".join(out) + "\n"


def test_examples_show_what_they_print():
    text = (ROOT / "README.md").read_text()
    blocks = BLOCK.findall(text)
    assert len(blocks) >= 12
    for block in blocks:
        assert run_block(block) == block


def test_readme_opens_with_the_job_in_one_paragraph():
    lines = (ROOT / "README.md").read_text().split("\n\n")
    assert lines[0] == "# shotlife" and "lone builder" in lines[1] and "\n" not in lines[1].strip()


if __name__ == "__main__" and "--write" in sys.argv:
    path = ROOT / "README.md"
    path.write_text(
        BLOCK.sub(lambda m: "```console\n" + run_block(m.group(1)) + "```", path.read_text())
    )
