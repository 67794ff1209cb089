"""The command line. Each command's own work is imported only when it runs."""

from __future__ import annotations

import importlib
import sys
from typing import Any, NoReturn

import click

# name: (module under bench.commands, one line of help)
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "The whole job on the virtual bench: measure, fit, chart."),
    "ports": ("ports", "Serial ports and instruments, and what answers on each."),
    "start": ("start", "Make a session folder and its plan."),
    "calibrate": ("calibrate", "Open, short, load: take cable and analyzer out of the sweeps."),
    "shaft": ("shaft", "Hold the angle sensor against the pointer on the control."),
    "measure": ("measure", "Take the readings that the plan still lacks."),
    "page": ("page", "The live bench page in a browser, for busy hands."),
    "enter": ("enter", "Type in a reading made by hand."),
    "withdraw": ("withdraw", "Take a reading back: it stays in its table and counts no more."),
    "carry": ("carry", "Let readings stand after the plan was corrected, the set unchanged."),
    "take": ("take", "Add sweeps saved elsewhere to a session."),
    "read": ("read", "Resonance and Q out of saved sweeps, without a session."),
    "winding": ("winding", "Inductance, resistance and Q of one winding."),
    "coilset": ("coilset", "Recipes for the coils that cover a band with a tuning capacitor."),
    "compare": ("compare", "Two sessions side by side: what changed, and what is real."),
    "dial": ("dial", "Frequency on the dial, kHz per division, bandspread."),
    "sidechecks": ("sidechecks", "A hand near the set, the wiper, the control's pull, the antenna."),
    "fit": ("fit", "Dial law, Q, tickler coupling and advice."),
    "predict": ("predict", "Onset from the plan alone."),
    "whatif": ("whatif", "A measured set with something changed: onset then beside now."),
    "chart": ("chart", "The calibration chart of each coil."),
    "report": ("report", "One web page and one PDF with everything a session says."),
    "check": ("check", "Is every file whole and every row valid."),
}


class LazyGroup(click.Group):
    """Knows its commands by name; imports one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        module = importlib.import_module(f"bench.commands.{entry[0]}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry[1]) for name, entry in COMMANDS.items()])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="regenbench")
def cli() -> None:
    """Measure, explain and chart the regeneration of plug-in-coil receivers."""


def _fail(message: str, code: int) -> NoReturn:
    from bench import streams

    streams.tell(message)
    sys.exit(code)


def main(argv: list[str] | None = None) -> Any:
    """Run one command; every expected error becomes one clear line and its exit code."""
    from bench import streams
    from bench.errors import BenchError
    from drivers.errors import WireError

    streams.prepare()
    try:
        return cli.main(args=argv, prog_name="regenbench", standalone_mode=False)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.Abort:
        _fail("Stopped. What was recorded is kept; run the same command to go on.", 1)
    except click.ClickException as problem:
        problem.show()
        sys.exit(problem.exit_code)
    except BenchError as problem:
        _fail(str(problem), problem.exit_code)
    except WireError as problem:
        _fail(str(problem), 1)
    except BrokenPipeError:
        sys.exit(1)
    except OSError as problem:
        from bench.session import disk

        _fail(disk.refused(problem), 1)
