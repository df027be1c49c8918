"""The command `whirlbench`: finds the verb, runs it, turns errors into one line and an exit status.

Verbs are imported only when asked for, so that `--help` stays quick and needs no display.
"""

from __future__ import annotations

import importlib
import sys
import traceback

import click

from whirlbench import __version__
from whirlbench.cli.output import one_line
from whirlbench.errors import BenchError, RigError

DONE, INTERNAL_ERROR, BAD_INPUT, TRIPPED = 0, 1, 2, 3

# room -> verb -> one line of help; the module is whirlbench.cli.verbs.<room>.<verb>, its click command is `command`
ROOMS = {
    "questions": {
        "check": "Loads, stresses, permitted rpm, fragment energy, proof plan.",
        "tune": "Speed loop identified, gains for the governor, and their proof.",
        "limits": "Pitch-versus-rpm limits and servo end points from measured holds.",
        "onset": "When a failure began; which trips fired or would have.",
        "trips": "Back-test: what limits would have done to recorded runs.",
        "balance": "Single-plane correction from an as-found and a trial run.",
        "report": "One page to hand on: a whole run, or several side by side.",
    },
    "stand": {
        "rehearse": "The whole job on a simulated stand, with no display.",
        "ports": "Serial ports, with what is plugged in.",
        "calibrate": "A channel fitted from known points and written into the rig.",
        "travel": "The ends of the pitch servo, found without stalling it.",
        "trial": "Each trip provoked in turn with the propeller off, and kept as proof.",
        "spin": "A supervised run by a plan, without the window.",
        "window": "The desktop window: replay a recording, or run a stand.",
    },
    "files": {
        "note": "A note on a recorded run, at a moment of it.",
        "log": "The blade sets' log: hours, starts, loads, inspections, notes.",
        "import": "A recording from tables of any logger.",
        "export": "CSV or Parquet files from a recording.",
        "recover": "What is whole in a broken recording, for any HDF5 tool.",
    },
}
VERBS = {verb: text for verbs in ROOMS.values() for verb, text in verbs.items()}
ROOM_OF = {verb: room for room, verbs in ROOMS.items() for verb in verbs}
MODULE_OF = {"import": "import_", "window": "window_"}


class Verbs(click.Group):
    """A group whose commands are imported on demand."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The verbs in the order of their table."""
        return list(VERBS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """The command of the verb ``name``, imported now; None when there is no such verb."""
        if name not in VERBS:
            return None
        module = importlib.import_module(f"whirlbench.cli.verbs.{ROOM_OF[name]}.{MODULE_OF.get(name, name)}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The verb and its arguments; UsageError where an option that is taken once stands there twice."""
        name, command, rest = super().resolve_command(ctx, args)
        if command is not None:
            _refuse_repeated(command, rest, click.Context(command, parent=ctx, info_name=name))
        return name, command, rest

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Writes the table of verbs without importing one of them."""
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


def _refuse_repeated(command: click.Command, arguments: list[str], context: click.Context) -> None:
    """Of an option given twice the last would silently count; what else is wrong, the parsing that follows tells."""
    try:
        order = command.make_parser(context).parse_args(list(arguments))[2]
    except click.UsageError:
        return
    for option in dict.fromkeys(order):
        once = isinstance(option, click.Option) and not (option.multiple or option.is_flag or option.count)
        if once and order.count(option) > 1:
            raise click.UsageError(f"{option.opts[0]} is given {order.count(option)} times: it is taken once", context)


@click.command(cls=Verbs, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="whirlbench")
@click.pass_context
def whirlbench(context: click.Context) -> None:
    """Prove a home-built variable-pitch, constant-speed propeller on a guarded stand.

    Stay out of the plane of rotation, keep the isolating switch within reach, follow your local codes.
    Every number printed here is an aid to judgement, not a licence.

    Exit status: 0 done, 1 internal error, 2 bad input or data that cannot answer,
    3 the run ended in a trip, an abort or a lost link.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


MOST, MOST_OF_RIG = 500, 3000  # characters of a complaint; that about a rig names every key that is missing


def main() -> None:
    """Entry point of the console script."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Runs one command line and returns its exit status; never raises for bad input."""
    try:
        status = whirlbench.main(arguments, prog_name="whirlbench", standalone_mode=False)
        return status if isinstance(status, int) else DONE
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.UsageError as error:
        verb = error.ctx.command_path if error.ctx else "whirlbench"
        return _refuse(f"{error.format_message().rstrip('.')} (`{verb} --help` tells more)")
    except click.ClickException as error:
        return _refuse(error.format_message())
    except (click.Abort, KeyboardInterrupt):
        click.echo("interrupted", err=True)
        return TRIPPED
    except RigError as error:
        return _refuse(str(error), MOST_OF_RIG)
    except BenchError as error:
        return _refuse(str(error))
    except Exception as error:
        if isinstance(error, OSError) and error.filename:  # a file or folder that the user named
            return _refuse(f"{error.filename}: cannot be read or written ({error.strerror})")
        traceback.print_exc()
        click.echo("whirlbench: internal error, see above; please report it with the command line", err=True)
        return INTERNAL_ERROR


def _refuse(complaint: str, most: int = MOST) -> int:
    """Bad input: one line on stderr of at most so many characters, whatever a file or an option brought into it."""
    click.echo(f"whirlbench: {one_line(complaint, most)}", err=True)
    return BAD_INPUT
