"""A result of the program as a record of the log."""

from __future__ import annotations

import datetime
import hashlib
import math
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from pathlib import Path

import numpy as np

from app import files
from app.headline import readings_left_out, split_readings
from app.reference_log.errors import LogRefused
from app.reference_log.records import Condition, Edge, Record, Source
from demo_images import DEMOS
from vision.job import Blade, Job, read_job
from vision.results import Figure, Measurement, Zones
from vision.zones import Stretches

NOT_GIVEN = "not given"


@dataclass(frozen=True, kw_only=True)
class Knife:
    """What a measurement does not know: which knife it was. Empty names are kept as `NOT_GIVEN`."""

    maker: str = ""
    model: str = ""
    variant: str = ""
    edge: Edge | None = None
    specimen: str = ""
    condition: Condition | None = None
    contributor: str = ""
    note: str = ""


def read(folder: Path, knife: Knife) -> Record:
    """The record of ``folder/measurement.json``; what `knife` leaves open comes from the ``[blade]`` of ``job.toml`` beside it.

    Raises
    ------
    ResultUnreadable
        No such file, or not one of this program's.
    DeclarationError
        ``job.toml`` is there and cannot be read.
    LogRefused
        The result has no thickness of a main stretch with its uncertainty.
    """
    path = folder / "measurement.json"
    m = files.read_measurement(path)
    path_of_job = folder / "job.toml"
    job = read_job(path_of_job) if path_of_job.exists() else None
    return record_of(m, path.read_text(encoding="utf-8"), filled(knife, job.blade) if job else knife, job)


def record_of(m: Measurement, result: str, knife: Knife, job: Job | None = None) -> Record:
    """The record of a measurement; `result` is its ``measurement.json`` as text, `job` what it was measured by, where that is known.

    Raises
    ------
    LogRefused
        The result has no thickness of a main stretch with its uncertainty.
    """
    if m.zones is None or not (math.isfinite(m.zones.main.mean.value_mm) and m.zones.main.mean.u_mm > 0):
        raise LogRefused("the result", "it has no thickness of a main stretch with its uncertainty", "measure with --angle or readings")
    used, _ = split_readings(m)
    caliper = m.declared.caliper
    z, rise = m.zones, m.zones.rise
    tip = rise.at_tip if rise else Figure(math.nan, math.nan)
    declared_deg, found_deg, width_mm = _geometry(m, z)
    photos = tuple(p.sha256 for p in m.photos)
    by_choice = z.stretches or (job is not None and job.stretches != Stretches())
    return Record(
        maker=knife.maker.strip() or NOT_GIVEN,
        model=knife.model.strip() or NOT_GIVEN,
        variant=knife.variant,
        edge=knife.edge or Edge.PLAIN,
        # A photo is of one knife: its hash names a specimen that nobody named.
        specimen=knife.specimen.strip() or f"photo {photos[0][:8]}",
        condition=knife.condition or Condition.UNKNOWN,
        source=Source.PHOTO_AND_READINGS if used else Source.PHOTO,
        instrument="caliper and photo" if used else "photo",
        instrument_step=_as_said(caliper.resolution_mm) if used else None,
        instrument_accuracy=_as_said(caliper.accuracy_mm) if used else None,
        readings=tuple(Decimal(repr(r.thickness_mm)) for r in used),
        places=tuple(Decimal(repr(r.position_mm)) for r in used),
        angle_deg=_as_said(declared_deg),
        angle_found_deg=_decimal(found_deg),
        bevel_width=_decimal(width_mm),
        thickness=Decimal(f"{z.main.mean.value_mm:.5f}"),
        thickness_u=_decimal(z.main.mean.u_mm),
        tip=_decimal(tip.value_mm),
        tip_u=_decimal(tip.u_mm),
        minimum=_decimal(z.minimum.value_mm),
        minimum_u=_decimal(z.minimum.u_mm),
        maximum=_decimal(z.maximum.value_mm),
        maximum_u=_decimal(z.maximum.u_mm),
        # Taken over positions that a person chose, it is no longer what other main stretches are.
        zone="main stretch, by choice" if by_choice else "main stretch",
        contributor=knife.contributor.strip() or NOT_GIVEN,
        date=datetime.date.fromisoformat(m.created[:10]),
        note=knife.note,
        photos=photos,
        program=m.program,
        result=result,
        cautions=_cautions(m, knife),
    )


def of_record(r: Record) -> Knife:
    """What a record says of its knife."""
    return Knife(**{name: getattr(r, name) for name in Knife.__dataclass_fields__})


def record_of_knife(record: Record, knife: Knife) -> Record:
    """A record made without its knife (`record_of` with an empty `Knife`), with the knife; remarks on what was missing go."""
    texts = {n: getattr(knife, n).strip() or getattr(record, n) for n in ("maker", "model", "specimen", "contributor")}
    kept = tuple(c for c in record.cautions if c not in _missing(Knife()))
    return replace(
        record, **texts, variant=knife.variant.strip(), note=knife.note, edge=knife.edge or record.edge,
        condition=knife.condition or record.condition, cautions=(*_missing(knife), *kept),
    )  # fmt: skip


def _geometry(m: Measurement, z: Zones) -> tuple[float, float, float]:
    """Included angle as declared and as found, and bevel width: means of the main stretch, as the thickness is; NaN where unknown."""
    declared = m.declared.included_angle_deg or math.nan
    if m.other is not None:
        # Sides may differ: neither's width, nor twice its angle, goes with the thickness of both.
        return (declared + (m.other.declared.included_angle_deg or math.nan)) / 2.0, math.nan, math.nan
    x, t, w = m.widths.position_mm, m.thickness.thickness_mm, m.widths.width_mm
    main = (x >= z.main.start_mm) & (x <= z.main.end_mm) & np.isfinite(t) & np.isfinite(w)
    if not main.any():
        return declared, math.nan, math.nan
    return declared, 2.0 * float(m.thickness.angle_per_side_deg[main].mean()), float(w[main].mean())


def filled(knife: Knife, blade: Blade) -> Knife:
    """The knife with what the job file says of the blade; words that are none of the log's own go to the note."""
    names = {n: getattr(knife, n) or getattr(blade, n) for n in ("maker", "model", "specimen")}
    edge, condition, notes = knife.edge, knife.condition, [knife.note] if knife.note else []
    if edge is None and blade.edge:
        edge = Edge(blade.edge) if blade.edge in set(Edge) else None
    if condition is None and blade.condition:
        condition = Condition(blade.condition) if blade.condition in set(Condition) else None
    notes += [f"edge in the job: {blade.edge}"] if blade.edge and edge is None else []
    notes += [f"condition in the job: {blade.condition}"] if blade.condition and condition is None else []
    return replace(knife, **names, edge=edge, condition=condition, note="; ".join(notes))


def _missing(knife: Knife) -> list[str]:
    found = [f"no {name} given" for name in ("maker", "model", "specimen", "contributor") if not getattr(knife, name).strip()]
    found += [] if knife.edge else ["no kind of edge given: taken as plain"]
    return found + ([] if knife.condition else ["no condition given: taken as unknown"])


def _cautions(m: Measurement, knife: Knife) -> tuple[str, ...]:
    found = _missing(knife)
    if _demo_hashes() & {p.sha256 for p in m.photos}:
        found.append("a demo photo of an invented blade")
    if m.corrected_by_hand:
        found.append("guide points by hand steered the search for the lines")
    if m.scale_declared:
        found.append("photographed without the strip: its scale was declared")
    if unused := split_readings(m)[1]:
        why = "they contradict the photo" if readings_left_out(m) else "no width was measured near them"
        found.append(f"{len(unused)} reading{'s' * (len(unused) > 1)} taken but not used: {why}")
    questioned = sum(c.questioned for c in m.cross_checks)
    if questioned and m.thickness.fused:
        found.append(f"{questioned} of {len(m.cross_checks)} readings questioned by the photo")
    return tuple(found)


@cache
def _demo_hashes() -> frozenset[str]:
    # What the demo photos show was invented, and must be known by that wherever its figures go.
    return frozenset(hashlib.sha256(path.read_bytes()).hexdigest() for demo in DEMOS for path in demo.photos)


def _as_said(value: float) -> Decimal | None:
    """A declared figure without digits that nobody declared: 30, not 30.00000."""
    found = _decimal(value)
    return None if found is None else Decimal(f"{found:f}".rstrip("0").rstrip("."))


def _decimal(value: float) -> Decimal | None:
    # 1e-5 mm and 1e-5 degrees lie far under any figure's uncertainty; what is no figure stays empty.
    return Decimal(f"{value:.5f}") if math.isfinite(value) and round(value, 5) > 0 else None
