"""The command ``shoulderline``: arguments in, exit status out (design.md section 9).

Exit 0 with a result, 2 for a misuse of the command, 3 for a photo or input refused: one line on stderr, nothing written.
Nothing heavy is imported here, so that ``--help`` and a mistyped flag answer at once.
"""

from __future__ import annotations

import argparse
import importlib
import os
import re
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from typing import NoReturn

from app.pointing import add_pointing, check_pointing, decimal, number, place
from app.reference_log.commands import add_log
from app.refusal import EXIT_REFUSED, EXIT_STOPPED, sentence
from vision.errors import NothingLeft, ShoulderlineError

# Where a command's function lives, when not in app/commands.py.
_HOMES = {
    "plan": "app.plan_commands",
    "repeatability": "app.plan_commands",
    "compare": "app.compare_commands",
    "log": "app.reference_log.commands",
}
# What a command takes any number of, and as what.
_MANY = {"measure": ("photos", Path), "camera": ("photos", Path), "compare": ("results", str), "repeatability": ("results", str)}
_PROGRAM = "shoulderline"
_BELOW_ZERO = re.compile(r"-[.,]?\d")
_CAUTION = "Blades cut: guard the edge, keep fingers off its path, and keep caliper jaws off the apex. Local rules come first."


class _Parser(argparse.ArgumentParser):
    """A misuse is answered by one line, as a refusal is; argparse's own would put twenty lines of flags before it."""

    def error(self, message: str) -> NoReturn:
        """Leave with 2, saying what was wrong and where the flags are listed."""
        where = f"{self.prog} COMMAND" if self.prog == _PROGRAM else self.prog
        self.exit(2, f"{self.prog}: {' '.join(message.split())}; '{where} --help' lists the flags.\n")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status (argparse itself leaves with 2 on a misuse)."""
    parser = build_parser()
    options, unknown = parser.parse_known_args(_joined(sys.argv[1:] if arguments is None else arguments))
    # A misuse is said under the command's own name: its --help lists the flags.
    parser.prog = " ".join(filter(None, (_PROGRAM, options.command, getattr(options, "log_command", None))))
    unknown = _late(options, unknown)
    if unknown:
        parser.error(f"unrecognized arguments: {' '.join(unknown)}")
    _check_pairs(parser, options)
    commands = importlib.import_module(_HOMES.get(options.command, "app.commands"))
    try:
        # Only a command that can end in several ways returns a status.
        status = getattr(commands, options.command)(options) or 0
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read along (`| head`) has seen enough: no error of ours, and none when Python flushes at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except NothingLeft as error:
        return _refused(sentence(error), status=EXIT_REFUSED if options.job else 2)
    except (ShoulderlineError, OSError) as error:
        return _refused(sentence(error))
    except KeyboardInterrupt:
        return _refused("stopped: interrupted from the keyboard; nothing was written.", status=EXIT_STOPPED)
    return status


def _joined(words: Sequence[str]) -> list[str]:
    """The command's words; a flag's value that begins with a minus sign (a place before the scale's 0) is tied to its flag, since argparse
    takes it for another flag."""
    out: list[str] = []
    for word in words:
        if _BELOW_ZERO.match(word) and out and out[-1].startswith("--") and "=" not in out[-1]:
            out[-1] += f"={word}"
        else:
            out.append(word)
    return out


def _late(options: argparse.Namespace, unknown: list[str]) -> list[str]:
    """Take in photos or results that stand behind a flag, which argparse leaves over; returns what is still unknown."""
    if options.command not in _MANY or any(word.startswith("-") for word in unknown):
        return unknown
    name, kind = _MANY[options.command]
    setattr(options, name, [*getattr(options, name), *map(kind, unknown)])
    return []


def build_parser() -> argparse.ArgumentParser:
    """The whole command line; README.md documents each command and flag, and a test compares the two."""
    parser = _Parser(
        prog=_PROGRAM,
        description="Bevel width and thickness behind the edge of a knife, from a macro photo beside a printed strip.",
        epilog=_CAUTION,
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"shoulderline {version('shoulderline')}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_measure(commands)
    _add_plan(commands)
    _add_compare(commands)
    _add_repeatability(commands)
    _add_target(commands)
    _add_camera(commands)
    _add_demo(commands)
    _add_app(commands)
    add_log(commands)
    return parser


def _check_pairs(parser: argparse.ArgumentParser, options: argparse.Namespace) -> None:
    """A tolerance of nothing would be dropped in silence, so it is a misuse."""
    for name in ("edge_height", "camera_distance"):
        if getattr(options, f"{name}_tolerance", None) is not None and getattr(options, name) is None:
            flag = f"--{name.replace('_', '-')}"
            parser.error(f"{flag}-tolerance says how far off {flag} may be: give {flag} too")
    if options.command == "measure":
        _check_measure(parser, options)
    if options.command == "compare" and len(options.results) < 2:
        parser.error("give two results at least")
    if options.command == "plan" and options.bevel_width is not None and (options.new_angle, options.take_back) != (None, None):
        parser.error("--bevel-width asks for the angle: give it without --new-angle and --take-back")
    if options.command == "plan" and (options.new_angle, options.take_back, options.bevel_width) == (None, None, None):
        parser.error("give --new-angle, --take-back or --bevel-width")


def _check_measure(parser: argparse.ArgumentParser, options: argparse.Namespace) -> None:
    given = [
        k for k, v in vars(options).items() if k not in ("command", "job", "out", "each", "jobs", "picture") and v is not None and v != []
    ]
    if options.lights and options.each:
        parser.error("--lights makes one result of all photos, --each one of every photo: give one of the two")
    if len(options.job) > 1 and not options.each:
        parser.error("several job files are several results: give --each for a folder of each one's own")
    if options.picture and options.each:
        parser.error("--picture goes with one result: measure that one again by its job file, with --picture")
    if options.job and given:
        parser.error(f"--job already says everything: write {given[0].replace('_', '-')} into the job file")
    if not options.job and not options.photos:
        parser.error("give one photo at least, or --job FILE")
    if options.angle_tolerance is not None and options.angle is None and not options.job:
        parser.error("--angle-tolerance says how far off --angle may be: give --angle too")
    check_pointing(parser, options)
    names = [name for name, _ in options.apart]
    if len(set(names)) < len(names):
        again = next(n for n in names if names.count(n) > 1)
        parser.error(f"--apart {again}: two stretches have this name, and one would be lost: give each its own")
    if options.only and all(_covered(only, options.leave_out) for only in options.only):
        parser.error("--leave-out takes away all that --only leaves: nothing of the edge would be left to measure")
    for position in options.set_aside:
        if position not in [at for at, _ in options.caliper]:
            parser.error(f"--set-aside {position:g}: no --caliper reading was taken at that position")


def _covered(stretch: tuple[float, float], by: Sequence[tuple[float, float]]) -> bool:
    """True where these stretches together hold all of it."""
    at, end = stretch
    for a, b in sorted(by):
        if a <= at:
            at = max(at, b)
    return at >= end


def position_reading(text: str) -> tuple[float, float]:
    """``"20.6=0.47"`` -> (20.6, 0.47): place on the printed scale and reading, mm."""
    position, sign, reading = text.partition("=")
    if not sign:
        raise argparse.ArgumentTypeError(f"{text!r}: expected POSITION=READING in mm, such as 20.6=0.47")
    return number(position, text), number(reading, text)


def how_many(text: str) -> int:
    """``"4"`` -> 4: one at least."""
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 1 on")
    return int(text)


def port(text: str) -> int:
    """``"8501"`` -> 8501: what a TCP port can be."""
    number = how_many(text)
    if number > 65535:
        raise argparse.ArgumentTypeError(f"{text!r}: a port is a whole number from 1 to 65535")
    return number


def bar_pair(text: str) -> tuple[float, float]:
    """``"99.6,99.8"`` -> measured lengths of the check bars along X and Y, mm."""
    parts = text.split(",")
    if len(parts) != 2:
        raise argparse.ArgumentTypeError(f"{text!r}: expected X,Y in mm, such as 99.6,99.8")
    return number(parts[0], text), number(parts[1], text)


def span(text: str) -> tuple[float, float]:
    """``"5:48"`` -> (5.0, 48.0): a stretch by its positions on the printed scale, mm."""
    start, sign, end = text.partition(":")
    if not sign:
        raise argparse.ArgumentTypeError(f"{text!r}: expected A:B in mm, such as 5:48")
    return number(start, text), number(end, text)


def named_span(text: str) -> tuple[str, tuple[float, float]]:
    """``"tip=48:62"`` -> ("tip", (48.0, 62.0))."""
    name, sign, rest = text.partition("=")
    if not sign or not name.strip():
        raise argparse.ArgumentTypeError(f"{text!r}: expected NAME=A:B in mm, such as tip=48:62")
    return name.strip(), span(rest)


def _command(commands: argparse._SubParsersAction, name: str, text: str) -> argparse.ArgumentParser:
    return commands.add_parser(name, help=text, description=text, epilog=_CAUTION, allow_abbrev=False)


def _add_measure(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "measure", "measure bevel width and thickness along the edge")
    p.add_argument("photos", nargs="*", type=Path, metavar="PHOTO", help="macro photo of the edge beside the strip")
    p.add_argument(
        "--job", type=Path, action="append", default=[], metavar="FILE", help="job file to measure by, instead of photos and facts as flags"
    )
    p.add_argument("--each", action="store_true", help="every photo or job file is a result of its own, in a folder of its own")
    p.add_argument("--jobs", type=how_many, metavar="N", help="how many are measured at once")
    p.add_argument("--lights", action="store_true", default=None, help="the photos show one setting with the lamp moved: measure as one")
    p.add_argument("--angle", type=decimal, metavar="DEG", help="included sharpening angle; may be left out when there are readings")
    p.add_argument("--angle-tolerance", type=decimal, metavar="DEG", help="how far off it may be (default 2)")
    p.add_argument("--lie", choices=("level", "cheek-down"), help="how the blade lies (default level)")
    p.add_argument("--cheek-angle", type=decimal, metavar="DEG", help="angle between a cheek and the centre plane")
    p.add_argument("--edge-height", type=decimal, metavar="MM", help="height of the edge above the strip's printed face")
    p.add_argument("--edge-height-tolerance", type=decimal, metavar="MM", help="how far off it may be (default 0.2)")
    p.add_argument("--camera-distance", type=decimal, metavar="MM", help="lens to edge along the line of sight")
    p.add_argument("--camera-distance-tolerance", type=decimal, metavar="MM", help="how far off it may be (default 5)")
    p.add_argument("--camera", type=Path, metavar="FILE", help="camera profile made by 'shoulderline camera'")
    p.add_argument("--printed-bar", type=bar_pair, metavar="X,Y", help="measured lengths of the two 100 mm check bars")
    p.add_argument("--caliper", type=position_reading, action="append", default=[], metavar="POSITION=READING", help="spot check, mm")
    p.add_argument("--set-aside", type=decimal, action="append", default=[], metavar="POSITION", help="keep this reading without using it")
    p.add_argument("--caliper-accuracy", type=decimal, metavar="MM", help="the caliper's limit of error (default 0.03)")
    p.add_argument("--caliper-resolution", type=decimal, metavar="MM", help="the caliper's step (default 0.01)")
    p.add_argument("--repeatability", type=decimal, metavar="MM", help="your own photos' scatter, from 'shoulderline repeatability'")
    p.add_argument("--only", type=span, action="append", default=[], metavar="A:B", help="take the headline over these positions alone")
    p.add_argument("--apart", type=named_span, action="append", default=[], metavar="NAME=A:B", help="report this stretch on its own")
    p.add_argument("--leave-out", type=span, action="append", default=[], metavar="A:B", help="leave this stretch out of the headline")
    add_pointing(p)
    p.add_argument("--picture", action="store_true", help="add picture.png, one picture of 1200 x 630 px for sharing")
    p.add_argument("--out", type=place, required=True, metavar="DIR", help="folder for the results")


def _add_plan(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "plan", "what the next grind does to bevel width and thickness")
    p.add_argument("result", type=Path, metavar="RESULT_DIR", help="folder that 'shoulderline measure' wrote")
    p.add_argument("--new-angle", type=decimal, metavar="DEG", help="new included angle")
    p.add_argument("--take-back", type=decimal, metavar="MM", help="take the apex back by this much")
    p.add_argument("--bevel-width", type=decimal, metavar="MM", help="find the angle that makes the bevel this wide")
    p.add_argument("--cheek-angle", type=decimal, metavar="DEG", help="angle between a cheek and the centre plane")
    p.add_argument("--out", type=place, metavar="FILE", help="write the figures station by station, as CSV")


def _add_compare(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "compare", "set results against the first of them: specimens, before and after, two methods")
    p.add_argument("results", nargs="+", metavar="RESULT_DIR", help="folders that 'shoulderline measure' wrote, two or more")
    p.add_argument("--align", choices=("position", "heel", "tip"), default="position", help="laid upon each other by (default %(default)s)")
    p.add_argument("--alignment", type=decimal, metavar="MM", help="how well they lie upon each other (default 0.5)")
    p.add_argument(
        "--same", choices=("strip", "caliper", "edge"), action="append", default=[], help="what is one and the same in all; repeatable"
    )
    p.add_argument("--out", type=place, metavar="FILE", help="write the difference place by place, as CSV")


def _add_repeatability(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "repeatability", "how repeatable your own method is, from several results of one blade")
    p.add_argument("results", nargs="+", metavar="[SESSION=]RESULT_DIR", help="results of one blade, along one strip that stayed on it")


def _add_target(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "target", "write the page with the strip, to be printed to scale")
    p.add_argument("--paper", choices=("a4", "letter"), default="a4", help="size of the page (default %(default)s)")
    p.add_argument("--out", type=place, required=True, metavar="FILE", help="the PDF to write")


def _add_camera(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "camera", "make a camera profile from six or more tilted photos of the strip")
    p.add_argument("photos", nargs="+", type=Path, metavar="PHOTO", help="photo of the flat strip, tilted differently each time")
    p.add_argument("--printed-bar", type=bar_pair, metavar="X,Y", help="measured lengths of the two 100 mm check bars")
    p.add_argument("--out", type=place, required=True, metavar="FILE", help="the camera profile to write")


def _add_demo(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "demo", "measure the demo photos and print measured beside true")
    p.add_argument("--out", type=place, default=Path("shoulderline-demo"), metavar="DIR", help="folder for results (default %(default)s)")


def _add_app(commands: argparse._SubParsersAction) -> None:
    p = _command(commands, "app", "open the app in the browser")
    p.add_argument("--port", type=port, default=8501, help="port to serve on (default %(default)s)")
    p.add_argument("--address", default="localhost", help="address to serve on (default %(default)s)")
    p.add_argument("--headless", action="store_true", help="open no browser window")
    p.add_argument("--log", metavar="FILE_OR_URL", help="the reference log to show (default: in the user's data folder)")


def _refused(line: str, status: int = EXIT_REFUSED) -> int:
    print(" ".join(line.split()), file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
