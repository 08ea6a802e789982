"""The job file: everything that a measurement was made from, as TOML, so that it can be made again bit for bit.

Photos are named relative to the job file and known by their SHA-256. Tables: ``[blade]``, ``[method]``, ``[caliper]``, one ``[[sides]]``
for each photographed side, ``[[readings]]`` (on the first side's scale) and ``[stretches]``. A key that is left out has the default of
`vision.declared`; a key that is not known is refused, since it may be a misspelt fact. ``assumed`` in a side's facts names those that stand
at the program's default because nobody said them; their values are written all the same, so that a later program measures by them too.
"""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from pathlib import Path, PurePosixPath
from typing import Any

import tomli_w

from vision.camera_profile import CameraProfile
from vision.camera_profile import load as load_profile
from vision.declared import ASSUMABLE, Caliper, Declared, Lie, Reading
from vision.errors import DeclarationError
from vision.hints import DeclaredScale, Guide, Hints, LineKind
from vision.measure import Settings, Side
from vision.photo import Photo, open_photo
from vision.zones import Stretches

SCHEMA = 1
_REMEDY = "correct the job file"
# The first line of a file that the program wrote; the digest is that of all lines below it.
_WRITTEN = "# Written by shoulderline; SHA-256 of the lines below, which fits no more once one of them is changed: "
# TOML's strings of one line: a # within one begins no comment.
_STRINGS = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')
# Facts of one side that stand in its own table; readings and caliper have tables of their own.
_SIDE_FACTS = tuple(f.name for f in fields(Declared) if f.name not in {"readings", "caliper", "assumed"})
_PAIRS = {"printed_bar_mm"}


@dataclass(frozen=True)
class Blade:
    """Which blade it was, in the person's words; all may stay empty."""

    maker: str = ""
    model: str = ""
    specimen: str = ""
    edge: str = ""
    condition: str = ""

    @property
    def in_words(self) -> str:
        """``"Halden Petty 150, specimen A3, edge plain, new, as ground"``; "" when nothing was said."""
        name = " ".join(word for word in (self.maker, self.model) if word)
        parts = (name, self.specimen and f"specimen {self.specimen}", self.edge and f"edge {self.edge}", self.condition)
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True)
class Method:
    """How it was measured: a name for the person's own set-up, their camera profile, and how repeatable they found it."""

    name: str = ""
    camera_profile: str = ""
    camera_sha256: str = ""
    repeatability_mm: float = 0.0


@dataclass(frozen=True)
class JobPhoto:
    """A photo by its path relative to the job file, the SHA-256 of its bytes ("" in a job written by hand: not checked), and what
    a person pointed at in it."""

    path: str
    sha256: str = ""
    hints: Hints = field(default_factory=Hints)


@dataclass(frozen=True)
class JobSide:
    """One photographed side; `landmark` ("heel", "tip") names what `landmark_mm` is the position of.

    With `moved_light` its photos show one setting under a lamp that was moved.
    """

    photos: tuple[JobPhoto, ...]
    declared: Declared
    landmark: str = ""
    landmark_mm: float | None = None
    moved_light: bool = False


@dataclass(frozen=True)
class Job:
    """What is measured, and from what.

    Readings and caliper belong to the first side's `declared`; the other side's must be without readings and with the same caliper.
    """

    sides: tuple[JobSide, ...]
    blade: Blade = field(default_factory=Blade)
    method: Method = field(default_factory=Method)
    stretches: Stretches = field(default_factory=Stretches)

    def __post_init__(self) -> None:
        if not 1 <= len(self.sides) <= 2 or not all(s.photos for s in self.sides):
            raise DeclarationError(f"a job with {len(self.sides)} sides", "it needs one or two, each with a photo", _REMEDY)
        for other in self.sides[1:]:
            if other.declared.readings or other.declared.caliper != self.sides[0].declared.caliper:
                raise DeclarationError("the other side's readings", "readings and caliper belong to the first side", _REMEDY)
        if len({s.landmark for s in self.sides}) > 1:
            raise DeclarationError(f"landmarks {[s.landmark for s in self.sides]}", "both sides must name the same one", _REMEDY)


def job_text(job: Job, comments: Sequence[str] = ()) -> str:
    """The job as TOML, below a line that tells whether the file was changed since and `comments`; the same job gives the same text."""
    first = job.sides[0].declared
    data: dict[str, Any] = {"schema": SCHEMA, "blade": _plain(job.blade), "method": _plain(job.method), "caliper": _plain(first.caliper)}
    data["sides"] = [_side_table(s) for s in job.sides]
    data["readings"] = [_plain(r) for r in first.readings]
    data["stretches"] = {
        "only": [list(s) for s in job.stretches.only],
        "leave_out": [list(s) for s in job.stretches.leave_out],
        "apart": {k: list(v) for k, v in job.stretches.apart.items()},
    }
    text = "".join(f"{c}\n" for c in comments) + tomli_w.dumps({k: v for k, v in data.items() if v not in ([], {})})
    return f"{_WRITTEN}{hashlib.sha256(text.encode()).hexdigest()}\n{text}"


def as_written(text: str) -> bool:
    """True for a job file that is still, byte for byte, what `job_text` gave."""
    first, _, rest = text.partition("\n")
    return first == f"{_WRITTEN}{hashlib.sha256(rest.encode()).hexdigest()}"


def comments(text: str) -> tuple[str, ...]:
    """What a person noted in a job file behind ``#``, line by line."""
    found = (_STRINGS.sub("", line).partition("#") for line in text.splitlines() if not line.startswith(_WRITTEN))
    return tuple(f"#{note}" for _, sign, note in found if sign)


def write_job(job: Job, path: Path) -> None:
    """Write the job file; photo paths must already be relative to its folder (`relative`)."""
    path.write_text(job_text(job), encoding="utf-8")


def job_from_text(text: str, name: str = "job.toml") -> Job:
    """Inverse of `job_text`.

    Raises
    ------
    DeclarationError
        Not TOML; a key that is unknown, missing or of the wrong type; an impossible fact.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DeclarationError(name, f"it is not TOML ({error})", _REMEDY) from error
    top = _Table(data, name, "")
    schema = top.take("schema", int, 1)
    if schema != SCHEMA:
        raise DeclarationError(f"{name}: schema {schema}", f"this program reads {SCHEMA}", "update shoulderline")
    tool = top.table("caliper")
    unsaid = {f"caliper_{f.name}" for f in fields(Caliper) if f.name not in tool.left}
    caliper = tool.build(Caliper)
    readings = tuple(t.build(Reading) for t in top.tables("readings"))
    sides = tuple(_side(t, (caliper, unsaid), readings if i == 0 else ()) for i, t in enumerate(top.tables("sides")))
    job = Job(sides, top.table("blade").build(Blade), top.table("method").build(Method), _stretches(top.table("stretches")))
    top.close()
    return job


def job_from_bytes(data: bytes, name: str) -> Job:
    """`job_from_text` of a file's bytes; raises `DeclarationError` also where they are no text in UTF-8."""
    try:
        # Some editors put a mark of three bytes before UTF-8.
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        remedy = "give the job.toml of a result, or save it as UTF-8 text"
        raise DeclarationError(f"job file {name}", "it is no text in UTF-8, as a job file is", remedy) from error
    return job_from_text(text, Path(name).name)


def read_job(path: Path) -> Job:
    """Read a job file; raises `DeclarationError`."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise DeclarationError(f"job file {path}", f"it cannot be read ({error.strerror or error})", "check the path") from error
    return job_from_bytes(data, str(path))


def open_job(job: Job, folder: Path) -> tuple[tuple[Side, ...], Settings]:
    """What `vision.measure.measure_sides` takes, photos opened from `folder` and held against their SHA-256.

    Raises
    ------
    DeclarationError
        A photo is missing or its bytes have changed.
    PhotoRefused
    """
    sides = []
    for side in job.sides:
        opened = tuple(_open(p, folder) for p in side.photos)
        sides.append(Side(opened, side.declared, side.landmark_mm, tuple(p.hints for p in side.photos), side.moved_light))
    return tuple(sides), Settings(_profile(job.method, folder), job.stretches, job.method.repeatability_mm)


def relative(path: Path, folder: Path) -> str:
    """A path as the job file in `folder` names it, with forward slashes."""
    try:
        return Path(os.path.relpath(path.absolute(), folder.absolute())).as_posix()
    except ValueError:
        # Another drive has no relative path.
        return path.absolute().as_posix()


def with_hashes(job: Job, photos: Sequence[Photo], folder: Path) -> Job:
    """The job with the SHA-256 of the photos that were opened for it, in order, and of its camera profile in `folder`."""
    left = iter(photos)
    sides = tuple(replace(s, photos=tuple(replace(p, sha256=next(left).sha256) for p in s.photos)) for s in job.sides)
    method = job.method
    if method.camera_profile:
        method = replace(method, camera_sha256=_sha256(folder / method.camera_profile))
    return replace(job, sides=sides, method=method)


def moved(job: Job, old: Path, new: Path) -> Job:
    """The job as a job file in folder `new` must put it, when its paths were relative to folder `old`."""
    sides = tuple(replace(s, photos=tuple(replace(p, path=relative(old / p.path, new)) for p in s.photos)) for s in job.sides)
    profile = job.method.camera_profile
    method = replace(job.method, camera_profile=relative(old / profile, new)) if profile else job.method
    return replace(job, sides=sides, method=method)


def _open(photo: JobPhoto, folder: Path) -> Photo:
    path = folder / PurePosixPath(photo.path)
    if not path.exists():
        raise DeclarationError(
            f"photo {photo.path}",
            "there is no such file",
            "check the path, and put one with blanks in quotes; a job file names photos relative to itself",
        )
    opened = open_photo(path)
    _unchanged(f"photo {photo.path}", photo.sha256, opened.sha256)
    return opened


def _profile(method: Method, folder: Path) -> CameraProfile | None:
    if not method.camera_profile:
        return None
    path = folder / PurePosixPath(method.camera_profile)
    profile = load_profile(path)
    _unchanged(f"camera profile {method.camera_profile}", method.camera_sha256, _sha256(path))
    return profile


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _unchanged(what: str, expected: str, found: str) -> None:
    if expected and found != expected.lower():
        raise DeclarationError(
            what,
            "its bytes are not those that the job file was made with (SHA-256 differs)",
            "put the original back, or take the SHA-256 out of the job file to use what is there now",
        )


def _plain(item: object) -> dict[str, Any]:
    return {f.name: getattr(item, f.name) for f in fields(item)}  # type: ignore[arg-type]


def _side_table(side: JobSide) -> dict[str, Any]:
    declared = {k: getattr(side.declared, k) for k in _SIDE_FACTS}
    facts = {k: list(v) if k in _PAIRS else v for k, v in declared.items() if v is not None}
    facts["lie"] = str(side.declared.lie)
    if side.declared.assumed:
        facts["assumed"] = list(side.declared.assumed)
    out: dict[str, Any] = {"landmark": side.landmark} if side.landmark else {}
    if side.landmark_mm is not None:
        out["landmark_mm"] = side.landmark_mm
    if side.moved_light:
        out["moved_light"] = True
    return out | {"declared": facts, "photos": [_photo_table(p) for p in side.photos]}


def _photo_table(photo: JobPhoto) -> dict[str, Any]:
    h = photo.hints
    out: dict[str, Any] = {"path": photo.path, "sha256": photo.sha256}
    if h.along_px:
        out["along_px"] = [list(p) for p in h.along_px]
    if h.cheek_px:
        out["cheek_px"] = list(h.cheek_px)
    if h.scale:
        out["scale"] = _plain(h.scale)
    if h.guides:
        out["guides"] = [_plain(g) | {"line": g.line.value} for g in h.guides]
    return out


def _photo(table: _Table) -> JobPhoto:
    path, sha256 = table.take("path", str), table.take("sha256", str, "")
    along = tuple(table.span("along_px", p) for p in table.take("along_px", list, []))
    spine = table.pair("cheek_px") if "cheek_px" in table.left else None
    scale = table.table("scale").build(DeclaredScale) if "scale" in table.left else None
    guides = tuple(_guide(t) for t in table.tables("guides"))
    table.close()
    return JobPhoto(path, sha256, Hints(guides, along, spine, scale))


def _guide(table: _Table) -> Guide:
    line, x, y = table.take("line", str), table.take("x_px", float), table.take("y_px", float)
    table.close()
    if line not in set(LineKind):
        raise DeclarationError(f"{table.where('line')} = {line!r}", f"it must be one of {', '.join(LineKind)}", _REMEDY)
    return Guide(LineKind(line), x, y)


def _side(table: _Table, tool: tuple[Caliper, set[str]], readings: tuple[Reading, ...]) -> JobSide:
    photos = tuple(_photo(t) for t in table.tables("photos"))
    facts = table.table("declared")
    assumed = _assumed(facts) | tool[1] | {k for k in ASSUMABLE if k in _SIDE_FACTS and k not in facts.left}
    given = {k: facts.take(k, float, None) for k in _SIDE_FACTS if k not in _PAIRS | {"lie"}}
    given |= {k: facts.pair(k) for k in _PAIRS if k in facts.left}
    lie = facts.take("lie", str, str(Lie.LEVEL))
    facts.close()
    if lie not in set(Lie):
        raise DeclarationError(f"{facts.where('lie')} = {lie!r}", f"it must be one of {', '.join(Lie)}", _REMEDY)
    known = {"included_angle_deg": None} | {k: v for k, v in given.items() if v is not None}
    declared = Declared(**known, lie=Lie(lie), caliper=tool[0], readings=readings, assumed=tuple(assumed))  # type: ignore[arg-type]
    landmark = table.take("landmark", str, ""), table.take("landmark_mm", float, None)
    side = JobSide(photos, declared, *landmark, table.take("moved_light", bool, False))
    table.close()
    return side


def _assumed(facts: _Table) -> set[str]:
    named = {facts.typed("assumed", name, str) for name in facts.take("assumed", list, [])}
    if strange := sorted(named - set(ASSUMABLE)):
        raise DeclarationError(f"{facts.where('assumed')} names {strange[0]!r}", f"it may name {', '.join(ASSUMABLE)}", _REMEDY)
    return named


def _stretches(table: _Table) -> Stretches:
    spans = {k: tuple(table.span(k, v) for v in table.take(k, list, [])) for k in ("only", "leave_out")}
    apart = table.table("apart")
    named = {k: apart.span(k, apart.take(k, list, None)) for k in tuple(apart.left)}
    table.close()
    return Stretches(spans["only"], named, spans["leave_out"])


class _Table:
    """One table of the file: every key is taken once, of one type; what is left over is unknown."""

    def __init__(self, data: Mapping[str, Any], name: str, path: str) -> None:
        self.left, self.name, self.path = dict(data), name, path

    def where(self, key: str) -> str:
        """``job.toml: sides[0].declared.lie``."""
        return f"{self.name}: {self.path}{key}"

    def take(self, key: str, kind: type, default: Any = MISSING) -> Any:
        """Value of a key; whole numbers pass for floats, nothing else passes for another type."""
        if key not in self.left:
            if default is MISSING:
                raise DeclarationError(self.where(key), "it is missing", _REMEDY)
            return default
        return self.typed(key, self.left.pop(key), kind)

    def typed(self, key: str, value: Any, kind: type) -> Any:
        """The value when it is of that type."""
        # To Python true is a whole number.
        if isinstance(value, kind) and not (isinstance(value, bool) and kind is not bool):
            return value
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            return float(value)
        names = {float: "a number", int: "a whole number", str: "text", list: "a list", dict: "a table", bool: "true or false"}
        raise DeclarationError(f"{self.where(key)} = {value!r}", f"it must be {names[kind]}", _REMEDY)

    def table(self, key: str) -> _Table:
        """A sub-table, empty when left out."""
        return _Table(self.take(key, dict, {}), self.name, f"{self.path}{key}.")

    def tables(self, key: str) -> list[_Table]:
        """A list of sub-tables, empty when left out."""
        items = [self.typed(f"{key}[{i}]", v, dict) for i, v in enumerate(self.take(key, list, []))]
        return [_Table(v, self.name, f"{self.path}{key}[{i}].") for i, v in enumerate(items)]

    def span(self, key: str, value: Any) -> tuple[float, float]:
        """Two numbers."""
        pair = self.typed(key, value, list)
        if len(pair) != 2:
            raise DeclarationError(f"{self.where(key)} = {value!r}", "it must be two numbers, such as [12.5, 30.0]", _REMEDY)
        start, end = (self.typed(key, v, float) for v in pair)
        return start, end

    def pair(self, key: str) -> tuple[float, float]:
        """The two numbers of a key."""
        return self.span(key, self.take(key, list))

    def build(self, kind: type) -> Any:
        """A flat dataclass from the whole table; its own annotations say the types."""
        types = {"str": str, "float": float, "bool": bool}
        values = {f.name: self.take(f.name, types[str(f.type)], f.default) for f in fields(kind)}
        self.close()
        return kind(**values)

    def close(self) -> None:
        """Refuse what nobody took."""
        if self.left:
            raise DeclarationError(self.where(next(iter(self.left))), "there is no such key", "check its spelling")
