"""The gate: ``Gate.send`` is the one function through which samples leave for a loudspeaker.

Whatever asks for sound, it passes here or is silent: the array is judged as a whole before a
sample of it moves, and what leaves afterwards is a frozen copy of what was judged, times a
fade that is never above 1.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from distsweep.capture.backend import Backend, Route
from distsweep.capture.conversation import TAIL_S, Conversation, Heard
from distsweep.capture.levels import LARGEST_RISE_DB
from distsweep.capture.safeguards import Licence
from distsweep.capture.watch import Watch
from distsweep.errors import DeviceError, SafetyRefusal
from distsweep.units import db_to_ratio, ratio_to_db
from distsweep.words.wording import signed

FADE_IN_S = 0.02
"""Length of the fade-in that every array is given, whatever it holds (chosen)."""

ONSET_S, ONSET_GAP_S, ONSET_OF_PEAK = 0.005, 0.02, 0.5
"""After a silence of ONSET_GAP_S, sound may reach ONSET_OF_PEAK of the array's peak no sooner
than after ONSET_S: a rung that starts abruptly is refused (chosen: a sweep of ours takes
0.1 s to get there, a marker 20 ms)."""

LARGEST_OFFSET_OF_PEAK = 0.01
"""Largest mean over a second (Hann-weighted) re the array's peak: direct current, and what
is next to it, moves a cone without being heard (chosen: a sweep from 8 Hz shows 0.0003)."""

START_LEVEL_DBFS = -60.0
"""The first sound of a capture is no louder than this (chosen)."""

LARGEST_STEP_DB = 3.0
"""Largest rise within an array above the level that it has held (a requirement of capture)."""

HELD_S, HELD_BLOCK_S = 0.25, 0.05
"""A level is held when each block of 50 ms in a quarter of a second reaches it (chosen: half a
period of 10 Hz fits a block, and a watch needs 0.1 s to tell a burst from its onset)."""

STEP_SLACK_DB = 0.05
"""Uncertainty of a block's level: 50 ms seldom hold whole periods (0.02 dB at 441 Hz)."""


class Gate:
    """Sends arrays to one route, each at most 10 dB louder than what went well before.

    Within an array sound may rise further in steps of 3 dB, each held before the next.
    """

    def __init__(self, backend: Backend, route: Route) -> None:
        """Take the backend; nothing else should keep a hand on it."""
        self._backend = backend
        self._route = route
        self._proven_dbfs = START_LEVEL_DBFS - LARGEST_RISE_DB

    def send(
        self,
        samples: ArrayLike,
        licence: Licence,
        *,
        watch: Watch,
        tick: Callable[[Conversation], None],
        guarded_from: int = 0,
        tail_s: float = TAIL_S,
    ) -> Heard:
        """Play an array and record what comes back.

        Parameters
        ----------
        samples : shape ``(samples,)``, full scale 1.
        licence : what the safeguards have given leave for.
        watch : judges the recording as it grows; its verdict fades the output out.
        tick : called in this thread every few hundredths of a second with the conversation.
        guarded_from : played sample (a sweep's start) by which the watch must know where it
            is; 0 if it need not.
        tail_s : time that is recorded after the last sample.

        Raises
        ------
        SafetyRefusal
            The array may not leave; nothing has sounded.
        """
        wave = self._admit(samples, licence)
        conversation = Conversation(
            wave, self._route, watch, guarded_from=guarded_from, tail_s=tail_s
        )
        exchange(self._backend, conversation, tick)
        heard = conversation.heard()
        if heard.stop is None:
            self._proven_dbfs = max(self._proven_dbfs, float(ratio_to_db(np.max(np.abs(wave)))))
        return heard

    def _admit(self, samples: ArrayLike, licence: Licence) -> NDArray[np.float32]:
        """Judge an array, and return the frozen copy that will leave."""
        if type(licence) is not Licence:
            raise SafetyRefusal("nothing is played without a licence from the safeguards")
        given = np.asarray(samples)
        if given.ndim != 1 or not len(given) or given.dtype.kind not in "iuf":
            raise SafetyRefusal("what is to be played is not one row of numbers")
        with np.errstate(over="ignore"):
            wave = given.astype(np.float32)  # a copy: what was judged cannot change any more
        if not np.all(np.isfinite(wave)):
            raise SafetyRefusal("what is to be played holds samples that are not numbers")
        fade = round(FADE_IN_S * self._route.rate_hz)
        wave[:fade] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade))[: len(wave)]
        wave.flags.writeable = False
        peak = float(np.max(np.abs(wave)))
        if peak > 1.0:
            raise SafetyRefusal(f"what is to be played reaches {peak:.3g}, above full scale")
        level_dbfs = float(ratio_to_db(peak))
        if level_dbfs > licence.limit_dbfs + 1e-4:  # single precision rounds by 5e-7 dB
            raise SafetyRefusal(
                f"what is to be played reaches {signed(level_dbfs, 2)} dBFS, leave was given for"
                f" {signed(licence.limit_dbfs, 2)}"
            )
        _refuse_rise(wave, proven_dbfs=self._proven_dbfs, rate_hz=self._route.rate_hz)
        _refuse_offset(wave, peak, self._route.rate_hz)
        _refuse_abrupt(wave, peak, self._route.rate_hz)
        return wave


def exchange(
    backend: Backend, conversation: Conversation, tick: Callable[[Conversation], None]
) -> None:
    """Run a conversation; a device that fails is a reason to stop like any other.

    Only ``Gate.send`` calls this: what a conversation holds has been judged there.
    """
    tick(conversation)  # whoever may halt it knows it before anything sounds
    try:
        backend.exchange(conversation.route, conversation, lambda: tick(conversation))
    except DeviceError as error:
        conversation.device_failed(error)


def _refuse_rise(wave: NDArray[np.float32], *, proven_dbfs: float, rate_hz: int) -> None:
    """Refuse a rise by more than 10 dB above what went well before, but for steps of 3 dB.

    Every block's peak keeps to the one limit, or to LARGEST_STEP_DB above the highest level that
    the same sound has held until then; digital silence ends a sound, and a marker before it
    vouches for nothing after it. A block's level is that of a sine of its mean square, or its
    peak where the crest factor is 6 dB or less, for a block may hold half a period only.
    """
    reach = float(db_to_ratio(proven_dbfs + LARGEST_RISE_DB + 1e-4))
    step = float(db_to_ratio(LARGEST_STEP_DB + STEP_SLACK_DB))
    block, blocks = round(HELD_BLOCK_S * rate_hz), round(HELD_S / HELD_BLOCK_S)
    held, latest = 0.0, [0.0] * blocks
    for first in range(0, len(wave), block):
        part = wave[first : first + block].astype(np.float64)
        peak, rms = float(np.max(np.abs(part))), float(np.sqrt(np.mean(part**2)))
        if peak > max(reach, step * held):
            over_db = float(ratio_to_db(peak)) - proven_dbfs
            raise SafetyRefusal(
                f"what is to be played is {over_db:.1f} dB louder than anything that went well"
                f" before: rise by {LARGEST_RISE_DB:g} dB at most, or within a tone in steps of"
                f" {LARGEST_STEP_DB:g} dB that are held for {HELD_S:g} s"
            )
        level = max(np.sqrt(2.0) * rms, min(peak, 2.0 * rms))
        latest = [*latest[1:], level] if peak > 0.0 else [0.0] * blocks
        held = max(held, min(latest)) if peak > 0.0 else 0.0


def _refuse_offset(wave: NDArray[np.float32], peak: float, rate_hz: int) -> None:
    """Refuse direct current: the Hann-weighted mean over any second, or over a shorter whole."""
    length = min(rate_hz, len(wave))
    window = np.hanning(length + 2)[1:-1]
    window /= np.sum(window)
    step = max(1, length // 4)
    for first in range(0, len(wave) - length + 1, step):
        offset = abs(float(np.dot(wave[first : first + length], window)))
        if offset > LARGEST_OFFSET_OF_PEAK * peak:
            raise SafetyRefusal(
                f"what is to be played holds direct current ({offset / peak:.1%} of its peak)"
            )


def _refuse_abrupt(wave: NDArray[np.float32], peak: float, rate_hz: int) -> None:
    """Refuse sound that starts at once after a silence."""
    sounding = np.flatnonzero(np.abs(wave) > 1e-4 * peak)
    if not len(sounding):
        return
    gap, onset = round(ONSET_GAP_S * rate_hz), round(ONSET_S * rate_hz)
    later = sounding[1:][np.diff(sounding) > gap]
    for start in (int(sounding[0]), *map(int, later)):
        if float(np.max(np.abs(wave[start : start + onset]))) > ONSET_OF_PEAK * peak:
            raise SafetyRefusal("what is to be played starts abruptly: fade it in")
