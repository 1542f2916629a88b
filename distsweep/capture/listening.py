"""Listening before anything sounds: how loud the background is, what it is made of, and hum in it.

Nothing is sent meanwhile: the input alone is opened, at the rate and with the channels of the
route. What was heard serves the forecast of what the measurement will leave known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.background import describe_background, noise_spectrum
from distsweep.analysis.noise.third_octave_levels import AUDIBLE_HZ, NoiseLevels, noise_levels
from distsweep.analysis.settings import TakeSettings
from distsweep.capture.backend import Backend, Route
from distsweep.capture.keeping import log
from distsweep.capture.response import level_powers
from distsweep.capture.running_level import SHOWN_OVER_S, a_weighted_db
from distsweep.capture.sending import Order, Screen
from distsweep.results import Tone
from distsweep.takes.recording import CLIPPED_FROM, SILENT_PEAK
from distsweep.units import FloatArray, power_to_db
from distsweep.words.listening import dead_line, heard_lines, meter_line

LISTENED_S = 5.0
"""How long is listened (chosen: thirteen stretches of the noise's spectrum, so that a third of an
octave at 100 Hz is known within 1.2 dB, and nobody minds waiting)."""

SHOWN_EVERY_S = 0.2
"""How often the running level is worked out (chosen: it can be read)."""


@dataclass(frozen=True, eq=False)
class Listened:
    """What the input heard while nothing was played.

    Attributes
    ----------
    samples : of the microphone's channel, full scale 1, shape ``(N,)``.
    levels : in thirds of an octave, re a full-scale sine; None where all is digital silence.
    hum : its lines, in the session's unit.
    loudest_power : mean square of the loudest 125 ms.
    clipped : whether full scale was reached.
    dropouts : how many the audio system has reported.
    """

    samples: FloatArray
    levels: NoiseLevels | None
    hum: list[Tone]
    loudest_power: float
    clipped: bool
    dropouts: int


class Listener:
    """Listens once at each position, and keeps what was heard for the takes that follow.

    One serves all captures of a command: give it to each ``capture``.
    """

    def __init__(self) -> None:
        """Begin; nothing was heard yet."""
        self._heard: dict[tuple[str, Route], Listened] = {}

    def background(
        self, order: Order, *, backend: Backend, route: Route, screen: Screen
    ) -> Listened:
        """Return a position's background; where that is new, listen, and say what is heard.

        Raises
        ------
        DeviceError
            The input fails.
        """
        place = (order.position, route)
        if place not in self._heard:
            self._heard[place] = _listen(order, backend, route, screen)
        return self._heard[place]


def _listen(order: Order, backend: Backend, route: Route, screen: Screen) -> Listened:
    meter = _Meter(order, route, screen)
    screen.tell(f"listening to the background for {LISTENED_S:g} s, nothing is played")
    recorded = backend.record(
        route.input,
        channels=route.input_channels,
        rate_hz=route.rate_hz,
        seconds=LISTENED_S,
        heard=meter.show,
        dropped=meter.count_dropout,
    )
    samples = np.array(recorded[:, route.input_channel - 1], dtype=float)
    heard = examine(samples, order, rate_hz=route.rate_hz, dropouts=meter.dropouts)
    scale = order.scale
    if heard.levels is None:
        screen.tell(dead_line(route.input_channel))
    else:
        lines = heard_lines(
            frequency_hz=heard.levels.frequency_hz,
            level_db=np.array([_level_db(p) for p in heard.levels.power]) + scale.offset_db,
            whole_db=_level_db(float(np.sum(heard.levels.power))) + scale.offset_db,
            a_weighted_db=_level_db(heard.levels.a_weighted) + scale.offset_db,
            loudest_db=scale.of_power(heard.loudest_power),
            unit=scale.unit,
            hum=heard.hum,
            clipped=heard.clipped,
            dropouts=heard.dropouts,
        )
        for line in lines:
            screen.tell(line)
    _note(order, heard)
    return heard


def examine(samples: FloatArray, order: Order, *, rate_hz: int, dropouts: int = 0) -> Listened:
    """Take a background apart.

    Parameters
    ----------
    samples : of the microphone's channel, full scale 1, shape ``(N,)``.
    dropouts : how many there were meanwhile.
    """
    peak = float(np.max(np.abs(samples), initial=0.0))
    correction_db = order.calibration.correction_db
    levels, hum = None, []
    noise = noise_spectrum([samples], rate_hz=rate_hz) if peak >= SILENT_PEAK else None
    if noise is not None:
        levels = noise_levels(samples, rate_hz=rate_hz, correction_db=correction_db)
        band_hz = (AUDIBLE_HZ[0], min(AUDIBLE_HZ[1], 0.45 * rate_hz))
        settings = TakeSettings(band_hz, 1, correction_db, order.scale.offset_db)
        hum = describe_background(noise, settings).hum
    return Listened(
        samples=samples,
        levels=levels,
        hum=hum,
        loudest_power=float(np.max(level_powers(samples, rate_hz=rate_hz))),
        clipped=peak >= CLIPPED_FROM,
        dropouts=dropouts,
    )


def _note(order: Order, heard: Listened) -> None:
    """Write what was heard into the record."""
    scale, levels = order.scale, heard.levels
    details = {}
    if levels is not None:
        details = {
            "level_db": round(_level_db(float(np.sum(levels.power))) + scale.offset_db, 2),
            "a_weighted_db": round(_level_db(levels.a_weighted) + scale.offset_db, 2),
            "third_octave_hz": list(levels.frequency_hz),
            "third_octave_db": [
                round(_level_db(power) + scale.offset_db, 2) for power in levels.power
            ],
        }
    log(
        order.folder,
        "listened",
        position=order.position,
        seconds=LISTENED_S,
        unit=scale.unit,
        loudest_db=round(scale.of_power(heard.loudest_power), 2),
        hum=[[tone.frequency_hz, round(tone.level_db, 2)] for tone in heard.hum],
        clipped=heard.clipped,
        dropouts=heard.dropouts,
        **details,
    )


class _Meter:
    """The running level, on a line that is overwritten."""

    def __init__(self, order: Order, route: Route, screen: Screen) -> None:
        self.dropouts = 0
        self._order, self._screen = order, screen
        self._rate_hz, self._channel = route.rate_hz, route.input_channel - 1
        self._shown = 0

    def count_dropout(self) -> None:
        self.dropouts += 1

    def show(self, frames: FloatArray) -> None:
        """Show the level of the last second, the loudest moment so far, and clipping."""
        if len(frames) - self._shown < SHOWN_EVERY_S * self._rate_hz:
            return
        self._shown = len(frames)
        samples = np.array(frames[:, self._channel], dtype=float)
        last = samples[-round(SHOWN_OVER_S * self._rate_hz) :]
        calibration, scale = self._order.calibration, self._order.scale
        line = meter_line(
            level_db=scale.of_power(float(np.mean(last**2))),
            a_weighted_db=a_weighted_db(last, rate_hz=self._rate_hz, calibration=calibration),
            loudest_db=scale.of_power(float(np.max(level_powers(samples, rate_hz=self._rate_hz)))),
            unit=scale.unit,
            clipped=bool(np.max(np.abs(samples)) >= CLIPPED_FROM),
            dropouts=self.dropouts,
        )
        self._screen.show(line)


def _level_db(power: float) -> float:
    """Return a power re a full-scale sine in dB."""
    return float(power_to_db(max(power, 1e-30)))
