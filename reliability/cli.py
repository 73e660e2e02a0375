"""The command line: ``shotlife COMMAND``. Each command lives in ``reliability/commands``."""

from __future__ import annotations

import contextlib
import importlib
import os
import sys

import click

from reliability.extras import extra_needed
from reliability.safe_text import TerminalSafe

COMMANDS = {
    "check": "Check files of any kind: what was read, what is in doubt.",
    "add": "Check files and add them to the store.",
    "bundle": "Pack records as a bundle to contribute or publish.",
    "shots": "Reduce shot logs of any size to records, readings and misfires.",
    "records": "Show the life records and the contributions they come from.",
    "history": "What happened to the modules: units, swaps, voltages, failures.",
    "life": "Life of units: parameters, lives and survival, with bounds.",
    "modes": "What ends the units: each failure mode by itself.",
    "module": "Life of a whole module, and which slot ends it.",
    "wear": "Shots left until a measured quantity meets its limit.",
    "misfires": "Misfires: chance a shot, trend, comparison of igniters.",
    "derate": "How far to derate: the charge voltage that lasts the mission.",
    "campaign": "Which test to run next, with how many units and shots.",
    "builders": "Do builders' data agree, and how are they pooled?",
    "compare": "Which of two parts, fuels, revisions, lots or builders to choose.",
    "flight": "What to promise for one flight module, given its burn-in.",
    "decisions": "Answers kept under a name, and what has changed since.",
    "report": "Flight life statement as PDF or HTML.",
    "demo": "Load the invented demo community and answer the main question.",
    "publish": "Publish the accepted records as a static site.",
    "export": "Write the accepted records as one life sheet.",
    "backup": "Save the store to one checked file.",
    "restore": "Put a backup in the store's place.",
    "access": "Who may read, contribute, accept: people and tokens.",
    "serve": "Open the dashboard and the JSON API.",
}


class LazyGroup(click.Group):
    """Imports a command's module when it is called, not before."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """The command of that name."""
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"reliability.commands.{name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="shotlife")
def shotlife() -> None:
    """Shot life of micro pulsed plasma thruster modules: honest bounds from few units.

    Every command works on the store (--store PATH) or on files (--from FILE, nothing stored).
    Confidence is one-sided. Exit codes: 0 done, 2 bad input, 3 these data cannot answer.
    """


def main(argv: list[str] | None = None) -> None:
    """Run, and turn every expected error into words and an exit code."""
    # names of files, columns and parts come from outside and must not steer the terminal
    # (there is no stream where who started this closed it)
    nowhere = open(os.devnull, "w")  # noqa: SIM115
    out, err = TerminalSafe(sys.stdout or nowhere), TerminalSafe(sys.stderr or nowhere)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        _run(argv)


def _run(argv: list[str] | None) -> None:
    try:
        code = shotlife.main(args=argv, standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except click.exceptions.Exit as e:
        sys.exit(e.exit_code)
    except click.Abort:
        click.echo("stopped", err=True)
        sys.exit(130)
    except click.ClickException as e:
        e.show()
        sys.exit(e.exit_code)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    except Exception as e:
        # here, not above: it brings numpy, and help needs none
        from reliability.commands.common import explain

        missing = extra_needed(e)
        if missing is not None:
            click.echo(missing, err=True)
            sys.exit(3)
        code = explain(e)
        if code is None:
            raise
        sys.exit(code)


if __name__ == "__main__":
    main()
