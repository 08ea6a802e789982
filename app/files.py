"""What a measurement leaves behind: ``profile.csv`` and ``measurement.json``, written and read back.

``measurement.json`` holds the whole `Measurement`: arrays as nested lists, NaN as ``null``, every float with all its digits, so
that it reads back to an equal object. ``profile.csv`` is for people and spreadsheets: one row a station.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cattrs
import numpy as np
from cattrs.gen import make_dict_structure_fn, override

from vision import flags
from vision.errors import ResultUnreadable, ShoulderlineError
from vision.results import SCHEMA, Alternative, Measurement, ThicknessProfile, WidthProfile

PROFILE_COLUMNS = (
    "position_mm", "arc_mm", "photo", "apex_x_px", "apex_y_px", "shoulder_x_px", "shoulder_y_px", "bevel_width_mm",
    "bevel_width_u_mm", "angle_per_side_deg", "thickness_mm", "thickness_low_mm", "thickness_high_mm", "flags",
)  # fmt: skip
# What every result has held since the first program; a file without one of them is something else.
_KNOWN_BY = {"declared", "photos", "widths", "thickness"}
# 1e-5 mm and 1e-3 px lie a factor of ten and more under any line fit's own uncertainty: rounding adds nothing to it.
_MM, _PX, _DEG = 5, 3, 4


def profile_text(m: Measurement) -> str:
    """``profile.csv`` as text: a header and one row a station, cells empty where not measured.

    `thickness_low_mm` and `thickness_high_mm` bound the 95 % band (k = 2); `_u_` is one standard uncertainty.
    """
    return _profile(m, m.widths, m.thickness)


def other_profile_text(m: Measurement) -> str:
    """``profile-other.csv``: the other side's own stations on its own scale, in the same columns.

    Cells of angle and thickness are empty: both are of the two sides together and stand in ``profile.csv``. Raises ``ValueError`` when
    only one side was photographed.
    """
    if m.other is None:
        raise ValueError("only one side was photographed")
    none = np.full(m.other.widths.width_mm.shape, math.nan)
    return _profile(m, m.other.widths, ThicknessProfile(none, none, none, none, none, none, False))


def tables(m: Measurement) -> dict[str, str]:
    """Every table of a result by its name: ``profile.csv``, and ``profile-other.csv`` where both sides were photographed."""
    return {"profile.csv": profile_text(m)} | ({"profile-other.csv": other_profile_text(m)} if m.other is not None else {})


def _profile(m: Measurement, w: WidthProfile, t: ThicknessProfile) -> str:
    columns = [
        _cells(w.position_mm, _MM), _cells(w.arc_mm, _MM), [m.photos[int(i)].name for i in w.photo],
        _cells(w.apex_px[:, 0], _PX), _cells(w.apex_px[:, 1], _PX), _cells(w.shoulder_px[:, 0], _PX), _cells(w.shoulder_px[:, 1], _PX),
        _cells(w.width_mm, _MM), _cells(np.where(np.isfinite(w.width_mm), w.width_u_mm, math.nan), _MM), _cells(t.angle_per_side_deg, _DEG),
        _cells(t.thickness_mm, _MM), _cells(t.low_mm, _MM), _cells(t.high_mm, _MM), [" ".join(flags.names(int(f))) for f in w.flags],
    ]  # fmt: skip
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(PROFILE_COLUMNS)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def read_profile(text: str) -> dict[str, np.ndarray]:
    """Columns of a ``profile.csv`` as (N,) arrays: floats (NaN where empty), photo names, and flags as bits.

    Raises
    ------
    ResultUnreadable
        A column is missing or a cell holds no number.
    """
    rows = list(csv.DictReader(io.StringIO(text)))
    found = tuple(rows[0]) if rows else tuple(text.splitlines()[0].split(",")) if text else ()
    missing = [c for c in PROFILE_COLUMNS if c not in found]
    if missing:
        raise ResultUnreadable("profile.csv", f"it has no column {missing[0]}", "measure the photo again")
    try:
        return {c: _column(c, [r[c] for r in rows]) for c in PROFILE_COLUMNS}
    except (ValueError, KeyError) as error:
        raise ResultUnreadable("profile.csv", f"a cell cannot be read ({error})", "measure the photo again") from error


def measurement_text(m: Measurement) -> str:
    """``measurement.json`` as text; the same measurement gives the same text, byte for byte."""
    text = json.dumps(_CONVERTER.unstructure(m), indent=1, ensure_ascii=False, allow_nan=False)
    # One line a list of numbers: 400 stations would otherwise be 400 lines a column. A raw line break cannot occur inside a
    # JSON string, so the pattern can only match lists.
    return re.sub(r"\[\n[-+\d.enul,\s]*\]", lambda found: " ".join(found[0].split()), text) + "\n"


def measurement_from_text(text: str, name: str = "measurement.json") -> Measurement:
    """The measurement that `measurement_text` wrote; equal to it, NaN for NaN.

    Raises
    ------
    ResultUnreadable
        Not JSON, not a measurement, or written by a newer program (its ``schema`` is above `SCHEMA`).
    """
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        why = f"it is not a result of Shoulderline, nor JSON at all ({error})"
        raise ResultUnreadable(name, why, "choose the folder or measurement.json that 'measure' wrote") from error
    schema = data.get("schema") if isinstance(data, dict) else None
    # A log's export, a camera profile or another program's file may be JSON with a schema of its own.
    # What a newer program's result holds nobody knows; of an earlier one these are sure.
    if type(schema) is not int or schema < 1 or (schema <= SCHEMA and not data.keys() >= _KNOWN_BY):
        raise ResultUnreadable(name, "it is not a result of Shoulderline", "choose the folder or measurement.json that 'measure' wrote")
    if schema > SCHEMA:
        raise ResultUnreadable(name, f"its schema {schema} is newer than the {SCHEMA} this program reads", "update shoulderline")
    try:
        return _CONVERTER.structure(data, Measurement)
    except (KeyError, TypeError, ValueError, AttributeError, ShoulderlineError) as error:
        why = f"a part of it cannot be read ({type(error).__name__}: {error})"
        raise ResultUnreadable(name, why, "measure the photo again") from error


def read_measurement(path: Path | str) -> Measurement:
    """Read a ``measurement.json``; raises `ResultUnreadable`."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        why = "it is not a result of Shoulderline, nor text at all"
        raise ResultUnreadable(str(path), why, "choose the folder or measurement.json that 'measure' wrote") from error
    except OSError as error:
        raise ResultUnreadable(str(path), f"it cannot be read ({error.strerror or error})", "check the path") from error
    return measurement_from_text(text, str(path))


def _cells(values: np.ndarray, places: int) -> list[str]:
    return [f"{v:.{places}f}" if math.isfinite(v) else "" for v in np.asarray(values, float).tolist()]


def _column(name: str, cells: list[str]) -> np.ndarray:
    if name == "photo":
        return np.array(cells, dtype=str)
    if name == "flags":
        return np.array([flags.parse(c) for c in cells], dtype=int)
    return np.array([float(c) if c else math.nan for c in cells], dtype=float)


def _from_nan(value: Any) -> Any:
    if isinstance(value, list):
        return [_from_nan(v) for v in value]
    return None if isinstance(value, float) and math.isnan(value) else value


def _floats(shape: tuple[int, ...]) -> Callable[[Any, Any], np.ndarray]:
    # np.array turns None into NaN when a float dtype is asked for; the shape brings back (0, 2) from an empty list.
    return lambda value, _type: np.array(value, dtype=float).reshape(shape)


def _converter() -> cattrs.Converter:
    # detailed_validation=False: the first fault is raised as itself, so that one sentence can name it.
    c = cattrs.Converter(detailed_validation=False)
    c.register_unstructure_hook(np.ndarray, lambda a: _from_nan(a.tolist()))
    c.register_unstructure_hook(float, lambda v: None if math.isnan(v) else float(v))
    c.register_structure_hook(np.ndarray, _floats((-1,)))
    c.register_structure_hook(float, lambda v, _type: math.nan if v is None else float(v))
    whole = override(struct_hook=lambda v, _type: np.array(v, dtype=int).reshape(-1))
    pairs = override(struct_hook=_floats((-1, 2)))
    c.register_structure_hook(
        WidthProfile, make_dict_structure_fn(WidthProfile, c, photo=whole, flags=whole, apex_px=pairs, shoulder_px=pairs)
    )
    c.register_structure_hook(Alternative, make_dict_structure_fn(Alternative, c, line_px=pairs))
    return c


_CONVERTER = _converter()
