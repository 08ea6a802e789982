"""Where the corner is and how far its rounding reaches, by Bayes' rule (JCGM 101, 6.1) over grids. Arrays only: P lights of one place.

Two things change the light at a shoulder. The surface *turns* from one face's direction to the other's, which spreads the change over the
rounding; and the *finish* changes (ground steel, coating, polish), which happens at the corner. Which of them a light mostly shows is not
known beforehand, so both are tried, each with every reach of the rounding, and weighed by how well they foretell what the lights show:

- where they see the line. A turn's change lies toward the brighter face, from the place an exponential fall has (`toward_bright`) to the
  rounding's bright end; a finish's lies within half of the rounding about the corner, the turn being the smaller part of the change;
- how long the change is, beyond the photo's blur: any share of the rounding up to the whole; where the finish makes it, up to half. A
  line as sharp as the photo is no evidence of a rounding, and a long reach loses by having foretold a longer change;
- how bright the faces are. Moving the lamp moves a turn's ratio about, a finish's ratio stays.
"""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr, ndtr

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
_HALF = 0.5
# Grids: places lie closest about the lights' mean (px), where the lines of clear lights are.
_PLACES, _NEAR_PX, _REACHES, _SHARES = 201, 0.3, 33, 21


def toward_bright(log_ratio: np.ndarray) -> np.ndarray:
    """u(D): where the middle of the light lies in a rounding from -1 (bevel) to 1 (cheek), for the log ratio of bevel over cheek, when it
    falls off exponentially with the turn."""
    d = np.where(np.abs(log_ratio) < 1e-6, 1e-6, log_ratio)
    return -2.0 * np.log((1.0 + np.exp(-d)) / 2.0) / d - 1.0


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
    place, step = _places(offset, reach[-1])
    gleam = _OWN_GLEAM * reach / np.maximum(np.abs(ratio), 1e-3)[:, None]
    sd = np.hypot(noise[:, None], gleam)
    turn, finish = _ratios(ratio)
    # Where a gleam could move the middle by half of the rounding, the change's length is the gleam's as much as the fall's.
    telling = np.abs(ratio) > _OWN_GLEAM / _HALF
    seen = extra[telling], extra_u[telling], burnt[telling]
    by_turn = _lengths(seen, reach, 1.0) + turn + np.log(1.0 - _FINISH)
    by_finish = _lengths(seen, reach, _HALF) + finish + np.log(_FINISH)
    by_turn, by_finish = by_turn + np.zeros((len(place), 1)), by_finish + np.zeros((len(place), 1))
    for o, d, s in zip(offset, ratio, sd, strict=True):
        by_turn += np.log(_turned(o - place, d, s, reach) + 1e-14)
        by_finish += np.log(_at_the_corner(o - place, s, reach) + 1e-14)
    most = max(by_turn.max(), by_finish.max())
    chance = (np.exp(by_turn - most) + np.exp(by_finish - most)) * step[:, None]
    chance /= chance.sum()
    mean = float((chance * place[:, None]).sum())
    return mean, float(np.sqrt((chance * (place[:, None] - mean) ** 2).sum())), float((chance * reach).sum())


def _places(offset: np.ndarray, most: float) -> tuple[np.ndarray, np.ndarray]:
    """(N,) places of the corner, px, and how much each stands for."""
    far = most + float(np.ptp(offset))
    end = np.arcsinh(far / _NEAR_PX)
    place = offset.mean() + _NEAR_PX * np.sinh(np.linspace(-end, end, _PLACES))
    return place, np.gradient(place)


def _turned(away: np.ndarray, ratio: float, sd: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """(N, R) density of the line `away` (N,) from the corner: from the exponential's place on, ever less likely to the bright end."""
    least = float(np.abs(toward_bright(np.array([ratio]))[0]))
    share = (np.arange(_SHARES) + 0.5) / _SHARES
    lean = np.sign(ratio) * (least + (1.0 - least) * share)
    off = (away[:, None, None] + reach[:, None] * lean) / sd[:, None]
    return (np.exp(-0.5 * off**2) @ (1.0 - share)) / (1.0 - share).sum() / sd / np.sqrt(2.0 * np.pi)


def _at_the_corner(away: np.ndarray, sd: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """(N, R) density of the line `away` (N,) from the corner: anywhere within half of the rounding."""
    half = _HALF * reach
    return (ndtr((away[:, None] + half) / sd) - ndtr((away[:, None] - half) / sd)) / (2.0 * half)


def _lengths(seen: tuple[np.ndarray, np.ndarray, np.ndarray], reach: np.ndarray, most: float) -> np.ndarray:
    """(R,) log density of the lines' variances beyond the blur, if the light changes over one share of the rounding, up to `most`.

    One share for all lights: it is the finish that makes a change short. A uniform change over +-t has the variance t^2 / 3.
    """
    extra, extra_u, burnt = (v[:, None, None] for v in seen)
    share = most * (np.arange(_SHARES) + 0.5) / _SHARES
    fall = (share * reach[:, None]) ** 2 / 3.0
    sd = np.hypot(extra_u, _SHAPE * fall)
    off = (fall - extra) / sd
    log = np.where(burnt, log_ndtr(off), -0.5 * off**2 - np.log(sd)).sum(axis=0)
    best = log.max()
    return np.log(np.exp(log - best).mean(axis=1) + 1e-300) + best


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
