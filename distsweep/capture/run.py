"""A capture from front to back: listening, probe, plan, confirmation, rungs, files."""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import suppress
from pathlib import Path

from distsweep.capture.asker import Asker
from distsweep.capture.backend import Backend, Route
from distsweep.capture.consent import Consent
from distsweep.capture.foretold import Foreteller
from distsweep.capture.interrupts import deferred, like_ctrl_c
from distsweep.capture.judge import time_judging
from distsweep.capture.keeping import free_take_name, log
from distsweep.capture.ladder import Ladder
from distsweep.capture.listening import Listener
from distsweep.capture.noted_dose import played_before
from distsweep.capture.pieces import MOVED_DB, MOVED_IN_NOISE_DB, check_unmoved
from distsweep.capture.plausible import check_correction, check_full_scale
from distsweep.capture.probe import ENOUGH_SNR_DB, Prober
from distsweep.capture.probed import Probed, read_sweep
from distsweep.capture.recovery import recover
from distsweep.capture.safeguards import SplCeiling
from distsweep.capture.sending import Order, SafetyStop, Screen, Sender
from distsweep.capture.session_lock import session_lock
from distsweep.capture.stairs import Stairs, check_order
from distsweep.capture.take import Begun, Place, TakeFiles
from distsweep.errors import InputError
from distsweep.stimulus.sidecar import LadderStimulus


def capture(
    order: Order,
    *,
    backend: Backend,
    route: Route,
    ceiling: SplCeiling,
    asker: Asker,
    screen: Screen,
) -> Path:
    """Listen, probe, plan, have it confirmed, play and keep; return the take's sidecar.

    Raises
    ------
    SafetyRefusal
        Refused, or stopped for safety; what was recorded is kept.
    DeviceError
        A device failed, or the microphone does not hear the loudspeaker.
    InputError
        A file could not be written.
    KeyboardInterrupt
        Stopped by hand; what was recorded is kept.
    """
    backend.check(route)
    with like_ctrl_c(), session_lock(order.folder, doing=f"a capture of {order.position!r}"):
        for sentence in recover(order.folder):
            screen.tell(sentence)
        place = Place(order.position, loopback_channel=loopback_column(route))
        return capture_take(
            order,
            place,
            backend=backend,
            route=route,
            ceiling=ceiling,
            asker=asker,
            screen=screen,
        )


def capture_take(
    order: Order,
    place: Place,
    *,
    backend: Backend,
    route: Route,
    ceiling: SplCeiling,
    asker: Asker,
    screen: Screen,
    named: tuple[str, Begun] | None = None,
    replaces: Collection[str] = (),
    listener: Listener | None = None,
) -> Path:
    """Capture one take of a session whose lock is held; return its sidecar.

    Parameters
    ----------
    listener : has listened at the positions of earlier takes of the same command, if any.
    named : a take that was begun before, by its name, to be gone on with.
    replaces : see ``TakeFiles``.

    Raises
    ------
    SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
        As ``capture``; InputError also where a take that was begun before had another level.
    """
    name, begun = named or (free_take_name(order.folder, order.position), None)
    files = TakeFiles(
        order.folder,
        name,
        place=place,
        rate_hz=route.rate_hz,
        calibration=order.calibration,
        begun=begun,
        replaces=replaces,
    )
    sender = Sender(backend, route, order=order, files=files, screen=screen)
    ears = listener or Listener()

    def listen() -> Foreteller:
        heard = ears.background(order, backend=backend, route=route, screen=screen)
        return Foreteller(order, heard.samples, screen)

    return _capture_files(sender, place, ceiling, asker, listen)


def loopback_column(route: Route) -> int | None:
    """Return which channel of a recording holds the loop-back, from 1: see ``Sender``."""
    return None if route.loopback_channel is None else 2


def _capture_files(
    sender: Sender,
    place: Place,
    ceiling: SplCeiling,
    asker: Asker,
    listen: Callable[[], Foreteller],
) -> Path:
    """Capture what a take wants, alone in the session; return its sidecar."""
    order, route, files, screen = sender.order, sender.route, sender.files, sender.screen
    # What could go wrong with the session's files goes wrong before anything sounds.
    files.check()
    check_order(order)
    played_before(order.folder)
    log(
        order.folder,
        "started" if files.begun is None else "resumed",
        position=order.position,
        take=files.name,
        planned=place.planned,
        asked=order.asked,
        replaces=files.replaces,
        **place.values(),
        output=route.output.name,
        input=route.input.name,
        rate_hz=route.rate_hz,
    )
    player = _prepare(sender, ceiling, asker, listen())
    files.partial = None  # the probe's
    files.begin(player.stimulus)
    try:
        player.play()
    except BaseException as error:
        log(
            order.folder,
            "stopped",
            why=str(error) or type(error).__name__,
            safety=isinstance(error, SafetyStop),
        )
        _keep_partial(files, screen)
        raise
    with deferred():
        sidecar = files.finish()
    if sidecar is None:  # of a tone once more, whose former recording stays
        assert files.begun is not None
        return order.folder / files.begun.sidecar
    return sidecar


def _prepare(
    sender: Sender, ceiling: SplCeiling, asker: Asker, foreteller: Foreteller
) -> Ladder | Stairs:
    """Foretell, probe, plan and have it confirmed; return what plays the ladder or staircase."""
    order = sender.order
    check_full_scale(order.belief)
    check_correction(order.calibration.mic)
    begun = sender.files.begun
    if begun is None:
        foreteller.before_probe()
    prober = Prober(sender, order.probe_recipe, ceiling)
    probed = prober.run(asker, lambda probed: _first_rung_dbfs(order, begun, probed))
    if begun is not None:
        _check_level(begun, prober, sender.screen)
    _time_verdict(sender, prober)
    consent = Consent(order.folder, ceiling=ceiling, asker=asker, prober=prober, pace=sender.pace)
    kind = Ladder if isinstance(order.stimulus, LadderStimulus) else Stairs
    player: Ladder | Stairs = kind(sender, prober, consent)
    if isinstance(player, Ladder) and begun is None:
        foreteller.after_probe(player.plan, probed.quiet)
    player.settle()
    if begun is not None:
        _check_level(begun, prober)  # a probe once more, after a question
    return player


def _time_verdict(sender: Sender, prober: Prober) -> None:
    """Measure on the last probe what judging a rung, and predicting the next, takes."""
    if prober.played is None:
        return
    order, (stimulus, sent) = sender.order, prober.played

    def predict() -> None:
        response = read_sweep(sent, stimulus, stimulus.files[0], sender).response
        if response is None:
            return
        for _ in range(2):  # after a rung, and before the next
            corrected = response.corrected(order.calibration.correction_db)
            corrected.highest_level_db(stimulus.sweep.waveform())

    time_judging(
        stimulus,
        sent.path,
        calibration=order.calibration,
        conditions=order.conditions,
        besides=predict,
    )


def _check_level(begun: Begun, prober: Prober, screen: Screen | None = None) -> None:
    """Hold the probe against the last one of a take that is gone on with.

    Raises
    ------
    InputError
        Something was turned or moved in between.
    """
    probed = prober.probed
    if begun.probe_gain_db is None or probed is None or probed.gain is None:
        return
    change_db = probed.gain.band_db - begun.probe_gain_db
    limit_db = MOVED_DB if probed.gain.snr_db >= ENOUGH_SNR_DB else MOVED_IN_NOISE_DB
    check_unmoved(change_db, "the probe", limit_db=limit_db)
    if screen is not None:
        screen.tell(f"the level is within {abs(change_db):.1f} dB of when this take was begun")


def _first_rung_dbfs(order: Order, begun: Begun | None, probed: Probed) -> float | None:
    """Return the drive of the first rung wanted, as far as a probe has shown it."""
    if begun is not None:
        wanted = [file for file in begun.stimulus.files if file.name in begun.wanted]
        return min(file.lowest_dbfs for file in wanted)
    if order.levels_spl_db is None:
        return (order.drives_dbfs or order.stimulus.recipe.levels_dbfs)[0]
    at_0dbfs_db = None if probed.gain is None else order.belief.nominal_spl_db(probed.gain.band_db)
    return None if at_0dbfs_db is None else order.levels_spl_db[0] - at_0dbfs_db


def _keep_partial(files: TakeFiles, screen: Screen) -> None:
    """Enter what there is into the session; trouble here must not hide why it was stopped."""
    message, kept = "", None
    try:
        with suppress(KeyboardInterrupt), deferred():  # it is stopping already
            kept = files.finish()
    except InputError as error:
        message = f"the recordings are kept, but the session could not be told ({error})"
    if kept is not None:
        message = f"what was recorded is in the session as a partial take: {kept.name}"
    elif not message and files.partial is not None:
        message = f"nothing was complete; what was recorded is kept as {files.partial.name}"
    with suppress(OSError):  # the terminal may be gone
        if message:
            screen.tell(message)
