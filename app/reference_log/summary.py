"""What the log says of one model: only figures that may be compared, and what was left out of them and why."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import NamedTuple

import numpy as np
import sqlalchemy as sa

from app.reference_log import consensus
from app.reference_log.errors import LogRefused
from app.reference_log.records import Condition, Edge, Method, Record, Source, knife_key, name_key, of_few
from app.reference_log.store import Store, standing
from app.reference_log.tables import NO_CAUTION, RECORD

# Pairs of contributors grow with the square of their number; beyond this no list of pairs helps a reader.
MOST_COMPARED = 50


@dataclass(frozen=True, slots=True)
class Reading:
    """The part of a record that a summary needs; lengths in mm, `u_mm` NaN where unknown, `remarked`: taken with a caution."""

    maker: str
    model: str
    variant: str
    edge: Edge
    condition: Condition
    method: Method
    specimen: str
    contributor: str
    thickness_mm: float
    u_mm: float
    common_u_mm: float
    remarked: bool = False


@dataclass(frozen=True)
class Group:
    """Figures that may be averaged together: one edge kind, one condition, one method."""

    edge: Edge
    condition: Condition
    method: Method

    @property
    def name(self) -> str:
        """``"plain edge, factory, readings (caliper), mean of main stretch, shoulder"``."""
        return f"{self.edge} edge, {self.condition}, {self.method.name}"


@dataclass(frozen=True)
class Choice:
    """What a summary is asked to be about; None leaves it to `summarise`."""

    edge: Edge | None = None
    condition: Condition | None = None
    source: Source | None = None
    variant: str | None = None


@dataclass(frozen=True)
class LeftOut:
    """Measurements that are not in the figure, and why."""

    measurements: int
    why: str


@dataclass(frozen=True)
class Comparison:
    """Two contributors' figures with their standard uncertainties; `e_n` above 1: they differ by more than these allow.

    `same_specimen` is the knife that both measured (of several the one on which they differ most, and `e_n` allows for that choice);
    None: each one's mean of the model.
    """

    contributors: tuple[str, str]
    figures_mm: tuple[float, float]
    u_mm: tuple[float, float]
    e_n: float
    same_specimen: str | None


@dataclass(frozen=True)
class Specimen:
    """One knife's figure from all its measurements, with one standard uncertainty."""

    name: str
    mean_mm: float
    u_mm: float
    measurements: int
    contributors: tuple[str, ...]


@dataclass(frozen=True)
class Summary:
    """One model by one method; lengths in mm.

    Attributes
    ----------
    mean_mm, u_mm, low_mm, high_mm : float
        Random-effects mean over the specimens (spread by Paule-Mandel), its standard uncertainty with what the figures of one
        contributor's instrument share, and the 95 % interval of the mean (k = 2 for one specimen).
    min_mm, max_mm : float
        Thinnest and thickest specimen.
    spread_mm, spread_dl_mm : float
        Standard deviation between specimens apart from measurement uncertainty, by Paule-Mandel and by DerSimonian-Laird; NaN
        for one specimen.
    next_low_mm, next_high_mm : float
        Where the next specimen will lie with 95 %; NaN for one specimen.
    remarked : int
        How many of the measurements were taken with a caution; they count like the others.
    comparisons : tuple of Comparison
        Every two of the (up to `MOST_COMPARED`) contributors who measured most knives that others measured too, or most at all; the
        largest E_n first. Empty where nobody asked for them.
    """

    maker: str
    model: str
    group: Group
    variants: tuple[str, ...]
    specimens: int
    measurements: int
    contributors: tuple[str, ...]
    mean_mm: float
    u_mm: float
    low_mm: float
    high_mm: float
    min_mm: float
    max_mm: float
    spread_mm: float
    spread_dl_mm: float
    next_low_mm: float
    next_high_mm: float
    left_out: tuple[LeftOut, ...]
    remarked: int
    comparisons: tuple[Comparison, ...]
    by_specimen: tuple[Specimen, ...]

    @property
    def disagreements(self) -> tuple[Comparison, ...]:
        """The comparisons with E_n above 1."""
        return tuple(c for c in self.comparisons if c.e_n > 1.0)


def summarise(readings: Sequence[Reading], choice: Choice | None = None, *, compared: bool = True) -> Summary:
    """Summary of one model's readings; `compared`: every two contributors too.

    Of the groups that `choice` leaves, factory edges come first (what a buyer gets), then the group with most specimens; where
    several have as many, the one whose 95 % interval reaches least far beyond its mean.

    Raises
    ------
    LogRefused
        Nothing is left to average.
    """
    choice = choice or Choice()
    kept, left_out = _chosen(readings, choice)
    groups: dict[Group, list[Reading]] = {}
    for r in kept:
        groups.setdefault(Group(r.edge, r.condition, r.method), []).append(r)
    if not groups:
        name = f"{readings[0].maker} {readings[0].model}" if readings else "this model"
        why = "; ".join(f"{o.measurements} left out: {o.why}" for o in left_out) or "the log holds no measurement of it"
        raise LogRefused(name, why, "look it up with 'shoulderline log find'")
    best = min(_rank(g, rs) for g, rs in groups.items())
    # No figure may be published in a better one's place because its method comes first in the alphabet.
    tied = [_of_group(g, rs, left_out) for g, rs in groups.items() if _rank(g, rs) == best]
    chosen = min(tied, key=lambda s: (s.high_mm - s.mean_mm, s.group.name))
    others = tuple(LeftOut(len(rs), f"not comparable: {g.name}") for g, rs in groups.items() if g != chosen.group)
    comparisons = _comparisons(groups[chosen.group]) if compared else ()
    return replace(chosen, left_out=chosen.left_out + others, comparisons=comparisons)


def model_summary(store: Store, maker: str, model: str, choice: Choice | None = None) -> Summary:
    """Summary of one model from the log; names are compared without regard to case and spacing."""
    found = list(readings(store, RECORD.c.knife_key == knife_key(maker, model)))
    if not found:
        raise LogRefused(f"{maker} {model}", "the log holds no measurement of it", "look it up with 'shoulderline log find'")
    return summarise(found, choice)


def all_summaries(store: Store, choice: Choice | None = None, *, compared: bool = True) -> list[Summary]:
    """A summary of each model that has one by this choice, in order of maker and model."""
    found = sorted(readings(store), key=lambda r: (name_key(r.maker), name_key(r.model)))
    summaries = []
    for _, own in groupby(found, key=lambda r: (name_key(r.maker), name_key(r.model))):
        try:
            summaries.append(summarise(list(own), choice, compared=compared))
        except LogRefused:
            # None of its figures is of this choice, or has an uncertainty; the exports of records still list them.
            continue
    return summaries


def readings(store: Store, *conditions: sa.ColumnElement[bool]) -> Iterable[Reading]:
    """Standing records that meet the conditions, as a summary needs them."""
    c = RECORD.c
    columns = (c.maker, c.model, c.variant, c.edge, c.condition, c.source, c.instrument_kind, c.zone, c.height, c.averaged, c.specimen,
               c.contributor, c.thickness_mm, c.u_mm, c.common_u_mm, c.cautions != NO_CAUTION)  # fmt: skip
    methods: dict[tuple, Method] = {}
    with store.reading() as connection:
        for row in connection.execute(sa.select(*columns).where(standing(), *conditions).order_by(c.id)):
            maker, model, variant, edge, condition, *by, specimen, contributor, thickness, u, common, remarked = row
            method = methods.get(tuple(by))
            if method is None:
                source, kind, zone, height, averaged = by
                kind = "photo" if source == Source.PHOTO else kind
                method = methods[tuple(by)] = Method(
                    source=Source(source), instrument_kind=kind, zone=zone, height=height, averaged=averaged
                )
            yield Reading(
                maker, model, variant, Edge(edge), Condition(condition), method, specimen, contributor, thickness,
                math.nan if u is None else u, common, bool(remarked),
            )  # fmt: skip


def reading_of(r: Record) -> Reading:
    """A record as a summary needs it."""
    return Reading(
        r.maker,
        r.model,
        r.variant,
        r.edge,
        r.condition,
        r.method,
        r.specimen,
        r.contributor,
        r.thickness_mm,
        r.u_mm,
        r.common_u_mm,
        bool(r.cautions),
    )


def _chosen(found: Sequence[Reading], choice: Choice) -> tuple[list[Reading], list[LeftOut]]:
    tests = (
        ("no uncertainty is known", lambda r: math.isfinite(r.u_mm) and r.u_mm > 0),
        (f"variant is not {choice.variant}", lambda r: choice.variant is None or name_key(r.variant) == name_key(choice.variant)),
        (f"edge is not {choice.edge}", lambda r: choice.edge is None or r.edge is choice.edge),
        (f"condition is not {choice.condition}", lambda r: choice.condition is None or r.condition is choice.condition),
        (f"method is not {choice.source}", lambda r: choice.source is None or r.method.source is choice.source),
    )
    kept, left_out = list(found), []
    for why, test in tests:
        passed = [r for r in kept if test(r)]
        if len(passed) < len(kept):
            left_out.append(LeftOut(len(kept) - len(passed), why))
        kept = passed
    return kept, left_out


def _rank(group: Group, found: Sequence[Reading]) -> tuple[bool, int]:
    return group.condition is not Condition.FACTORY, -len({name_key(r.specimen) for r in found})


def _of_group(group: Group, found: list[Reading], left_out: list[LeftOut]) -> Summary:
    knives = list(_by_specimen(found).values())
    figures = [_figures(own) for own in knives]
    x, u = np.array([_specimen_mean(f) for f in figures]).T
    one = len(x) == 1
    shared = _shared(figures)
    spread = 0.0 if one else consensus.paule_mandel(x, u, shared)
    c = consensus.combine(x, u, spread, shared)
    u_mean = _of_mean(c, u, figures)
    (low, high), (next_low, next_high) = (
        ((c.mean - 2.0 * u_mean, c.mean + 2.0 * u_mean), (math.nan, math.nan))
        if one
        else consensus.intervals(x, u, shared, math.sqrt(max(0.0, u_mean**2 - c.u**2)))
    )
    return Summary(
        maker=found[0].maker, model=found[0].model, group=group, variants=tuple(dict.fromkeys(r.variant for r in found if r.variant)),
        specimens=len(x), measurements=len(found), contributors=tuple(dict.fromkeys(r.contributor for r in found)),
        mean_mm=c.mean, u_mm=u_mean, low_mm=max(0.0, low), high_mm=high, min_mm=float(x.min()), max_mm=float(x.max()),
        spread_mm=math.nan if one else spread, spread_dl_mm=math.nan if one else consensus.dersimonian_laird(x, u, shared),
        # No blade is thinner than nothing: few specimens give a wide interval that would reach below.
        next_low_mm=next_low if one else max(0.0, next_low), next_high_mm=next_high, left_out=tuple(left_out),
        remarked=sum(r.remarked for r in found), comparisons=(),
        by_specimen=tuple(
            Specimen(own[0].specimen, float(v), float(w), len(own), tuple(dict.fromkeys(r.contributor for r in own)))
            for own, v, w in zip(knives, x, u, strict=True)
        ),
    )  # fmt: skip


def _by_specimen(found: Iterable[Reading]) -> dict[str, list[Reading]]:
    specimens: dict[str, list[Reading]] = {}
    for r in found:
        specimens.setdefault(name_key(r.specimen), []).append(r)
    return specimens


def _by_contributor(found: Iterable[Reading]) -> dict[str, list[Reading]]:
    own: dict[str, list[Reading]] = {}
    for r in found:
        own.setdefault(name_key(r.contributor), []).append(r)
    return own


class _Figure(NamedTuple):
    """What one person found on one knife, mm; `common_mm`: the part of `u_mm` that this person's instrument leaves on other knives too."""

    person: str
    mean_mm: float
    u_mm: float
    common_mm: float
    weight: float


def _figures(found: Sequence[Reading]) -> tuple[_Figure, ...]:
    """Each person's figure of one specimen, from all measurements of it; weights are inverse squares of the uncertainties and sum to one.

    A contributor's repeats share instrument and hand, so that repeating does not reduce the uncertainty; where they scatter by more
    than each one's own part of it, the standard deviation of their mean counts in its place (JCGM 100, 4.2.3), as it does for
    readings within one record.
    """
    figures = []
    for person, own in _by_contributor(found).items():
        n, mean = len(own), math.fsum(r.thickness_mm for r in own) / len(own)
        scatter = math.fsum((r.thickness_mm - mean) ** 2 for r in own) / (n * (n - 1)) if n > 1 else 0.0
        common = math.fsum(r.common_u_mm**2 for r in own) / n
        alone = math.fsum(r.u_mm**2 for r in own) / n - common
        u = of_few(common + scatter, scatter, n - 1) if scatter > alone else math.sqrt(common + alone)
        # Photos alone share the declared angle, whoever took them.
        shared_by = "" if own[0].method.source is Source.PHOTO else person
        figures.append(_Figure(shared_by, mean, u, math.sqrt(common), 1.0 / u**2))
    # Few figures, many specimens: plain sums take a tenth of what arrays do.
    total = math.fsum(f.weight for f in figures)
    return tuple(f._replace(weight=f.weight / total) for f in figures)


def _specimen_mean(figures: Sequence[_Figure]) -> tuple[float, float]:
    """One specimen's figure and standard uncertainty.

    Contributors are independent, and where they differ by more than they can, the uncertainty grows by the Birge ratio (Kacker
    2004). What all of them share is averaged but not reduced.
    """
    if len(figures) == 1:
        return figures[0].mean_mm, figures[0].u_mm
    mean = math.fsum(f.weight * f.mean_mm for f in figures)
    alone = 1.0 / math.sqrt(math.fsum(f.u_mm**-2 for f in figures))
    birge = math.sqrt(math.fsum(((f.mean_mm - mean) / f.u_mm) ** 2 for f in figures) / (len(figures) - 1))
    return mean, max(max(1.0, birge) * alone, math.sqrt(math.fsum(v * v for v in _common(figures).values())))


def _common(figures: Sequence[_Figure]) -> dict[str, float]:
    """Contributor -> what of one specimen's figure is the common error of that contributor's instrument, mm; "" for photos' angle."""
    shares: dict[str, float] = {}
    for f in figures:
        shares[f.person] = shares.get(f.person, 0.0) + f.weight * f.common_mm
    return shares


def _shared(knives: Sequence[Sequence[_Figure]]) -> consensus.Shared:
    """Specimens that the same people measured share these people's instruments; the least share of a group is surely common."""
    commons = [_common(own) for own in knives]
    sets = [tuple(sorted(shares)) for shares in commons]
    numbers = {people: i for i, people in enumerate(dict.fromkeys(sets))}
    group = np.array([numbers[people] for people in sets])
    u = np.array([math.sqrt(math.fsum(v * v for v in shares.values())) for shares in commons])
    least = np.full(len(numbers), math.inf)
    np.minimum.at(least, group, u)
    return consensus.Shared(group, least[group])


def _of_mean(c: consensus.Consensus, u: np.ndarray, knives: Sequence[Sequence[_Figure]]) -> float:
    """Standard uncertainty of the mean with every covariance of figures by one contributor's instrument.

    Without them the mean of twenty knives by one caliper would claim an accuracy that the caliper does not have (JCGM 100, 5.2.2).
    """
    shares: dict[str, list[float]] = {}
    for weight, own in zip(c.weights, knives, strict=True):
        for person, part in _common(own).items():
            shares.setdefault(person, []).append(float(weight) * part)
    covariance = math.fsum(math.fsum(s) ** 2 - math.fsum(v * v for v in s) for s in shares.values())
    return math.sqrt(max(c.u**2, float(c.weights**2 @ (u**2 + c.spread**2)) + covariance))


def _comparisons(found: Sequence[Reading]) -> tuple[Comparison, ...]:
    """Pairs of contributors: on the specimen that both measured, else on their own means of the model."""
    # Those who measured most knives that somebody else measured too, since there the knife cannot be the reason; then those who measured
    # most. Sorting keeps the order of equals.
    by_specimen = _by_specimen(found).items()
    others = {s for s, own in by_specimen if len({name_key(r.contributor) for r in own}) > 1}
    every_one = _by_contributor(found).items()
    ranked = sorted(every_one, key=lambda item: (-len(others & {name_key(r.specimen) for r in item[1]}), -len(item[1])))
    people = dict(ranked[:MOST_COMPARED])
    names = list(people)
    figures = {name: {s: _figures(knife) for s, knife in _by_specimen(rs).items()} for name, rs in people.items()}
    own = {name: {s: _specimen_mean(f) for s, f in knives.items()} for name, knives in figures.items()}
    # Knives by name as each person wrote them first.
    spelt = {name: {name_key(r.specimen): r.specimen for r in reversed(rs)} for name, rs in people.items()}
    overall = _overall({name: list(knives.values()) for name, knives in figures.items()})
    every = []
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            both = own[a].keys() & own[b].keys()
            specimen = max(both, key=lambda s: (consensus.e_n(*own[a][s], *own[b][s]), s)) if both else None
            x, y = (overall[a], overall[b]) if specimen is None else (own[a][specimen], own[b][specimen])
            shown = None if specimen is None else spelt[a][specimen]
            each = people[a][0].contributor, people[b][0].contributor
            # Picked as the largest of many, it passes 1 by chance more often than one knife's would.
            every.append(Comparison(each, (x[0], y[0]), (x[1], y[1]), consensus.e_n(*x, *y, chosen_of=max(len(both), 1)), shown))
    return tuple(sorted(every, key=lambda c: -c.e_n))


def _overall(own: dict[str, list[tuple[_Figure, ...]]]) -> dict[str, tuple[float, float]]:
    """From each person's figures of knives the person's mean over them, and its standard uncertainty: how unlike knives are, and what the
    person's figures share.

    People who measured different knives differ by the knives as well. How far knives differ is pooled from the figures within
    each person's own, where instruments play no part; from few of them it is hardly known, so Student's t widens it (JCGM 100,
    G.3). Where nobody measured two, nothing says it.
    """
    figures = {name: (*np.array([_specimen_mean(k) for k in knives]).T, _shared(knives)) for name, knives in own.items()}
    freedom = sum(len(x) - 1 for x, _, _ in figures.values())
    squares = math.fsum(float(((x - x.mean()) ** 2).sum()) for x, _, _ in figures.values())
    unlike = consensus.t_factor(freedom) / 2.0 * math.sqrt(squares / freedom) if freedom else 0.0
    means = {}
    for name, (x, u, shared) in figures.items():
        if len(x) == 1:
            means[name] = float(x[0]), math.hypot(u[0], unlike)
        else:
            c = consensus.combine(x, u, unlike, shared)
            means[name] = c.mean, c.u
    return means
