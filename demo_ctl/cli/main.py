"""The command line: one function a command, no logic. Rooms are imported only when their command runs."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module

from demo_ctl.terms.errors import DemoError
from demo_ctl.terms.outcome import Exit

EPILOG = """exit codes: 0 every check passed, 1 a check failed, 2 bad input, 3 board or link trouble, 4 safety trip,
130 stopped by Ctrl-C

Ringing voltage (75 to 105 V) and the 48 V battery can hurt. Keep covers on, follow local electrical
codes, and leave live work to competent, licensed people."""


def _parser(arguments: Sequence[str]) -> argparse.ArgumentParser:
    """Build the parser. The options of `safety` stand in modules of their own, loaded only where they are meant."""
    parser = argparse.ArgumentParser(
        prog="demo_ctl",
        description="Play scripted test calls into a step-by-step telephone exchange demonstration unit, and check it.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, help_text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(
            name, help=help_text, description=help_text, epilog=EPILOG, formatter_class=parser.formatter_class
        )
        sub.set_defaults(run=name)
        return sub

    def script_options(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("script", metavar="SCRIPT", help="call script, such as configs/calls/answered.yaml")
        sub.add_argument(
            "--unit", metavar="FILE", help="the unit's description (default: configs/units/mossbrook.yaml)"
        )
        sub.add_argument("--pace", default="1", metavar="PACE", help="1 is normal speed, 1/4 a quarter of it")
        sub.add_argument("--json", action="store_true", help="print one JSON object on standard output")

    def fault_options(sub: argparse.ArgumentParser, where: str = "") -> None:
        sub.add_argument(
            "--fault",
            action="append",
            default=[],
            metavar="NAME@PLACE",
            help=f"{where}something wrong with the unit, such as 'short-hold@selector 2' "
            "(may be repeated; demo_ctl faults lists them)",
        )
        sub.add_argument("--night", type=int, metavar="N", help=f"{where}which night it is, for faults that grow")

    call = command("call", "place one scripted call, watch it, and judge it")
    script_options(call)
    call.add_argument(
        "--port",
        default="auto",
        metavar="URL",
        help="serial port of the board, such as /dev/ttyACM0, socket://HOST:PORT or bench:// "
        "(default: the one board that is plugged in; with none, the bench)",
    )
    call.add_argument(
        "--proving-age",
        metavar="TIME",
        help="calls that ring want a proving of the guard no older, such as 24h (default: as in the unit's file)",
    )
    call.add_argument(
        "--proving-dir", metavar="DIR", help="where provings are kept (default: ~/.local/state/demo_ctl/provings)"
    )
    call.add_argument("--record", metavar="FILE", help="write everything that happens to FILE (JSON lines)")
    call.add_argument("--truth", metavar="FILE", help="on the bench: write what happens inside the unit to FILE")
    call.add_argument("--fast", action="store_true", help="on the bench: simulated time, do not wait in real time")
    call.add_argument("--seed", type=int, default=0, metavar="N", help="on the bench: seed of everything random")
    call.add_argument(
        "--trunks-busied", action="store_true", help="the trunks that the script wants busy have been busied by hand"
    )

    fault_options(call, "on the bench: ")

    plan = command("plan", "show what a script would do: timeline, expectations, and what the pace gets")
    script_options(plan)

    bench = command("bench", "serve the simulated board and unit on a pseudo-terminal, in real time")
    bench.add_argument(
        "--pty", action="store_true", required=True, help="serve on a pseudo-terminal (its path is printed)"
    )
    bench.add_argument("--unit", metavar="FILE", help="the unit's description (default: configs/units/mossbrook.yaml)")
    bench.add_argument("--seed", type=int, default=0, metavar="N", help="seed of everything random")
    bench.add_argument("--board", choices=("python", "micropython"), default="python", help="what runs the firmware")
    bench.add_argument(
        "--guard",
        choices=("proven", "locked"),
        default="proven",
        help="how the ringing guard is found: proven by a simulated person, or locked since it was switched on",
    )
    bench.add_argument(
        "--busy",
        action="append",
        default=[],
        metavar="STAGE/LEVEL/TRUNKS",
        help="keep trunks busy, such as 1/5/1-10 (may be repeated)",
    )

    fault_options(bench)

    faults = command("faults", "list what can be wrong with the simulated unit, and what shows of it")
    faults.add_argument("--json", action="store_true", help="print one JSON object on standard output")

    record = command("record", "print the result of a recorded call again, judged anew from what was seen")
    record.add_argument("file", metavar="FILE", help="a file that `call --record` wrote")
    record.add_argument("--json", action="store_true", help="print one JSON object on standard output")

    show = command("show", "play a run sheet for an audience, with a presenter's console")
    if "show" in arguments:
        import_module("demo_ctl.cli.show").options(show)

    exhibit = command("exhibit", "run an exhibit by itself: recorded calls in turn, and a push button for visitors")
    if "exhibit" in arguments:
        import_module("demo_ctl.cli.exhibit").options(exhibit)

    replay = command("replay", "show a recorded call again, at any pace, unfolded, or as a page that plays by itself")
    if "replay" in arguments:
        import_module("demo_ctl.cli.replay").options(replay)

    safety = command("safety", "the ringing guard: how it stands, its limits and trips; prove it")
    if "safety" in arguments:
        import_module("demo_ctl.cli.safety").options(safety)

    boards = command("boards", "list the boards that are plugged in")
    boards.add_argument("--json", action="store_true", help="print one JSON object on standard output")

    schema = command("schema", "print the JSON Schema of a kind of file, for editors")
    schema.add_argument("kind", choices=("unit", "call", "sheet", "exhibit"))
    return parser


def _complain(error: DemoError) -> int:
    _say(str(error))
    return int(error.exit_code)


def _say(text: str) -> None:
    text = f"demo_ctl: {text}"
    with suppress(OSError, ValueError):  # the terminal may have gone, and then there is nobody to tell
        if sys.stderr.isatty():
            from demo_ctl.cli.screen import folded

            text = "\n".join(folded(text, os.get_terminal_size(sys.stderr.fileno()).columns or 80))
        print(text, file=sys.stderr, flush=True)


def _streams() -> None:
    """Make standard input and output such that nobody has to ask: they exist, and can write any text somehow."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started us (`>&-`)
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115  # for as long as we live
        elif isinstance(stream, io.TextIOWrapper) and stream.errors == "strict" and mode == "w":
            stream.reconfigure(errors="backslashreplace")  # a terminal without our letters, a name that is no text


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code."""
    _streams()
    given = sys.argv[1:] if arguments is None else arguments
    try:
        args = _parser(given).parse_args(given)
        run: Callable[[argparse.Namespace], int] = import_module(f"demo_ctl.cli.{args.run}").run
        code = run(args)
        sys.stdout.flush()
        return code
    except DemoError as error:
        return _complain(error)
    except KeyboardInterrupt:
        _say("stopped.")
        return int(Exit.INTERRUPTED)
    except BrokenPipeError:
        # Whoever read our output has gone (`| head`). Nothing more can be said; do not complain about it.
        _silence()
        return int(Exit.OK)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        _say(f"{name}{error.strerror or error}")
        _silence()
        return int(Exit.BAD_INPUT)


def _silence() -> None:
    """Let what standard output still holds go nowhere if it cannot be written: Python would complain at its exit."""
    try:
        sys.stdout.flush()
    except OSError:
        with suppress(OSError, ValueError):  # no file behind it: then nothing complains either
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
