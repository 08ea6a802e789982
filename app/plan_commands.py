"""``shoulderline plan`` and ``shoulderline repeatability``: what results say beyond themselves."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from app import files
from vision import plan as next_grind
from vision import repeatability as study
from vision.plan import Plan, Request, Row
from vision.results import Figure, Measurement
from vision.rounding import COVERAGE, format_angle, format_figure, round_pair, two_digits

CAUTIONS = (
    "Blades cut: guard the edge before and after, keep fingers off its path, move away from the apex; stop wheels and belts before "
    "you touch the blade, wear eye protection, keep the steel cool. Local rules come first.",
    "Geometry of a symmetric edge with flat cheeks, not a depth to grind to: go by small steps and measure again.",
)

_HEADER = "position_mm,bevel_width_mm,thickness_mm,apex_back_mm,included_angle_deg"
# A nanometre: results of the same photos differ by less (the last binary digits), those of two photos by micrometres.
_NO_SCATTER_MM = 1e-6


def plan(options: argparse.Namespace) -> None:
    """``shoulderline plan``: the next grind of a measured edge."""
    from app import outputs

    request = Request(options.new_angle, options.take_back, options.bevel_width, options.cheek_angle)
    if options.out:
        outputs.check_file(options.out, _HEADER.encode(), "table of 'shoulderline plan'", [result_file(options.result)])
    made = next_grind.plan(read_result(options.result), request)
    if options.out:
        outputs.write_file(options.out, csv_text(made).encode())
    print(plan_text(made))
    if options.out:
        print(f"\nStation by station in {options.out}")


def plan_text(made: Plan) -> str:
    """The plan for a terminal."""
    lines = []
    for row in made.rows:
        lines += _row_lines(row)
    cheek = format_angle(*made.cheek_deg)
    lines.append(f"Cheek angle {cheek}" + ("" if made.cheek_declared else ", the usual one, since none was declared: give --cheek-angle"))
    lines.append(f"({COVERAGE})")
    return "\n".join([*lines, "", *(f"caution: {c}" for c in CAUTIONS)])


def csv_text(made: Plan) -> str:
    """The plan station by station; cells are empty where not measured or not possible."""
    columns = (made.position_mm, made.width_mm, made.thickness_mm, made.apex_back_mm, made.included_deg)
    rows = [",".join(f"{v:.4f}" if math.isfinite(v) else "" for v in row) for row in zip(*columns, strict=True)]
    return "\n".join([_HEADER, *rows]) + "\n"


def _row_lines(row: Row) -> list[str]:
    if not math.isfinite(row.start_mm):
        return [f"{row.name}: not measured"]
    pairs = (
        ("bevel width", row.width_now, row.width),
        ("thickness behind the edge", row.thickness_now, row.thickness),
    )
    out = [f"{row.name}, {row.start_mm:z.0f} to {row.end_mm:z.0f} mm: included angle {included_text(row.included_deg)}"]
    out += [f"  {label}: {figure_text(now)} now, {figure_text(after)} after" for label, now, after in pairs]
    back = row.apex_back
    out.append("  apex stays where it is" if back.value_mm == back.u_mm == 0 else f"  apex taken back by {figure_text(back)}")
    if text := full_share_text(row):
        out.append(f"  {text}")
    return out


def full_share_text(row: Row) -> str:
    """Where the new bevel does not take the whole old one away, or ""."""
    if not row.full_share < 1:
        return ""
    return (
        f"on {1 - row.full_share:.0%} of this stretch a strip of the old bevel stays behind the new one: there, width and thickness "
        "after are those of the new bevel, and behind the old shoulder nothing changes"
    )


def figure_text(figure: Figure) -> str:
    """A figure with its uncertainty, or as it was asked for."""
    if figure.u_mm < 1e-9:
        return _exact(figure.value_mm, figure.u_mm, " mm")
    return format_figure(figure.value_mm, figure.u_mm, inch=False)


def included_text(angle_deg: tuple[float, float]) -> str:
    """An included angle and its standard uncertainty as text."""
    return _exact(*angle_deg, "°")


def _exact(value: float, u: float, unit: str) -> str:
    """A figure that was asked for has no uncertainty of its own."""
    if u >= 1e-9:
        return format_angle(value, u) if unit == "°" else format_figure(value, u, inch=False)
    return f"{value:g}{unit}"


def repeatability(options: argparse.Namespace) -> None:
    """``shoulderline repeatability``: how far results of one blade scatter."""
    given = [_session(text) for text in options.results]
    named = [(name, read_result(Path(folder))) for name, folder in given]
    print(repeatability_text(study.compare_results(named, [folder for _, folder in given])))


def repeatability_text(found: study.Study) -> str:
    """The study for a terminal."""
    span = f"{found.start_mm:z.1f} to {found.end_mm:z.1f} mm"
    lines = [f"{found.results} results in {_count(len(found.sessions), 'session')}, compared from {span}"]
    for label, c in (("bevel width", found.width), ("thickness behind the edge", found.thickness)):
        if max(c.within, c.between) < _NO_SCATTER_MM:
            lines.append(f"{label}: {c.mean:.3f} mm in every result, no scatter at all")
            continue
        lines.append(f"{label}: mean {format_figure(c.mean, c.mean_band_u, inch=False)}, from this scatter alone")
        lines.append(f"  within a session {_sd(c.within, c.within_range, c.total - c.groups)}")
        if c.groups > 1:
            lines.append(f"  between sessions {_sd(c.between, c.between_range, c.groups - 1)}")
    if len(found.sessions) == 1:
        lines.append("caution: one session says nothing about the scatter between sessions; set up anew on another day.")
    u = found.width.band_u
    if u >= _NO_SCATTER_MM:
        # Two digits at most; rounded up, so that the band does not shrink by rounding.
        places = 1 - math.floor(math.log10(u))
        said = f"{math.ceil(u * 10**places - 1e-9) / 10**places:g}"
        lines.append(f"Give --repeatability {said} to 'shoulderline measure' for this method (larger than the scatter of one result,")
        lines.append(
            f"{_of_few(found.width.one_result_u, found.width.freedom)} mm, since {found.results} results tell a scatter only roughly)."
        )
    else:
        lines.append("The bevel widths do not differ at all, so they say nothing of the method: were they different photos?")
    lines.append(f"({COVERAGE})")
    return "\n".join(lines)


def _sd(value_mm: float, range_mm: tuple[float, float], freedom: int) -> str:
    """A standard deviation with where it lies, since from few results it may be many times larger and hardly smaller: no ± says that."""
    known = f"({_count(freedom, 'degree')} of freedom)"
    low, high = (two_digits(v) for v in range_mm)
    if value_mm == 0:
        return "none beyond chance" + (f", though up to {high} mm may be there with 95 % {known}" if range_mm[1] > 0 else f" {known}")
    return f"standard deviation {_of_few(value_mm, freedom)} mm, with 95 % between {low} and {high} mm {known}"


def _of_few(value_mm: float, freedom: float) -> str:
    # Of n degrees of freedom it is itself uncertain by 1 / sqrt(2 n) of its value (JCGM 100, E.4.3): no digit finer than that one's first.
    return round_pair(value_mm, value_mm / math.sqrt(2 * freedom), digits=1)[0]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _session(text: str) -> tuple[str, str]:
    name, sign, folder = text.partition("=")
    return (name.strip(), folder) if sign and name.strip() and not Path(text).exists() else ("", text)


def read_result(folder: Path) -> Measurement:
    """The result in a folder that ``measure`` wrote, or in its ``measurement.json``."""
    return files.read_measurement(result_file(folder))


def result_file(folder: Path) -> Path:
    """The ``measurement.json`` that stands for a result."""
    return folder / "measurement.json" if folder.is_dir() else folder
