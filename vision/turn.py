"""What a light shows of a rounded corner: where the line is that a fit takes, and how long. Arrays only; unit: the reach of the rounding.

Over a rounding the surface turns evenly from one face's direction to the other's, and at each direction it shows as much of the lamp
as its finish spreads into the camera. A highlight may be on its crest there, fall off, or have fallen to what the room gives; the finish
may change on the way. Which of these a light shows is not known, so lights are drawn from the physics, with blades, finishes and lamps
as wide as they come; each is fitted as a photo's line is, and those that have a light's log ratio of the faces say where its line may lie
and how long it may be. The two go together: a change as long as the rounding has its middle near the corner, a short one lies anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import convolve1d
from scipy.special import ndtr

# Places of a line about the corner (toward the second face), and its variance beyond the blur, in reaches and their square: a change
# spread evenly over the whole rounding has 1/3, one with a tail beyond it more.
PLACES = np.linspace(-1.2, 1.2, 25)
LENGTHS = np.linspace(0.0, 0.8, 13) ** 2

# A shoulder turns by 10 to 20 degrees, and its second face leans by up to 5 against the camera (ranges, degrees).
_TURN, _LEAN = (10.0, 20.0), (0.0, 5.0)
# Slopes of a finish across the edge: 0.04 for a polish, 0.4 for a blasted or tumbled face (common practice, no source).
_SLOPES = (0.04, 0.4)
# Lamps stand anywhere above the sheet: the normal that mirrors them leans by half of their direction. Half widths from a torch to a window.
_LAMP_DEG, _HALF_WIDTH_DEG = 45.0, (2.0, 30.0)
# What a room gives as a share of what the lamp would, and the ratio of two finishes of other stuff (4 to 60 % of the light), log.
_ROOM, _OTHER_STUFF = (0.02, 1.0), 1.5
# Where in the rounding the finish changes, in reaches: within half of it about the corner.
_CHANGE = 0.5
# The photo's blur in reaches: where it is longer than the rounding, shapes are all alike to it; shorter ones move a line little.
_BLUR = 0.4
_DRAWS, _CELLS = 20000, 61
# What a step explains less of than this (correlation) is a gleam or a dark ridge, and no line that a fit takes.
_A_LINE = 0.8
# Lights count as alike that differ by this in their log ratio, and by this share of it; beyond the most a photo tells no more.
_ALIKE, _ALIKE_SHARE, _MOST_RATIO = 0.1, 0.15, 4.0


@dataclass(frozen=True, eq=False)
class _Drawn:
    """Lights that were drawn, (N,) each: log ratio of first over second face, and the cell of place and length of the line fitted."""

    ratio: np.ndarray
    cell: np.ndarray


def foretold(log_ratio: float, other_stuff: bool) -> np.ndarray:
    """(places, lengths) chances, of sum 1, of the line of a light with this log ratio of the first face over the second.

    ``other_stuff``: the faces reflect otherwise by their stuff too (a coating, another polish), not by turn and roughness alone.
    """
    drawn = _drawn(other_stuff)
    ratio = float(np.clip(log_ratio, -_MOST_RATIO, _MOST_RATIO))
    # Which face is called the first is no matter of physics: the mirror image of a light is as likely.
    size = len(PLACES), len(LENGTHS)
    both = [np.bincount(drawn.cell, _alike(drawn.ratio, sign * ratio), size[0] * size[1]).reshape(size) for sign in (1, -1)]
    chance = both[0] + both[1][::-1] + 1e-9
    return chance / chance.sum()


def _alike(drawn: np.ndarray, ratio: float) -> np.ndarray:
    return np.exp(-0.5 * ((drawn - ratio) / (_ALIKE + _ALIKE_SHARE * abs(ratio))) ** 2)


@lru_cache(maxsize=2)
def _drawn(other_stuff: bool) -> _Drawn:
    reach = 1.5 + 3.0 * _BLUR
    at = np.linspace(-reach, reach, _CELLS)
    light = draw(np.random.default_rng(1), _DRAWS, other_stuff, at)
    ratio = np.log(light[:, 0] / light[:, -1])
    step = at[1] - at[0]
    near = np.arange(-int(4 * _BLUR / step), int(4 * _BLUR / step) + 1) * step
    kernel = np.exp(-0.5 * (near / _BLUR) ** 2)
    cell, match = _fitted(convolve1d(light, kernel / kernel.sum(), axis=1, mode="nearest"), np.sign(-ratio), at)
    line = match > _A_LINE
    return _Drawn(ratio[line], cell[line])


def draw(rng: np.random.Generator, count: int, other_stuff: bool, at: np.ndarray) -> np.ndarray:
    """(count, K) light at places `at` (K,) in reaches, of so many lights on blades drawn at random; no blur, no noise."""

    def between(low: float, high: float) -> np.ndarray:
        return rng.uniform(low, high, (count, 1))

    def over(low: float, high: float) -> np.ndarray:
        return np.exp(between(np.log(low), np.log(high)))

    second = np.radians(between(*_LEAN))
    first = second + np.radians(between(*_TURN))
    slopes, lamp, half, room = (
        (over(*_SLOPES), over(*_SLOPES)),
        np.radians(between(-_LAMP_DEG, _LAMP_DEG)),
        over(*_HALF_WIDTH_DEG),
        over(*_ROOM),
    )
    stuff = np.exp(rng.normal(0.0, _OTHER_STUFF, (count, 1))) if other_stuff else 1.0
    change = between(-_CHANGE, _CHANGE)
    normal = first + (second - first) * np.clip((at + 1.0) / 2.0, 0.0, 1.0)
    ends = lamp + np.radians(half) - normal, lamp - np.radians(half) - normal
    one, two = (room + _below(ends[0], s) - _below(ends[1], s) for s in slopes)
    return np.where(at > change, two, stuff * one)


def _below(slope: np.ndarray, rough: np.ndarray) -> np.ndarray:
    """Share of a rough surface's slopes below `slope`, less a half: long-tailed, as ground surfaces are (Walter et al. 2007, GGX)."""
    return 0.5 * slope / np.hypot(slope, rough)


def _fitted(light: np.ndarray, sign: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(N,) cell of the blurred step that comes nearest to each light (N, K), levels free, and its correlation with it."""
    sigma = np.hypot(_BLUR, np.sqrt(LENGTHS))
    steps = ndtr((at - PLACES[:, None, None]) / sigma[:, None]).reshape(-1, len(at))
    steps -= steps.mean(axis=1, keepdims=True)
    steps /= np.linalg.norm(steps, axis=1, keepdims=True)
    light = light - light.mean(axis=1, keepdims=True)
    match = sign[:, None] * (light @ steps.T) / np.maximum(np.linalg.norm(light, axis=1, keepdims=True), 1e-12)
    return match.argmax(axis=1), match.max(axis=1)
