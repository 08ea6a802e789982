"""Where the corner is and how far its rounding reaches, by Bayes' rule (JCGM 101, 6.1) over grids. Arrays only: P lights of one place.

Two things change the light at a shoulder. The surface *turns* from one face's direction to the other's, which spreads the change over the
rounding; and the *finish* changes (grit and direction of the grind, coating, polish). What one light shows of them, where its line lies in
the rounding and how long it is, is drawn from the physics (`vision.turn`), once with and once without faces of other stuff. Each place of
the corner and each reach is weighed by how well it foretells, light by light,

- where the line is and how long beyond the photo's blur, both at once: a change as long as the rounding has its middle near the corner, a
  short one lies anywhere in it. A line as sharp as the photo is no evidence of a rounding, and a long reach loses by having foretold a
  longer change; one light may show the finish change alone while another shows the whole turn;
- how bright the faces are. Moving the lamp moves a turn's ratio about, that of faces of other stuff stays.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from vision.turn import LENGTHS, PLACES, foretold

# Roundings of ground shoulders reach 3-50 um (design.md section 10), by wear up to twice as much: of a scale of which no more than
# its order is known every ratio is alike (a logarithm evenly spread; Jeffreys 1946).
_LEAST_REACH_MM, MOST_REACH_MM = 0.002, 0.12
# A rounding may gleam or shade by a tenth of the light over its whole length (4/3 t of a parabola's area) in a way of its own: that
# moves the middle of the light by 0.13 t over the step's relative height (common practice, no source).
_OWN_GLEAM = 0.13
# A fall of the same length in another shape has another standard deviation: a quarter, a half of its square.
_SHAPE = 0.5
# One cheek in four is coated or polished otherwise than its bevel (common practice, no source).
_FINISH = 0.25
# Log ratios (standard deviations). Turning the 10-20 degrees of a shoulder favours one face by less than a factor of two on the mean
# of several lamp places, and any one lamp by 0.3 (all but matt) to 3 (a highlight); finishes reflect from 4 to 60 % of the light.
_MEAN_TURN, _TURNS, _FINISHES = 0.5, (0.3, 3.0), 1.5
# Grids: places lie closest about the lights' mean (px), where the lines of clear lights are.
_PLACES, _NEAR_PX, _REACHES = 201, 0.3, 33


def corner_and_reach(
    offset: np.ndarray, ratio: np.ndarray, spread: tuple[np.ndarray, np.ndarray, np.ndarray], noise: np.ndarray, px_per_mm: float
) -> tuple[float, float, float]:
    """Mean and standard deviation of the corner, and mean reach of its rounding to either side, px.

    Parameters
    ----------
    offset : (P,)
        Where each light shows the line, px.
    ratio : (P,)
        Its log ratio of bevel over cheek.
    spread : (P,), (P,) and (P,) bool
        Variance of the line beyond the photo's blur, px^2 (below 0 where it is sharper), its standard uncertainty, and whether it is
        burnt out: of a change cut off at full scale no more than the least length shows.
    noise : (P,)
        Standard uncertainty of `offset` that has nothing to do with rounding, px.

    Lights with a NaN say nothing; without any the answer is 0, half of the farthest reach, and 0.
    """
    known = np.isfinite(offset + ratio + spread[0] + spread[1] + noise)
    if not known.any():
        return 0.0, MOST_REACH_MM * px_per_mm / 2, 0.0
    offset, ratio, extra, extra_u, burnt, noise = (v[known] for v in (offset, ratio, *spread, noise))
    reach = px_per_mm * np.geomspace(_LEAST_REACH_MM, MOST_REACH_MM, _REACHES)
    place, step = _places(offset, PLACES[-1] * reach[-1])
    each = tuple(zip(offset, ratio, extra, extra_u, burnt, noise, strict=True))
    log = []
    for other_stuff, evidence, share in zip((False, True), _ratios(ratio), (1.0 - _FINISH, _FINISH), strict=True):
        log.append(evidence + np.log(share) + sum(_seen(place, light, reach, foretold(light[1], other_stuff)) for light in each))
    chance = np.exp(np.logaddexp(*log) - np.max(log)) * step[:, None]
    chance /= chance.sum()
    mean = float((chance * place[:, None]).sum())
    return mean, float(np.sqrt((chance * (place[:, None] - mean) ** 2).sum())), float((chance * reach).sum())


def _places(offset: np.ndarray, most: float) -> tuple[np.ndarray, np.ndarray]:
    """(N,) places of the corner, px, and how much each stands for."""
    far = most + float(np.ptp(offset))
    end = np.arcsinh(far / _NEAR_PX)
    place = offset.mean() + _NEAR_PX * np.sinh(np.linspace(-end, end, _PLACES))
    return place, np.gradient(place)


def _seen(place: np.ndarray, light: tuple[float, float, float, float, bool, float], reach: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """(N, R) log density of what one light shows, if the corner is at `place` (N,) and its rounding reaches so far (R,).

    ``light``: offset, ratio, variance beyond the blur and its uncertainty, burnt, noise, as in `corner_and_reach`; ``chance``: `foretold`.
    """
    offset, ratio, extra, extra_u, burnt, noise = light
    fall = reach[:, None] ** 2 * LENGTHS
    sd = np.hypot(extra_u, _SHAPE * fall)
    off = (fall - extra) / sd
    long = (ndtr(off) if burnt else np.exp(-0.5 * off**2) / sd) @ chance.T
    # Within a cell of the places any is alike.
    own = np.hypot(_OWN_GLEAM / max(abs(ratio), 1e-3), (PLACES[1] - PLACES[0]) / np.sqrt(12.0)) * reach
    sd = np.hypot(noise, own)[:, None]
    off = (offset - place[:, None, None] - reach[:, None] * PLACES) / sd
    return np.log((np.exp(-0.5 * off**2) * (long / sd)).sum(axis=2) + 1e-14)


def _ratios(ratio: np.ndarray) -> tuple[float, float]:
    """Log evidence of the lights' log ratios if only the turn makes them, and if the finish shares in them."""
    mean = np.linspace(-6.0, 6.0, 121)
    scatter = np.geomspace(*_TURNS, 24)
    likely = np.prod(np.exp(-0.5 * ((ratio[:, None, None] - mean[:, None]) / scatter) ** 2) / scatter, axis=0).mean(axis=1)
    out = []
    for wide in (_MEAN_TURN, np.hypot(_MEAN_TURN, _FINISHES)):
        prior = np.exp(-0.5 * (mean / wide) ** 2)
        out.append(float(np.log((likely * prior).sum() / prior.sum() + 1e-300)))
    return out[0], out[1]
