"""Flags of ``measure`` that point into a photo: guide points, the line along the edge, the scale of a photo without the strip."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from vision.hints import Guide, Hints, LineKind

if TYPE_CHECKING:
    from vision.hints import DeclaredScale

_SCALES = ("scale", "scale_between", "scale_rule")


def add_pointing(p: argparse.ArgumentParser) -> None:
    """Add the flags."""
    p.add_argument(
        "--guide", type=guide_point, action="append", default=[], metavar="[PHOTO:]LINE:X,Y", help="a point on the apex or shoulder, px"
    )
    p.add_argument("--along", nargs="+", action="append", default=[], metavar="[PHOTO:]X,Y", help="points of a line along the edge, px")
    p.add_argument("--scale", type=decimal, metavar="PX_PER_MM", help="scale of a photo without the strip")
    p.add_argument("--scale-tolerance", type=decimal, metavar="PERCENT", help="how far off --scale or the length between points may be")
    p.add_argument("--scale-between", nargs=3, metavar=("X,Y", "X2,Y2", "MM"), help="two points and the length between them")
    p.add_argument(
        "--scale-rule", nargs="+", metavar="X,Y", help="two ends of a line across a rule's ticks, then their spacing (default 1 mm)"
    )
    p.add_argument("--cheek", type=point, metavar="X,Y", help="without the strip: a point on the bare cheek, just beyond the bevel")


def check_pointing(parser: argparse.ArgumentParser, options: argparse.Namespace) -> None:
    """Turn the flags' texts into points and lengths; leaves with 2 where they do not go together."""
    try:
        options.along = [_numbered_line(words) for words in options.along]
        options.scale_between = options.scale_between and _between(options.scale_between)
        options.scale_rule = options.scale_rule and _rule(options.scale_rule)
    except argparse.ArgumentTypeError as error:
        parser.error(str(error))
    numbers = [(f"--guide {n}:{line}", n) for n, line, _ in options.guide] + [(f"--along {n}:", n) for n, _ in options.along]
    for flag, number in numbers:
        if not 1 <= number <= len(options.photos):
            parser.error(f"{flag}...: there is no photo {number}; the first one given is 1")
    if len({n for n, _ in options.along}) < len(options.along):
        parser.error("--along: give one line for each photo")
    _check_scale(parser, options, [name for name in _SCALES if getattr(options, name) is not None])


def _check_scale(parser: argparse.ArgumentParser, options: argparse.Namespace, given: list[str]) -> None:
    flags = [f"--{name.replace('_', '-')}" for name in given]
    if len(given) > 1:
        parser.error(f"{' and '.join(flags)} say the same thing: give one of them")
    if options.scale is not None and options.scale_tolerance is None:
        parser.error("--scale: say how far off it may be, with --scale-tolerance PERCENT")
    if options.scale_tolerance is not None and not (options.scale is not None or options.scale_between):
        parser.error("--scale-tolerance says how far off --scale or the length of --scale-between may be: give one of them too")
    if options.cheek is not None and not given:
        parser.error("--cheek belongs to a photo without the strip: give its scale too")
    if given and not options.along:
        parser.error(f"{flags[0]}: without the strip show roughly where the edge runs, with --along X,Y X,Y ...")
    if given and options.printed_bar:
        parser.error(f"{flags[0]} is for a photo without the strip, and --printed-bar for one with it: give one of them")
    if given and len(options.photos) > 1:
        parser.error(f"{flags[0]}: without the strip nothing says where several photos meet; measure each by itself")


def hints_from(options: argparse.Namespace, photo: int, path: Path) -> Hints:
    """What the flags point at in one photo, the first being 1.

    Raises
    ------
    ShoulderlineError
        A scale that cannot be had.
    """
    guides = tuple(Guide(LineKind(line), *at) for number, line, at in options.guide if number == photo)
    along = tuple(p for number, points in options.along if number == photo for p in points)
    return Hints(guides, along, options.cheek, scale_from(options, path))


def scale_from(options: argparse.Namespace, path: Path) -> DeclaredScale | None:
    """The scale behind the flags, None where the strip gives it."""
    if not any(getattr(options, name) is not None for name in _SCALES):
        return None
    from vision import scales
    from vision.photo import open_photo

    if options.scale is not None:
        return scales.declared_scale(options.scale, options.scale_tolerance)
    photo = open_photo(path)
    if options.scale_rule:
        *ends, spacing = options.scale_rule
        return scales.rule_scale(photo, tuple(ends), spacing)
    first, second, length, half_digit = options.scale_between
    tolerance = half_digit if options.scale_tolerance is None else options.scale_tolerance / 100 * length
    return scales.between_points((first, second), length, tolerance, (photo.width_px, photo.height_px))


def guide_point(text: str) -> tuple[int, str, tuple[float, float]]:
    """``"2:shoulder:812,455"`` -> (2, "shoulder", (812.0, 455.0)): photo (1 when left out), line, place in the upright photo, px."""
    parts = text.split(":")
    photo = int(parts.pop(0)) if len(parts) == 3 and parts[0].isdigit() else 1
    if len(parts) != 2 or parts[0] not in set(LineKind):
        raise argparse.ArgumentTypeError(f"{text!r}: expected [PHOTO:]LINE:X,Y in px with LINE apex or shoulder, such as shoulder:812,455")
    return photo, parts[0], point(parts[1])


def point(text: str) -> tuple[float, float]:
    """``"812,455"`` -> (812.0, 455.0): x and y in the upright photo, px."""
    parts = text.split(",")
    if len(parts) != 2:
        raise argparse.ArgumentTypeError(f"{text!r}: expected X,Y in px, such as 812,455")
    return number(parts[0], text), number(parts[1], text)


def place(text: str) -> Path:
    """A file or folder to write. An empty name would be the folder one happens to be in."""
    if not text.strip():
        raise argparse.ArgumentTypeError("the name is empty: say where to write")
    return Path(text)


def decimal(text: str) -> float:
    """``"30.5"`` -> 30.5."""
    return number(text, text)


def number(part: str, whole: str) -> float:
    """A number, or the sentence that it is none."""
    try:
        return float(part)
    except ValueError:
        where = "" if part.strip() == whole.strip() else f"{whole!r}: "
        comma = ": write decimals with a point" if "," in part else ""
        raise argparse.ArgumentTypeError(f"{where}{part.strip()!r} is not a number{comma}") from None


def _numbered_line(words: list[str]) -> tuple[int, tuple[tuple[float, float], ...]]:
    """``["2:10,20", "300,40"]`` -> (2, ((10.0, 20.0), (300.0, 40.0)))."""
    photo, sign, first = words[0].partition(":")
    if sign and not photo.isdigit():
        raise argparse.ArgumentTypeError(f"--along {words[0]}: expected [PHOTO:]X,Y X,Y ... in px, such as 120,900 2400,870")
    words = [first, *words[1:]] if sign else words
    if len(words) < 2:
        raise argparse.ArgumentTypeError("--along: a line needs two points at least, such as --along 120,900 2400,870")
    return int(photo) if sign else 1, tuple(point(w) for w in words)


def _between(words: list[str]) -> tuple[tuple[float, float], tuple[float, float], float, float]:
    """Two points, a length, and half of its last digit: ``"25.4"`` is good to 0.05 mm."""
    text = words[2].strip()
    digits = len(text.partition(".")[2]) if "e" not in text.lower() else 0
    return point(words[0]), point(words[1]), number(text, f"--scale-between ... {text}"), 0.5 * 10.0**-digits


def _rule(words: list[str]) -> tuple[tuple[float, float], tuple[float, float], float]:
    if len(words) not in (2, 3):
        raise argparse.ArgumentTypeError("--scale-rule: expected X,Y X2,Y2 and perhaps the spacing of the ticks in mm")
    return point(words[0]), point(words[1]), number(words[2], f"--scale-rule ... {words[2]}") if len(words) == 3 else 1.0
