"""A capture from front to back: listening, probe, plan, confirmation, rungs, files."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from distsweep.capture.asker import Asker
from distsweep.capture.backend import Backend, Route
from distsweep.capture.consent import Consent
from distsweep.capture.foretold import Foreteller
from distsweep.capture.interrupts import deferred, like_ctrl_c
from distsweep.capture.keeping import free_take_name, log
from distsweep.capture.ladder import Ladder
from distsweep.capture.listening import Listener
from distsweep.capture.noted_dose import played_before
from distsweep.capture.plausible import check_correction, check_full_scale
from distsweep.capture.probe import Prober
from distsweep.capture.probed import Probed
from distsweep.capture.recovery import recover
from distsweep.capture.safeguards import SplCeiling
from distsweep.capture.sending import Order, Screen, Sender
from distsweep.capture.session_lock import session_lock
from distsweep.capture.stairs import Stairs, check_order
from distsweep.capture.take import TakeFiles
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
    listener: Listener | None = None,
) -> Path:
    """Listen, probe, plan, have it confirmed, play and keep; return the take's sidecar.

    ``listener`` has listened for earlier takes of the same command, where there were any.

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
        files = TakeFiles(
            order.folder,
            free_take_name(order.folder, order.position),
            position=order.position,
            rate_hz=route.rate_hz,
            calibration=order.calibration,
        )
        sender = Sender(backend, route, order=order, files=files, screen=screen)
        ears = listener or Listener()

        def listen() -> Foreteller:
            heard = ears.background(order, backend=backend, route=route, screen=screen)
            return Foreteller(order, heard.samples, screen)

        return _capture_take(sender, ceiling, asker, listen)


def _capture_take(
    sender: Sender, ceiling: SplCeiling, asker: Asker, listen: Callable[[], Foreteller]
) -> Path:
    """Capture one take, alone in the session; return its sidecar."""
    order, route, files, screen = sender.order, sender.route, sender.files, sender.screen
    # What could go wrong with the session's files goes wrong before anything sounds.
    files.check()
    check_order(order)
    played_before(order.folder)
    log(
        order.folder,
        "started",
        position=order.position,
        take=files.name,
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
        log(order.folder, "stopped", why=str(error) or type(error).__name__)
        _keep_partial(files, screen)
        raise
    with deferred():
        sidecar = files.finish()
    assert sidecar is not None  # it has ended well, so something was recorded
    return sidecar


def _prepare(
    sender: Sender, ceiling: SplCeiling, asker: Asker, foreteller: Foreteller
) -> Ladder | Stairs:
    """Foretell, probe, plan and have it confirmed; return what plays the ladder or staircase."""
    order = sender.order
    check_full_scale(order.belief)
    check_correction(order.calibration.mic)
    foreteller.before_probe()
    prober = Prober(sender, order.probe_recipe, ceiling)
    probed = prober.run(asker, lambda probed: _first_rung_dbfs(order, probed))
    consent = Consent(order.folder, ceiling=ceiling, asker=asker, prober=prober)
    kind = Ladder if isinstance(order.stimulus, LadderStimulus) else Stairs
    player: Ladder | Stairs = kind(sender, prober, consent)
    if isinstance(player, Ladder):
        foreteller.after_probe(player.plan, probed.quiet)
    player.settle()
    return player


def _first_rung_dbfs(order: Order, probed: Probed) -> float | None:
    """Return the drive of the first rung asked for, as far as a probe has shown it."""
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
