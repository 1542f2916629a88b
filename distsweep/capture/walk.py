"""Going through a session's plan: what is there is said, what follows is asked for and captured."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from distsweep.capture.asker import Asker
from distsweep.capture.backend import Backend, Route
from distsweep.capture.background_files import pairs_there
from distsweep.capture.background_takes import DEFAULT_SECONDS
from distsweep.capture.interrupts import like_ctrl_c
from distsweep.capture.listening import LISTENED_S, Listener
from distsweep.capture.plan_words import duration_text, least_s, levels_text, move_text
from distsweep.capture.recovery import recover
from distsweep.capture.run import capture_take, loopback_column
from distsweep.capture.safeguards import SplCeiling
from distsweep.capture.sending import Order, Screen
from distsweep.capture.session_lock import session_lock
from distsweep.capture.stays import Again, Stay, Step
from distsweep.capture.take import Begun, Place, TakeFiles, retire
from distsweep.capture.taken import Taken, replaced_by, taken_steps
from distsweep.errors import InputError
from distsweep.takes.session import read_session
from distsweep.takes.session_edit import rewrite_take
from distsweep.takes.session_file import FILE_NAME
from distsweep.takes.session_takes import STATES
from distsweep.words.wording import listed

QUESTION = "Enter goes on; or type skip, again (what came before it, once more), or stop: "


@dataclass(frozen=True)
class Means:
    """What a plan is worked with.

    Attributes
    ----------
    orders : for each take of the plan what is asked for, and by which devices.
    ceiling, asker, screen : as for a single capture.
    placed : the microphone is where each position says, or is put there by something else: nobody
        is asked.
    input_gain : where the input gain was said to stand, for all of the plan; None if it was not.
    background : records the background pairs of a stay and returns their count; None where nobody
        can switch the loudspeaker.
    """

    backend: Backend
    orders: dict[Step, tuple[Order, Route]]
    ceiling: SplCeiling
    asker: Asker
    screen: Screen
    placed: bool
    input_gain: str | None = None
    background: Callable[[Stay], int] | None = None


class Walk:
    """Goes through the stays of a plan once."""

    def __init__(
        self, folder: Path, stays: Sequence[Stay], means: Means, *, again: Again | None = None
    ) -> None:
        """Prepare; nothing sounds. ``again`` is recorded again, and nothing else is."""
        self._folder = folder
        self._stays = [
            stay for stay in stays if again is None or any(again.means(step) for step in stay.steps)
        ]
        self._means = means
        self._listener = Listener()
        self._again = again
        self._once_more: Stay | None = None
        self._left_out: list[str] = []
        self.captured: list[Path] = []

    def go(self) -> bool:
        """Capture what the plan lacks, stay by stay.

        Returns
        -------
        Whether all of it was gone through; False where the tester stopped in between.

        Raises
        ------
        SafetyRefusal, DeviceError, InputError, KeyboardInterrupt
            As ``capture``; InputError also where somebody would have to move the microphone, and
            nobody can say that it was moved.
        """
        # Held while somebody is asked, too: a calibration made meanwhile would not be this one's.
        doing = "a capture of its [[positions]]"
        with like_ctrl_c(), session_lock(self._folder, doing=doing):
            for sentence in recover(self._folder):
                self._means.screen.tell(sentence)
            self._look()
            number = 0
            while number < len(self._stays):
                stay = self._stays[number]
                answer = self._ask(number, stay)
                if answer == "stop":
                    return False
                if answer == "again" and number == 0:
                    self._means.screen.tell("nothing comes before it: --again names what is there")
                    continue
                if answer == "again":
                    number -= 1
                    self._once_more = self._stays[number]
                    continue
                if answer == "go":
                    self._record(stay)
                self._once_more = None
                number += 1
        return True

    @property
    def left_out(self) -> Sequence[str]:
        """What was not recorded, as skipped by hand or ended for safety, in words."""
        return tuple(self._left_out)

    def _taken(self, steps: Sequence[Step]) -> dict[Step, Taken]:
        limits = [order.thd_limit_percent for order, _ in self._means.orders.values()]
        return taken_steps(self._folder, steps, thd_limit_percent=min(limits, default=0.0))

    def _anew(self, stay: Stay, step: Step) -> bool:
        """Tell whether a take is to be recorded once more though it may be there."""
        if self._again is not None:
            return self._again.means(step)
        return self._once_more is stay

    def _wants(self, stay: Stay, step: Step, taken: Taken | None) -> bool:
        """Tell whether a take is to be recorded, whole or in part."""
        if self._again is not None or self._anew(stay, step):
            return self._anew(stay, step)
        return taken is None or taken.goes_on

    def _pairs_wanted(self, stay: Stay) -> int:
        """Return how many pairs of the background a stay lacks."""
        if self._again is not None or not stay.pairs:
            return 0
        planned = stay.planned
        return max(0, stay.pairs - pairs_there(self._folder, planned.position, planned.distance_m))

    def _look(self) -> None:
        """Look at what is there; say how much is to be recorded, and for how long at least."""
        taken = self._taken([step for stay in self._stays for step in stay.steps])
        self._mend_list(taken)
        takes, pairs, seconds = 0, 0, 0.0
        heard_at = set()
        for stay in self._stays:
            for step in stay.steps:
                if self._wants(stay, step, taken.get(step)):
                    begun = self._begun(stay, step, taken.get(step))
                    seconds += least_s(self._means.orders[step][0], begun)
                    takes += 1
                    heard_at.add(stay.planned.position)
            pairs += self._pairs_wanted(stay) if self._means.background else 0
        seconds += LISTENED_S * len(heard_at) + len(STATES) * pairs * DEFAULT_SECONDS
        counted = [f"{takes} take(s)"] * (takes > 0) + [f"{pairs} background pair(s)"] * (pairs > 0)
        if counted:
            self._means.screen.tell(
                f"to be recorded: {listed(counted)}, at least {duration_text(seconds)} in all"
                " without moves and answers"
            )

    def _mend_list(self, taken: Mapping[Step, Taken]) -> None:
        """Bring the session's list of takes up to date with what is there and with the plan."""
        for step, take in taken.items():
            if take.whole and take.replaced:  # a killed process had not come to it
                retire(self._folder, take.replaced, by=take.begun.sidecar)
            if take.placement is None and step.noted_placement is not None:
                # It was made before the plan had others, and is the first of them now.
                values = {"placement": step.placement}
                rewrite_take(self._folder / FILE_NAME, take.begun.sidecar, values)

    def _ask(self, number: int, stay: Stay) -> str:
        """Say what is there and what follows; return "go", "skip", "again" or "stop"."""
        taken, tell = self._taken(stay.steps), self._means.screen.tell
        wanted = [step for step in stay.steps if self._wants(stay, step, taken.get(step))]
        pairs = self._pairs_wanted(stay)
        tell(f"position {number + 1} of {len(self._stays)}: {stay.title}")
        for step in stay.steps:
            tell(f"  {step.name}: {self._standing(stay, step, taken.get(step))}")
        if pairs:
            tell(f"  background: {pairs} pair(s), the loudspeaker on and off, to be recorded")
        if not wanted and not pairs:
            self._left_out += [
                f"{stay.title}, {step.name}" for step in stay.steps if taken[step].ended
            ]
            return "skip"
        tell(f"  {move_text(stay)}")
        if self._means.input_gain is not None:
            gain = self._means.input_gain
            tell(f"  The input gain stands at {gain!r}, you said: where it does not, type stop.")
        answer = self._answer()
        if answer == "skip":
            self._left_out.append(stay.title)
        return answer

    def _answer(self) -> str:
        asker = self._means.asker
        if self._means.placed:
            return "go"
        if not asker.is_terminal():
            raise InputError(
                "nobody can type here that the microphone has been moved: run this in a terminal,"
                " or give --placed where it stands there, or something else moves it"
            )
        while True:
            typed = asker.typed(QUESTION)
            word = typed.strip().lower()
            if not typed:  # the end of what can be typed
                return "stop"
            if word in ("", "skip", "again", "stop"):
                return word or "go"
            self._means.screen.tell(f"{word!r} is none of these")

    def _standing(self, stay: Stay, step: Step, taken: Taken | None) -> str:
        """Say what there is of a take, and what is to be done about it."""
        order = self._means.orders[step][0]
        asked = levels_text(order)
        if taken is None:
            return f"to be recorded, {asked}"
        there = f"{taken.extent()} there ({taken.name})"
        if self._anew(stay, step):
            number = None if self._again is None else self._again.number
            which = f"all of it, {asked}" if number is None else f"number {number} of it"
            return f"{there}; to be recorded again: {which}"
        if taken.ended is not None:
            return f"{there}, it goes no further: {taken.ended}"
        if not taken.begun.wanted:
            if taken.begun.adopted:
                return f"{there}, to be entered into session.toml"
            other = taken.differs_from(order)
            return there if other is None else f"{there}, recorded with {other}: --again is for it"
        return f"{there}, to be gone on with"

    def _record(self, stay: Stay) -> None:
        """Capture what a stay lacks."""
        for step in stay.steps:
            taken = self._taken([step]).get(step)
            if self._wants(stay, step, taken):
                _check_calibration(self._means.orders[step][0])
                self._capture(stay, step, taken)
        if self._pairs_wanted(stay):
            if self._means.background is None:
                self._left_out.append(f"{stay.title}, background")
                self._means.screen.tell(
                    "background pairs need somebody at a terminal who switches the loudspeaker:"
                    " they are left out"
                )
            else:
                self._means.background(stay)
                self._means.screen.tell("the loudspeaker has to be on for the next take")

    def _capture(self, stay: Stay, step: Step, taken: Taken | None) -> None:
        means = self._means
        order, route = means.orders[step]
        place = Place(
            step.planned.position,
            placement=step.noted_placement,
            loopback_channel=loopback_column(route),
            distance_m=step.planned.distance_m,
            planned=step.name,
        )
        begun = self._begun(stay, step, taken)
        if taken is not None and begun is not None:
            taken.check_continues(order, place)
        replaces: tuple[str, ...] = ()
        if taken is not None and not self._one_file:
            replaces = replaced_by(taken, anew=begun is None)
        named = None if taken is None or begun is None else (taken.name, begun)
        if named is not None and not named[1].wanted:
            self.captured.append(_enter_as_it_is(order, place, route, named, replaces))
            return
        means.screen.tell(f"{stay.title}, {step.name}:")
        sidecar = capture_take(
            order,
            place,
            backend=means.backend,
            route=route,
            ceiling=means.ceiling,
            asker=means.asker,
            screen=means.screen,
            named=named,
            replaces=replaces,
            listener=self._listener,
        )
        self.captured.append(sidecar)

    @property
    def _one_file(self) -> bool:
        """Whether one rung or tone is recorded again, and no more."""
        return self._again is not None and self._again.number is not None

    def _begun(self, stay: Stay, step: Step, taken: Taken | None) -> Begun | None:
        """Return the take to be gone on with; None where one is begun anew."""
        if self._again is not None and self._again.number is not None:
            if taken is None:
                raise InputError(
                    f"--again: nothing is recorded of {step.name} at {step.planned.position!r}"
                )
            return taken.again(self._again.number)
        return None if taken is None or self._anew(stay, step) else taken.begun


def _check_calibration(order: Order) -> None:
    """Refuse to go on by a calibration that the session has no more.

    Raises
    ------
    InputError
        The session has another one, or cannot be read.
    """
    now, then = read_session(order.folder, takes_required=False).calibration, order.calibration
    if (now.pascal_per_fs, now.mic_correction_file) != (
        then.pascal_per_fs,
        then.mic_correction_file,
    ):
        raise InputError(
            f"{order.folder}: its calibration is another one than when this command began: give the"
            " same command again"
        )


def _enter_as_it_is(
    order: Order,
    place: Place,
    route: Route,
    named: tuple[str, Begun],
    replaces: Sequence[str],
) -> Path:
    """Enter a take whose recordings are all there, since a killed process had made the last."""
    files = TakeFiles(
        order.folder,
        named[0],
        place=place,
        rate_hz=route.rate_hz,
        calibration=order.calibration,
        begun=named[1],
        replaces=replaces,
    )
    files.begin(named[1].stimulus)
    return files.finish() or order.folder / named[1].sidecar
