"""What the log keeps of one measurement. Frozen: a correction is a new record that supersedes the old one.

Lengths stay as they were given (`decimal.Decimal` in the record's `unit`), because 0.0160 inch says more than 0.4064 mm; the
properties in ``_mm`` convert with 25.4 exactly.
"""

from __future__ import annotations

import datetime
import enum
import hashlib
import math
import re
import unicodedata
from dataclasses import dataclass, field, fields
from decimal import Decimal
from functools import lru_cache

from app.reference_log.errors import LogRefused
from vision.rounding import MM_PER_INCH

# One cell of text. Notes are sentences; what is longer is a document, and belongs elsewhere.
MAX_TEXT = 20_000
# The program's result as JSON: 4000 stations with all their digits take about 2 MB.
MAX_RESULT = 8_000_000
# Of a photo's thickness, relative: T = 2 w sin a moves by 1 / tan(a) a radian, so half a percent is an angle of 15 degrees a side
# known to within 0.08 degrees, as good as a goniometer's own limit of error of 0.1 (common practice, no source).
_PHOTO_LEAST = 0.005
# Beyond this many degrees of freedom Student's t at k = 2 is within 0.2 % of the normal curve's.
_MANY = 1000.0


class Edge(enum.StrEnum):
    """Which kind of edge was measured; kinds are never averaged together."""

    PLAIN = "plain"
    PART_SERRATED = "part-serrated"
    ANGULAR_TIP = "angular-tip"


class Condition(enum.StrEnum):
    """What had been done to the edge before it was measured; conditions are never averaged together."""

    FACTORY = "factory"
    RESHARPENED = "resharpened"
    REPROFILED = "reprofiled"
    REGROUND = "reground"
    UNKNOWN = "unknown"


class Source(enum.StrEnum):
    """Where the figure comes from."""

    PHOTO_AND_READINGS = "photo+readings"
    PHOTO = "photo"
    READINGS = "readings"


class Unit(enum.StrEnum):
    """The unit of every length in a record."""

    MM = "mm"
    INCH = "inch"


@dataclass(frozen=True, kw_only=True, slots=True)
class Method:
    """Everything that makes two figures comparable; `name` is its short name.

    Attributes
    ----------
    source : Source
    instrument_kind : str
        Kind of instrument (`instrument_kind`): two calipers are comparable whatever their maker, since step and accuracy are in
        each figure's uncertainty; a caliper and a microscope are not, since they touch and see the shoulder differently.
    zone : str
        Which part of the edge was averaged.
    height : str
        ``"shoulder"``, or the fixed distance above the apex, such as ``"1 mm above the apex"``.
    averaged : str
        How the readings became one figure.
    """

    source: Source
    instrument_kind: str
    zone: str = "main stretch"
    height: str = "shoulder"
    averaged: str = "mean"

    @property
    def name(self) -> str:
        """Short name, one phrase."""
        kind = "" if self.instrument_kind == self.source else f" ({self.instrument_kind})"
        return f"{self.source}{kind}, {self.averaged} of {self.zone}, {self.height}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Record:
    """One measurement of one specimen, as it was contributed.

    Attributes
    ----------
    maker, model, variant, specimen : str
        `specimen` names one physical knife of the model, whoever measures it.
    instrument, instrument_step, instrument_accuracy
        The accuracy is the limit of error (rectangular), in `unit`; None where it was not given.
    readings, places : tuple of Decimal
        Single readings in `unit`; their positions on the printed scale in mm (empty when not given).
    angle_deg, angle_found_deg : Decimal or None
        Included angle as declared, and as the measurement found it.
    bevel_width : Decimal or None
        Apex to shoulder along the bevel's face.
    thickness, thickness_u, tip, tip_u, minimum, minimum_u, maximum, maximum_u : Decimal or None
        Behind the edge; ``_u`` is one standard uncertainty. `thickness` is the mean of `zone` and never None.
    photos : tuple of str
        SHA-256 of each photo.
    program, result : str
        Version that made the result, and its ``measurement.json`` as text.
    cautions : tuple of str
        What was remarked when the record was taken; no part of what was contributed, so of no account in comparing two records.

    Raises
    ------
    LogRefused
        A name is empty, a text holds what no store can keep, or a figure is not positive.
    """

    maker: str
    model: str
    variant: str = ""
    edge: Edge = Edge.PLAIN
    specimen: str
    condition: Condition
    source: Source
    instrument: str
    instrument_step: Decimal | None = None
    instrument_accuracy: Decimal | None = None
    readings: tuple[Decimal, ...] = ()
    places: tuple[Decimal, ...] = ()
    angle_deg: Decimal | None = None
    angle_found_deg: Decimal | None = None
    bevel_width: Decimal | None = None
    thickness: Decimal
    thickness_u: Decimal | None = None
    tip: Decimal | None = None
    tip_u: Decimal | None = None
    minimum: Decimal | None = None
    minimum_u: Decimal | None = None
    maximum: Decimal | None = None
    maximum_u: Decimal | None = None
    unit: Unit = Unit.MM
    zone: str = "main stretch"
    height: str = "shoulder"
    averaged: str = "mean"
    contributor: str
    date: datetime.date
    note: str = ""
    photos: tuple[str, ...] = ()
    program: str = ""
    result: str = ""
    cautions: tuple[str, ...] = field(default=(), compare=False)
    _key: str = field(default="", init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("maker", "model", "specimen", "instrument", "contributor", "zone", "height", "averaged"):
            if not getattr(self, name).strip():
                raise LogRefused(name, "it is empty", f"say which {name} it was")
        for name in TEXTS:
            check_text(name, getattr(self, name), MAX_RESULT if name == "result" else MAX_TEXT)
        for text in (*self.photos, *self.cautions):
            check_text("photos and cautions", text, MAX_TEXT)
        for name in (*LENGTHS, "angle_deg", "angle_found_deg"):
            value = getattr(self, name)
            if value is not None and not (value.is_finite() and value > 0):
                raise LogRefused(f"{name} {value}", "it must be above nothing", "check the figure")
        if not all(r.is_finite() and r > 0 for r in self.readings):
            raise LogRefused("readings", "each must be above nothing", "check the figures")

    @property
    def mm_per_unit(self) -> float:
        """What turns the record's lengths into mm."""
        return MM_PER_INCH if self.unit is Unit.INCH else 1.0

    @property
    def thickness_mm(self) -> float:
        """Mean thickness of the zone, mm."""
        return float(self.thickness) * self.mm_per_unit

    @property
    def u_mm(self) -> float:
        """One standard uncertainty of `thickness_mm`: as given, else from instrument and readings; NaN where nothing says.

        Instrument: rectangular, accuracy / sqrt(3) (JCGM 100, 4.3.7), common to all readings and so not divided by their number.
        Readings: standard deviation of their mean (JCGM 100, 4.2.3), of two or more, made larger for being few (`of_few`). Never below
        `least_u_mm`, whatever was given.
        """
        if self.thickness_u is not None:
            return max(float(self.thickness_u) * self.mm_per_unit, self.least_u_mm)
        if self.instrument_accuracy is None:
            return math.nan
        x, n = [float(r) for r in self.readings], len(self.readings)
        mean = math.fsum(x) / max(n, 1)
        scatter = math.fsum((v - mean) ** 2 for v in x) / (n * (n - 1)) if n > 1 else 0.0
        return max(of_few(float(self.instrument_accuracy) ** 2 / 3.0 + scatter, scatter, n - 1) * self.mm_per_unit, self.least_u_mm)

    @property
    def least_u_mm(self) -> float:
        """The least standard uncertainty that the way a figure was had leaves it, mm.

        Figures are weighed by their uncertainty: one that claims more than its own instrument can give would take over every
        mean it enters. Readings cannot be better than their instrument's limit of error (rectangular, common to all of them), nor
        than its display's step (step / sqrt(12), JCGM 100, F.2.2.1); a photo not better than its angle (`_PHOTO_LEAST`); both
        together not better than the two as independent figures.
        """
        limit, step = (float(v or 0) * self.mm_per_unit for v in (self.instrument_accuracy, self.instrument_step))
        of_readings, of_photo = max(limit / math.sqrt(3.0), step / math.sqrt(12.0)), _PHOTO_LEAST * self.thickness_mm
        if self.source is Source.READINGS:
            return of_readings
        if self.source is Source.PHOTO or of_readings == 0.0:
            return of_photo
        return of_readings * of_photo / math.hypot(of_readings, of_photo)

    @property
    def common_u_mm(self) -> float:
        """The part of `u_mm` that all figures of one contributor's instrument share; 0 where nothing says how good it was.

        The limit of error but for the display's step in it, which falls anew at every reading (step / sqrt(12), JCGM 100, F.2.2.1).
        Without a limit of error nothing says how `thickness_u` divides: all but the step counts as shared, since more figures by
        an instrument of unknown error must not claim to be better than one. A photo alone shares all of it: nearly everything
        there is the angle, which was declared alike for every knife of a model and never measured.
        """
        u = self.u_mm
        if self.source is Source.PHOTO:
            return u if math.isfinite(u) else 0.0
        limit, step = (float(v or 0) * self.mm_per_unit for v in (self.instrument_accuracy, self.instrument_step))
        if self.instrument_accuracy is None:
            return math.sqrt(max(0.0, u**2 - step**2 / 12.0)) if math.isfinite(u) else 0.0
        common = math.sqrt(max(0.0, limit**2 / 3.0 - step**2 / 12.0))
        return min(common, u) if math.isfinite(u) else common

    @property
    def method(self) -> Method:
        """What this figure may be compared with."""
        kind = "photo" if self.source is Source.PHOTO else instrument_kind(self.instrument)
        return Method(source=self.source, instrument_kind=kind, zone=self.zone, height=self.height, averaged=self.averaged)

    @property
    def row_key(self) -> str:
        """SHA-256 of what was contributed; the same row gives the same key, whatever was remarked about it."""
        # Kept once computed: an import asks three times, and it is the longest part of taking a row.
        if self._key:
            return self._key
        parts = [_plain(getattr(self, name)) for name in _CONTRIBUTED]
        # With its length before it, no text can pass for two.
        text = "".join(f"{len(part)}:{part}" for part in parts)
        object.__setattr__(self, "_key", hashlib.sha256(text.encode()).hexdigest())
        return self._key


TEXTS = ("maker", "model", "variant", "specimen", "instrument", "zone", "height", "averaged", "contributor", "note", "program", "result")
LENGTHS = (
    "instrument_step", "instrument_accuracy", "bevel_width", "thickness", "thickness_u", "tip", "tip_u",
    "minimum", "minimum_u", "maximum", "maximum_u",
)  # fmt: skip

# In this order: a micrometer caliper and a vernier micrometer are micrometers.
_KINDS = {
    "micrometer": ("micrometer", "micrometre screw"),
    "microscope": ("microscope",),
    "caliper": ("caliper", "calliper", "vernier"),
    "thickness gauge": ("gauge", "gage"),
    "photo": ("camera", "phone", "photo"),
}


# Whole words: a capsule is no rule.
_RULER = re.compile(r"\b(?:rulers?|rules?|tape measure|measuring tape|yardstick|metre stick|meter stick)\b")


def of_few(variance: float, scatter: float, freedom: int) -> float:
    """Standard uncertainty from a variance of which the part `scatter` was found from few figures, with this many degrees of freedom.

    Larger than the variance's root, so that k = 2 covers what Student's t would for the effective degrees of freedom (JCGM 100, G.3.2
    and G.4.1): two readings that differ by 0.1 mm know their mean to 0.7 mm, not to 0.1.
    """
    effective = variance**2 * freedom / scatter**2 if scatter > 0.0 else math.inf
    if effective > _MANY:
        return math.sqrt(variance)
    # Imported here: few records need it, and the command would wait for it at every start.
    from scipy.special import ndtr, stdtrit

    return math.sqrt(variance) * float(stdtrit(effective, ndtr(2.0))) / 2.0


def instrument_kind(name: str) -> str:
    """Kind of an instrument by the words of its name; an unknown one is a kind of its own."""
    lower = name_key(name)
    if _RULER.search(lower):
        return "ruler"
    for kind, words in _KINDS.items():
        if any(word in lower for word in words):
            return kind
    return lower


# The names of one model are asked for again and again; a few thousand of them are a megabyte.
@lru_cache(maxsize=4096)
def name_key(text: str) -> str:
    """A name as it is compared: composed, case folded, spaces as one."""
    return " ".join(unicodedata.normalize("NFC", text).casefold().split())


def knife_key(maker: str, model: str) -> str:
    """Fixed-length key of a model: names may be 10 kB, more than an index page takes."""
    return hashlib.sha256(f"{name_key(maker)}\x1f{name_key(model)}".encode("utf-8", "surrogatepass")).hexdigest()


def check_text(name: str, text: str, limit: int = MAX_TEXT) -> None:
    """Refuse what cannot come back unchanged: PostgreSQL keeps no NUL, UTF-8 no lone surrogate."""
    if len(text) > limit:
        raise LogRefused(name, f"it holds {len(text)} characters, more than {limit}", "shorten it")
    if "\x00" in text:
        raise LogRefused(name, "it holds a NUL character, which no store keeps", "remove it")
    # encode() is quick; scanning for surrogates in Python would take most of an import's time.
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise LogRefused(name, "it holds half a character (a lone surrogate)", "type it again") from None


def _plain(value: object) -> str:
    # Texts first: they are most of the cells.
    if isinstance(value, str):
        # A spreadsheet changes line ends, and a doubled blank is no other knife.
        return " ".join(value.split())
    if value is None:
        return ""
    if isinstance(value, Decimal):
        # `normalize` lets 0.420 and 0.42 of one row meet: a doubled row is often retyped.
        return f"{value.normalize():f}"
    return ";".join(map(_plain, value)) if isinstance(value, tuple) else str(value)


_CONTRIBUTED = tuple(f.name for f in fields(Record) if f.name not in ("cautions", "_key"))
