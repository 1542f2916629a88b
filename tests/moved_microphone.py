"""A room in which a microphone is taken away and put back: image sources with exact delays.

Loudspeaker (a woofer 13 cm below a tweeter) and microphone stand 1 m apart in a rectangular room.
Every image reached by at most two walls is heard, by its own distance: a microphone that is moved
by centimetres changes all of them, each by its own direction (Allen and Berkley, JASA 65, 1979).
What a wall returns falls with frequency, as rehearsal's reflections do. Nothing here uses the
package's signal processing.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from closed_form import Branch, Response, cascade, high_pass, low_pass

SOUND_M_S = 343.0
APART_M = 0.13


@dataclass(frozen=True)
class MovedRoom:
    """A room, a loudspeaker in it, and the place that the microphone is meant to stand at, in m.

    ``kept`` is the share of an amplitude that a wall returns to low tones, one a wall in the order
    of the axes, the near one first; from ``corner_hz`` on it falls by 6 dB an octave.
    """

    sides_m: np.ndarray
    source_m: np.ndarray
    place_m: np.ndarray
    kept: np.ndarray
    corner_hz: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> MovedRoom:
        """Draw a living room; in half of them only floor and ceiling return anything."""
        sides_m = np.array([rng.uniform(3.5, 7.0), rng.uniform(3.0, 5.0), rng.uniform(2.3, 2.8)])
        source_m = np.array([*(sides_m[:2] * rng.uniform(0.25, 0.5, 2)), rng.uniform(0.8, 1.3)])
        place_m = source_m + np.array([1.0, 0.0, 0.0])
        kept = rng.uniform(0.4, 0.85, 6)
        if rng.random() < 0.5:
            kept[:4] = 0.0
        return cls(sides_m, source_m, place_m, kept, rng.uniform(2e3, 8e3))

    def from_source(self, below_m: float, moved_m: np.ndarray) -> Response:
        """Return the response from a source below the tweeter to the microphone, moved by so much.

        It is re the direct sound at 1 m, and so is its delay.
        """
        source_m = self.source_m - np.array([0.0, 0.0, below_m])
        heard_m = self.place_m + moved_m
        paths = []
        for cells in itertools.product((-1, 0, 1), repeat=3):
            for turned in itertools.product((0, 1), repeat=3):
                # How often the near wall and the far one were met, a pair an axis.
                met = np.array([(abs(n - t), abs(n)) for n, t in zip(cells, turned, strict=True)])
                mirrored_m = (1.0 - 2.0 * np.array(turned)) * source_m
                image_m = 2.0 * np.array(cells) * self.sides_m + mirrored_m
                share = float(np.prod(self.kept ** met.ravel()))
                if np.sum(met) <= 2 and share > 0.0:
                    away_m = float(np.linalg.norm(image_m - heard_m))
                    paths.append((away_m, share, int(np.sum(met))))

        @functools.lru_cache(maxsize=1)
        def on_steps(step_hz: float, count: int) -> np.ndarray:
            frequency_hz = step_hz * np.arange(count)
            total = np.zeros(count, dtype=complex)
            swallowed = 1.0 / np.sqrt(1.0 + (frequency_hz / self.corner_hz) ** 2)
            for distance_m, share, walls in paths:
                turn = -2j * np.pi * step_hz * (distance_m - 1.0) / SOUND_M_S
                total += share / distance_m * swallowed**walls * _powers(turn, count)
            return total

        def response(frequency_hz: np.ndarray) -> np.ndarray:
            # `play` asks for frequencies from 0 in even steps, whose turns are powers of one.
            assert frequency_hz[0] == 0.0
            return on_steps(float(frequency_hz[1]), len(frequency_hz))

        return response


def _powers(turn: complex, count: int) -> np.ndarray:
    """Return exp(turn·n) for n from 0: of each n a coarse and a fine part are multiplied."""
    width = int(np.sqrt(count)) + 1
    coarse, fine = np.exp(turn * width * np.arange(width)), np.exp(turn * np.arange(width))
    return np.asarray((coarse[:, None] * fine).ravel()[:count])


def moved_by(rng: np.random.Generator) -> np.ndarray:
    """Return where a hand puts a microphone back: 1 to 3 cm off, in any direction."""
    way = rng.standard_normal(3)
    return np.asarray(rng.uniform(0.01, 0.03) * way / np.linalg.norm(way))


def in_room(
    room: MovedRoom, moved_m: np.ndarray, sizes: Sequence[float], crossover_hz: float
) -> list[Branch]:
    """Return a two-way loudspeaker heard at the moved microphone; its products in closed form.

    ``sizes`` are the woofer's coefficients of degrees 2 to 5, then the tweeter's of 2 and 3.
    """
    box = high_pass(45.0, 0.8)
    low, high = low_pass(crossover_hz, 0.7), high_pass(crossover_hz, 0.7)
    woofer, tweeter = (room.from_source(below_m, moved_m) for below_m in (APART_M, 0.0))

    def both(frequency_hz: np.ndarray) -> np.ndarray:
        # Of second order, in opposite polarity, the two sum flat but for a shallow dip.
        return low(frequency_hz) * woofer(frequency_hz) - high(frequency_hz) * tweeter(frequency_hz)

    return [
        Branch(box, (1.0,), both),
        Branch(cascade(box, low), (0.0, *sizes[:4]), woofer),
        Branch(cascade(high, low_pass(15000.0)), (0.0, *sizes[4:]), tweeter),
    ]
