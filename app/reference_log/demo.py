"""A demo log: 30 invented makers, one invented model each, 120 specimens. The same seed gives the same rows.

Everything in it is made up; the figures follow general practice (`bands`) and say nothing of any real knife.
"""

from __future__ import annotations

import datetime
import math
import random
from pathlib import Path

from app.reference_log import columns
from app.reference_log.contributions import Contribution, Outcome, Row, take
from app.reference_log.errors import LogRefused
from app.reference_log.store import Store, default_path

SEED = 2026
SPECIMENS = 120
NOTE = "invented for the demo"
_MAKERS = (
    "Abelund", "Brastholm", "Cendrik", "Dovarre", "Elmquay", "Farnhelt", "Grisvold", "Hestbeck", "Ilvarro", "Jorvenna",
    "Kettlund", "Lomvarden", "Marrowell", "Nordquill", "Ostfeld", "Pellwick", "Quistgarn", "Rundmark", "Selvaro", "Tarnbeck",
    "Ulverstad", "Vintrock", "Wexholt", "Xandrell", "Yarvik", "Zellborn", "Ambrask", "Birkvane", "Corlund", "Drovemark",
)  # fmt: skip
_MODELS = (
    "Ansel", "Bodran", "Cavil", "Dunmer", "Erlo", "Fendt 2", "Galvo", "Hirra", "Isk", "Jolan", "Kesper", "Lune", "Morrit", "Nesk", "Ovind",
    "Parro", "Quen", "Rusk", "Sarn", "Tivoe", "Umbral", "Vesk", "Wylar", "Xeno 4", "Yound", "Zirr", "Alvo", "Brenn", "Cusk", "Dray",
)  # fmt: skip
_PEOPLE = ("Mirel A.", "Tomas B.", "Ines C.", "Jun D.", "Oona E.", "Pavel F.")
# Each person's caliper is off by one fixed amount, inside its limit of error: what makes contributors differ.
_ACCURACY, _STEP = 0.03, 0.01


def rows(seed: int = SEED) -> Contribution:
    """The demo's contributions, as a file would hold them."""
    random_ = random.Random(seed)
    offsets = {person: random_.uniform(-_ACCURACY, _ACCURACY) / 2 for person in _PEOPLE}
    found: list[dict[str, str]] = []
    for i in range(SPECIMENS):
        # 30 specimens make sure of one each; the others fall where they fall, so that some models have one and some have many.
        model = i if i < len(_MAKERS) else min(int(random_.triangular(0, len(_MAKERS), 4)), len(_MAKERS) - 1)
        found.append(_row(random_, model, i, offsets))
    return Contribution(columns.TEMPLATE, tuple(Row(k, tuple(r[n] for n in columns.TEMPLATE)) for k, r in enumerate(found, start=1)))


def path() -> Path:
    """Where the demo log lies: beside a person's own, never in it."""
    return default_path().with_name("demo-log.sqlite")


def fill(store: Store, seed: int = SEED) -> Outcome:
    """Add the demo's rows to a log of their own; rows that are there already are turned away as duplicates.

    Raises
    ------
    LogRefused
        The log holds other records: invented knives must not stand among real ones.
    """
    if any(s.record.note != NOTE for s in store.all()):
        raise LogRefused(f"log {store.name}", "it holds records that are not the demo's", "name another file with --log, or leave it out")
    return take(store, rows(seed))


def _row(random_: random.Random, model: int, number: int, offsets: dict[str, float]) -> dict[str, str]:
    own = random.Random(f"model {model}")
    mean, spread = own.choice((0.18, 0.26, 0.34, 0.38, 0.45, 0.52, 0.64, 0.78)) * own.uniform(0.9, 1.1), own.uniform(0.05, 0.15)
    true = mean * math.exp(random_.gauss(0.0, spread))
    person = random_.choice(_PEOPLE)
    condition = random_.choices(("factory", "resharpened", "reprofiled"), (88, 8, 4))[0]
    thickness = true * (1.0 if condition == "factory" else 1.08 if condition == "resharpened" else 0.9)
    # Steps of the display and the hand: a caliper's own repeatability is about a step.
    readings = [round(thickness + offsets[person] + random_.gauss(0.0, 0.008), 2) for _ in range(5)]
    angle = own.choice((30, 34, 36, 40))
    # A model is mostly measured in one way, and now and then in the other: what cannot be averaged with the rest is left out.
    by_photo = (own.random() < 0.4) != (random_.random() < 0.1)
    edge = random_.choices(("plain", "part-serrated", "angular-tip"), (94, 3, 3))[0]
    inch = person == "Jun D." and not by_photo
    per_mm = 1.0 / 25.4 if inch else 1.0
    digits = 4 if inch else 3
    return {
        "maker": _MAKERS[model], "model": _MODELS[model], "variant": "", "edge": edge, "specimen": f"demo-{number + 1:03d}",
        "condition": condition, "method": "photo+readings" if by_photo else "readings", "instrument": "digital caliper",
        "instrument_step": "0.0005" if inch else "0.01", "instrument_accuracy": "0.0012" if inch else "0.03",
        "readings": ";".join(f"{r * per_mm:.{digits if inch else 2}f}" for r in readings), "angle_deg": str(angle),
        "bevel_width": f"{thickness / (2 * math.sin(math.radians(angle / 2))) * per_mm:.{digits}f}" if by_photo else "",
        "thickness": f"{sum(readings) / 5 * per_mm:.{digits}f}", "thickness_u": f"{(0.012 if by_photo else 0.018) * per_mm:.{digits}f}",
        "tip": f"{thickness * 1.15 * per_mm:.{digits}f}" if by_photo else "", "unit": "inch" if inch else "mm", "contributor": person,
        "date": (datetime.date(2026, 1, 5) + datetime.timedelta(days=2 * number)).isoformat(), "note": NOTE,
    }  # fmt: skip
