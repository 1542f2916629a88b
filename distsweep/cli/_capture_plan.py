"""``capture`` without --stimulus: what the session's [[positions]] ask for, one after another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from distsweep.cli import _printing as printing
from distsweep.cli._capture_setting import Asked, Setting

if TYPE_CHECKING:
    from distsweep.capture.backend import Route
    from distsweep.capture.safeguards import SplCeiling
    from distsweep.capture.sending import Order
    from distsweep.capture.stays import Stay, Step
    from distsweep.capture.walk import Walk

OF_A_PLAN = {"again": "--again", "placement": "--placement", "placed": "--placed"}
GOES_ON = "stopped: the same command goes on from here"
OF_ONE_TAKE = {"levels_spl": "--levels-spl", "levels_dbfs": "--levels-dbfs"}


def check_options(given: dict[str, Any]) -> None:
    """Refuse options of a plan beside --stimulus, and those of one take without it.

    Raises
    ------
    click.UsageError
        There is one.
    """
    alone = given["stimulus"] is None
    for key, option in (OF_ONE_TAKE if alone else OF_A_PLAN).items():
        if given[key] and alone:
            raise click.UsageError(
                f"{option} is for one take: give --stimulus with it, or write levels_spl or"
                " levels_dbfs into the session's [[positions]]"
            )
        if given[key]:
            raise click.UsageError(f"{option} is for the session's [[positions]]: leave it out")
    if given["again"] and given["position"] is not None:
        raise click.UsageError("--again names a position itself: leave --position out")


def planned_stays(folder: Path, given: dict[str, Any]) -> tuple[Stay, ...]:
    """Return what the session's plan asks for, as far as the options do not narrow it.

    Raises
    ------
    InputError
        The session has no plan, or no such position, or see ``check_pauses``.
    """
    from distsweep.capture.stays import check_pauses, narrowed, stays_of
    from distsweep.errors import InputError
    from distsweep.takes.session import read_session

    session = read_session(folder, takes_required=False)
    if not session.positions:
        raise InputError(
            f"{folder}: session.toml has no [[positions]] to go through: write them, or give"
            " --stimulus"
        )
    stays = stays_of(folder, session.positions)
    stays = narrowed(stays, position=given["position"], placement=given["placement"])
    if given["placed"]:
        check_pauses(stays)
    return stays


def capture_plan(setting: Setting, stays: Sequence[Stay], ceiling: SplCeiling) -> None:
    """Capture what the session lacks of its plan.

    Raises
    ------
    InputError, SafetyRefusal, DeviceError
        As ``capture``; everything is read before anything sounds.
    """
    from distsweep.capture.stairs import check_order
    from distsweep.capture.stays import parse_again
    from distsweep.capture.walk import Means, Walk

    again = setting.given["again"]
    which = None if again is None else parse_again(again, stays)
    orders: dict[Step, tuple[Order, Route]] = {}
    for stay in stays:
        for step in stay.steps:
            orders[step] = _order(setting, step)
            check_order(orders[step][0])
        _check_levels_serve(stay, [orders[step][0] for step in stay.steps])
    if any(stay.pairs for stay in stays):
        setting.hearing()
    for route in {route.rate_hz: route for _, route in orders.values()}.values():
        setting.system.check(route)
    means = Means(
        backend=setting.system,
        orders=orders,
        ceiling=ceiling,
        asker=setting.asker,
        screen=setting.screen,
        placed=setting.given["placed"],
        input_gain=setting.given["input_gain"],
        background=_background(setting) if setting.asker.is_terminal() else None,
    )
    walk = Walk(setting.folder, stays, means, again=which)
    tell = setting.screen.tell
    went_through = _go(walk, tell)
    for name in walk.left_out:
        tell(f"not recorded: {name}")
    if went_through:
        tell(f"captured: 'distsweep analyse {setting.folder}' makes results of it")
    else:
        tell(GOES_ON)


def _go(walk: Walk, tell: Callable[[str], None]) -> bool:
    """Go through the plan; tell whether that was to its end. What was captured is put out."""
    try:
        return walk.go()
    except KeyboardInterrupt:
        with suppress(OSError):  # the terminal may be gone
            tell(GOES_ON)
        raise
    finally:
        for sidecar in walk.captured:
            printing.put_out(str(sidecar))


def _check_levels_serve(stay: Stay, orders: Sequence[Order]) -> None:
    """Refuse levels where nothing is played by them: its staircases would go their own way.

    Raises
    ------
    InputError
        A position has levels, and no ladder.
    """
    from distsweep.errors import InputError

    planned = stay.planned
    ladders = any(order.stimulus.recipe.kind == "ladder" for order in orders)
    for key, text in (("levels_spl", planned.levels_spl), ("levels_dbfs", planned.levels_dbfs)):
        if text is not None and not ladders:
            raise InputError(
                f"[[positions]] {planned.position!r}: {key} is for ladders, and none is listed:"
                " leave it out, and write drives into the staircase's recipe"
            )


def _background(setting: Setting) -> Callable[[Stay], int]:
    """Return what records the background pairs of a stay."""

    def record(stay: Stay) -> int:
        from distsweep.capture.background_takes import BackgroundOrder, record_background

        planned = stay.planned
        route, calibration = setting.hearing()
        order = BackgroundOrder(
            folder=setting.folder,
            position=planned.position,
            pairs=planned.background_pairs,
            device=route.input,
            channel=route.input_channel,
            rate_hz=route.rate_hz,
            distance_m=planned.distance_m,
            calibration=calibration,
        )
        return record_background(
            order, backend=setting.system, asker=setting.asker, screen=setting.screen
        )

    return record


def _order(setting: Setting, step: Step) -> tuple[Order, Route]:
    """Return what a take of the plan is to be; levels are for its ladders."""
    from distsweep.stimulus.sidecar import read_sidecar

    played, planned = read_sidecar(step.stimulus), step.planned
    ladder = played.recipe.kind == "ladder"
    asked = Asked(
        played,
        planned.position,
        spl=planned.levels_spl if ladder else None,
        dbfs=planned.levels_dbfs if ladder else None,
        distance_m=planned.distance_m,
        planned=True,
    )
    route = setting.route(played.recipe.rate_hz)
    return setting.order(asked, route), route
