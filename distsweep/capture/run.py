"""A capture from front to back: probe, plan, confirmation, rungs, files."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

from distsweep.capture.backend import Backend, Route
from distsweep.capture.exposure import Exposure
from distsweep.capture.interrupts import deferred
from distsweep.capture.keeping import free_take_name, log, read_log
from distsweep.capture.ladder import Ladder
from distsweep.capture.plan import Bench, Plan, announce, plan_from_drives, plan_from_spl
from distsweep.capture.probe import run_probe
from distsweep.capture.safeguards import Asker, Licence, SplCeiling, ask_licence
from distsweep.capture.sending import Order, Screen, Sender
from distsweep.capture.stairs import Stairs
from distsweep.capture.stairs_order import check_order, prepare_stairs
from distsweep.capture.take import TakeFiles, ladder_stimulus
from distsweep.errors import DeviceError, InputError, SafetyRefusal
from distsweep.stimulus.sidecar import LadderStimulus, Stimulus
from distsweep.takes.session_file import FILE_NAME, extended_text


def capture(
    order: Order,
    *,
    backend: Backend,
    route: Route,
    ceiling: SplCeiling,
    asker: Asker,
    screen: Screen,
) -> Path:
    """Do all of it; return the take's sidecar.

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
    check_order(order)
    backend.check(route)
    # What could go wrong with the session's file goes wrong before anything sounds.
    extended_text(order.folder / FILE_NAME, "[[takes]]", {"position": order.position})
    files = TakeFiles(
        order.folder,
        free_take_name(order.folder, order.position),
        position=order.position,
        rate_hz=route.rate_hz,
    )
    sender = Sender(backend, route, order=order, files=files, screen=screen)
    log(
        order.folder,
        "started",
        position=order.position,
        take=files.name,
        output=route.output.name,
        input=route.input.name,
        rate_hz=route.rate_hz,
    )
    stimulus, player = _prepare(sender, ceiling, asker)
    files.partial = None  # the probe's
    files.begin(stimulus)
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


def _prepare(sender: Sender, ceiling: SplCeiling, asker: Asker) -> tuple[Stimulus, Ladder | Stairs]:
    """Probe, plan and have it confirmed; what comes back may be played."""
    order = sender.order
    probed, probe_dbfs = run_probe(sender)
    if probed.gain is None:  # run_probe has refused that
        raise DeviceError("the microphone does not hear the loudspeaker")
    if not isinstance(order.stimulus, LadderStimulus):
        return prepare_stairs(
            sender,
            order.stimulus,
            probed,
            probe_dbfs,
            ceiling=ceiling,
            asker=asker,
            earlier=played_before(order.folder),
        )
    bench = Bench(probed.gain, order.spl_at_0dbfs_in_db, probe_dbfs, order.listener_offset_db)
    plan = _plan(order, bench)
    stimulus = ladder_stimulus(order.probe_recipe, plan.drives_dbfs, sender.files.name)
    licence = _ask(order, plan, stimulus, ceiling=ceiling, asker=asker)
    ladder = Ladder(sender, plan, stimulus, licence=licence, ceiling=ceiling, probed=probed)
    return stimulus, ladder


def played_before(folder: Path) -> list[Exposure]:
    """Return what the session's record says was played before at the listener's place."""
    exposures = []
    for event in read_log(folder):
        for item in event.get("listener_dba_minutes", []):
            with suppress(TypeError, ValueError, InputError):
                level_dba, minutes = item
                exposures.append(Exposure(float(level_dba), float(minutes)))
    return exposures


def _plan(order: Order, bench: Bench) -> Plan:
    if order.levels_spl_db is not None:
        return plan_from_spl(order.levels_spl_db, bench)
    return plan_from_drives(order.drives_dbfs or order.stimulus.recipe.levels_dbfs, bench)


def _ask(
    order: Order, plan: Plan, stimulus: LadderStimulus, *, ceiling: SplCeiling, asker: Asker
) -> Licence:
    """Tell what will sound, have it confirmed, and note that in the record."""
    played = [rung.drive_dbfs for file in stimulus.files for rung in file.rungs]
    announcement = announce(
        plan,
        played,
        sweep=stimulus.sweep,
        seconds=sum(file.samples for file in stimulus.files) / stimulus.recipe.rate_hz,
        earlier=played_before(order.folder),
    )
    details: dict[str, Any] = {
        "highest_spl_db": round(announcement.highest_anywhere_spl_db, 2),
        "drives_dbfs": [round(drive, 3) for drive in played],
        "ceiling_spl_db": ceiling.spl_db,
        "calibrated": announcement.calibrated,
    }
    try:
        licence = ask_licence(announcement, ceiling, asker)
    except SafetyRefusal as refusal:
        log(order.folder, "refused", why=str(refusal), **details)
        raise
    log(order.folder, "confirmed", how=licence.how, **details)
    return licence


def _keep_partial(files: TakeFiles, screen: Screen) -> None:
    """Enter what there is into the session; trouble here must not hide why it was stopped."""
    try:
        with deferred():
            kept = files.finish()
    except (InputError, KeyboardInterrupt) as error:
        screen.tell(f"the recordings are kept, but the session could not be told ({error})")
        return
    if kept is not None:
        screen.tell(f"what was recorded is in the session as a partial take: {kept.name}")
    elif files.partial is not None:
        screen.tell(f"no rung was complete; what was recorded is kept as {files.partial.name}")
